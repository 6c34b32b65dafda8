"""Whole studios through `pool` and `across_makers`: the truth of a new hand, how often held?"""

import numpy as np
import pytest

from reedlab import pool
from reedlab.analyse import across_makers
from reedlab.demo import TRUTH, simulate_studio

pytestmark = pytest.mark.slow

STUDIOS = 16
#: Makers and the standard deviation between them of what each factor does to the crow, cents.
STUDIES = (4, 6, 8)
HANDS = {"gouge_centre_mm": 7.0, "shape": 14.0, "wire_tension": 4.0}


def test_a_new_makers_effect_lies_within_its_interval(tmp_path):
    held, mean_held, rng = [], [], np.random.default_rng(8)
    for number in range(STUDIOS):
        makers = STUDIES[number % len(STUDIES)]
        demos = simulate_studio(500 + number, makers, tubes=8, per_tube=4, hands=HANDS)
        studies = {name: demo.write(tmp_path / f"{number} {name}") for name, demo in demos.items()}
        table = across_makers(pool(studies), "crow_cents", [*HANDS]).table
        for row in table.to_dict("records"):
            mean = TRUTH.effect("crow_cents", row["term"])
            # Several new hands of the same studio: its interval, not one draw, is judged.
            new = mean + HANDS[row["term"]] * rng.standard_normal(200)
            held.append(np.mean((row["new_low"] <= new) & (new <= row["new_high"])))
            mean_held.append(row["conf_low"] <= mean <= row["conf_high"])
    covered = np.mean(held)
    error = np.std(held) / np.sqrt(len(held))
    print(f"\n{len(held)} intervals of {STUDIOS} studios hold {covered:.3f} ± {error:.3f} of new ")
    print(f"makers; {np.mean(mean_held):.3f} hold the mean")
    assert covered - 3 * error <= 0.97
    assert covered + 3 * error >= 0.93
    assert np.mean(mean_held) >= 0.87
