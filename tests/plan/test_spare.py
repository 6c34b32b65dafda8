"""Spared reeds: drawn by chance, as many as a precision asks for, told in one sentence."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import beta, binom

from reedlab.demo import example_study
from reedlab.errors import CallError, ModelError
from reedlab.plan import spare
from reedlab.study import Settings, write_study

REEDS = [f"R{i:02}" for i in range(1, 31)]


def drawn(found):
    return found.table.loc[found.table["spared"], "reed_id"].tolist()


def test_a_tenth_is_drawn_and_named():
    found = spare(REEDS, seed=1)
    assert len(drawn(found)) == 3
    assert found.table["reed_id"].tolist() == REEDS
    named = f"Finish {', '.join(drawn(found))} whatever the rule says"
    assert found.sentence.startswith(f"{named} (3 of 30 reeds, drawn with seed 1).")
    assert "If 10 % of the stopped reeds would be keepers, that share will be known as" in (
        found.sentence
    )
    assert any(text.startswith("Finish every one of them: a spared") for text in found.cautions)


def test_the_same_seed_draws_the_same_and_each_reed_has_its_chance():
    assert drawn(spare(REEDS, seed=5)) == drawn(spare(REEDS, seed=5))
    times = dict.fromkeys(REEDS, 0)
    for seed in range(1500):
        for reed in drawn(spare(REEDS, seed=seed)):
            times[reed] += 1
    # 1500 draws of a tenth: 150 each; 4.5 binomial errors for the largest of 30.
    counts = np.array([*times.values()])
    assert np.abs(counts - 150).max() < 4.5 * np.sqrt(1500 * 0.1 * 0.9)


def test_one_reed_at_least_is_spared():
    assert spare(["R1"]).spared == ("R1",)
    assert len(drawn(spare(["R1", "R2"]))) == 1


def test_a_precision_draws_as_few_as_give_it():
    """By hand: mean limits of Jeffreys' interval over the counts that may be found."""
    many = [f"R{i}" for i in range(400)]
    found = spare(many, precision=0.2, expected=0.1)

    def width(n):
        k = np.arange(n + 1)
        low = np.where(k == 0, 0, beta.ppf(0.025, k + 0.5, n - k + 0.5))
        high = np.where(k == n, 1, beta.ppf(0.975, k + 0.5, n - k + 0.5))
        return binom.pmf(k, n, 0.1) @ (high - low)

    count = len(drawn(found))
    assert width(count) <= 0.2 < width(count - 1)
    assert found.conf_high - found.conf_low == pytest.approx(width(count))
    assert found.sentence.startswith(f"Finish the {count} reeds marked as spared whatever the rule")


def test_a_precision_beyond_reach():
    match = r"^With all 30 reeds spared the limits would still lie 2\d % apart: ask for less"
    with pytest.raises(ModelError, match=match):
        spare(REEDS, precision=0.05)


def test_a_study_gives_its_open_reeds_and_how_often_it_stopped(tmp_path):
    reeds = pd.DataFrame({"reed_id": [f"R{i:02}" for i in range(30)]})
    reeds["fate"] = [*["kept"] * 4, *["discarded"] * 6, *[None] * 20]
    reeds["fate_stage"] = [*["day 7"] * 5, *["day 1"] * 5, *[None] * 20]
    study = write_study(tmp_path / "s", {"reeds": reeds}, Settings("bassoon", invented=True))
    found = spare(study, share=0.2)
    assert len(found.table) == 20
    assert found.share_stopped == 0.5
    assert "The rule would stop about 2 of them." in found.sentence
    assert any(text.startswith("The rule is taken to stop 50 % of") for text in found.cautions)


def test_a_study_without_open_reeds():
    with pytest.raises(CallError, match=r"^Every reed of the study has its fate: name the reeds"):
        spare(example_study("season"))


@pytest.mark.parametrize(
    ("reeds", "options", "match"),
    [
        ("R1", {}, r'^reeds is a list of reeds: write \["R1"\]\.$'),
        ([], {}, r"^There is no reed to draw from\.$"),
        (["R1", "R2", "R1"], {}, r"^R1 is named twice\.$"),
        (REEDS, {"share": 1.5}, r"^share is 1.5; write a share between 0 and 1, e.g. 0.1\.$"),
        (REEDS, {"expected": 0}, r"^expected is 0; write a share"),
        (REEDS, {"precision": "high"}, r"^precision is 'high'; write a share"),
    ],
)
def test_calls_that_cannot_be(reeds, options, match):
    with pytest.raises(CallError, match=match):
        spare(reeds, **options)
