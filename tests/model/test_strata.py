"""What is drawn of responses without their rows is distributed as what is made of rows."""

import numpy as np
import pytest
from scipy.stats import chi2, ks_2samp

from reedlab.model.kernel import build_kernel
from reedlab.model.strata import Strata


def _design(reeds, factor):
    """Eight tubes in four lots, and columns that lie in several strata."""
    tube, place = np.repeat(np.arange(8), reeds), np.tile(np.arange(reeds), 8)
    level = {"tube": tube, "reed": tube + place}[factor] % 2
    return np.linalg.qr(np.column_stack([np.ones(len(tube)), level]))[0], [tube // 2, tube]


@pytest.mark.parametrize("factor", ["tube", "reed"])
@pytest.mark.parametrize("groups", [1, 2])
@pytest.mark.parametrize("reeds", [2, 3])
def test_drawn_responses_are_distributed_as_projected_ones(factor, groups, reeds):
    Q, codes = _design(reeds, factor)
    codes, theta = codes[-groups:], np.array([0.5, 0.3, 0.8][: groups + 1])
    kernel, many = build_kernel(Q, codes), 20_000
    assert isinstance(kernel, Strata)
    rng = np.random.default_rng(8)
    Y = np.sqrt(theta[0]) * rng.normal(size=(len(Q), many))
    for code, variance in zip(codes, theta[1:], strict=True):
        Y += np.sqrt(variance) * rng.normal(size=(code.max() + 1, many))[code]
    drawn, made = kernel.drawn(theta, many, rng), kernel.project(Y)
    assert [part.shape for part in drawn] == [part.shape for part in made]
    for one, other in zip(_told(*drawn), _told(*made), strict=True):
        assert ks_2samp(one, other).pvalue > 1e-3
    for g, variance in enumerate(theta @ kernel.d):
        # Sums of squares of a stratum are its variance times chi-square.
        x = drawn[1][:, g] / variance
        assert abs(x.mean() - kernel.m[g]) < 4 * np.sqrt(2 * kernel.m[g] / many)
        assert np.mean(x > chi2.isf(0.05, kernel.m[g])) == pytest.approx(0.05, abs=0.007)
        covariance = drawn[0][:, g].T @ drawn[0][:, g] / many
        np.testing.assert_allclose(covariance, variance * kernel.XX[g], atol=0.06)


def _told(Xy, yy):
    """Every part, and how parts go together."""
    p = Xy.shape[2]
    parts = (Xy[:, g, i] for g in range(yy.shape[1]) for i in range(p))
    yield from (part for part in parts if part.std() > 1e-9)
    yield from yy.T
    yield from (yy - np.sum(Xy**2, axis=2)).T
    yield Xy.sum(axis=1).prod(axis=1)


def test_the_slopes_are_those_of_all_moments():
    Q, codes = _design(3, "reed")
    kernel, rng = build_kernel(Q, codes), np.random.default_rng(2)
    theta = rng.uniform(0.1, 1, size=(6, 3))
    theta[0, 1] = theta[1, 2] = 0
    data = kernel.drawn(theta[2], 6, rng)
    ours, wanted = kernel.slopes(theta, data), kernel.moments(theta, data)
    for name in ("loglik", "score", "observed", "expected"):
        np.testing.assert_allclose(getattr(ours, name), getattr(wanted, name), rtol=1e-9)
