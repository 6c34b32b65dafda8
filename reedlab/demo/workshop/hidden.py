"""The other side of a workshop: what the judge reads when the season is over.

A maker never holds it. `table` has one row a reed that was made, minutes counted from the
beginning of the season.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from reedlab.demo.workshop.cane import Cane
from reedlab.demo.workshop.nature import Nature, Recipe
from reedlab.demo.workshop.playing import day_of, reading, reed_of


@dataclass(frozen=True, eq=False)
class Hidden:
    """What is true of a workshop; made by :func:`reedlab.demo.workshop.open_workshop`.

    Attributes
    ----------
    nature : Nature
    cane : Cane
    """

    nature: Nature
    cane: Cane
    _rows: list[dict[str, object]] = field(default_factory=list)
    _work: list[tuple[str, float, float]] = field(default_factory=list)

    @property
    def table(self) -> pd.DataFrame:
        """One row a reed: reed_id, tube_id, worth (log odds), good, ended (finished, stopped or
        empty), minute of its end, spared, kept.
        """
        columns = ["reed_id", "tube_id", "worth", "good", "ended", "minute", "spared", "kept"]
        return pd.DataFrame(self._rows, columns=columns)

    @property
    def matters(self) -> frozenset[str]:
        """Names of the factors that do anything in this world."""
        return self.nature.matters

    @property
    def best(self) -> Recipe:
        """The recipe that makes most good reeds; what does nothing is as usual."""
        return self.nature.best[0]

    def good_share(self, recipe: Recipe) -> float:
        """Return the share of good reeds, 0 to 1, that a recipe makes of typical cane."""
        return float(self.nature.good_share([recipe])[0])

    def foretold(self, recipe: Recipe, reeds: int, seed: int) -> pd.DataFrame:
        """Return what first tests of that recipe's reeds show, beside whether they are good.

        Parameters
        ----------
        recipe : mapping
        reeds : int
            Invented anew; none of them is a reed of this workshop.
        seed : int

        Returns
        -------
        DataFrame
            crow_cents, dynamic_range_db, rating_overall, good.
        """
        rng, nature = np.random.default_rng(seed), self.nature
        rows = []
        for own, green in rng.standard_normal((reeds, 2, 3)) * nature.spreads:
            reed = reed_of(nature, recipe, own, green)
            day = day_of(int(rng.integers(365)), rng)
            seen = reading(nature, reed, 0, day, rng)
            rows.append({**seen, "good": reed.worth >= nature.line})
        return pd.DataFrame(rows)

    @property
    def work(self) -> pd.DataFrame:
        """One row a piece of work: reed_id, until (minute of the season), minutes."""
        return pd.DataFrame(self._work, columns=["reed_id", "until", "minutes"])

    def worked(self, reed_id: str, until: float, minutes: float) -> None:
        """Keep that a reed was worked on for so many minutes until then."""
        self._work.append((reed_id, until, minutes))

    def note(self, row: Mapping[str, object]) -> dict[str, object]:
        """Keep a row for a new reed and return it, for the workshop to write on."""
        self._rows.append(dict(row))
        return self._rows[-1]
