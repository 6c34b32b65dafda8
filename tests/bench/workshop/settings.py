"""Under which settings the race is run: the kind of world, what is changed of it, the batch.

`tube_share` and `agreement` are shares from 0 to 1 (see `reedlab.demo.workshop.Kind`), a batch
is counted in reeds. The sensitivity changes one of the three at a time in ordinary worlds.
"""

from dataclasses import asdict, dataclass, replace

from reedlab.demo.workshop import KINDS
from tests.bench.workshop.handiwork import BATCH


@dataclass(frozen=True)
class Setting:
    """What all makers of a race find; made by :func:`setting`."""

    kind: str
    tube_share: float
    agreement: float
    batch: int

    @property
    def columns(self) -> dict[str, str | float]:
        """The setting as the first columns of an outcome."""
        return asdict(self)


def setting(
    kind: str = "ordinary",
    tube_share: float | None = None,
    agreement: float | None = None,
    batch: int = BATCH,
) -> Setting:
    """Return a setting; what is left out is as the kind states it."""
    stated = KINDS[kind]
    return Setting(
        kind,
        stated.tube_share if tube_share is None else tube_share,
        stated.agreement if agreement is None else agreement,
        batch,
    )


ORDINARY = setting()
#: Worlds 1 to 200 were looked at while makers and tool were built and mended; the race is run
#: in later ones, which nobody had seen.
FIRST_WORLD = 201
#: What is changed, in words, to which values; the middle one is the ordinary race.
CHANGED = {
    "tube_share": ("tubes' share", (0.1, 0.4, 0.7)),
    "agreement": ("agreement", (0.3, 0.55, 0.8)),
    "batch": ("batch of", (12, 24, 48)),
}
#: The settings of the sensitivity, with the words of each.
SENSITIVITY: tuple[tuple[str, Setting], ...] = tuple(
    (f"{words} {value:g}", replace(ORDINARY, **{name: value}))
    for name, (words, values) in CHANGED.items()
    for value in values
)
