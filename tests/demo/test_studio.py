"""The invented studio: the same every time, sound, and different from hand to hand as asked."""

import numpy as np
import pandas as pd
import pytest

from reedlab.demo import TRUTH, example_studio, simulate_studio
from reedlab.demo.studio import HANDS, hand


def test_the_studio_is_the_same_every_time():
    one, two = simulate_studio(3, makers=2), simulate_studio(3, makers=2)
    for name in one:
        for table in one[name].tables:
            pd.testing.assert_frame_equal(one[name].tables[table], two[name].tables[table])


def test_every_study_of_it_is_sound_and_said_to_be_invented():
    for name, study in example_studio().items():
        assert study.check().ok, name
        assert study.settings.invented
        assert study.title.startswith("Invented: ")


def test_hands_differ_by_as_much_as_is_asked():
    rng = np.random.default_rng(2)
    truths = [hand(rng, HANDS) for _ in range(2000)]
    for factor, sd in HANDS.items():
        effects = [truth.effect("crow_cents", factor) for truth in truths]
        assert np.std(effects) == pytest.approx(sd, rel=0.06)
        assert np.mean(effects) == pytest.approx(TRUTH.effect("crow_cents", factor), abs=sd / 10)
    assert {truth.effect("crow_cents", "wire_tension") for truth in truths} == {0.0}


def test_without_a_hand_of_their_own_all_makers_are_alike():
    studio = simulate_studio(4, makers=3, hands={"gouge_centre_mm": 0.0})
    effects = {demo.truth.effect("crow_cents", "gouge_centre_mm") for demo in studio.values()}
    assert effects == {-14.0}
