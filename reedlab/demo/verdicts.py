"""When the maker stops working on a reed, and why.

At each stage the tests of the day decide: the further the crow is from the target and
the smaller the dynamic range, the sooner a reed is given up. A few reeds crack, a few
are spared so that the rule can be judged, a few are lost or not finished.
"""

import numpy as np
import pandas as pd

from reedlab.demo.bench import liking
from reedlab.demo.truth import STAGES, Truth

_CRACKS = 0.015  # chance at each stage
_SPARED = 0.1  # chance of a reed that the rule would have stopped
_USUALLY_OFF = 35.0  # cents; a reed further off is given up for its pitch
_DROPS_OUT = 0.035  # chance of being lost or put aside after an early stage
_LAST = len(STAGES) - 1


def stage_means(layout: pd.DataFrame, values: pd.Series, reeds: int) -> np.ndarray:
    """Return the mean of all tests by reed and stage, missing where there is none.

    Parameters
    ----------
    layout : DataFrame
        With the numbers of reed and stage, one row a test.
    values : Series
        One value a test.
    reeds : int
        How many reeds there are.

    Returns
    -------
    ndarray, shape (reeds, stages)
    """
    seen = values.notna().to_numpy()
    cell = (layout["reed"] * len(STAGES) + layout["stage"]).to_numpy()[seen]
    size = reeds * len(STAGES)
    count = np.bincount(cell, minlength=size)
    total = np.bincount(cell, weights=values.to_numpy()[seen], minlength=size)
    means = np.divide(total, count, out=np.full(size, np.nan), where=count > 0)
    return means.reshape(reeds, len(STAGES))


def fates(
    rng: np.random.Generator, crow: np.ndarray, span: np.ndarray, truth: Truth, first: int = 0
) -> pd.DataFrame:
    """Decide what becomes of each reed.

    Parameters
    ----------
    rng : numpy.random.Generator
    crow, span : ndarray, shape (reeds, stages)
        Mean crow in cents and dynamic range in dB; missing where not recorded.
    truth : Truth
    first : int
        The first stage at which anything is decided.

    Returns
    -------
    DataFrame
        One row a reed: fate, fate_stage, fate_reason, spared; `tested_until`, the number of
        the last stage that was reached; `keeper`, whether it would be kept if it were
        finished whatever the early tests said, which no record can tell.

    Examples
    --------
    >>> from reedlab.demo import TRUTH
    >>> awful = np.full((1, 3), 250.0)
    >>> fates(np.random.default_rng(1), awful, np.full((1, 3), 5.0), TRUTH).loc[0, "fate_reason"]
    'crow too sharp'
    """
    n = len(crow)
    average = truth.traits["dynamic_range_db"].mean
    crow, span = np.where(np.isnan(crow), 0.0, crow), np.where(np.isnan(span), average, span)
    odds = np.array(truth.verdict.offsets) + liking(crow, span, truth)
    cracked = rng.random(odds.shape) < _CRACKS
    stop = cracked | (rng.random(odds.shape) > 1 / (1 + np.exp(-odds)))
    stop[:, :first] = False
    gone = (rng.random(n) < _DROPS_OUT) & (first == 0)
    gone_after = rng.integers(0, _LAST, n)

    ruled = np.where(stop.any(axis=1), stop.argmax(axis=1), _LAST)
    early = stop[:, :_LAST].any(axis=1)
    spared = early & ~cracked.any(axis=1) & (rng.random(n) < _SPARED)
    until = np.where(spared, _LAST, ruled)
    gone &= ~spared & (gone_after < until)
    until = np.where(gone, gone_after, until)

    row = np.arange(n)
    fate = np.where(stop[row, until], "discarded", "kept").astype(object)
    fate[gone] = np.where(rng.random(n) < 0.4, "lost", "unfinished")[gone]
    reason = _reasons(crow[row, until], span[row, until], cracked[row, until], truth)
    return pd.DataFrame(
        {
            "fate": fate,
            "fate_stage": pd.Series(np.array(STAGES)[until]).mask(gone),
            "fate_reason": pd.Series(reason).where(fate == "discarded"),
            "spared": spared,
            "tested_until": until,
            "keeper": ~stop[:, _LAST] & ~cracked.any(axis=1),
        }
    )


def _reasons(crow: np.ndarray, span: np.ndarray, cracked: np.ndarray, truth: Truth) -> np.ndarray:
    """Return the reason that weighs most for each reed."""
    verdict = truth.verdict
    pitch = verdict.per_10_cents * (np.abs(crow) - _USUALLY_OFF) / 10
    loudness = verdict.per_db * (span - truth.traits["dynamic_range_db"].mean)
    off = np.where(crow > 0, "crow too sharp", "crow too flat")
    reason = np.where(loudness < pitch, "range too small", off)
    return np.where(cracked, "cracked", reason)
