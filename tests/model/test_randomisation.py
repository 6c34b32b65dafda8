"""Randomisation tests against published examples, scipy's permutation tests and brute force."""

import time
from itertools import combinations, permutations, product

import numpy as np
import pandas as pd
import pytest
from scipy.stats import permutation_test

from reedlab.errors import ModelError
from reedlab.model import fit_mixed
from reedlab.model.randomisation import randomisation
from reedlab.model.shuffles import Shuffles
from reedlab.model.tails import tail


def loose(n):
    """Rows that may all change places."""
    return Shuffles(np.arange(n), np.zeros(n, dtype=int))


def whole_p(values, seen):
    return tail(values, seen, complete=True, mid=False).p_value


def all_counted(found, term, response=0):
    """The p value that counts ties whole, whatever the table chose."""
    score = found.responses[response].score(term)
    reference = found.reference(term, response)
    values = score.statistic(reference.sums(score.base, score.response))
    seen = score.statistic((score.base.T @ score.response)[:, None])[0]
    return tail(values, float(seen), complete=reference.complete, mid=False).p_value


# Published examples.


def test_the_lady_tasting_tea():
    """Fisher (1935), The Design of Experiments, ch. 2: one chance in 70, both sides two."""
    truth = np.array([1.0, 0, 0, 1, 0, 1, 1, 0])
    found = randomisation(truth, {"said": truth}, loose(8))
    row = found.table.iloc[0]
    assert row["complete"]
    assert row["assignments"] == 70
    assert row["mc_error"] == 0
    assert all_counted(found, "said") == pytest.approx(2 / 70)
    assert row["p_value"] == pytest.approx(2 / 70)


def test_darwins_maize():
    """Fisher (1935), ch. 3, from memory: 863 of 32768 sign patterns reach the total of 314.

    Heights of crossed less self-fertilised plants, eighths of an inch, 15 pairs.
    """
    apart = np.array([49.0, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48])
    assert apart.sum() == 314
    pair = np.repeat(np.arange(15), 2)
    heights = np.column_stack([apart, np.zeros(15)]).ravel()
    crossed = np.tile([1.0, 0.0], 15)
    found = randomisation(heights, {"crossed": crossed}, Shuffles(pair, pair), most=32768)
    row = found.table.iloc[0]
    assert row["complete"]
    assert row["assignments"] == 32768
    assert row["p_value"] == pytest.approx(2 * 863 / 32768)
    shift = found.shift("crossed")
    assert shift.estimate == pytest.approx(314 / 15)
    # By every sign pattern, once more: the shifts that 5 % of the patterns do not reach.
    signs = np.array(list(product([1.0, -1.0], repeat=15)))

    def p_value(shift):
        left = apart - shift
        return np.mean(np.abs(signs @ left) >= abs(left.sum()) - 1e-9)

    assert p_value(shift.conf_low + 0.02) > 0.05 >= p_value(shift.conf_low - 0.02)
    assert p_value(shift.conf_high - 0.02) > 0.05 >= p_value(shift.conf_high + 0.02)
    drawn = randomisation(heights, {"crossed": crossed}, Shuffles(pair, pair)).table.iloc[0]
    assert not drawn["complete"]
    assert drawn["mc_error"] == pytest.approx(0.0016, abs=0.0002)
    assert abs(drawn["p_value"] - row["p_value"]) < 4 * drawn["mc_error"]


#: Box, Hunter & Hunter, Statistics for Experimenters, corrosion of steel bars: six heats of a
#: furnace, four coatings in each (values as in public copies of the data).
CORROSION = {
    360: ((67, 73, 83, 89), (33, 8, 46, 54)),
    370: ((65, 91, 87, 86), (140, 142, 121, 150)),
    380: ((155, 127, 147, 212), (108, 100, 90, 153)),
}


def corrosion():
    rows = [
        (f"{temperature}.{heat}", str(temperature), f"C{coating + 1}", value)
        for temperature, heats in CORROSION.items()
        for heat, bars in enumerate(heats)
        for coating, value in enumerate(bars)
    ]
    return pd.DataFrame(rows, columns=["heat", "temperature", "coating", "resistance"])


def test_corrosion_by_randomisation_and_by_kenward_roger():
    """A split plot: temperature is judged by heats, coatings and interaction by bars."""
    data = corrosion()
    tests = fit_mixed("resistance ~ temperature * coating", data, ["heat"]).anova()
    tests = tests.set_index("term")
    # Published: F 2.75 on 2 and 3, 11.48 on 3 and 9, 4.376 on 6 and 9.
    assert tests["statistic"].tolist() == pytest.approx([2.7548, 11.480, 4.3757], rel=1e-4)
    assert tests.loc["temperature", "p_value"] > 0.2
    assert (tests["p_value"].drop("temperature") < 0.03).all()

    hot = pd.get_dummies(data["temperature"], drop_first=True).to_numpy(dtype=float)
    coat = pd.get_dummies(data["coating"], drop_first=True).to_numpy(dtype=float)
    both = (hot - hot.mean(axis=0))[:, :, None] * (coat - coat.mean(axis=0))[:, None]
    heat = pd.factorize(data["heat"])[0]
    found = randomisation(
        data["resistance"].to_numpy(dtype=float),
        {"temperature": hot, "coating": coat, "both": both.reshape(24, -1)},
        Shuffles(heat, np.zeros(24, dtype=int)),
    ).table.set_index("term")
    # Six heats, two of each temperature: 90 assignments; four of 15 pairings reach this F.
    assert found.loc["temperature", "assignments"] == 90
    means = data.groupby("heat")["resistance"].mean().to_numpy()
    assert found.loc["temperature", "p_value"] == pytest.approx(pairings(means))
    assert found.loc["temperature", "p_value"] > 0.2
    assert found.loc["coating", "p_value"] < 0.005
    assert found.loc["both", "p_value"] < 0.05
    assert found.loc["temperature", "p_adjusted"] > 0.2
    assert (found["p_adjusted"] >= found["p_value"]).all()


def pairings(means):
    """Share of all ways to pair six heats whose pairs differ as much between."""
    between = []
    for order in permutations(range(6)):
        pairs = np.array(means)[list(order)].reshape(3, 2).mean(axis=1)
        between.append(pairs.var())
    return np.mean(np.array(between) >= between[0] - 1e-9)


# Against another library and brute force.


@pytest.mark.parametrize("binary", [False, True])
def test_two_groups_as_scipy(binary):
    rng = np.random.default_rng(8)
    y = (rng.random(9) < 0.5) * 1.0 if binary else rng.normal(size=9)
    y[:2] = [0, 1]
    x = np.array([0.0, 0, 0, 0, 1, 1, 1, 1, 1])
    rng.shuffle(x)
    theirs = permutation_test(
        (y[x == 1], y[x == 0]),
        lambda a, b: abs(a.mean() - b.mean()),
        alternative="greater",
        n_resamples=np.inf,
    )
    # |difference| is one-sided here; ties of 1 and 0 are broken by nothing where plots are rows.
    found = randomisation(y, {"x": x}, loose(9))
    assert found.table["assignments"].iloc[0] == 126
    assert all_counted(found, "x") == pytest.approx(theirs.pvalue)


def test_pairs_as_scipy():
    rng = np.random.default_rng(5)
    a, b = rng.normal(size=(2, 9))
    theirs = permutation_test(
        (a, b),
        lambda a, b: (a - b).mean(),
        permutation_type="samples",
        n_resamples=np.inf,
    )
    pair = np.tile(np.arange(9), 2)
    found = randomisation(
        np.concatenate([a, b]), {"x": np.repeat([1.0, 0.0], 9)}, Shuffles(pair, pair)
    )
    assert found.table["assignments"].iloc[0] == 512
    assert all_counted(found, "x") == pytest.approx(theirs.pvalue)


def test_a_factor_of_plots_by_brute_force():
    rng = np.random.default_rng(2)
    plot = np.repeat(np.arange(6), 3)
    y = rng.normal(size=18) + np.repeat(rng.normal(size=6), 3)
    x = np.array([1.0, 0, 1, 0, 0, 1])
    means = y.reshape(6, 3).mean(axis=1)
    apart = [
        abs(means[list(chosen)].mean() - np.delete(means, chosen).mean())
        for chosen in combinations(range(6), 3)
    ]
    seen = abs(means[x == 1].mean() - means[x == 0].mean())
    inside = np.tile([0.0, 1, 1], 6)
    found = randomisation(y, {"x": x[plot], "in": inside}, Shuffles(plot, plot * 0))
    assert found.table["assignments"].iloc[0] == 20
    assert all_counted(found, "x") == pytest.approx(np.mean(np.array(apart) >= seen - 1e-9))
    # Three plots of either level: one of 20, with its mirror image, is the best there can be.
    assert found.table["smallest"].iloc[0] == pytest.approx(0.1)
    assert found.shift("x").conf_high == np.inf


def test_blocks_keep_plots_of_a_lot_together():
    plot, lot = np.arange(8), np.repeat([0, 1], 4)
    x = np.array([1.0, 1, 0, 0, 1, 0, 1, 0])
    y = np.array([3.0, 2.5, 1, 1.2, 13, 11.2, 12.9, 10.9])
    found = randomisation(y, {"x": x}, Shuffles(plot, lot), blocks=(lot == 1) * 1.0)
    row = found.table.iloc[0]
    assert row["assignments"] == 36
    assert row["smallest"] == pytest.approx(2 / 36)
    assert all_counted(found, "x") == pytest.approx(2 / 36)
    assert found.shift("x").estimate == pytest.approx((2.75 - 1.1 + 12.95 - 11.05) / 2)


# What it must get right by itself.


def test_estimates_are_those_of_generalised_least_squares():
    rng = np.random.default_rng(4)
    plot = np.repeat(np.arange(10), 3)
    gouge, shape = np.repeat(rng.permutation([0.0, 1] * 5), 3), np.tile([0.0, 1, 1], 10)
    y = rng.normal(size=30) + 2 * gouge + shape + np.repeat(rng.normal(size=10), 3)
    found = randomisation(y, {"gouge": gouge, "shape": shape}, Shuffles(plot, plot * 0))
    share = found.responses[0].alike
    V = (1 - share) * np.eye(30) + share * (plot[:, None] == plot)
    X = np.column_stack([np.ones(30), gouge, shape])
    b = np.linalg.solve(X.T @ np.linalg.solve(V, X), X.T @ np.linalg.solve(V, y))
    for term, expected in zip(("gouge", "shape"), b[1:], strict=True):
        shift = found.shift(term)
        assert shift.estimate == pytest.approx(expected)
        assert shift.conf_low < expected < shift.conf_high


def test_an_interval_leaves_out_zero_where_the_test_says_so():
    rng = np.random.default_rng(6)
    plot = np.repeat(np.arange(12), 2)
    shape = np.tile([0.0, 1.0], 12)
    agreed = 0
    for effect in np.linspace(0, 1.5, 30):
        y = rng.normal(size=24) + effect * shape
        found = randomisation(y, {"shape": shape}, Shuffles(plot, plot * 0), draws=2000)
        row, shift = found.table.iloc[0], None
        shift = found.shift("shape", mid=bool(row["mid"]))
        agreed += (row["p_value"] < 0.05) == (shift.conf_low > 0 or shift.conf_high < 0)
    assert agreed == 30


def test_lost_rows_and_rows_made_otherwise():
    rng = np.random.default_rng(7)
    plot = np.repeat(np.arange(40), 3)
    shape = np.concatenate([rng.permutation([0.0, 1, 1]) for _ in range(40)])
    tight = np.concatenate([rng.permutation([0.0, 0, 1]) for _ in range(40)])
    made = shape.copy()
    made[[4, 50]] = 1 - made[[4, 50]]
    y = 10 + 3 * made + 5 * tight + rng.normal(0, 0.1, 120)
    y[[0, 7, 30, 80]] = np.nan
    found = randomisation(
        y,
        {"shape": shape, "tight": tight},
        Shuffles(plot, plot * 0),
        made={"shape": made},
        draws=2000,
    )
    shift = found.shift("shape")
    assert shift.estimate == pytest.approx(3, abs=0.3)
    assert shift.conf_low < 3 < shift.conf_high
    assert found.shift("tight").estimate == pytest.approx(5, abs=0.3)
    assert (found.table["p_value"] < 0.001).all()


def test_a_covariate_of_the_rows_is_taken_out():
    rng = np.random.default_rng(9)
    x = np.resize([0.0, 1.0], 40)
    density = rng.normal(size=40)
    y = x + 5 * density + rng.normal(0, 0.3, 40)
    plain = randomisation(y, {"x": x}, loose(40), draws=3000).table["p_value"].iloc[0]
    found = randomisation(y, {"x": x}, loose(40), beside=density, draws=3000)
    assert found.table["p_value"].iloc[0] < 0.001 < plain
    assert found.shift("x").estimate == pytest.approx(1, abs=0.3)


def test_several_responses_and_factors_are_corrected_together():
    """Step-down maxT against its definition with every arrangement listed."""
    rng = np.random.default_rng(12)
    pair = np.repeat(np.arange(7), 2)
    x = np.tile([0.0, 1.0], 7)
    Y = rng.normal(size=(14, 3)) + np.outer(x, [2.5, 1.0, 0.0])
    found = randomisation(Y, {"x": x}, Shuffles(pair, pair)).table
    signs = np.array(list(product([1, -1], repeat=7)))
    t = np.abs(signs @ (Y[1::2] - Y[::2]))
    t = t / np.sqrt((t**2).mean(axis=0))
    order = np.argsort(-t[0])
    p, reached = np.empty(3), 0.0
    for place, which in enumerate(order):
        largest = t[:, order[place:]].max(axis=1)
        tied = np.isclose(largest, t[0, which])
        reached = max(reached, np.mean((largest > t[0, which]) | tied))
        p[which] = reached
    np.testing.assert_allclose(found["p_adjusted"], p)
    assert (found["p_adjusted"] >= found["p_value"]).all()


def test_arrangements_that_the_plan_would_draw_again_are_left_out():
    x = np.array([0.0, 0, 0, 1, 1, 1])
    y = np.array([1.0, 2, 3, 4, 5, 7])

    def alternates(taken):
        return x[taken][:, 0] != x[taken][:, 5]

    shuffles = Shuffles(np.arange(6), np.zeros(6, dtype=int), accepts=alternates)
    found = randomisation(y, {"x": x}, shuffles).table.iloc[0]
    assert found["assignments"] == 2 * 6
    drawn = shuffles.draw(500, np.random.default_rng(1))
    assert drawn.shape == (500, 6)
    assert alternates(drawn).all()
    never = Shuffles(np.arange(6), np.zeros(6, dtype=int), accepts=lambda t: np.zeros(len(t), bool))
    with pytest.raises(ModelError, match="No arrangement that was drawn meets the plan's own"):
        never.draw(5, np.random.default_rng(1))


def test_draws_are_as_even_as_the_list():
    plot, group = np.array([0, 0, 1, 1, 2, 2]), np.array([0, 0, 0, 0, 1, 1])
    shuffles = Shuffles(plot, group)
    treatment = np.array(list("abcdef"))
    listed = {tuple(treatment[taken]) for taken in shuffles.every(treatment)}
    assert len(listed) == shuffles.count(treatment) == 2 * 2**3
    drawn = shuffles.draw(16000, np.random.default_rng(3))
    kinds, counts = np.unique(treatment[drawn], axis=0, return_counts=True)
    assert {tuple(kind) for kind in kinds} == listed
    assert np.abs(counts - 1000).max() < 5 * np.sqrt(1000)
    whole = shuffles.plots_only()
    assert {tuple(treatment[t]) for t in whole.draw(50, np.random.default_rng(3))} == {
        tuple("abcdef"),
        tuple("cdabef"),
    }


def test_rows_of_a_plot_need_not_lie_together():
    plot = np.array([1, 0, 1, 0])
    taken = Shuffles(plot, np.zeros(4, dtype=int)).plots_only().every(list("abcd"))
    assert sorted(taken.tolist()) == [[0, 1, 2, 3], [1, 0, 3, 2]]


def test_20_000_arrangements_of_96_rows_and_8_factors_take_less_than_a_second():
    rng = np.random.default_rng(1)
    plot = np.repeat(np.arange(32), 3)
    terms = {f"tube {k}": np.repeat(rng.permutation([0.0, 1] * 16), 3) for k in range(3)}
    terms |= {f"reed {k}": rng.permutation([0.0, 1] * 48) for k in range(5)}
    y = (rng.random(96) < 0.25) * 1.0
    took = []
    for _ in range(3):
        start = time.process_time()
        table = randomisation(y, terms, Shuffles(plot, plot * 0)).table
        took.append(time.process_time() - start)
    assert (table["assignments"] == 20_000).all()
    print(f"\n20,000 arrangements, 96 rows, 8 factors: {min(took):.2f} s of processor time")
    assert min(took) < 1


# Edges.


def test_only_one_assignment():
    with pytest.raises(ModelError, match="x: only one assignment was possible, so there is nothin"):
        randomisation(np.arange(4.0), {"x": [0, 0, 1, 1]}, Shuffles(np.arange(4), np.arange(4)))


@pytest.mark.parametrize("y", [np.zeros(4), np.full(4, np.nan)])
def test_a_response_that_never_varies(y):
    with pytest.raises(ModelError, match="The response never varies, so there is nothing to comp"):
        randomisation(y, {"x": [0, 1, 0, 1]}, loose(4))


def test_terms_that_cannot_be_told_apart():
    x = np.array([0.0, 1, 0, 1, 1, 0])
    with pytest.raises(ModelError, match="Nothing tells the effect of x from the others"):
        randomisation(np.arange(6.0), {"x": x, "z": 1 - x}, loose(6))


def test_shuffles_that_cannot_be():
    with pytest.raises(ModelError, match="Plots of different size cannot change places"):
        Shuffles(np.array([0, 0, 1]), np.zeros(3, dtype=int))
    with pytest.raises(ModelError, match="lies in two groups"):
        Shuffles(np.array([0, 0, 1, 1]), np.array([0, 1, 0, 0]))


def test_ties_are_counted_half_only_where_the_level_holds():
    # Two extreme arrangements of 36: half would call 5.6 % an effect.
    values = np.array([5.0] * 2 + [4.0] * 4 + [1.0] * 30)
    assert whole_p(values, 5.0) == pytest.approx(2 / 36)
    found = tail(values, 5.0, complete=True)
    assert not found.mid
    assert found.level == 0
    # Two of 38: 5.3 %.
    found = tail(np.append(values, [1.0] * 2), 5.0, complete=True)
    assert found.mid
    assert found.p_value == pytest.approx(1 / 38)
    assert found.level == pytest.approx(2 / 38)
