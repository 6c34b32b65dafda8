"""One test of a factor over several responses, against statsmodels' MANOVA."""

import numpy as np
import pandas as pd
import pytest
from statsmodels.multivariate.manova import MANOVA

from reedlab.model.best_set import Estimates
from reedlab.model.jointly import joint_p_value, trace_p_value

#: Numbers are drawn; the reference is what the other library says of the same numbers.
ROWS = 30


def drawn(responses, levels, effect):
    rng = np.random.default_rng(4)
    factor = rng.permutation(np.resize(np.arange(levels), ROWS))
    mixed = rng.standard_normal((ROWS, responses)) @ rng.standard_normal((responses, responses))
    data = pd.DataFrame(mixed, columns=[f"y{i}" for i in range(responses)])
    data["y0"] += effect * factor
    return data.assign(factor=factor.astype(str))


def fitted(data, responses):
    """Least squares of every response, and how their errors go together."""
    dummies = pd.get_dummies(data["factor"], drop_first=True).to_numpy(dtype=float)
    X = np.column_stack([np.ones(ROWS), dummies])
    Y = data[[f"y{i}" for i in range(responses)]].to_numpy()
    b = np.linalg.lstsq(X, Y, rcond=None)[0]
    df = ROWS - X.shape[1]
    left = Y - X @ b
    inverse = np.linalg.inv(X.T @ X)
    names = tuple(map(str, range(X.shape[1])))
    models = [
        Estimates(names, b[:, i], inverse * (left[:, i] @ left[:, i]) / df, np.full(len(b), df))
        for i in range(responses)
    ]
    return models, np.corrcoef(left.T) if responses > 1 else np.eye(1)


@pytest.mark.parametrize("effect", [0.0, 0.6])
@pytest.mark.parametrize(("responses", "levels"), [(2, 2), (2, 3), (3, 4), (4, 3)])
def test_the_p_value_is_that_of_the_hotelling_lawley_trace(responses, levels, effect):
    data = drawn(responses, levels, effect)
    left = " + ".join(f"y{i}" for i in range(responses))
    told = MANOVA.from_formula(f"{left} ~ factor", data).mv_test().results["factor"]["stat"]
    reference = told.loc["Hotelling-Lawley trace", "Pr > F"]
    models, correlation = fitted(data, responses)
    chosen = [np.arange(1, levels)] * responses
    assert joint_p_value(models, chosen, correlation) == pytest.approx(reference, rel=1e-6)


def test_of_one_response_it_is_the_f_test():
    from scipy.stats import f_oneway

    data = drawn(1, 3, 0.4)
    models, correlation = fitted(data, 1)
    reference = f_oneway(*[part["y0"] for _, part in data.groupby("factor")]).pvalue
    found = joint_p_value(models, [np.array([1, 2])], correlation)
    assert found == pytest.approx(reference, rel=1e-9)


def test_a_response_that_the_factor_is_not_in_does_not_count():
    models, correlation = fitted(drawn(2, 2, 0.5), 2)
    alone = joint_p_value(models[:1], [np.array([1])], np.eye(1))
    both = joint_p_value(models, [np.array([1]), np.array([], dtype=int)], correlation)
    assert both == pytest.approx(alone)
    assert joint_p_value(models, [np.array([], dtype=int)] * 2, correlation) == 1


def test_too_few_degrees_of_freedom_tell_nothing():
    assert trace_p_value(1e6, 3, 1, 6.0) == 1
    assert trace_p_value(1e6, 3, 1, 6.1) < 0.05
