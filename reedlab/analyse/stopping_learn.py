"""Learn which reeds to stop: the chance of a keeper, and what saves most work by it.

The chance follows from few measures at the stage by a monotone logistic model: nearer the
target, or further to the better side, is never worse. Reeds stopped at a later stage count
with the chance that the measures of that stage left them (stage by stage from the last; Bang
& Robins 2005, Biometrics 61, 962-973). The cuts are the round numbers, each in the measure's
own unit, that give the fewest minutes for each keeper; or one line is drawn through the chance
itself, which weighs all measures together.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import product

import numpy as np

from reedlab.analyse.stopping_rows import StoppingRows, goodness
from reedlab.analyse.stopping_stages import Costs
from reedlab.model.monotone_logit import MonotoneLogit, fit_monotone_logit
from reedlab.model.threads import one_thread
from reedlab.pieces import in_pieces
from reedlab.schema import Response

#: A further measure must lower the deviance by more than chance does in 1 of 20 (chi-square,
#: 1 degree of freedom).
WORTH = 3.84
#: Reeds of the rarer fate for each measure (common practice in logistic regression).
REEDS_PER_MEASURE = 10
#: Measures that are chosen at most; more can be asked for.
CHOSEN = 2
#: A further cut must save this share of the minutes.
WORTHWHILE = 0.01
#: Into as many parts the tubes are divided; up to so many tubes are left out one by one.
_FOLDS = 40
#: About so many cuts are tried, by the number of measures.
_CUTS = {1: 40, 2: 30, 3: 12}
#: The lines through the chance that are tried: every percent.
_LINES = np.arange(1, 96) / 100


@dataclass(frozen=True)
class Learnt:
    """What was learnt from some reeds; made by :func:`learn`.

    Attributes
    ----------
    model : MonotoneLogit or None
        The chance of a keeper from goodness; None where all reeds ended alike.
    cuts : ndarray, shape (measures,)
        A reed is stopped if its goodness lies below any; minus infinity for no cut.
    line : float
        A reed is stopped if its chance is below, 0 to 1; minus infinity for no line.
    """

    model: MonotoneLogit | None
    cuts: np.ndarray
    line: float = -np.inf

    @property
    def stops_some(self) -> bool:
        """Whether there is any cut, or a line."""
        return bool(np.isfinite([*self.cuts, self.line]).any())

    def stops(self, G: np.ndarray) -> np.ndarray:
        """Say of each row of goodness whether it is to be stopped."""
        return stopped(G, self.cuts) | (self.chance(G) < self.line)

    def chance(self, G: np.ndarray) -> np.ndarray:
        """Return the chance of a keeper for each row of goodness; missing without a model."""
        return np.full(len(G), np.nan) if self.model is None else self.model.chance(G)


def expected_ends(rows: StoppingRows) -> np.ndarray:
    """Return 1 or 0 of finished reeds, the chance of those stopped later, else missing."""
    reeds = rows.reeds
    ends = reeds["good"].to_numpy(dtype=float).copy()
    for place in range(len(rows.order) - 2, int(reeds["place"].min()), -1):
        later = (reeds["stopped_at"] == place) & (reeds["place"] < place)
        here = later.to_numpy() & np.isnan(ends)
        G = goodness(rows.later[place], rows.measures)
        G = G[:, ~np.isnan(G).all(axis=0)]
        known = ~np.isnan(ends) & ~np.isnan(G).all(axis=1)
        if not here.any() or not known.any() or not 0 < ends[known].mean() < 1:
            continue
        G = _filled(G)
        ends[here] = fit_monotone_logit(G[known], ends[known]).chance(G[here])
    return ends


def measures_at_most(rarer: int, count: int) -> int:
    """Return how many of `count` measures may be chosen with so many reeds of the rarer fate.

    Examples
    --------
    >>> measures_at_most(8, 7), measures_at_most(32, 7)
    (1, 2)
    """
    return min(count, CHOSEN, max(1, rarer // REEDS_PER_MEASURE))


def telling(G: np.ndarray, ends: np.ndarray, most: int) -> tuple[int, ...]:
    """Choose the measures that tell most, the most telling one first.

    Parameters
    ----------
    G : ndarray, shape (n, measures)
        Goodness; missing cells count as average.
    ends : ndarray, shape (n,)
        As :func:`expected_ends` returns them.
    most : int
        How many at most; a further one must tell more than chance would.
    """
    known = ~np.isnan(ends)
    G, ends = _filled(G)[known], ends[known]
    which: list[int] = []
    deviance = np.inf
    while len(which) < most:
        rest = [i for i in range(G.shape[1]) if i not in which]
        fits = {i: fit_monotone_logit(G[:, [*which, i]], ends).deviance for i in rest}
        best = min(fits, key=fits.__getitem__)
        if deviance - fits[best] < WORTH:
            break
        which.append(best)
        deviance = fits[best]
    return tuple(which)


def learn(
    G: np.ndarray, ends: np.ndarray, grids: Sequence[np.ndarray] | None, costs: Costs
) -> Learnt:
    """Learn the chance from all columns of goodness, and the cuts or the line to stop by.

    `grids` are the cuts to try in each column; None for a line through the chance.
    """
    known = ~np.isnan(ends)
    uncut = np.full(G.shape[1], -np.inf)
    if not known.any() or not 0 < ends[known].mean() < 1:
        return Learnt(None, uncut)
    model = fit_monotone_logit(G[known], ends[known])
    chance = model.chance(G)
    if grids is None:
        return Learnt(model, uncut, _best_line(chance, costs))
    return Learnt(model, _best_cuts(G, chance, grids, costs))


def verdicts_by_tube(
    G: np.ndarray,
    ends: np.ndarray,
    grids: Sequence[np.ndarray] | None,
    costs: Costs,
    tubes: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Say of each reed whether the rule learnt without its tube would stop it.

    With many tubes some are left out together, drawn at random.
    """
    codes, names = np.unique(tubes, return_inverse=True)
    fold = (rng.permutation(len(codes)) % _FOLDS)[names]
    verdict = np.zeros(len(G), dtype=bool)
    left_out = [fold == number for number in np.unique(fold)]
    work = partial(_verdicts_without, G, ends, grids, costs)
    for out, said in zip(left_out, in_pieces(work, left_out), strict=True):
        verdict[out] = said
    return verdict


@one_thread
def _verdicts_without(
    G: np.ndarray,
    ends: np.ndarray,
    grids: Sequence[np.ndarray] | None,
    costs: Costs,
    out: np.ndarray,
    _seed: np.random.SeedSequence,
) -> np.ndarray:
    """Say of the reeds that are left out whether the rule learnt from the others stops them."""
    return learn(G[~out], ends[~out], grids, costs).stops(G[out])


def stopped(G: np.ndarray, cuts: np.ndarray) -> np.ndarray:
    """Say of each row of goodness whether it lies below any of the cuts."""
    return np.asarray((cuts[None, :] > G).any(axis=1))


def round_cuts(G: np.ndarray, measures: Sequence[Response]) -> list[np.ndarray]:
    """Return for each measure the cuts to try: round numbers; between the levels of a scale."""
    grids = []
    for column, measure in zip(G.T, measures, strict=True):
        values = column[~np.isnan(column)]
        if measure.kind in ("ordinal", "binary"):
            grid = np.arange(np.floor(values.min()) + 0.5, values.max(), 1.0)
        else:
            low, high = np.quantile(values, [0.01, 0.99])
            step = _round_step((high - low) / _CUTS[len(measures)])
            grid = np.round(np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step, 10)
        grids.append(np.concatenate([[-np.inf], grid]))
    return grids


def _round_step(about: float) -> float:
    """Return 1, 2 or 5 times a power of ten, at least as large."""
    if about <= 0:
        return 1.0
    power = 10.0 ** np.floor(np.log10(about))
    return float(next(m * power for m in (1, 2, 5, 10) if m * power >= about * (1 - 1e-9)))


def _filled(G: np.ndarray) -> np.ndarray:
    return np.where(np.isnan(G), np.nanmean(G, axis=0), G)


def _best_cuts(
    G: np.ndarray, chance: np.ndarray, grids: Sequence[np.ndarray], costs: Costs
) -> np.ndarray:
    """Return the fewest cuts whose minutes for each keeper come near to the least."""
    combos = np.array(list(product(*grids)))
    carried = np.ones((len(combos), len(G)), dtype=bool)
    for column, cut in zip(G.T, combos.T, strict=True):
        carried &= column[None, :] >= cut[:, None]
    keepers = carried @ chance / len(G)
    minutes = costs.per_keeper(1 - carried.mean(axis=1), keepers)
    used = np.isfinite(combos).sum(axis=1)
    for count in range(len(grids) + 1):
        best = np.where(used <= count, minutes, np.inf).argmin()
        if minutes[best] <= minutes.min() * (1 + WORTHWHILE):
            break
    return np.asarray(combos[best])


def _best_line(chance: np.ndarray, costs: Costs) -> float:
    """Return the line that gives the fewest minutes for each keeper, if it is worth one."""
    lines = np.array([-np.inf, *_LINES])
    carried = chance[None, :] >= lines[:, None]
    minutes = costs.per_keeper(1 - carried.mean(axis=1), carried @ chance / len(chance))
    best = int(minutes.argmin())
    return float(lines[best]) if minutes[best] < minutes[0] * (1 - WORTHWHILE) else -np.inf
