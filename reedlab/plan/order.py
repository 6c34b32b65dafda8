"""In which order reeds are made and played.

The order of making is left wholly to chance. So is the order of playing, but balanced:
lip, room and air drift within a session, and no reed is to come first, or last, session
after session. Reeds are numbered from 0, sessions are rows, places are columns. Nothing
here knows any level.
"""

from collections.abc import Iterator

import numpy as np

from reedlab.errors import CallError


def making_order(n: int, rng: np.random.Generator) -> np.ndarray:
    """Draw the order in which reeds are made.

    Parameters
    ----------
    n : int
        Number of reeds.
    rng : numpy.random.Generator

    Returns
    -------
    numpy.ndarray, shape (n,)
        Numbers of the reeds, 0 to n - 1, the first to be made first; every order is equally
        likely.

    Raises
    ------
    CallError
        If there is no reed.

    Examples
    --------
    >>> making_order(5, np.random.default_rng(1)).tolist()
    [4, 0, 1, 2, 3]
    """
    _require_some("reeds", n)
    return rng.permutation(n)


def testing_order(n: int, sessions: int, rng: np.random.Generator) -> np.ndarray:
    """Draw the order of playing, anew for each session and balanced over the sessions.

    Parameters
    ----------
    n : int
        Number of reeds.
    sessions : int
        Number of sessions in which each of them is played.
    rng : numpy.random.Generator

    Returns
    -------
    numpy.ndarray, shape (sessions, n)
        In each row the numbers of the reeds, 0 to n - 1, the first to be played first.

    Raises
    ------
    CallError
        If there is no reed or no session.

    Notes
    -----
    Reeds are split by chance into groups as large as each other (or one reed more), as many
    as there are sessions; four if there are two sessions. The groups follow one another as
    the rows of a square say; inside a group the order is drawn anew for each session.
    Guaranteed, for groups of equal size:

    * over as many sessions as groups, every group stands in each position once, so every
      reed is played once in the first such part of a session and once in the last;
    * with an even number of sessions, the second, fourth ... session has the groups in the
      reverse order of the one before, so that over such a pair a reed's mean place is off
      the middle by less than half a group;
    * in each session, every reed is equally likely to come at each place.

    With an even number of groups each group also follows each other group equally often
    over the full square. With an odd number that would take twice as many sessions.

    References
    ----------
    E. J. Williams (1949), Experimental designs balanced for the estimation of residual
    effects of treatments, Australian Journal of Scientific Research A 2, 149-168.

    Examples
    --------
    >>> testing_order(8, 2, np.random.default_rng(1)).tolist()
    [[4, 1, 0, 5, 7, 3, 6, 2], [2, 6, 7, 3, 0, 5, 4, 1]]
    """
    _require_some("reeds", n)
    _require_some("sessions", sessions)
    rows: list[np.ndarray] = []
    while len(rows) < sessions:
        rows.extend(_cycle(n, _group_count(n, sessions), rng))
    return np.array(rows[:sessions])


def _require_some(what: str, count: int) -> None:
    if count < 1:
        raise CallError(f"The number of {what} is {count}; it must be at least 1.")


def _group_count(n: int, sessions: int) -> int:
    wanted = min(4 if sessions == 2 else sessions, n)
    # Only a square of even size has its rows in pairs that mirror each other.
    return wanted - 1 if sessions % 2 == 0 and wanted % 2 and wanted > 1 else wanted


def _cycle(n: int, count: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Yield one order for each row of the square, the groups being drawn once."""
    groups = [np.array(group) for group in np.array_split(rng.permutation(n), count)]
    rng.shuffle(groups)  # or the larger groups would be known by their number
    for row in _shuffled_rows(count, rng):
        yield np.concatenate([rng.permutation(groups[number]) for number in row])


def _shuffled_rows(count: int, rng: np.random.Generator) -> np.ndarray:
    """Return the rows of a Williams square by chance, mirrored rows one after the other.

    The first row is 0, 1, count - 1, 2, count - 2 ...; each further row adds 1 throughout.
    For an even count the row that starts count / 2 further on is the first one backwards.
    """
    steps = [(place + 1) // 2 if place % 2 else -(place // 2) for place in range(count)]
    square = (np.array(steps) + np.arange(count)[:, None]) % count
    if count % 2:
        return square[rng.permutation(count)]
    half = count // 2
    pairs = [rng.permutation([start, start + half]) for start in rng.permutation(half)]
    return square[np.concatenate(pairs)]
