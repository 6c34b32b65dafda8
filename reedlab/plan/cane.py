"""The cane on hand: which tubes give how many reeds, and which pieces are kept as spares.

A tube is split into pieces; each reed takes one. Reeds are spread evenly over tubes and
lots, and every tube keeps spare pieces, for some break at the knife. Covariates
(diameter, density, hardness) are given by the cane, not set.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.errors import CallError, listed
from reedlab.schema import Factor

#: A tube keeps so many spare pieces that it runs out in fewer than this share of batches.
SHORT = 0.1
#: Share of pieces that is expected to break at the knife, where nothing else is said.
BREAKAGE = 0.1
#: Random choices of tubes that are compared where not all are used.
CHOICES = 300


@dataclass(frozen=True)
class Cane:
    """The usable tubes.

    Attributes
    ----------
    tube_id : ndarray of str, shape (T,)
    lot_id : ndarray of str, shape (T,), or None
        None if the cane names no lots.
    pieces : ndarray of int, shape (T,)
        Pieces that each tube still yields.
    given : DataFrame, T rows
        The covariates, in their units.
    recorded : DataFrame, T rows
        Everything that the table says of these tubes.
    """

    tube_id: np.ndarray
    lot_id: np.ndarray | None
    pieces: np.ndarray
    given: pd.DataFrame
    recorded: pd.DataFrame

    @property
    def lots(self) -> np.ndarray:
        """A whole number for the lot of each tube; zero if no lots are named."""
        if self.lot_id is None:
            return np.zeros(len(self.tube_id), dtype=int)
        return np.unique(self.lot_id, return_inverse=True)[1]


def read_cane(table: pd.DataFrame, given: Sequence[Factor], faults: list[str]) -> Cane | None:
    """Take the tubes table of a study; what does not fit goes to the faults.

    Parameters
    ----------
    table : DataFrame
        One row a tube: ``tube_id``, ``pieces``, and if recorded ``lot_id`` and the
        covariates; the index is the row number, as a study's tables have it.
    given : sequence of Factor
        The factors without levels, to be read from the table.
    faults : list of str
        Gets one sentence for each thing that does not fit.

    Returns
    -------
    Cane or None
        None if nothing can be used.
    """
    for name in ("tube_id", "pieces"):
        if name not in table:
            faults.append(
                f"The cane has no column '{name}'; it needs tube_id and pieces (how many each tube "
                "still yields)."
            )
    for factor in given:
        if factor.name not in table:
            faults.append(
                f"'{factor.name}' has no levels, and the cane has no column of that name: give it "
                "levels to set, or measure it on every tube."
            )
    if faults:
        return None
    where = "row" if table.index.name == "row" else "index"
    for row, tube in table["tube_id"][table["tube_id"].duplicated()].items():
        faults.append(f"The cane lists tube {tube} twice ({where} {row}); keep one row of it.")
    for row, tube in table["tube_id"][table["pieces"].isna()].items():
        faults.append(
            f"The cane does not say how many pieces tube {tube} still yields ({where} {row}, "
            "column pieces); count them, 0 if none."
        )
    usable = table[table["pieces"].fillna(0) >= 1]
    for factor in given:
        faults.extend(_covariate_faults(factor, usable, where))
    if faults:
        return None
    if usable.empty:
        faults.append("No tube of the cane yields a piece any more (column pieces).")
        return None
    lots = usable["lot_id"] if "lot_id" in usable else pd.Series(index=usable.index, dtype=object)
    named = bool(lots.notna().all())
    if lots.notna().any() and not named:
        tubes = listed(usable.loc[lots.isna(), "tube_id"])
        faults.append(f"The cane names no lot for {tubes} (column lot_id); say which it was.")
        return None
    return Cane(
        usable["tube_id"].astype(str).to_numpy(),
        lots.astype(str).to_numpy() if named else None,
        usable["pieces"].to_numpy(dtype=int),
        usable[[factor.name for factor in given]].astype(float).reset_index(drop=True),
        usable.reset_index(drop=True),
    )


def loose_cane(reeds: int) -> Cane:
    """Cane of which nothing is known: every reed is a tube of its own.

    Examples
    --------
    >>> loose_cane(2).tube_id.tolist()
    ['tube 1', 'tube 2']
    """
    names = np.array([f"tube {place + 1}" for place in range(reeds)])
    nothing = pd.DataFrame(index=range(reeds))
    return Cane(names, None, np.ones(reeds, dtype=int), nothing, nothing)


def _covariate_faults(factor: Factor, usable: pd.DataFrame, where: str) -> list[str]:
    values = usable[factor.name]
    if factor.kind != "numeric" or not pd.api.types.is_numeric_dtype(values):
        return [
            f"'{factor.name}' has no levels and is no number in the cane: give it levels to set."
        ]
    faults = [
        f"{factor.label} is missing for tube {tube} ({where} {row}, column {factor.name}): "
        "measure it, or leave that tube or this factor out."
        for row, tube in usable.loc[values.isna(), "tube_id"].items()
    ]
    if not faults and values.nunique() < 2:
        unit = f" {factor.unit}" if factor.unit else ""
        faults.append(
            f"{factor.label} is {values.iloc[0]:g}{unit} on every tube of the cane: there is "
            "nothing to compare; leave it out, or add tubes that differ."
        )
    return faults


def spares(reeds: int, breakage: float) -> int:
    """Count the spare pieces of a tube that is to give so many reeds.

    Examples
    --------
    >>> spares(3, 0.1), spares(3, 0.0)
    (1, 0)
    """
    from scipy.stats import binom

    extra = 0
    while reeds and binom.sf(reeds - 1, reeds + extra, 1 - breakage) < 1 - SHORT:
        extra += 1
    return extra


def allocate(
    cane: Cane, reeds: int, most_tubes: int, breakage: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Spread the reeds evenly over at most so many tubes.

    Returns
    -------
    counts, spare : ndarray of int, shape (T,)
        Reeds and spare pieces of each tube; a tube that is not used has none of either.

    Raises
    ------
    CallError
        If the pieces do not suffice.
    """
    if cane.pieces.sum() < reeds:
        raise CallError(
            f"{reeds} reeds need {reeds} pieces of cane; these {len(cane.tube_id)} tubes yield "
            f"{cane.pieces.sum()}: make {cane.pieces.sum()} reeds, or add tubes."
        )
    wanted = [spares(k, breakage) for k in range(int(cane.pieces.max()) + 1)]
    with_spares = np.array(
        [max(k for k in range(pieces + 1) if k + wanted[k] <= pieces) for pieces in cane.pieces]
    )
    # Spares give way before reeds do, and few tubes before too few pieces.
    for capacity in (with_spares, cane.pieces):
        chosen = _choose_tubes(cane, capacity, min(most_tubes, len(cane.tube_id)), reeds, rng)
        if capacity[chosen].sum() >= reeds:
            break
        chosen = np.arange(len(cane.tube_id))
        if capacity.sum() >= reeds:
            break
    counts = _spread(cane, chosen, capacity, reeds, rng)
    spare = np.array([wanted[k] for k in counts])
    return counts, np.minimum(spare, cane.pieces - counts) * (counts > 0)


def _choose_tubes(
    cane: Cane, capacity: np.ndarray, count: int, reeds: int, rng: np.random.Generator
) -> np.ndarray:
    """Choose tubes that balance the lots, yield enough, and spread the covariates."""
    if count >= len(cane.tube_id):
        return np.arange(len(cane.tube_id))
    lots = cane.lots
    given = cane.given.to_numpy()
    scaled = given - given.mean(axis=0)
    best, best_worth = np.arange(count), (-1, -np.inf)
    for _ in range(CHOICES):
        turn = rng.permutation(len(lots))
        # Rank within its lot: the first of every lot come before the second of any.
        rank = np.empty(len(lots), dtype=int)
        for lot in np.unique(lots):
            inside = turn[lots[turn] == lot]
            inside = inside[np.argsort(-np.minimum(capacity[inside], -(-reeds // count)))]
            rank[inside] = np.arange(len(inside))
        chosen = np.sort(turn[np.argsort(rank[turn], kind="stable")][:count])
        enough = min(int(np.minimum(capacity[chosen], -(-reeds // count)).sum()), reeds)
        columns = np.column_stack([np.ones(count), scaled[chosen]])
        spread = float(np.linalg.slogdet(columns.T @ columns + 1e-12 * np.eye(columns.shape[1]))[1])
        worth = (enough, round(spread, 9))
        if worth > best_worth:
            best, best_worth = chosen, worth
    return best


def _spread(
    cane: Cane, chosen: np.ndarray, capacity: np.ndarray, reeds: int, rng: np.random.Generator
) -> np.ndarray:
    """Give one reed at a time to the tube, then the lot, that has the fewest."""
    lots, counts = cane.lots, np.zeros(len(cane.tube_id), dtype=int)
    chance = rng.random(len(counts))
    for _ in range(reeds):
        open_tubes = [t for t in chosen if counts[t] < capacity[t]]
        by_lot = np.bincount(lots, counts)
        worth = {
            t: (counts[t], by_lot[lots[t]], counts[t] - capacity[t], chance[t]) for t in open_tubes
        }
        counts[min(worth, key=worth.__getitem__)] += 1
    return counts
