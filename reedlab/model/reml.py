"""Restricted maximum likelihood for a batch of responses that share one design.

Newton's method on the variances themselves, with the observed information where
it is positive definite and the expected information where it is not; an active
set keeps every component at zero or above, and steps are halved until the
likelihood does not fall.

Beside the bounded estimates stand the unbiased ones: one scoring step from the
bounded fit without the bound, which is minimum-norm quadratic unbiased estimation
with the bounded fit as its prior weights (Rao 1971). Where the fit lies inside,
the two are the same; in a balanced layout they are the classical estimates from
the mean squares, which may be negative (Nelder 1954).
"""

from dataclasses import dataclass

import numpy as np

from reedlab.model.batched import Absorbed
from reedlab.model.kernel import Kernel
from reedlab.model.moments import Moments, Projected, Slopes
from reedlab.model.strata import Strata
from reedlab.model.threads import one_thread

#: Newton decrement (about twice the log likelihood still to gain) at which to stop.
DECREMENT = 1e-11
#: A stalled fit with a decrement below this has reached the accuracy of the likelihood.
STALLED = 1e-6
MAX_STEPS = 100
#: Few fits need so many steps; from then on a bend the wrong way is taken for as large a right one
#: (the saddle-free step of Dauphin et al. 2014, Advances in Neural Information Processing 27).
PATIENCE = 20
#: A step is halved so often at most.
MOST_TRIES = 40
#: A single response's steps by the expected information are tried so much longer at first.
BOLD = 4.0
#: Up to so many random effects a second maximum is looked for.
FEW_EFFECTS = 60
#: A residual variance below this share of the total counts as none. Where groups and terms
#: span every row, it is known only through differences of the groups' own, to fewer digits.
EXHAUSTED = 1e-10
EXHAUSTED_SPANNED = 1e-6
#: A second maximum must be higher by this to be taken.
HIGHER = 1e-7


@dataclass(frozen=True)
class Fits:
    """REML fits of B responses.

    Attributes
    ----------
    theta : ndarray, shape (B, K)
        Variances, none below zero; the residual's first, then the groups'.
    unbiased : ndarray, shape (B, K)
        The same where the fit lies inside; free to be negative where it does not.
    moments : Moments
        At `theta`.
    converged : ndarray of bool, shape (B,)
    """

    theta: np.ndarray
    unbiased: np.ndarray
    moments: Moments
    converged: np.ndarray


@one_thread
def fit_reml(kernel: Kernel, Y: np.ndarray, start: np.ndarray | None = None) -> Fits:
    """Fit every column of Y, shape (n, B); each should be of order one and centred.

    `start`, shape (K,), is where to begin, all above zero; else with equal variances.
    """
    return fit_projected(kernel, kernel.project(Y), start)


@one_thread
def fit_projected(kernel: Kernel, data: Projected, start: np.ndarray | None = None) -> Fits:
    """Fit responses that the kernel has projected; as :func:`fit_reml`."""
    theta, converged = _climb(kernel, data, _begin(kernel, data, start), DECREMENT)
    moments = kernel.moments(theta, data)
    return Fits(theta, _unbiased(theta, moments), moments, converged)


def top(
    kernel: Kernel, y: np.ndarray, start: np.ndarray, enough: float
) -> tuple[np.ndarray, Projected]:
    """Where the restricted log likelihood of one response is highest, to about `enough`."""
    data = kernel.project(y)
    theta, _ = _climb(kernel, data, _begin(kernel, data, start), enough, look_back=False)
    return theta, data


def _begin(kernel: Kernel, data: Projected, start: np.ndarray | None) -> np.ndarray:
    if start is None:
        start = np.full(kernel.components, 1 / kernel.components)
    squares = data[-1].reshape(len(data[-1]), -1).sum(axis=1)
    return squares[:, None] / kernel.rows * start


def _climb(
    kernel: Kernel, data: Projected, theta: np.ndarray, enough: float, look_back: bool = True
) -> tuple[np.ndarray, np.ndarray]:
    """Climb from theta until the Newton decrement is small enough: where, and if so.

    The last step is taken on trust where nobody looks back; its height is not worked out then.
    """
    here = kernel.slopes(theta, data)
    least = EXHAUSTED if kernel.spare else EXHAUSTED_SPANNED
    running = np.arange(len(theta))
    converged = np.zeros(len(theta), dtype=bool)
    for taken in range(MAX_STEPS):
        step, decrement = _newton_step(here, theta[running], stuck=taken >= PATIENCE)
        if not look_back and np.all(decrement < enough):
            last = np.maximum(theta[running] + step, 0)
            if np.all(last @ kernel.outside > least):
                theta[running] = last
                break
        # A step that gains nothing to speak of is tried once; shorter ones would gain less.
        tries = np.where(decrement < enough, 1, MOST_TRIES)
        there, here, moved = _line_search(
            kernel, data, theta[running], here, step, tries, least / 2
        )
        theta[running] = there
        converged[running] = decrement < np.where(moved, enough, STALLED)
        # Where the residual runs to zero the arithmetic ends; such a fit has not converged.
        sound = there @ kernel.outside > least
        converged[running] &= sound
        going = moved & sound & ~converged[running]
        if not going.any():
            break
        running, here = running[going], here.of(going)
        data = tuple(part[going] for part in data)
    return theta, converged


def fit_best(kernel: Strata | Absorbed, y: np.ndarray) -> Fits:
    """Fit one response, shape (n, 1), from several starts; the likelihood can have two maxima.

    With few levels of crossed groups it does so about once in a thousand data sets.
    """
    best = fit_reml(kernel, y)
    K = kernel.components
    if kernel.effects > FEW_EFFECTS:
        return best
    for k in range(K):
        start = np.full(K, 0.1 / K)
        start[k] = 0.9
        other = fit_reml(kernel, y, start)
        gain = other.moments.loglik[0] - best.moments.loglik[0]
        if other.converged[0] and (not best.converged[0] or gain > HIGHER):
            best = other
    return best


def _newton_step(moments: Slopes, theta: np.ndarray, stuck: bool) -> tuple[np.ndarray, np.ndarray]:
    score = moments.score
    free = (theta > 0) | (score > 0)
    observed = _restricted(moments.observed, free)
    expected = _restricted(moments.expected, free)
    diagonal = np.einsum("bkk->bk", expected)
    # Next to a residual of nothing the traces cancel; there is no step to take from there.
    sound = np.all(diagonal > 0, axis=1)
    size = np.sqrt(np.where(sound[:, None], diagonal, 1))
    shape = size[:, :, None] * size[:, None, :]
    good = np.linalg.eigvalsh(observed / shape)[:, 0] > 1e-4
    information = np.where(good[:, None, None], observed, expected)
    if stuck:
        # Along a ridge that is almost level the expected curvature leads from side to side.
        values, turned = np.linalg.eigh(observed / shape)
        values = np.maximum(np.abs(values), 1e-4)
        information = (turned * values[:, None]) @ np.swapaxes(turned, 1, 2) * shape
    information[~sound] = np.eye(theta.shape[1])
    step = np.linalg.solve(information / shape, (score * free / size)[..., None])[..., 0] / size
    decrement = np.einsum("bk,bk->b", step, score * free)
    # Where the likelihood is not yet a hill, its expected curvature makes for timid steps; of
    # many responses so many would overshoot that it costs more than it gains.
    step *= np.where(good | stuck | (len(theta) > 1), 1, BOLD)[:, None]
    return np.where(sound[:, None], step, 0), np.where(sound, decrement, np.inf)


def _restricted(information: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Cut the components at the boundary out of an information matrix."""
    both = free[:, :, None] & free[:, None, :]
    return np.where(both, information, np.eye(free.shape[1]))


def _line_search(
    kernel: Kernel,
    data: Projected,
    theta: np.ndarray,
    here: Slopes,
    step: np.ndarray,
    tries: np.ndarray,
    least: float,
) -> tuple[np.ndarray, Slopes, np.ndarray]:
    """Halve steps until the likelihood does not fall; say which responses moved."""
    theta = theta.copy()
    moved = np.zeros(len(theta), dtype=bool)
    waiting = np.arange(len(theta))
    size = 1.0
    for tried_before in range(MOST_TRIES):
        waiting = waiting[tries[waiting] > tried_before]
        if not len(waiting):
            break
        trial = np.maximum(theta[waiting] + size * step[waiting], 0)
        inside = trial @ kernel.outside > least
        tried, trial = waiting[inside], trial[inside]
        size /= 2
        if not len(tried):
            continue
        # Most steps are good, and the next one begins with the slopes where they end.
        there = kernel.slopes(trial, tuple(part[tried] for part in data))
        better = there.loglik >= here.loglik[tried]
        done = tried[better]
        moved[done] = there.loglik[better] > here.loglik[done]
        theta[done] = trial[better]
        here = here.replaced(done, there.of(better))
        waiting = np.setdiff1d(waiting, done, assume_unique=True)
    return theta, here, moved


def _unbiased(theta: np.ndarray, moments: Moments) -> np.ndarray:
    outside = np.any(theta <= 0, axis=1)
    step = np.linalg.solve(moments.expected, moments.score[..., None])[..., 0]
    return theta + np.where(outside[:, None], step, 0)
