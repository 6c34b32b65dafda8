"""The instruments: crow target, staple or none, and bounds that differ from the bassoon's.

No crow target of any instrument has a published source. The bassoon's band is common
practice; those of the others are from memory and doubtful: each is a default that the
study's descriptor may change. Notes are at sounding pitch.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from reedlab.errors import unknown_name
from reedlab.schema.pitch import A4_HZ, note_hz

Bounds = tuple[float, float] | None


@dataclass(frozen=True)
class Instrument:
    """An instrument that is played with a double reed.

    Attributes
    ----------
    name : str
    family : {"bassoon", "oboe"}
    uses_staple : bool
        Whether its reeds are tied on a staple.
    crow_target : (str, str)
        Lowest and highest note of the crow that is aimed at; equal for a single note.
    plausible : mapping of str to (float, float) or None
        Bounds of columns where those of a bassoon reed do not hold; None: not known.

    Examples
    --------
    >>> [round(hz, 1) for hz in instrument("bassoon").crow_hz()]
    [329.6, 349.2]
    """

    name: str
    family: str
    uses_staple: bool
    crow_target: tuple[str, str]
    plausible: Mapping[str, Bounds] = field(default_factory=dict)

    def crow_hz(self, a4_hz: float = A4_HZ) -> tuple[float, float]:
        """Return the edges of the crow target in Hz for a tuning of A4."""
        low, high = self.crow_target
        return note_hz(low, a4_hz), note_hz(high, a4_hz)


# The columns whose bassoon bounds say nothing about a reed of another size.
_BY_SIZE = (
    "outer_diameter_mm",
    "wall_mm",
    "gouge_centre_mm",
    "gouge_side_mm",
    "tip_width_mm",
    "blade_length_mm",
    "total_length_mm",
    "bevel_mm",
    "wire1_mm",
    "wire2_mm",
    "wire3_mm",
    "wire_gauge_mm",
    "tip_opening_mm",
    "from_tip_mm",
    "across_mm",
    "thickness_mm",
    "crow_hz",
)
_UNKNOWN: dict[str, Bounds] = dict.fromkeys(_BY_SIZE)
# Oboe bounds: from memory, no source.
_OBOE: dict[str, Bounds] = _UNKNOWN | {
    "outer_diameter_mm": (9.0, 13.0),
    "gouge_centre_mm": (0.45, 0.75),
    "tip_width_mm": (6.0, 8.5),
    "total_length_mm": (62.0, 80.0),
    "staple_length_mm": (40.0, 52.0),
    "crow_hz": (350.0, 1400.0),
}

INSTRUMENTS = (
    Instrument("bassoon", "bassoon", False, ("E4", "F4")),  # common practice, no source
    Instrument("contrabassoon", "bassoon", False, ("C4", "E4"), _UNKNOWN),  # from memory
    Instrument("oboe", "oboe", True, ("B4", "C5"), _OBOE),  # from memory
    Instrument("oboe d'amore", "oboe", True, ("B♭4", "C5"), _UNKNOWN),  # from memory
    Instrument("cor anglais", "oboe", True, ("B♭4", "C5"), _UNKNOWN),  # from memory
)


def instrument(name: str) -> Instrument:
    """Return the instrument of that name, or say which are near.

    Examples
    --------
    >>> instrument("cor anglais").uses_staple
    True
    """
    for known in INSTRUMENTS:
        if known.name == name:
            return known
    raise unknown_name("instrument", name, [known.name for known in INSTRUMENTS])
