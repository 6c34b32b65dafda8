"""The restricted randomisation: which recipes may change places, and a draw of it.

Whole tubes change places with tubes that could have had their recipes: of the same lot,
giving as many reeds, with the same levels given already. Within a tube its recipes
change places among its reeds. So the levels of a tube-level factor are shuffled among
tubes, those of a reed-level factor within them, and the balance of the batch stays.
"""

from collections.abc import Hashable, Sequence

import numpy as np


def shuffled(tube: np.ndarray, group: Sequence[Hashable], rng: np.random.Generator) -> np.ndarray:
    """Draw the places from which rows take their recipes.

    Parameters
    ----------
    tube : ndarray of int, shape (n,)
        Tube of each row.
    group : sequence of n labels
        Equal for the rows of tubes that may change places; such tubes have equally many.
    rng : Generator

    Returns
    -------
    ndarray of int, shape (n,)
        Row i takes the recipe of row ``result[i]``.

    Examples
    --------
    >>> tube = np.repeat([0, 1, 2], 2)
    >>> taken = shuffled(tube, list("aaaabb"), np.random.default_rng(4))
    >>> sorted(taken.tolist()), sorted(taken[4:].tolist())
    ([0, 1, 2, 3, 4, 5], [4, 5])
    """
    rows = {t: np.flatnonzero(tube == t) for t in np.unique(tube)}
    label = {t: group[int(places[0])] for t, places in rows.items()}
    taken = np.empty(len(tube), dtype=int)
    for one in dict.fromkeys(label.values()):
        here = [t for t in rows if label[t] == one]
        for t, source in zip(here, rng.permutation(here), strict=True):
            taken[rows[t]] = rng.permutation(rows[int(source)])
    return taken
