"""What the maker does to a reed after a test, and how long a kept reed lives."""

from datetime import timedelta

import numpy as np
import pandas as pd

from reedlab.demo.cane import FIRST_DAY
from reedlab.demo.truth import STAGES, Truth

_LONG_GAP_MS = 58.0  # from here on the maker balances the blades
_WIDE_MM = 1.1  # from here on the first wire is squeezed
_RAILS = ("left rail", "right rail", "tip corners")
_RECORD_ENDS = FIRST_DAY + timedelta(days=215)


def balanced(gaps: np.ndarray, truth: Truth) -> tuple[np.ndarray, np.ndarray]:
    """Let the maker balance the blades wherever the slurs catch, and the gap then shrink.

    Parameters
    ----------
    gaps : ndarray, shape (reeds, stages)
        Mean slur gap in ms, as it would be without any adjustment.
    truth : Truth

    Returns
    -------
    shift : ndarray, shape (reeds, stages)
        What the adjustments made before each stage add to the gap, in ms.
    done : ndarray of bool, shape (reeds, stages)
        Whether the blades are balanced after the tests of the stage.

    Examples
    --------
    >>> from reedlab.demo import TRUTH
    >>> balanced(np.array([[70.0, 50.0, 50.0]]), TRUTH)[0].tolist()
    [[0.0, -14.0, -14.0]]
    """
    shift = np.zeros(gaps.shape)
    done = np.zeros(gaps.shape, dtype=bool)
    for stage in range(len(STAGES) - 1):
        done[:, stage] = gaps[:, stage] + shift[:, stage] > _LONG_GAP_MS
        shift[:, stage + 1 :] += truth.balancing_ms * done[:, [stage]]
    return shift, done


def adjustments(rng: np.random.Generator, tests: pd.DataFrame, done: np.ndarray) -> pd.DataFrame:
    """Return the adjustments table.

    Parameters
    ----------
    rng : numpy.random.Generator
    tests : DataFrame
        Tests with the numbers of reed and stage beside the record's columns; each
        reed's last test of a stage is the one after which it is adjusted.
    done : ndarray of bool, shape (reeds, stages)
        As :func:`balanced` returns it.

    Returns
    -------
    DataFrame
    """
    last = tests.drop_duplicates(["reed", "stage"], keep="last")
    on = last[last["stage"] < last["tested_until"]]
    scraped = on[done[on["reed"], on["stage"]]]
    squeezed = on[on["tip_opening_mm"] > _WIDE_MM]
    rows = pd.concat(
        [
            scraped.assign(
                where=rng.choice(_RAILS, len(scraped)),
                action="scrape",
                amount=rng.integers(2, 7, len(scraped)).astype(float),
                amount_unit="strokes",
                minutes=rng.integers(3, 9, len(scraped)).astype(float),
            ),
            squeezed.assign(
                where="wire 1",
                action="squeeze",
                amount=rng.integers(1, 3, len(squeezed)) / 10,
                amount_unit="mm",
                minutes=1.0,
            ),
        ]
    ).sort_values(["session", "reed"], kind="stable")
    rows["step"] = rows.groupby(["reed_id", "session_id"]).cumcount() + 1
    columns = ["reed_id", "session_id", "step", "where", "action", "amount", "amount_unit"]
    return rows[[*columns, "minutes"]].reset_index(drop=True)


def life(rng: np.random.Generator, kept: pd.DataFrame) -> pd.DataFrame:
    """Return the life table of the kept reeds.

    Parameters
    ----------
    rng : numpy.random.Generator
    kept : DataFrame
        With `reed_id` and `last_test`, the day of its last test.

    Returns
    -------
    DataFrame
        A reed that still plays at the end of the record, or is lost, is not retired.
    """
    n = len(kept)
    first = pd.to_datetime(kept["last_test"]).dt.normalize() + pd.to_timedelta(
        rng.integers(1, 10, n), unit="D"
    )
    lasts = np.round(np.clip(rng.gamma(3.0, 22.0, n), 5, None))
    end = pd.Timestamp(_RECORD_ENDS)
    in_use = first + pd.to_timedelta(lasts, unit="D") > end
    lost = ~in_use & (rng.random(n) < 0.15)
    last = (first + pd.to_timedelta(lasts, unit="D")).where(~in_use, end)
    days = (last - first).dt.days.to_numpy()
    ends = np.array(["played out", "went flat", "cracked"])[rng.choice(3, n, p=[0.6, 0.25, 0.15])]
    return pd.DataFrame(
        {
            "reed_id": kept["reed_id"].to_numpy(),
            "first_played": first.to_numpy(),
            "last_played": last.to_numpy(),
            "hours_played": np.round(days * rng.uniform(0.2, 0.45, n) * 2) / 2,
            "retired": (~in_use & ~lost).to_numpy(),
            "reason": pd.Series(np.where(lost, "lost", ends)).mask(in_use.to_numpy()),
        }
    )
