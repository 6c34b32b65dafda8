"""Draws of a steady season: what the points of a chart do when nothing changes.

Of measurements: the levels of the points are estimated by one mixed model, which gives
their covariance; draws are normal with a common scale that knows how little the
variances are known. Of yes and no: fates follow from a hidden normal score that rows of
one group share in part (how large a part is known with error, and drawn too), and the
best K of a season are a yes, as many as there were, so that the unknown share plays no part.
"""

from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np
import pandas as pd

from reedlab.errors import ModelError
from reedlab.model.control import DRAWS
from reedlab.model.questions import LinearFit
from reedlab.model.threads import one_thread
from reedlab.pieces import in_pieces

#: A season's draws are the same every time.
SEED = 20260302
#: No more numbers than this are drawn at once; a large record gets fewer draws.
MOST_NUMBERS = 6_000_000
FEWEST_DRAWS = 2000
#: Groups cannot make rows more alike than this.
MOST_ALIKE = 0.95
#: So many values stand for what is not known of a correlation.
LIKELY = 10


def levels_of(fit: LinearFit, point: str) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Levels of the points of a fitted model, their covariance, and the degrees of freedom.

    Parameters
    ----------
    fit : LinearFit
    point : str
        The categorical term that tells the points apart.

    Returns
    -------
    table : DataFrame
        level, estimate, std_error, df, conf_low, conf_high; the other terms are held.
    covariance : ndarray, shape (T, T)
    df : ndarray, shape (T,)
    """
    _, L = fit.mean_rows(point)
    table = fit.means(point)
    return table, L @ fit.covariance() @ L.T, table["df"].to_numpy()


def averages_of(
    fit: LinearFit, held: Sequence[str], point: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Average of each point's rows with some terms of a fit held, and their covariance.

    For points that share their rows with a random term of the fit (sessions), or with a
    term that is held (the player of a session), so that they can be no term themselves.

    Parameters
    ----------
    fit : LinearFit
        Bounded, so that its covariance is that of the estimates at its variances.
    held : sequence of str
        Terms whose estimated differences are taken off.
    point : ndarray of int, shape (n,)
        Point of each row, from 0.

    Returns
    -------
    averages : ndarray, shape (T,)
    covariance : ndarray, shape (T, T)

    Notes
    -----
    With averaging A, fixed columns X and those held X_h, the averages are
    A (y - X_h b_h). As V G' = X phi for the weights G of the estimates, their covariance
    is A V A' - A X phi_h X_h' A' - (its transpose) + A X_h phi_hh X_h' A'.
    """
    A = _summed(point, fit.fixed.X) / np.bincount(point)[:, None]
    own = np.zeros(A.shape[1], dtype=bool)
    for term in held:
        own[fit.fixed.terms[term]] = True
    phi = fit.covariance("satterthwaite")
    averages = _summed(point, fit.fixed.y[:, None])[:, 0] / np.bincount(point)
    averages = averages - A[:, own] @ fit.coefficients[own]
    cross = A @ phi[:, own] @ A[:, own].T
    covariance = np.diag(fit.variances["residual"] / np.bincount(point))
    for name, code in fit.groups.items():
        member = np.zeros((len(averages), code.max() + 1))
        np.add.at(member, (point, code), 1)
        member /= np.bincount(point)[:, None]
        covariance += max(0.0, fit.variances[name]) * member @ member.T
    covariance += A[:, own] @ phi[own][:, own] @ A[:, own].T - cross - cross.T
    return averages, covariance


def _summed(point: np.ndarray, columns: np.ndarray) -> np.ndarray:
    sums = np.zeros((point.max() + 1, columns.shape[1]))
    np.add.at(sums, point, columns)
    return sums


def about_common(
    levels: np.ndarray, covariance: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    """Common level of all points (weighed by what is known), deviations, their covariance.

    Examples
    --------
    >>> centre, deviations, _ = about_common(np.array([1.0, 3.0]), np.diag([1.0, 1.0]))
    >>> centre, deviations.tolist()
    (2.0, [-1.0, 1.0])
    """
    weights = np.linalg.solve(covariance, np.ones(len(levels)))
    if not weights.sum() > 0:
        raise ModelError("The levels of the points are known too little to set limits.")
    variance = 1 / weights.sum()
    centre = float(weights @ levels * variance)
    return centre, levels - centre, covariance - variance


def normal_draws(covariance: np.ndarray, df: float, draws: int = DRAWS) -> np.ndarray:
    """Deviations of normal points with this covariance, shape (draws, T).

    Each season has a scale of its own, as if the variances were estimated with `df`
    degrees of freedom. Every draw stands there with its mirror image, so that limits
    are the same on both sides.
    """
    rng = np.random.default_rng(SEED)
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0))
    draws = min(draws, max(FEWEST_DRAWS, MOST_NUMBERS // len(values)))
    half = rng.standard_normal((draws // 2, len(values))) @ root.T
    if np.isfinite(df):
        half = half / np.sqrt(rng.chisquare(df, (len(half), 1)) / df)
    return np.concatenate([half, -half])


def yes_draws(
    point: np.ndarray,
    successes: int,
    alike: Mapping[str, np.ndarray],
    groups: Mapping[str, np.ndarray],
) -> np.ndarray:
    """Counts of yes in each point of steady seasons with so many in all, shape (B, T).

    Parameters
    ----------
    point : ndarray of int, shape (n,)
        Which point each row belongs to, from 0.
    successes : int
    alike : mapping of str to ndarray, shape (K,)
        By group, correlations of the hidden scores of two rows of one group: values that
        are about equally likely, each of which has its share of the seasons.
    groups : mapping of str to ndarray of int
        Codes of each group, from 0.
    """
    seasons = int(np.clip(MOST_NUMBERS // len(point), FEWEST_DRAWS, DRAWS))
    values = np.array([alike[name] for name in groups] or np.zeros((0, 1)), dtype=np.float32)
    # So many at once that a record of many thousand rows still fits into memory.
    each = np.array_split(
        np.resize(np.arange(values.shape[1]), seasons),
        int(np.ceil(seasons * len(point) / MOST_NUMBERS)),
    )
    work = partial(_yes_by_point, point, successes, list(groups.values()))
    return np.concatenate(in_pieces(work, [values[:, which] for which in each], SEED))


@one_thread
def _yes_by_point(
    point: np.ndarray,
    successes: int,
    codes: Sequence[np.ndarray],
    shared: np.ndarray,
    seed: np.random.SeedSequence,
) -> np.ndarray:
    """How many rows of each point have the highest hidden scores of their season, shape (B, T)."""
    rng, n = np.random.default_rng(seed), len(point)
    rest = np.maximum(1 - shared.sum(axis=0), np.float32(1 - MOST_ALIKE))
    score = np.sqrt(rest)[:, None] * rng.standard_normal((len(rest), n), dtype=np.float32)
    for part, code in zip(shared, codes, strict=True):
        things = rng.standard_normal((len(rest), code.max() + 1), dtype=np.float32)
        score += (np.sqrt(part)[:, None] * things)[:, code]
    bar = np.partition(score, n - successes, axis=1)[:, n - successes]
    member = (point[:, None] == np.arange(point.max() + 1)).astype(np.float32)
    return np.rint((score >= bar[:, None]).astype(np.float32) @ member)


def likely_correlations(alike: float, groups: int, rows: int, spent: int) -> np.ndarray:
    """Correlations within groups that are about equally likely, given the estimated one.

    The F ratio of groups over rows is divided by quantiles of its own distribution: the
    generalised interval of a one-way layout (Burdick & Graybill 1992, section 4.3),
    with groups of the mean size.

    Parameters
    ----------
    alike : float
        Estimated correlation, 0 to 1.
    groups, rows, spent : int
        Numbers of groups, of rows, and of levels whose means were taken off.

    Examples
    --------
    >>> likely_correlations(0.3, 30, 120, 10)[[0, 4, 9]].round(2).tolist()
    [0.13, 0.29, 0.51]
    """
    from scipy.stats import f as f_distribution

    size = rows / groups
    ratio = 1 + size * alike / (1 - min(alike, MOST_ALIKE))
    quantiles = f_distribution.isf(
        (np.arange(LIKELY) + 0.5) / LIKELY, max(1, groups - spent), max(1, rows - groups)
    )
    excess = np.maximum(ratio / quantiles - 1, 0)
    return np.sort(excess / (excess + size))


def hidden_correlation(share: float, alike: float) -> float:
    """Correlation of hidden normal scores whose yes and no have the correlation `alike`.

    Parameters
    ----------
    share : float
        Chance of a yes, between 0 and 1.
    alike : float
        Correlation of the yes or no of two rows, 0 to 1.

    Examples
    --------
    >>> round(hidden_correlation(0.5, 1 / 3), 6)  # Sheppard (1899): sin(pi / 6) at one half
    0.5
    """
    from scipy.integrate import quad
    from scipy.optimize import brentq
    from scipy.stats import norm

    if alike <= 0:
        return 0.0
    bar = norm.isf(share)

    def excess(correlation: float) -> float:
        # Both scores above the bar, minus the product: an integral of the bivariate density.
        value, _ = quad(
            lambda r: np.exp(-(bar**2) / (1 + r)) / (2 * np.pi * np.sqrt(1 - r**2)),
            0,
            correlation,
        )
        return float(value) - alike * share * (1 - share)

    if excess(MOST_ALIKE) < 0:
        return MOST_ALIKE
    return float(brentq(excess, 0, MOST_ALIKE))
