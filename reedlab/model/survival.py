"""How long things last, when some are still in use: the Kaplan-Meier curve and its median.

Times are in whatever unit they are given in. Pointwise intervals are taken on the
log-log scale, which holds few rows best (Borgan & Liestøl 1990); the median's interval
inverts them (Brookmeyer & Crowley 1982). A median or limit that the curve does not
reach is infinite, never guessed.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import norm, t

from reedlab.errors import CallError, ModelError, unknown_name

TRANSFORMS = ("loglog", "log")
_Z = float(norm.ppf(0.975))


@dataclass(frozen=True)
class SurvivalCurve:
    """A Kaplan-Meier curve; made by :func:`survival_curve`.

    Attributes
    ----------
    time : ndarray, shape (n,)
    event : ndarray of bool, shape (n,)
        True where the end was seen, false where it had not come yet (censored).
    transform : {"loglog", "log"}
        Scale of the pointwise intervals.
    groups : ndarray of int, shape (n,), or None
        The cluster of each row, numbered from 0.
    """

    time: np.ndarray
    event: np.ndarray
    transform: str = "loglog"
    groups: np.ndarray | None = None

    @cached_property
    def steps(self) -> pd.DataFrame:
        """One row for each time at which an end was seen.

        Returns
        -------
        DataFrame
            time; at_risk and n_events at it; estimate of the share that lasts longer,
            0 to 1, with std_error (Greenwood 1926), conf_low and conf_high (95 %, pointwise).
            Once none is left, the share is 0 and no interval can be given.

        Examples
        --------
        >>> curve = survival_curve([5, 8, 12, 30, 30], [True, True, True, False, False])
        >>> curve.steps["estimate"].round(2).tolist()
        [0.8, 0.6, 0.4]
        """
        from statsmodels.duration.survfunc import SurvfuncRight

        found = SurvfuncRight(self.time, self.event.astype(float))
        share = found.surv_prob
        last = share < 1e-12
        # Where none is left, statsmodels' share is 1e-16 and its standard error missing or nought.
        share = np.where(last, 0.0, share)
        error = np.where(last, np.nan, found.surv_prob_se)
        half = _Z * error
        if self.groups is not None:
            between = self._between(self.groups, found.surv_times, found.n_risk, share)
            half = np.maximum(half, between)
        low, high = _limits(share, half, self.transform)
        return pd.DataFrame(
            {
                "time": found.surv_times,
                "at_risk": found.n_risk.astype(int),
                "n_events": found.n_events.astype(int),
                "estimate": share,
                "std_error": error,
                "conf_low": low,
                "conf_high": high,
            }
        )

    def median(self) -> tuple[float, float, float]:
        """Return the time that half of them last, with its 95 % interval.

        Returns
        -------
        median, conf_low, conf_high : float
            The first times at which the curve, its lower and its upper limit are at or below
            one half; infinite where that is never.

        Notes
        -----
        Where the curve runs level at one half, every time of that stretch is a median; here
        it is the middle of the stretch, as is common practice.

        Examples
        --------
        >>> curve = survival_curve([5, 8, 12, *[30] * 7], [True] * 3 + [False] * 7)
        >>> curve.median()
        (inf, 5.0, inf)
        """
        steps = self.steps
        time = steps["time"].to_numpy(dtype=float)
        # Once none is left the curve has no interval: its lower limit is nought too, and
        # the upper one is not known to be below anything.
        low, high = steps["conf_low"].fillna(0.0), steps["conf_high"].fillna(1.0)
        return (
            _middle_crossing(time, steps["estimate"].to_numpy()),
            _first_at_half(time, low.to_numpy()),
            _first_at_half(time, high.to_numpy()),
        )

    def _between(
        self, codes: np.ndarray, at: np.ndarray, n: np.ndarray, share: np.ndarray
    ) -> np.ndarray:
        """Half the width of the intervals by the spread of what each cluster adds to the curve."""
        ended = self.event[:, None] & (self.time[:, None] == at)
        expected = (self.time[:, None] >= at) * (ended.sum(axis=0) / n)
        rows = share * np.cumsum((expected - ended) / n, axis=1)
        parts = np.zeros((codes.max() + 1, len(at)))
        np.add.at(parts, codes, rows)
        spare = max(len(parts) - 1, 1)
        variance = ((parts - parts.mean(axis=0)) ** 2).sum(axis=0) * len(parts) / spare
        return float(t.ppf(0.975, spare)) * np.sqrt(variance)

    def at_risk(self, times: ArrayLike) -> np.ndarray:
        """Count those that are known to have lasted until each of the times.

        Examples
        --------
        >>> survival_curve([5, 8, 12], [True, False, True]).at_risk([0, 8, 9]).tolist()
        [3, 2, 1]
        """
        return (self.time[:, None] >= np.asarray(times, dtype=float)[None, :]).sum(axis=0)


def survival_curve(
    time: ArrayLike,
    event: ArrayLike,
    transform: str = "loglog",
    groups: ArrayLike | None = None,
) -> SurvivalCurve:
    """Estimate how many last longer than each time (Kaplan & Meier 1958).

    Parameters
    ----------
    time : array_like, shape (n,)
        How long each was followed, zero or more.
    event : array_like of bool, shape (n,)
        True where it ended then, false where it was still going on (censored).
    transform : {"loglog", "log"}
        Scale of the pointwise intervals.
    groups : array_like, shape (n,), optional
        The cluster of each row (reeds of a tube); two or more. Left out, rows are independent.

    Raises
    ------
    CallError
        If `event` is not true or false, or a time is negative or missing.
    ModelError
        If there is no row.

    Notes
    -----
    Rows are taken as censored for reasons that have nothing to do with how long they would
    have lasted. With clusters the standard error is that of what each adds to the curve
    (Ying & Wei 1994) with Student's factor, where it is wider. Reproduced: remission of
    leukaemia (Freireich et al. 1963; Gehan 1965) and the lung cancer trial of Kalbfleisch &
    Prentice.
    """
    if transform not in TRANSFORMS:
        raise unknown_name("transform", transform, TRANSFORMS)
    times, ended = checked(time, event)
    if groups is None:
        return SurvivalCurve(times, ended, transform)
    codes = pd.factorize(np.asarray(groups))[0]
    if len(codes) != len(times) or codes.max() < 1 or codes.min() < 0:
        raise CallError("Every row belongs to one of two groups or more.")
    return SurvivalCurve(times, ended, transform, codes)


def checked(time: ArrayLike, event: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Return times as floats and events as true or false, or say what they are instead.

    Examples
    --------
    >>> checked([1, 2], [1, 2])
    Traceback (most recent call last):
    reedlab.errors.CallError: The event must be true (ended) or false (still going on), not 1 or 2.
    """
    times, ended = np.asarray(time, dtype=float), np.asarray(event)
    if times.shape != ended.shape or times.ndim != 1:
        raise CallError("Times and events are two columns of the same length.")
    if times.size == 0:
        raise ModelError("There is no time at all.")
    if ended.dtype != bool:
        found = " or ".join(map(str, pd.unique(pd.Series(ended))[:3]))
        raise CallError(f"The event must be true (ended) or false (still going on), not {found}.")
    if not (np.isfinite(times) & (times >= 0)).all():
        raise CallError("Every time must be a number of zero or more.")
    return times, ended


def _limits(share: np.ndarray, half: np.ndarray, transform: str) -> tuple[np.ndarray, np.ndarray]:
    with np.errstate(divide="ignore", invalid="ignore"):
        logged = np.log(share)
        if transform == "log":
            spread = np.exp(half / share)
            return share / spread, np.minimum(share * spread, 1.0)
        spread = np.exp(half / np.abs(share * logged))
        return share**spread, share ** (1 / spread)


def _first_at_half(time: np.ndarray, share: np.ndarray) -> float:
    below = np.flatnonzero(share <= 0.5 + 1e-9)
    return float(time[below[0]]) if below.size else np.inf


def _middle_crossing(time: np.ndarray, share: np.ndarray) -> float:
    first = _first_at_half(time, share)
    level = np.flatnonzero(np.abs(share - 0.5) <= 1e-9)
    if level.size and level[0] + 1 < len(time):
        return float(time[level[0]] + time[level[0] + 1]) / 2
    return first
