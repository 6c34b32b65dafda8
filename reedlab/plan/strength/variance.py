"""How much lots, tubes, reeds, sessions and tests vary: assumed, or found in a pilot.

Variances are in the square of the response's unit. Those of a pilot carry the 95 %
limits of their shares along.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from reedlab.answer import number_text
from reedlab.errors import CallError, listed, unknown_name

#: "test" is what two tests of one reed differ by.
SOURCES = ("lot", "tube", "reed", "session", "test")
#: Columns of the answer of `analyse.sources` that are read.
COLUMNS = ("source", "variance", "share", "conf_low", "conf_high")


@dataclass(frozen=True)
class Variances:
    """Variances by source; `limits` are those of a pilot's shares, 0 to 1."""

    values: Mapping[str, float]
    limits: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    pilot: bool = False
    cautions: tuple[str, ...] = ()

    def with_share(self, source: str, share: float) -> dict[str, float]:
        """The same total, one source with another share and the others in proportion."""
        total = sum(self.values.values())
        rest = total - self.values[source]
        spread = (1 - share) * total / rest if rest else 0.0
        return {k: share * total if k == source else v * spread for k, v in self.values.items()}


def read_variances(given: Any) -> Variances:
    """Read variances by source from a mapping, or the answer of `analyse.sources`.

    Raises
    ------
    CallError
        For an unknown source, a variance below zero, or none above it.
    """
    table = getattr(given, "table", None)
    if table is None and not isinstance(given, Mapping):
        raise CallError(
            f"variance is {given!r}; give a number for each source, such as "
            '{"tube": 0.4, "reed": 0.6}, or the answer of sources().'
        )
    if table is None:
        variances = Variances(_checked({str(key): value for key, value in given.items()}))
        text = ", ".join(f"{k} {number_text(v)}" for k, v in variances.values.items())
        caution = (
            f"The variances are assumed, not measured ({text}); the power is no better known than "
            "they are."
        )
        return Variances(variances.values, cautions=(caution,))
    missing = [column for column in COLUMNS if column not in table]
    if missing:
        raise CallError(
            f"variance has no column {listed(missing)}; give the answer of sources(), or a number "
            "for each source."
        )
    known = table[table["source"].isin(SOURCES)].set_index("source")
    others = sorted(set(table["source"]) - set(SOURCES) - {"player"})
    if others:
        raise unknown_name("source of variation", others[0], SOURCES)
    limits = {k: (float(row["conf_low"]), float(row["conf_high"])) for k, row in known.iterrows()}
    total = table["variance"].sum()
    # Limits of shares of the whole, players included, become those of what is left of it.
    part = float(known["variance"].sum() / total) if total > 0 else 1.0
    limits = {k: (low / part, min(1.0, high / part)) for k, (low, high) in limits.items()}
    values = _checked(known["variance"].to_dict())
    return Variances(values, limits, pilot=True, cautions=_doubts(table["source"].tolist()))


def _checked(values: dict[str, Any]) -> dict[str, float]:
    for name in values:
        if name not in SOURCES:
            raise unknown_name("source of variation", name, SOURCES)
    faults = [
        f"The variance of {name} is {value!r}; give a number of 0 or more."
        for name, value in values.items()
        if isinstance(value, bool)
        or not isinstance(value, int | float | np.number)
        or not 0 <= value < np.inf
    ]
    if not faults and not sum(values.values()) > 0:
        faults.append("No variance is above 0; give how much tubes and reeds differ.")
    if faults:
        raise CallError("\n".join(faults))
    return {name: float(value) for name, value in values.items()}


def _doubts(sources: list[str]) -> tuple[str, ...]:
    cautions = [
        "The variances are those of an earlier study and uncertain themselves: conf_low and "
        "conf_high are the power at the 95 % limits of the share of the term's own units; the "
        "total is taken as it was found."
    ]
    if "tube" not in sources:
        cautions.append(
            "The earlier study does not tell tubes from reeds, so tubes are taken as alike: "
            "factors given to tubes may be found more rarely than is told here."
        )
    if "player" in sources:
        cautions.append(
            "Differences between players are left out: the batch is taken as tested by one."
        )
    return tuple(cautions)
