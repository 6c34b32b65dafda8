"""The kernel against its definition: n x n matrices, and differences of the likelihood.

All designs and responses here are invented.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reedlab.model.batched import Absorbed
from reedlab.model.kernel import Tied, build_kernel
from reedlab.model.moments import Moments
from reedlab.model.reml import fit_best, fit_reml
from reedlab.model.strata import Strata
from tests.model.test_calibration import BATCHES, LAYOUTS, _batches, _numbers

FIELDS = ("loglik", "beta", "phi", "P", "Q", "trace", "trace2", "quad", "quad2")


class Plain:
    """A model by its definition, with V of shape (n, n); written from Kenward & Roger (1997)."""

    def __init__(self, X: np.ndarray, codes: list[np.ndarray]) -> None:
        self.X = X
        self.G = [np.eye(len(X)), *((c[:, None] == c[None]).astype(float) for c in codes)]

    def covariance(self, theta: np.ndarray) -> np.ndarray:
        return sum(t * G for t, G in zip(theta, self.G, strict=True))

    def projection(self, theta: np.ndarray) -> np.ndarray:
        inverse, X = np.linalg.inv(self.covariance(theta)), self.X
        return inverse - inverse @ X @ np.linalg.inv(X.T @ inverse @ X) @ X.T @ inverse

    def loglik(self, theta: np.ndarray, y: np.ndarray) -> float:
        V, X = self.covariance(theta), self.X
        cross = X.T @ np.linalg.solve(V, X)
        logdets = np.linalg.slogdet(V)[1] + np.linalg.slogdet(cross)[1]
        return -(logdets + y @ self.projection(theta) @ y) / 2

    def moments(self, theta: np.ndarray, y: np.ndarray) -> Moments:
        inverse, X, G, P = (
            np.linalg.inv(self.covariance(theta)),
            self.X,
            self.G,
            self.projection(theta),
        )
        phi = np.linalg.inv(X.T @ inverse @ X)
        one = [inverse @ g for g in G]
        values = (
            self.loglik(theta, y),
            phi @ X.T @ inverse @ y,
            phi,
            [-X.T @ a @ inverse @ X for a in one],
            [[X.T @ a @ b @ inverse @ X for b in one] for a in one],
            [np.trace(P @ g) for g in G],
            [[np.trace(P @ g @ P @ h) for h in G] for g in G],
            [y @ P @ g @ P @ y for g in G],
            [[y @ P @ g @ P @ h @ P @ y for h in G] for g in G],
        )
        return Moments(*(np.array(value)[None] for value in values))


def _orthonormal(X: np.ndarray) -> np.ndarray:
    return np.linalg.qr(X)[0]


def _design(seed: int, groups: int = 2, n: int = 14) -> tuple[np.ndarray, list[np.ndarray]]:
    """Columns X and crossed unbalanced groups, none of them empty."""
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.normal(size=n), rng.integers(0, 2, n)])
    codes = [np.unique(rng.integers(0, 5 - k, n), return_inverse=True)[1] for k in range(groups)]
    return _orthonormal(X + 1e-9 * rng.normal(size=X.shape)), codes


def _balanced() -> tuple[np.ndarray, list[np.ndarray]]:
    """Three lots of two tubes of four reeds; a tube-level and a reed-level column."""
    tube = np.repeat(np.arange(6), 4)
    columns = [np.ones(24), np.tile(np.repeat([-1, 1], 4), 3), np.tile([-1, 1, 1, -1], 6)]
    return _orthonormal(np.column_stack(columns)), [tube // 2, tube]


def _assert_same(found: Moments, wanted: Moments, rtol: float = 1e-8) -> None:
    for field in FIELDS:
        one, other = getattr(found, field), getattr(wanted, field)
        assert one.shape == other.shape, field
        scale = np.abs(other).max()
        np.testing.assert_allclose(one, other, rtol=rtol, atol=rtol * scale, err_msg=field)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 10_000),
    groups=st.integers(0, 3),
    theta=st.lists(st.floats(0.01, 10), min_size=4, max_size=4),
)
def test_moments_are_those_of_the_full_matrices(seed, groups, theta):
    X, codes = _design(seed, groups)
    y = np.random.default_rng([seed, 1]).normal(size=len(X))
    kernel = build_kernel(X, codes)
    at = np.array(theta[: groups + 1])
    found = kernel.moments(at[None], kernel.project(y[:, None]))
    _assert_same(found, Plain(X, codes).moments(at, y), rtol=1e-7)
    height = kernel.loglik(at[None], kernel.project(y[:, None]))
    assert height[0] == pytest.approx(found.loglik[0], rel=1e-10)


def test_a_variance_of_zero():
    X, codes = _design(11)
    y = np.random.default_rng(1).normal(size=len(X))
    kernel = build_kernel(X, codes)
    theta = np.array([0.7, 0.0, 0.4])
    found = kernel.moments(theta[None], kernel.project(y[:, None]))
    _assert_same(found, Plain(X, codes).moments(theta, y))


def test_both_kernels_agree_on_a_balanced_design():
    X, codes = _balanced()
    Y = np.random.default_rng(2).normal(size=(24, 3))
    theta = np.array([[0.5, 0.3, 0.2], [1, 0, 0.4], [0.2, 2, 1]])
    strata = build_kernel(X, codes)
    absorbed = Absorbed.of(X, codes)
    assert isinstance(strata, Strata)
    assert strata.spare == absorbed.spare == 24 - 6 - 1  # less tubes, less the reed-level column
    one = strata.moments(theta, strata.project(Y))
    other = absorbed.moments(theta, absorbed.project(Y))
    _assert_same(one, other, rtol=1e-11)
    for i in range(3):
        _assert_same(
            Moments(*(getattr(one, field)[i : i + 1] for field in FIELDS)),
            Plain(X, codes).moments(theta[i], Y[:, i]),
        )
        V = Plain(X, codes).covariance(theta[i])
        for kernel in (strata, absorbed):
            solved = kernel.solve(theta[i], Y[:, i])
            np.testing.assert_allclose(solved, np.linalg.solve(V, Y[:, i]))


def test_strata_are_found_where_there_are_any():
    # One group however unbalanced, nested balanced groups, crossed balanced groups.
    one = np.repeat([0, 1, 2, 3], [1, 5, 2, 4])
    assert isinstance(build_kernel(np.ones((12, 1)) / np.sqrt(12), [one]), Strata)
    X, codes = _balanced()
    assert isinstance(build_kernel(X, codes), Strata)
    assert isinstance(build_kernel(X, [codes[1], np.tile(np.arange(4), 6)]), Strata)
    assert isinstance(build_kernel(*_design(3)), Absorbed)


@pytest.mark.parametrize("design", [_design(7), _design(8, groups=3), _balanced()])
def test_score_and_information_by_differences(design):
    X, codes = design
    y = np.random.default_rng(5).normal(size=len(X))
    kernel = build_kernel(X, codes)
    data = kernel.project(y[:, None])
    theta = np.linspace(0.6, 1.1, len(codes) + 1)
    found = kernel.moments(theta[None], data)
    h = 1e-4
    steps = h * np.eye(len(theta))
    ends = [kernel.moments((theta + s)[None], data) for s in (*steps, *-steps)]
    K = len(theta)
    slope = [(ends[k].loglik[0] - ends[k + K].loglik[0]) / (2 * h) for k in range(K)]
    np.testing.assert_allclose(found.score[0], slope, rtol=1e-6, atol=1e-7)
    bend = [(ends[k + K].score[0] - ends[k].score[0]) / (2 * h) for k in range(K)]
    np.testing.assert_allclose(found.observed[0], bend, rtol=1e-5, atol=1e-6)


def test_expected_information_is_the_mean_of_the_observed():
    X, codes = _design(9)
    theta = np.array([0.8, 0.5, 0.3])
    plain = Plain(X, codes)
    V, P = plain.covariance(theta), plain.projection(theta)
    kernel = build_kernel(X, codes)
    root = np.linalg.cholesky(V)
    # E y y' = V is the mean over the columns of sqrt(n) times a root of V.
    Y = np.sqrt(len(V)) * root
    at = kernel.moments(np.repeat(theta[None], len(V), axis=0), kernel.project(Y))
    np.testing.assert_allclose(at.observed.mean(axis=0), at.expected[0], rtol=1e-9)
    np.testing.assert_allclose(at.score.mean(axis=0), 0, atol=1e-9)
    by_hand = [[np.trace(P @ g @ P @ k) / 2 for k in plain.G] for g in plain.G]
    np.testing.assert_allclose(at.expected[0], by_hand)


def test_tied_variances():
    # The chain rule: the second group's variance tied to twice the residual's plus the first's.
    X, codes = _design(10)
    y = np.random.default_rng(3).normal(size=len(X))
    A = np.array([[1.0, 0, 2], [0, 1, 1]])
    kernel = build_kernel(X, codes)
    tied = Tied(kernel, A)
    phi = np.array([0.6, 0.4])
    plain = Plain(X, codes)
    plain.G = [sum(a * G for a, G in zip(row, plain.G, strict=True)) for row in A]
    found = tied.moments(phi[None], tied.project(y[:, None]))
    _assert_same(found, plain.moments(phi, y))


@pytest.mark.parametrize("design", [_design(4), _balanced()])
def test_a_batch_equals_one_at_a_time(design):
    X, codes = design
    rng = np.random.default_rng(6)
    Y = rng.normal(size=(len(X), 12)) + rng.normal(size=(24, 12))[codes[-1]]
    Y -= X @ (X.T @ Y)
    kernel = build_kernel(X, codes)
    together = fit_reml(kernel, Y)
    assert together.converged.all()
    assert (together.theta == 0).any()
    assert (together.theta > 0).all(axis=1).any()
    for i in range(12):
        alone = fit_reml(kernel, Y[:, [i]])
        np.testing.assert_allclose(together.theta[i], alone.theta[0], rtol=1e-5, atol=1e-9)
        np.testing.assert_allclose(together.unbiased[i], alone.unbiased[0], rtol=1e-5, atol=1e-9)
        assert together.moments.loglik[i] == pytest.approx(alone.moments.loglik[0], abs=1e-10)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10_000), groups=st.integers(1, 3))
def test_the_fit_is_a_maximum(seed, groups):
    X, codes = _design(seed, groups, n=18)
    rng = np.random.default_rng([seed, 1])
    y = rng.normal(size=18) + sum(rng.normal(size=5)[c] for c in codes)
    y -= X @ (X.T @ y)
    kernel = build_kernel(X, codes)
    fits = fit_best(kernel, y[:, None])
    if not fits.converged[0]:  # the residual runs to zero: reported, not fitted
        assert fits.theta[0, 0] < 1e-3
        return
    theta = fits.theta[0]
    inside = theta > 0
    gain = fits.moments.score[0] * theta
    np.testing.assert_allclose(gain[inside], 0, atol=1e-4)
    assert (fits.moments.score[0][~inside] <= 1e-6).all()
    tries = theta * np.exp(rng.normal(0, 0.3, (50, groups + 1))) + rng.exponential(
        0.01, (50, groups + 1)
    )
    heights = kernel.loglik(tries, kernel.project(np.repeat(y[:, None], 50, axis=1)))
    assert heights.max() <= fits.moments.loglik[0] + 1e-9


def test_the_higher_of_two_maxima_is_taken():
    # Found by search: from equal variances Newton's method ends at a lower maximum, at the bound.
    codes = [
        np.array([1, 0, 2, 0, 0, 1, 2, 2, 1, 0, 1, 1]),
        np.array([4, 1, 0, 1, 2, 3, 2, 2, 3, 1, 2, 3]),
    ]
    y = np.array([16.0, 20, 15, 20, 14, 22, 19, 18, 20, 22, 20, 21])
    y = (y - y.mean()) / y.std()
    X = np.ones((12, 1)) / np.sqrt(12)
    kernel = build_kernel(X, codes)
    first, best = fit_reml(kernel, y[:, None]), fit_best(kernel, y[:, None])
    assert first.converged[0]
    assert first.theta[0, 1] == 0
    assert (best.theta > 0).all()
    plain = Plain(X, codes)
    gain = plain.loglik(best.theta[0], y) - plain.loglik(first.theta[0], y)
    assert gain == pytest.approx(0.298, abs=0.001)
    # Both are maxima: no neighbour of either is higher.
    for fits in (first, best):
        here = plain.loglik(fits.theta[0], y)
        for step in [*np.eye(3), *-np.eye(3)]:
            assert plain.loglik(np.maximum(fits.theta[0] + 1e-3 * step, 0), y) <= here


def test_an_almost_level_ridge_is_left_within_the_steps():
    # Of 20,000 invented batches these two have a ridge along which the expected curvature leads
    # from side to side: a hundred steps did not end. What the heights should be: a fine grid's.
    design = _numbers(LAYOUTS["9, 1-4"])
    Q = np.linalg.qr(design.X)[0]
    Y = _batches(design, 0.0, BATCHES, seed=3)[:, [525, 5931]]
    kernel = build_kernel(Q, [design.tube])
    fits = fit_reml(kernel, Y - Q @ (Q.T @ Y))
    assert fits.converged.all()
    grid = np.stack(np.meshgrid(np.linspace(0.4, 1.8, 71), np.linspace(0, 0.8, 41)), axis=-1)
    for place, height in enumerate(fits.moments.loglik):
        one = kernel.project(Y[:, [place]] - Q @ (Q.T @ Y[:, [place]]))
        heights = [kernel.loglik(theta[None], one)[0] for theta in grid.reshape(-1, 2)]
        assert max(heights) <= height < max(heights) + 0.01
