"""The rows of the benchmark, in the order of the table. Heavy imports wait until a side runs."""

from tests.bench.frame import Row
from tests.bench.rows.batch import BATCH
from tests.bench.rows.bring import BRING
from tests.bench.rows.crow import CROW
from tests.bench.rows.mixed import MIXED
from tests.bench.rows.pooled import DRIVERS, POOLED
from tests.bench.rows.power import COMPONENTS, POWER, UNEVEN
from tests.bench.rows.shuffles import SHUFFLES
from tests.bench.rows.start import CHECK, HELP, SEASON

ROWS = (
    *(POWER, COMPONENTS, UNEVEN, MIXED, DRIVERS, POOLED),
    *(SHUFFLES, BATCH, CROW, BRING, HELP, CHECK, SEASON),
)


def row_named(name: str) -> Row:
    """Return the row of a name.

    Raises
    ------
    ValueError
        If there is none; the message lists them.
    """
    found = next((row for row in ROWS if row.name == name), None)
    if found is None:
        raise ValueError(f"There is no row '{name}'; there are {', '.join(r.name for r in ROWS)}.")
    return found
