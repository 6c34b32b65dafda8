"""The test protocol: the ordered steps by which every reed is tried the same way.

The default is common practice without a published source; every line of it can be
changed in the study's descriptor. Adjustments come after the test, never between its
steps: the next test says what they did.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from reedlab.schema.instruments import instrument


@dataclass(frozen=True)
class Step:
    """One step of the test.

    Attributes
    ----------
    name : str
        Short name, used in the names of recordings.
    instruction : str
        What to do, in one or two sentences.
    fills : sequence of str
        The columns of the tests table that the step fills.
    notes : sequence of str
        The notes that are played, at sounding pitch; empty where none is asked for.

    Examples
    --------
    >>> [step.name for step in default_protocol("bassoon")]
    ['opening', 'crow', 'hairpin', 'arpeggio', 'low register', 'rating']
    """

    name: str
    instruction: str
    fills: Sequence[str] = ()
    notes: Sequence[str] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "fills", tuple(self.fills))
        object.__setattr__(self, "notes", tuple(self.notes))


_OPENING = Step(
    "opening",
    "Say whether the reed was soaked again just before. Set the tip opening and measure it.",
    ("resoaked", "tip_opening_mm"),
)
_CROW = Step(
    "crow",
    "Lips on the first wire, clear of the blades. Blow softly and raise the air until one "
    "pitch stands.",
    ("crow_hz", "crow_cents"),
)
_STAPLED_CROW = Step(
    "crow",
    "Lips on the thread, clear of the blades. Blow softly and raise the air until one "
    "pitch stands.",
    ("crow_hz", "crow_cents"),
)
_RATING = Step("rating", "Rate the reed before looking at any number.", ("rating_overall",))


def _played(
    hairpin: tuple[str, ...], limit: str, low: tuple[str, ...], down_to: str
) -> tuple[Step, ...]:
    """Return the three steps that are played, with notes where practice names them."""
    note = hairpin[0] if hairpin else "one chosen low note, always the same"
    return (
        Step(
            "hairpin",
            f"Soft, loud, soft on {note}: start as softly as it will speak.",
            ("soft_db", "loud_db", "dynamic_range_db", "attack_ms"),
            hairpin,
        ),
        Step(
            "arpeggio",
            f"A slow slurred broken arpeggio{limit}. Listen for clicks: they betray unequal "
            "blades.",
            ("slur_gap_ms",),
        ),
        Step(
            "low register",
            f"Down the low register to {down_to}, for strength and pitch.",
            ("low_evenness_cents",),
            low,
        ),
    )


_BASSOON = (
    _OPENING,
    _CROW,
    *_played(("C3",), ", kept below A4 while the reed is new", ("D2", "B♭1"), "D2 or B♭1"),
    _RATING,
)
# Practice that names notes was found for the bassoon only.
_OTHER = _played((), "", (), "the lowest note that the reed should carry")


def default_protocol(instrument_name: str) -> tuple[Step, ...]:
    """Return the steps in which a reed of that instrument is tried.

    Parameters
    ----------
    instrument_name : str
        As in :data:`reedlab.schema.INSTRUMENTS`.

    Returns
    -------
    tuple of Step

    Examples
    --------
    >>> default_protocol("bassoon")[2].notes
    ('C3',)
    """
    known = instrument(instrument_name)
    if known.name == "bassoon":
        return _BASSOON
    crow = _STAPLED_CROW if known.uses_staple else _CROW
    return (_OPENING, crow, *_OTHER, _RATING)
