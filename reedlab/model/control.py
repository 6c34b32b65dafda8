"""Charts of a season: limits that no point of a steady season crosses, save at a stated rate.

A chart of many points with the usual three standard deviations cries wolf at a rate
that depends on how many points there are. Here the width is chosen so that in 5 % of
steady seasons any point at all lies outside: from draws of seasons in which nothing
changes, with the same points, the same sizes and the same dependence between them
(things that are shared by several points). Units are those of the points; shares run
from 0 to 1.
"""

from dataclasses import dataclass

import numpy as np

from reedlab.errors import CallError

#: Share of steady seasons in which a chart, or the search for a step, gives an alarm.
FALSE_ALARMS = 0.05
#: Weight of the newest point in the moving average; 0.2 to 0.3 suits shifts of one to two
#: standard deviations (Lucas & Saccucci 1990).
WEIGHT = 0.3
#: Draws of a steady season: a rate of 5 % is then known to 0.15 points.
DRAWS = 20_000
#: Points this near to a limit, in shares of its width, are upon it, and inside.
UPON = 1e-9


@dataclass(frozen=True)
class Limits:
    """A chart's limits.

    Attributes
    ----------
    level : ndarray, shape (T,)
        What is judged: the points, or their moving average.
    low, high : ndarray, shape (T,)
    outside : ndarray of bool, shape (T,)
    width_low, width_high : float
        Distance of the limits from the centre, in standard deviations.
    p_value : float
        Share of steady seasons with a point as far out as the furthest one here; its
        Monte-Carlo error is at most 0.0035.
    """

    level: np.ndarray
    low: np.ndarray
    high: np.ndarray
    outside: np.ndarray
    width_low: float
    width_high: float
    p_value: float


@dataclass(frozen=True)
class Step:
    """The place where the level most likely changed once; made by :func:`largest_step`.

    Attributes
    ----------
    place : int
        Number (from 0) of the first point after the step.
    estimate : float
        Level after it minus level before, each point weighed by what is known of it.
    std_error : float
    conf_low, conf_high : float
        95 % limits that hold for all places at once, so that the search is allowed for:
        they leave out zero where `p_value` is below 5 %.
    statistic : float
        The largest of the standardised steps.
    p_value : float
        Share of steady seasons whose largest standardised step is as large.
    """

    place: int
    estimate: float
    std_error: float
    conf_low: float
    conf_high: float
    statistic: float
    p_value: float


def shares_about(counts: np.ndarray, sizes: np.ndarray) -> tuple[float, np.ndarray]:
    """Common share and the binomial standard deviation of each point's share.

    Parameters
    ----------
    counts, sizes : ndarray, shape (T,)
        Successes and trials of each point.

    Examples
    --------
    >>> share, sd = shares_about(np.array([3, 5, 4]), np.array([10, 20, 30]))
    >>> share, sd.round(3).tolist()
    (0.2, [0.126, 0.089, 0.073])
    """
    share = float(np.sum(counts) / np.sum(sizes))
    return share, np.sqrt(share * (1 - share) / np.asarray(sizes, dtype=float))


def moving_average(points: np.ndarray, start: float, weight: float = WEIGHT) -> np.ndarray:
    """Exponentially weighted moving average of points (..., T), from a starting level on.

    References
    ----------
    Roberts (1959), Technometrics 1, 239-250.

    Examples
    --------
    >>> moving_average(np.array([52.0, 47.0, 53.0]), 50.0).round(2).tolist()
    [50.6, 49.52, 50.56]
    """
    return start + (np.asarray(points) - start) @ averaging(np.shape(points)[-1], weight).T


def averaging(size: int, weight: float = WEIGHT) -> np.ndarray:
    """Weights of each point in each moving average, shape (T, T); the starting level has the rest.

    With covariance C of the points, that of the averages is W C W': the exact limits,
    narrow for the first points.
    """
    if not 0 < weight <= 1:
        raise CallError(f"The weight of the newest point lies above 0 and up to 1, not {weight:g}.")
    behind = np.arange(size)[:, None] - np.arange(size)
    return np.where(behind >= 0, weight * (1 - weight) ** np.maximum(behind, 0), 0.0)


def fixed_limits(
    level: np.ndarray, centre: float, sd: np.ndarray, width_low: float, width_high: float
) -> tuple[np.ndarray, np.ndarray]:
    """Limits so many standard deviations below and above the centre."""
    sd = np.broadcast_to(sd, np.shape(level))
    return centre - width_low * sd, centre + width_high * sd


def season_limits(
    level: np.ndarray,
    centre: float,
    sd: np.ndarray,
    draws: np.ndarray,
    rate: float = FALSE_ALARMS,
) -> Limits:
    """Limits outside which a steady season has any point with a stated chance.

    Parameters
    ----------
    level : ndarray, shape (T,)
        Points, or their moving averages.
    centre : float
    sd : ndarray, shape (T,)
        Standard deviation of each about the centre.
    draws : ndarray, shape (B, T)
        The same, minus the centre, in B steady seasons.
    rate : float
        Chance that a steady season has a point outside.

    Returns
    -------
    Limits

    Notes
    -----
    Widths below and above are apart, for shares are skewed: each first gets the width
    that holds in all but half of the rate, and both are then scaled together until the
    whole rate is used up, which with counts of few reeds is less than it.
    """
    standard = draws / sd
    low, high = standard.min(axis=1), standard.max(axis=1)
    side_low = _quantile(-low, 1 - rate / 2)
    side_high = _quantile(high, 1 - rate / 2)
    furthest = np.maximum(-low / side_low, high / side_high)
    scale = _quantile(furthest, 1 - rate)
    width_low, width_high = scale * side_low, scale * side_high
    limit_low, limit_high = fixed_limits(level, centre, sd, width_low, width_high)
    own = (level - centre) / sd
    here = np.maximum(-own / side_low, own / side_high)
    return Limits(
        level=level,
        low=limit_low,
        high=limit_high,
        outside=here > scale * (1 + UPON),
        width_low=width_low,
        width_high=width_high,
        p_value=_share_as_large(furthest, float(here.max())),
    )


def largest_step(
    points: np.ndarray, covariance: np.ndarray, draws: np.ndarray, rate: float = FALSE_ALARMS
) -> Step:
    """Find where the level most likely changed once, with a test that allows for the search.

    Parameters
    ----------
    points : ndarray, shape (T,)
        Deviations of the points from their common level, in order.
    covariance : ndarray, shape (T, T)
        Their covariance in a steady season; singular, for the common level is taken off.
    draws : ndarray, shape (B, T)
        Deviations in B steady seasons.

    Returns
    -------
    Step

    References
    ----------
    Worsley (1979), JASA 74, 365-367 (the largest of the standardised steps); its
    distribution is drawn here, so that sizes, dependence and few points count.

    Examples
    --------
    >>> steady = np.random.default_rng(1).standard_normal((4000, 6))
    >>> steady -= steady.mean(axis=1, keepdims=True)
    >>> found = largest_step(np.array([-2.0, -2, -2, 2, 2, 2]), np.eye(6) - 1 / 6, steady)
    >>> found.place, round(found.estimate, 6), found.p_value < 0.01
    (3, 4.0, True)
    """
    size = len(points)
    steps = (np.arange(size)[None] >= np.arange(1, size)[:, None]).astype(float)
    weights = steps @ np.linalg.pinv(covariance, rcond=1e-8, hermitian=True)
    information = np.einsum("kt,kt->k", weights, steps)
    known = information > 1e-9 * information.max()
    roots = np.sqrt(np.where(known, information, 1.0))
    standard = np.where(known, (weights @ points) / roots, 0.0)
    steady = np.abs(draws @ (weights / roots[:, None]).T)[:, known].max(axis=1)
    best = int(np.argmax(np.abs(standard)))
    estimate, std_error = float(standard[best] / roots[best]), float(1 / roots[best])
    half = _quantile(steady, 1 - rate) * std_error
    largest = float(np.abs(standard[best]))
    return Step(
        place=best + 1,
        estimate=estimate,
        std_error=std_error,
        conf_low=estimate - half,
        conf_high=estimate + half,
        statistic=largest,
        p_value=_share_as_large(steady, largest),
    )


def _quantile(values: np.ndarray, share: float) -> float:
    """Smallest value that at most 1 - share of the values exceed."""
    return float(np.quantile(values, share, method="inverted_cdf"))


def _share_as_large(drawn: np.ndarray, observed: float) -> float:
    """Share of draws as large; the season at hand counts as one, so that it is never zero."""
    return float((1 + np.sum(drawn >= observed * (1 - UPON))) / (1 + len(drawn)))
