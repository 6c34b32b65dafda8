"""Many independent pieces of work, done wherever joblib's caller says.

Around any call that works in pieces, ``joblib.parallel_config(backend="loky", n_jobs=2)`` spreads
them over two processes, ``backend="dask"`` over the cluster of the Dask client that was made
before. Each piece draws from a seed of its own, the child of that place of the call's seed, so
the results are the same, to the last bit, on any number of workers and in whatever order they
end. A piece whose worker died is done again. Without such a line all is done here.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor
from functools import partial
from typing import Any, TypeVar

import numpy as np

from reedlab.errors import ModelError

Piece = TypeVar("Piece")
Result = TypeVar("Result")
Work = Callable[[Piece, np.random.SeedSequence], Result]

#: A piece whose workers die so often would kill the next one too.
MOST_TRIES = 3


def in_pieces(
    work: Work[Piece, Result],
    pieces: Sequence[Piece],
    seed: int | Sequence[int] = 0,
    tell: Callable[[int, int], None] | None = None,
    unasked: int = 1,
) -> list[Result]:
    """Do the work of every piece and return the results in the order of the pieces.

    Parameters
    ----------
    work : callable
        From a piece and its seed to its result. With processes it must be importable there: a
        function of a module, or a `functools.partial` of one. What it is given may come as
        memory that cannot be written to.
    pieces : sequence
        How the work is cut must not depend on the number of workers.
    seed : int or sequence of int
        Of no account where nothing is drawn.
    tell : callable, optional
        Called as ``tell(done, of)``, in the order of the pieces.
    unasked : int
        How many processes to use where the caller has not said anything.

    Returns
    -------
    list

    Raises
    ------
    ModelError
        If workers die again and again; too little memory is the usual reason.

    Notes
    -----
    Linear algebra on two threads may round otherwise than on one: work that does any is marked
    ``@one_thread`` (reedlab.model.threads).

    Examples
    --------
    >>> def drawn(count, seed):
    ...     return np.random.default_rng(seed).integers(10, size=count).tolist()
    >>> import joblib
    >>> alone = in_pieces(drawn, [2, 3], seed=1)
    >>> with joblib.parallel_config(backend="threading", n_jobs=2):
    ...     in_pieces(drawn, [2, 3], seed=1) == alone
    True
    """
    seeds = np.random.SeedSequence(seed).spawn(len(pieces))
    calls = [partial(work, piece, own) for piece, own in zip(pieces, seeds, strict=True)]
    results = []
    for result in _results(calls, unasked):
        results.append(result)
        if tell is not None:
            tell(len(results), len(calls))
    return results


def cut(count: int, most: int) -> list[int]:
    """Cut a count into pieces of at most so many, whatever the number of workers.

    Examples
    --------
    >>> cut(12_000, 5_000)
    [5000, 5000, 2000]
    """
    return [min(most, count - start) for start in range(0, count, most)]


def workers() -> int:
    """How many processes or threads `in_pieces` would use now.

    Examples
    --------
    >>> workers()
    1
    """
    backend, n_jobs = _asked(unasked=1)
    return int(backend.effective_n_jobs(n_jobs))


def _asked(unasked: int) -> tuple[Any, int]:
    """The backend that joblib's caller asked for, and how many workers of it."""
    from joblib.parallel import get_active_backend

    backend, n_jobs = get_active_backend()
    if n_jobs is None:
        # A cluster uses all of its workers where processes of this machine are used one.
        n_jobs = unasked if backend.default_n_jobs == 1 else backend.default_n_jobs
    return backend, n_jobs


def _results(calls: Sequence[Callable[[], Result]], unasked: int) -> Iterator[Result]:
    """Make the calls where joblib's caller says, and give what they return in their order."""
    backend, n_jobs = _asked(unasked)
    if len(calls) > 1 and hasattr(backend, "client"):
        # Even where one worker is left: it may be the machine that is meant to do this.
        yield from _on_dask(calls, backend)
    elif len(calls) > 1 and backend.effective_n_jobs(n_jobs) > 1:
        yield from _until_done(calls, backend, n_jobs)
    else:
        yield from (call() for call in calls)


def _on_dask(calls: Sequence[Callable[[], Result]], backend: Any) -> Iterator[Result]:
    """Ask Dask itself: joblib 1.6 waits for ever for a piece that Dask has given up."""
    from distributed.scheduler import KilledWorker

    submit = partial(backend.client.submit, pure=False, **backend.submit_kwargs)
    waiting = [submit(call) for call in calls]
    with backend.retrieval_context():
        for one in waiting:
            try:
                yield one.result()
            except KilledWorker as error:
                raise _hopeless() from error


def _until_done(
    calls: Sequence[Callable[[], Result]], backend: Any, n_jobs: int
) -> Iterator[Result]:
    """Let joblib spread the calls; what is left when a process died is spread again."""
    done = failed = 0
    while done < len(calls):
        before = done
        try:
            for result in _spread(calls[before:], backend, n_jobs):
                yield result
                done += 1
        except BrokenExecutor as error:
            failed = failed + 1 if done == before else 1
            if failed == MOST_TRIES:
                raise _hopeless() from error


def _spread(calls: Sequence[Callable[[], Result]], backend: Any, n_jobs: int) -> Iterator[Result]:
    from joblib import Parallel, delayed

    # Not every backend can hand results over one by one; then all of them come at the end.
    one_by_one = getattr(backend, "supports_return_generator", False)
    parallel = Parallel(n_jobs=n_jobs, return_as="generator" if one_by_one else "list")
    yield from parallel(delayed(call)() for call in calls)


def _hopeless() -> ModelError:
    return ModelError(
        "The processes that were to do this died again and again, most likely for want of "
        "memory; use fewer (joblib.parallel_config(n_jobs=...)), or workers with more of it."
    )
