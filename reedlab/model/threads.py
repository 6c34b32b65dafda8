"""One thread for small matrices.

The matrices of a fit are a few hundred wide at most. Splitting them over threads
gains nothing, and when anything else is running the threads wait for each other:
a fit of 60 ms was seen to take 2 s.
"""

from collections.abc import Callable
from functools import cache, wraps
from typing import ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
R = TypeVar("R")


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def one_thread(function: Callable[P, R]) -> Callable[P, R]:
    """Run a function with linear algebra on one thread.

    Examples
    --------
    >>> import numpy as np
    >>> float(one_thread(np.linalg.det)(np.eye(2)))
    1.0
    """

    @wraps(function)
    def limited(*args: P.args, **kwargs: P.kwargs) -> R:
        with _controller().limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return limited
