"""Opening a workshop: the maker's side and the judge's, of one kind and seed."""

from dataclasses import replace

import numpy as np

from reedlab.demo.workshop.assumed import SEASON_HOURS
from reedlab.demo.workshop.cane import draw_cane
from reedlab.demo.workshop.drawing import draw_nature
from reedlab.demo.workshop.hidden import Hidden
from reedlab.demo.workshop.kinds import KINDS
from reedlab.demo.workshop.shop import Workshop
from reedlab.errors import unknown_name


def open_workshop(
    kind: str = "ordinary",
    seed: int = 1,
    hours: float = SEASON_HOURS,
    **changed: float,
) -> tuple[Workshop, Hidden]:
    """Open an invented workshop for a season.

    Parameters
    ----------
    kind : {"easy", "ordinary", "hopeless"}
    seed : int
        The same kind and seed give the same cane, weather and luck, whatever is done.
    hours : float
        At the bench in the season.
    **changed : float
        Of the kind: ``tube_share``, ``agreement``, ``spread``, ``best_good``.

    Returns
    -------
    Workshop
        For the maker.
    Hidden
        For the judge.

    Raises
    ------
    CallError
        For a kind that there is not.

    Examples
    --------
    >>> shop, hidden = open_workshop("easy", seed=3)
    >>> shop.minutes_left, len(shop.cane)
    (28800.0, 20)
    """
    if kind not in KINDS:
        raise unknown_name("kind of workshop", kind, KINDS)
    root = np.random.SeedSequence(seed)
    truth, cane = (np.random.default_rng(stream) for stream in root.spawn(2))
    nature = draw_nature(replace(KINDS[kind], **changed), truth)  # type: ignore[arg-type]
    hidden = Hidden(nature, draw_cane(nature, cane))
    return Workshop(hidden, seed, 60.0 * hours), hidden
