"""What README.md and DEVELOPERS.md quote of the race that is kept in `data/workshop_race.csv`.

``python -m tests.bench.workshop --quote`` puts the tables between their marks and draws the
picture again; a test compares the tables.
"""

import pandas as pd

from tests.bench.quoted import HOME, put
from tests.bench.workshop.picture import draw_race
from tests.bench.workshop.telling import for_developers, for_makers

PICTURE = HOME / ".docs" / "race.png"
COMMAND = "python -m tests.bench.workshop"
#: The texts that quote, and what stands between their marks.
QUOTING = {"README.md": for_makers, "DEVELOPERS.md": for_developers}


def quote(outcomes: pd.DataFrame) -> None:
    """Put the race's figures into both texts and draw the README's picture."""
    for file, of in QUOTING.items():
        put(file, of(outcomes), COMMAND)
    draw_race(outcomes).figure.savefig(
        PICTURE, dpi=100, bbox_inches="tight", metadata={"Software": None}
    )
