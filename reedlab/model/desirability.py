"""How good a value is, from 0 (of no use) to 1 (as good as asked for), and several of them as one.

Desirability functions of Derringer & Suich (1980): straight or bent ramps between a
limit where a value is of no use and one where it could not be better. The geometric
mean joins them, so that what is of no use in one respect is of no use at all. Values
may be arrays of any shape, in the unit of the response. Where a mean stands for many
things that scatter about it, what counts is how good they are on average (as in
Peterson 2004, Journal of Quality Technology 36, 139-153), not how good the mean is.
"""

from collections.abc import Sequence

import numpy as np

from reedlab.errors import CallError


def higher_is_better(
    values: np.ndarray, low: float, high: float, exponent: float = 1.0, floor: float = 0.0
) -> np.ndarray:
    """Rise from 0 at `low` to 1 at `high`.

    Parameters
    ----------
    values : ndarray
    low, high : float
        Of no use up to `low`, no better from `high` on.
    exponent : float
        Above 1 only values near `high` count for much; below 1 all above `low` do.
    floor : float
        Above 0 the ramp does not end at 0 but nears half of this from here on, so that of
        two values of no use the less bad can still be told, and neither undoes all others.

    References
    ----------
    Derringer & Suich (1980), Journal of Quality Technology 12, 214-219, eq. 1.

    Examples
    --------
    >>> higher_is_better(np.array([10.0, 15.0, 30.0]), 10, 20, exponent=2).tolist()
    [0.0, 0.25, 1.0]
    """
    _require_order(low, high)
    return _bounded((np.asarray(values, dtype=float) - low) / (high - low), floor) ** exponent


def lower_is_better(
    values: np.ndarray, low: float, high: float, exponent: float = 1.0, floor: float = 0.0
) -> np.ndarray:
    """Fall from 1 at `low` to 0 at `high`; else as :func:`higher_is_better`.

    Examples
    --------
    >>> lower_is_better(np.array([10.0, 15.0, 30.0]), 10, 20).tolist()
    [1.0, 0.5, 0.0]
    """
    _require_order(low, high)
    return _bounded((high - np.asarray(values, dtype=float)) / (high - low), floor) ** exponent


def nearer_is_better(
    values: np.ndarray,
    low: float,
    target: float,
    high: float,
    exponents: tuple[float, float] = (1.0, 1.0),
    floor: float = 0.0,
) -> np.ndarray:
    """Rise from 0 at `low` to 1 at `target`, and fall to 0 at `high`.

    Parameters
    ----------
    values : ndarray
    low, target, high : float
    exponents : (float, float)
        Below and above the target.
    floor : float
        As in :func:`higher_is_better`.

    References
    ----------
    Derringer & Suich (1980), eq. 2.

    Examples
    --------
    >>> nearer_is_better(np.array([-10.0, -5.0, 0.0, 15.0]), -10, 0, 20).tolist()
    [0.0, 0.5, 1.0, 0.25]
    """
    values = np.asarray(values, dtype=float)
    _require_order(low, target)
    _require_order(target, high)
    below = values <= target
    ramp = np.where(below, (values - low) / (target - low), (high - values) / (high - target))
    held = _bounded(ramp, floor)
    return held ** (exponents[0] if exponents[0] == exponents[1] else np.where(below, *exponents))


def higher_on_average(
    means: np.ndarray, low: float, high: float, spread: float, floor: float = 0.0
) -> np.ndarray:
    """Return the mean of :func:`higher_is_better` over things that scatter about each mean.

    Parameters
    ----------
    means : ndarray
    low, high : float
    spread : float
        Standard deviation of the things, normal; 0 gives the ramp itself.
    floor : float
        Weight of a part that never ends at 0, so that of two of no use the less bad is told;
        without a spread as in :func:`higher_is_better`.

    Examples
    --------
    >>> higher_on_average(np.array([10.0, 15.0]), 10, 20, spread=5).round(3).tolist()
    [0.195, 0.5]
    """
    if spread <= 0:
        return higher_is_better(means, low, high, floor=floor)
    _require_order(low, high)
    means = np.asarray(means, dtype=float)
    ramp = (_above(means - low, spread) - _above(means - high, spread)) / (high - low)
    return _with_tail(ramp, (means - low) / (high - low), floor)


def lower_on_average(
    means: np.ndarray, low: float, high: float, spread: float, floor: float = 0.0
) -> np.ndarray:
    """Return the mean of :func:`lower_is_better` over things that scatter about each mean.

    Parameters
    ----------
    means, low, high, spread, floor
        As in :func:`higher_on_average`.

    Examples
    --------
    >>> lower_on_average(np.array([15.0, 20.0]), 10, 20, spread=5).round(3).tolist()
    [0.5, 0.195]
    """
    if spread <= 0:
        return lower_is_better(means, low, high, floor=floor)
    return higher_on_average(-np.asarray(means, dtype=float), -high, -low, spread, floor)


def nearer_on_average(
    means: np.ndarray, low: float, target: float, high: float, spread: float, floor: float = 0.0
) -> np.ndarray:
    """Return the mean of :func:`nearer_is_better` over things that scatter about each mean.

    Parameters
    ----------
    means : ndarray
    low, target, high : float
    spread, floor : float
        As in :func:`higher_on_average`.

    Examples
    --------
    >>> nearer_on_average(np.array([-10.0, 0.0]), -10, 0, 10, spread=5).round(3).tolist()
    [0.191, 0.61]
    """
    if spread <= 0:
        return nearer_is_better(means, low, target, high, floor=floor)
    _require_order(low, target)
    _require_order(target, high)
    means = np.asarray(means, dtype=float)
    beyond = _above(means - target, spread)
    up = (_above(means - low, spread) - beyond) / (target - low)
    down = (beyond - _above(means - high, spread)) / (high - target)
    ramp = np.minimum((means - low) / (target - low), (high - means) / (high - target))
    return _with_tail(up - down, ramp, floor)


def overall(parts: Sequence[np.ndarray], weights: Sequence[float]) -> np.ndarray:
    """Weighted geometric mean of desirabilities; a weight of 0 leaves a part out.

    Parameters
    ----------
    parts : sequence of ndarray
        All of one shape, 0 to 1.
    weights : sequence of float
        Importance, 0 or more; not all 0.

    References
    ----------
    Derringer & Suich (1980), eq. 3; weights as in Derringer (1994), Quality Progress 27
    (6), 51-58.

    Examples
    --------
    >>> overall([np.array([0.25, 0.0]), np.array([1.0, 1.0])], [1, 1]).tolist()
    [0.5, 0.0]
    """
    shares = np.asarray(weights, dtype=float)
    if not (shares >= 0).all() or not shares.sum() > 0:
        raise CallError("Weights are 0 or more, and one of them is above 0.")
    # Every part is raised before they are multiplied, so that none underflows.
    result = np.ones_like(np.asarray(parts[0], dtype=float))
    for part, share in zip(parts, shares / shares.sum(), strict=True):
        result = result * np.asarray(part, dtype=float) ** share
    return result


def _require_order(low: float, high: float) -> None:
    if not low < high:
        raise CallError(f"A desirability runs between two limits; {low:g} and {high:g} are none.")


def _above(gap: np.ndarray, spread: float) -> np.ndarray:
    """Mean of what lies above zero of a normal quantity with mean `gap`."""
    from scipy.special import ndtr

    z = gap / spread
    return np.asarray(gap * ndtr(z) + spread / np.sqrt(2 * np.pi) * np.exp(-z * z / 2))


def _with_tail(average: np.ndarray, ramp: np.ndarray, floor: float) -> np.ndarray:
    """Mix in a part that falls on where the average ends at 0."""
    held = np.clip(average, 0, 1)
    return (1 - floor) * held + floor * np.exp(np.minimum(ramp, 1) - 1) if floor > 0 else held


def _bounded(ramp: np.ndarray, floor: float) -> np.ndarray:
    """Hold a ramp between 0 and 1; below the floor let it near half the floor."""
    if floor <= 0:
        return np.clip(ramp, 0, 1)
    held = np.array(np.minimum(ramp, 1))
    below = ramp < floor
    # Millions of candidates and draws come here: the exponential is taken where it is needed.
    held[below] = floor * (1 + np.exp((ramp[below] - floor) / floor)) / 2
    return held
