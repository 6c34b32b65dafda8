"""Ordinary ANOVA tables against NIST, the e-Handbook, a textbook and known traps."""

from fractions import Fraction
from importlib.resources import files
from itertools import permutations

import numpy as np
import pandas as pd
import pytest

from reedlab.errors import CallError, ModelError
from reedlab.model.classical import fixed_anova
from tests.reference.compare import compare

#: The unbalanced 2 x 2 table of the known traps A1, A3 and B10.
U11 = pd.DataFrame(
    {
        "y": [3.0, 4, 5, 6, 7, 4, 4, 9, 10, 11, 10],
        "a": list("pppppqqqqqq"),
        "b": list("xxxyyxxyyyy"),
    }
)

#: Files of lower and average difficulty, and those with 13 constant leading digits, of whose
#: variation a double holds about four digits.
EASY = ["SiRstv", "AtmWtAg", "SmLs01", "SmLs02", "SmLs03", "SmLs04", "SmLs05", "SmLs06"]
HARD = ["SmLs07", "SmLs08", "SmLs09"]


def _nist(name: str) -> tuple[pd.DataFrame, float]:
    """Read a NIST StRD file as scipy ships it: rows, and the certified F."""
    text = files("scipy.stats.tests").joinpath(f"data/nist_anova/{name}.dat").read_text()
    lines = text.splitlines()
    certified = float(next(line for line in lines if line.startswith("Between")).split()[-1])
    rows = [line.split() for line in lines[60:] if line.strip()]
    return pd.DataFrame(
        {"group": [r[0] for r in rows], "y": [float(r[1]) for r in rows]}
    ), certified


def _exact_f(data: pd.DataFrame) -> float:
    """F of the doubles as stored, in exact fractions."""
    groups = [[Fraction(v) for v in part] for _, part in data.groupby("group")["y"]]
    n = sum(map(len, groups))
    mean = sum(map(sum, groups)) / n
    between = sum(len(g) * (sum(g) / len(g) - mean) ** 2 for g in groups)
    within = sum(sum(v * v for v in g) - sum(g) ** 2 / len(g) for g in groups)
    return float(between / (len(groups) - 1) / (within / (n - len(groups))))


def _digits(value: float, right: float) -> float:
    return np.inf if value == right else -np.log10(abs(value - right) / abs(right))


@pytest.mark.parametrize("name", EASY + HARD)
def test_nist_one_way(name):
    data, certified = _nist(name)
    got = fixed_anova("y ~ group", data, kind=3).statistic[0]
    assert _digits(got, _exact_f(data)) >= 13
    if name in EASY:
        assert _digits(got, certified) >= 8
    else:
        assert 4 <= _digits(got, certified) < 5  # the data's own limit, see the next test


@pytest.mark.parametrize("name", HARD)
def test_what_the_hard_files_hold(name):
    # The F of the stored doubles, in exact arithmetic, differs from the certified one:
    # that many digits and no more can be had from these files.
    data, certified = _nist(name)
    possible = _digits(_exact_f(data), certified)
    got = _digits(fixed_anova("y ~ group", data, kind=1).statistic[0], certified)
    assert got == pytest.approx(possible, abs=0.01)
    assert round(possible, 1) == {"SmLs07": 4.4, "SmLs08": 4.2, "SmLs09": 4.2}[name]


@pytest.mark.parametrize(
    ("kind", "sums"),
    [
        (3, [7.7368, 45.6316, 7.7368, 4.5]),
        (2, [8.5965, 47.7632, 7.7368, 4.5]),
        (1, [24.5455, 47.7632, 7.7368, 4.5]),
    ],
)
def test_the_three_types_whatever_level_comes_first(kind, sums):
    # known traps A1 and B10.
    for a, b in [("pq", "xy"), ("qp", "xy"), ("pq", "yx"), ("qp", "yx")]:
        data = U11.assign(a=pd.Categorical(U11.a, list(a)), b=pd.Categorical(U11.b, list(b)))
        table = fixed_anova("y ~ a * b", data, kind)
        assert list(table.sum_sq) == pytest.approx(sums, abs=5e-5)
        assert set(table.kind) == {kind}
    if kind == 3:
        expected = [
            {"term": "a", "statistic": 12.035, "p_value": 0.0104, "num_df": 1, "den_df": 7},
            {"term": "b", "statistic": 70.982},
            {"term": "residual", "num_df": 7, "den_df": None, "statistic": None, "p_value": None},
        ]
        compare(table, expected, rtol=2e-3)


def test_balanced_data_give_one_table():
    # known trap B10: three types, one answer.
    data = U11.groupby(["a", "b"]).head(2).reset_index(drop=True)
    first, second, third = (
        fixed_anova("y ~ a * b", data, kind).drop(columns="kind") for kind in (1, 2, 3)
    )
    pd.testing.assert_frame_equal(first, second)
    pd.testing.assert_frame_equal(first, third)


def test_an_empty_cell_is_named_and_the_model_without_it_offered():
    # known trap A3.
    data = U11[(U11.a != "q") | (U11.b != "x")]
    with pytest.raises(
        ModelError, match=r"a:b cannot be estimated.*(a=q, b=x|b=x, a=q).*0 rows.*~ a \+ b"
    ):
        fixed_anova("y ~ a * b", data, kind=2)
    assert fixed_anova("y ~ a + b", data, kind=2).num_df.tolist() == [1, 1, 6]


def _two_level(names: str) -> pd.DataFrame:
    """Standard order: the first factor changes fastest."""
    runs = np.arange(2 ** len(names))
    return pd.DataFrame({name: (runs >> i & 1) * 2 - 1 for i, name in enumerate(names)})


def test_filtration_rate():
    # Montgomery, Design and Analysis of Experiments, 2^4 unreplicated: published sums of
    # squares, and F with B dropped (residual mean square 22.4375 on 8 df), which is the
    # full factorial in A, C and D.
    y = [45, 71, 48, 65, 68, 60, 80, 65, 43, 100, 45, 104, 75, 86, 70, 96]
    data = _two_level("abcd").assign(y=np.array(y, float))
    sums = {"a": 1870.5625, "c": 390.0625, "d": 855.5625, "a:c": 1314.0625, "a:d": 1105.5625}
    f = {"a": 83.37, "c": 17.38, "d": 38.13, "a:c": 58.57, "a:d": 49.27}
    table = fixed_anova("y ~ a * c * d", data, kind=3)
    compare(table, [{"term": t, "sum_sq": s} for t, s in sums.items()], rtol=1e-10)
    compare(table, [{"term": t, "statistic": v} for t, v in f.items()], rtol=0, atol=0.0051)
    compare(table, [{"term": "residual", "sum_sq": 22.4375 * 8, "num_df": 8}], rtol=1e-10)


def test_ceramic_strength():
    # NIST/SEMATECH e-Handbook 5.4.7.1, 2^5: sums of squares printed as whole numbers. The
    # model of 26 terms: the mean, all effects of one to three factors.
    y = """680.45 722.48 702.14 666.93 703.67 642.14 692.98 669.26 491.58 475.52 478.76
        568.23 444.72 410.37 428.51 491.47 607.34 620.80 610.55 638.04 585.19 586.17 601.67
        608.31 442.90 434.41 417.66 510.84 392.11 343.22 385.52 446.73"""
    data = _two_level("srgdb").assign(y=np.array(y.split(), float))
    data = data.rename(
        columns={"s": "speed", "r": "rate", "g": "grit", "d": "direction", "b": "batch"}
    )
    table = fixed_anova("y ~ (speed + rate + grit + direction + batch)**3", data, kind=3)
    sums = {
        "speed": 894,
        "rate": 3497,
        "grit": 12664,
        "direction": 315133,
        "batch": 33654,
        "speed:rate": 4873,
        "speed:rate:direction": 5896,
        "residual": 1905,
    }
    compare(table, [{"term": t, "sum_sq": s} for t, s in sums.items()], rtol=0, atol=0.51)
    assert len(table) == 26  # 25 terms beside the mean, and the residual
    assert table.num_df.iloc[-1] == 6


def test_order_matters_for_type_one_only():
    for first, second in permutations(["a", "b"]):
        table = fixed_anova(f"y ~ {first} + {second}", U11, kind=1).set_index("term")
        assert table.sum_sq.sum() == pytest.approx(((U11.y - U11.y.mean()) ** 2).sum())
    assert table.loc["a", "sum_sq"] != pytest.approx(24.5455, abs=1e-3)


def test_rows_left_out_are_named():
    table = fixed_anova("y ~ a", U11.assign(y=U11.y.where(U11.index != 4)), kind=2)
    assert table.attrs["rows_used"] == 10
    assert table.attrs["left_out"] == [{"row": 4, "fault": "y missing"}]


def test_what_is_refused_is_said():
    with pytest.raises(CallError, match="no sums of squares of type 4; choose 1, 2 or 3"):
        fixed_anova("y ~ a", U11, kind=4)
    with pytest.raises(CallError, match="needs the mean: take '0 \\+' out"):
        fixed_anova("y ~ 0 + a", U11, kind=2)
    with pytest.raises(ModelError, match="reproduce 'y' exactly in all 11 rows"):
        fixed_anova("y ~ a", U11.assign(y=(U11.a == "p") * 0.1 + 3), kind=2)
    with pytest.raises(ModelError, match="the same"):
        fixed_anova("y ~ a", U11.assign(y=3.0), kind=2)
