"""Which responses are looked at unasked: those with a value that tell something new."""

from collections.abc import Iterable

from reedlab.schema import Response
from reedlab.study import Study

#: The same measurement on another scale, or a part of it: looked at unasked only where the
#: other is not recorded.
TOLD_BY = {
    "crow_hz": "crow_cents",
    "soft_db": "dynamic_range_db",
    "loud_db": "dynamic_range_db",
}


def telling(study: Study, responses: Iterable[Response]) -> list[Response]:
    """Return those responses that have a value and do not tell what another tells already."""
    filled = {r.name: r for r in responses if study.tables[r.table][r.name].notna().any()}
    return [response for name, response in filled.items() if TOLD_BY.get(name) not in filled]
