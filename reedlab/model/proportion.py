"""How sure a share is: intervals for k of n, right at none and at all.

The plain normal interval has no width at 0 of n; neither method here fails there.
Shares run from 0 to 1.
"""

from typing import NamedTuple

from statsmodels.stats.proportion import proportion_confint

from reedlab.errors import CallError

#: The methods, with the library's words for them.
METHODS = {"wilson": "wilson", "exact": "beta"}


class Proportion(NamedTuple):
    """A share with its 95 % interval, all 0 to 1."""

    estimate: float
    conf_low: float
    conf_high: float


def proportion(k: int, n: int, method: str = "wilson") -> Proportion:
    """Estimate the share of successes with a 95 % interval.

    Parameters
    ----------
    k, n : int
        Successes and trials, 0 <= k <= n, n > 0.
    method : {"wilson", "exact"}
        Wilson's score interval covers 95 % on average over the true shares; the exact
        one (Clopper-Pearson) covers at least 95 % at each and is wider.

    Returns
    -------
    Proportion
        estimate (k / n), conf_low, conf_high.

    Raises
    ------
    CallError
        For counts that cannot be, or another method.

    References
    ----------
    Wilson (1927), JASA 22, 209-212; Clopper & Pearson (1934), Biometrika 26, 404-413.
    Through statsmodels, checked at none and at all in tests/model/test_proportion.py.

    Examples
    --------
    >>> tuple(round(value, 4) for value in proportion(3, 12))
    (0.25, 0.0889, 0.5323)
    """
    if method not in METHODS:
        raise CallError(f"There is no interval '{method}'; choose {' or '.join(METHODS)}.")
    if n < 1 or not 0 <= k <= n or k != int(k) or n != int(n):
        raise CallError(f"{k} of {n} is no count of successes among trials.")
    low, high = proportion_confint(int(k), int(n), method=METHODS[method])
    # The library leaves rounding dust where the limit is exactly 0 or 1.
    return Proportion(k / n, 0.0 if k == 0 else float(low), 1.0 if k == n else float(high))
