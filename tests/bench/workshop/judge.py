"""The race's figures over many worlds, each with a 95 % interval.

Worlds are drawn again with replacement (percentile bootstrap, Efron 1979), all makers of a
world together; a share of worlds has the interval of Wilson (1927), for none of 200 is not
none. Rates are good reeds for 100 bench hours, shares from 0 to 1.
"""

from collections.abc import Callable

import numpy as np
import pandas as pd

from tests.bench.workshop.makers import MAKERS

DRAWS = 2000


def figures(outcomes: pd.DataFrame) -> pd.DataFrame:
    """Return the figures of every maker.

    Parameters
    ----------
    outcomes : DataFrame
        One row a world and maker, as `season.play` gives them, of one setting.

    Returns
    -------
    DataFrame
        maker, figure, estimate, conf_low, conf_high; makers and figures in their order.
    """
    rows = shared(outcomes)
    by = {name: rows.pivot_table(index="seed", columns="maker", values=name) for name in _NEEDED}
    worlds = len(by["rate"])
    drawn = np.random.default_rng(1).integers(worlds, size=(DRAWS, worlds))
    found = []
    for maker in [name for name in MAKERS if name in by["rate"]]:
        for figure, how in _FIGURES.items():
            columns = how(by, maker)
            if columns is not None:
                above, below = (np.asarray(part, dtype=float) for part in columns)
                said = _of_worlds(above) if figure in _SHARES else _ratio(above, below, drawn)
                found.append((maker, figure, *said))
    return pd.DataFrame(found, columns=["maker", "figure", "estimate", "conf_low", "conf_high"])


def shared(outcomes: pd.DataFrame) -> pd.DataFrame:
    """Return the worlds that every maker worked: a run may have been broken off.

    Raises
    ------
    ValueError
        If there is none.
    """
    makers = outcomes["maker"].nunique()
    whole = outcomes.groupby("seed")["maker"].transform("nunique") == makers
    if not whole.any():
        raise ValueError("There is no world that every maker worked.")
    return outcomes[whole]


def _ratio(above: np.ndarray, below: np.ndarray, drawn: np.ndarray) -> tuple[float, ...]:
    """Ratio of two means; unknown where what stands below may be nothing, or less."""
    under = below[drawn].mean(axis=1)
    if np.quantile(under, 0.025) <= 0:
        return (float("nan"),) * 3
    with np.errstate(invalid="ignore", divide="ignore"):
        every = above[drawn].mean(axis=1) / under
    return (above.mean() / below.mean(), *np.nanquantile(every, [0.025, 0.975]))


def _of_worlds(share: np.ndarray) -> tuple[float, ...]:
    from statsmodels.stats.proportion import proportion_confint

    return (share.mean(), *proportion_confint(share.sum(), len(share), method="wilson"))


_NEEDED = (
    *("rate", "late_rate", "good_made", "good_stopped"),
    *("false_beliefs", "true_beliefs", "pieces"),
)
Columns = tuple[pd.Series, pd.Series] | None
By = dict[str, pd.DataFrame]


def _mean(name: str) -> Callable[[By, str], Columns]:
    return lambda by, maker: (by[name][maker], pd.Series(1.0, by[name].index))


def _gain(name: str) -> Callable[[By, str], Columns]:
    def columns(by: By, maker: str) -> Columns:
        rates = by[name]
        if not {"habit", "oracle"} <= set(rates):
            return None
        return rates[maker] - rates["habit"], rates["oracle"] - rates["habit"]

    return columns


def _of_habit(by: By, maker: str) -> Columns:
    return (by["rate"][maker], by["rate"]["habit"]) if "habit" in by["rate"] else None


def _beats(by: By, maker: str) -> Columns:
    """A world counts for a maker whose late rate is higher; the same rate counts half."""
    rates = by["late_rate"]
    if "plain ANOVA" not in rates or maker == "plain ANOVA":
        return None
    gap = np.sign(rates[maker] - rates["plain ANOVA"])
    return (gap + 1) / 2, pd.Series(1.0, rates.index)


#: Figures that are shares of worlds.
_SHARES = ("beats plain ANOVA", "worlds with a false belief")
_FIGURES: dict[str, Callable[[By, str], Columns]] = {
    "late rate": _mean("late_rate"),
    "rate": _mean("rate"),
    "late share of the oracle's gain": _gain("late_rate"),
    "share of the oracle's gain": _gain("rate"),
    "rate against habit's": _of_habit,
    "beats plain ANOVA": _beats,
    "false beliefs": _mean("false_beliefs"),
    "true beliefs": _mean("true_beliefs"),
    "worlds with a false belief": lambda by, maker: (
        (by["false_beliefs"][maker] > 0).astype(float),
        pd.Series(1.0, by["false_beliefs"].index),
    ),
    "good thrown away early": lambda by, maker: (by["good_stopped"][maker], by["good_made"][maker]),
    "pieces of cane": _mean("pieces"),
}
