"""P values and limits from a reference set: how much of it lies beyond what was seen.

Values that differ by rounding only are ties. Where ties are heavy the p value that counts
all of them is far from its nominal level; the mid-p value counts half of them (Lancaster
1961). It is used only where it calls more of the reference set an effect at 5 %, and no more
than :data:`MOST_CALLED`, which the set itself tells, whatever was seen.
"""

from dataclasses import dataclass

import numpy as np

LEVEL = 0.05
#: Share of a reference set that the mid-p value may call an effect at 5 %.
MOST_CALLED = 0.055
#: Values are told apart down to this share of the largest.
ROUNDING = 1e-10


@dataclass(frozen=True)
class Tail:
    """What a reference set says of one value.

    Attributes
    ----------
    p_value : float
        Of ``mid`` kind or not.
    mid : bool
        Whether ties count half.
    smallest : float
        The least p value that anything could have got.
    level : float
        Share of the reference set with a p value of 0.05 or less.
    """

    p_value: float
    mid: bool
    smallest: float
    level: float


def tail(values: np.ndarray, seen: float, *, complete: bool, mid: bool | None = None) -> Tail:
    """Compare a value with its reference set; large ones are extreme.

    Parameters
    ----------
    values : ndarray, shape (m,)
        The statistic of every arrangement, or of those that were drawn.
    seen : float
    complete : bool
        Whether the set holds every arrangement, the one seen among them; else that one is
        counted to the draws (Phipson & Smyth 2010).
    mid : bool, optional
        Whether ties count half; left out, chosen by the level reached.

    Examples
    --------
    >>> tail(np.array([3.0, 1, 1, 3, 0, 2]), 3.0, complete=True)
    Tail(p_value=0.3333333333333333, mid=False, smallest=0.3333333333333333, level=0.0)
    """
    everything = values if complete else np.append(values, seen)
    tied = snapped(everything)
    at, counts = np.unique(tied, return_counts=True)
    above = counts[::-1].cumsum()[::-1] - counts
    whole = (above + counts) / len(tied)
    half = (above + counts / 2) / len(tied)
    called = [float(counts[p <= LEVEL].sum() / len(tied)) for p in (whole, half)]
    if mid is None:
        mid = called[0] < called[1] <= MOST_CALLED
    p_values = half if mid else whole
    place = int(np.searchsorted(at, snapped(np.append(everything, seen))[-1]))
    return Tail(float(p_values[place]), mid, float(p_values[-1]), called[mid])


def snapped(values: np.ndarray) -> np.ndarray:
    """Make values that differ by rounding only into equal ones."""
    largest = np.abs(values[np.isfinite(values)]).max(initial=0.0)
    return np.round(values / (largest * ROUNDING)) if largest else np.zeros_like(values)


def upper_limit(ends: np.ndarray, *, complete: bool, mid: bool) -> float:
    """Return the largest shift that is not called an effect at 5 %.

    Parameters
    ----------
    ends : ndarray, shape (m,)
        For every arrangement the largest shift at which it is as extreme as what was seen;
        ``inf`` where it always is.
    complete, mid : bool
        As in :func:`tail`; arrangements that are always as extreme are the ties.
    """
    everything = ends if complete else np.append(ends, np.inf)
    weight = np.where(np.isinf(everything) & mid, 0.5, 1.0)
    order = np.argsort(-everything)
    reached = weight[order].cumsum() / len(everything)
    return float(everything[order][np.argmax(reached > LEVEL * (1 + ROUNDING))])
