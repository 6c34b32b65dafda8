"""What is true of an invented sound: the answers that a measurement should find.

Times are in s from the start of the sound, levels are RMS levels in dB re a full-scale
sine, pitches in Hz. Every number was made up before the sound was made.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class NoteTruth:
    """One note as it was really played.

    Attributes
    ----------
    note : str
        The note that was meant.
    hz : float
        The pitch that sounds.
    error_cents : float
        By how much that is above the note, at A4 = 440 Hz.
    level_db : float
        While it stands.
    start_s, end_s : float
    """

    note: str
    hz: float
    error_cents: float
    level_db: float
    start_s: float
    end_s: float


@dataclass(frozen=True)
class CrowTruth:
    """A crow: air, then one pitch, then perhaps a rattle.

    Attributes
    ----------
    air_s : float
        When the air begins to hiss.
    tone_s : float
        When a tone begins, still flat and soft.
    settled_s, settled_db : float
        When the single pitch stands, and the level of the tone at that moment.
    pitch_hz : float
        That pitch.
    cents_per_10_db : float
        By how much it rises while the level rises from there.
    loud_db : float
        Level at the end of the single pitch.
    broken_s : float or None
        When it breaks into several pitches; None if it never does.
    rattle_hz : tuple of float
        Those pitches, each with an equal share of the power.
    end_s : float
    """

    air_s: float
    tone_s: float
    settled_s: float
    settled_db: float
    pitch_hz: float
    cents_per_10_db: float
    loud_db: float
    broken_s: float | None
    rattle_hz: tuple[float, ...]
    end_s: float


@dataclass(frozen=True)
class HairpinTruth:
    """A hairpin: breath, attack, soft to loud to soft.

    Attributes
    ----------
    note : str
    hz : float
        Pitch at the soft level, before vibrato and drift.
    breath_s : float
        When the breath is first heard.
    tone_s : float
        When the tone begins: its amplitude rises evenly from nothing...
    spoken_s : float
        ...until here, when it stands at the soft level.
    attack_ms : float
        Between those two; from 10 to 90 % of the amplitude it is 0.8 times as long.
    peak_s : float
        When it is loudest.
    fallen_s : float
        When it is soft again.
    end_s : float
        When it is silent, after an even release.
    soft_db, loud_db : float
        Where the straight lines of the level begin, turn and end; bumps come on top.
    bumps : tuple of Bump
    cents_per_10_db : float
        By how much the pitch rises with the level.
    centroid_soft_hz, centroid_loud_hz : float
        Spectral centroid of the partials weighted by power; it moves evenly with the level.
    amplitude_centroid_soft_hz, amplitude_centroid_loud_hz : float
        The same weighted by amplitude (between the two ends not quite even).
    """

    note: str
    hz: float
    breath_s: float
    tone_s: float
    spoken_s: float
    attack_ms: float
    peak_s: float
    fallen_s: float
    end_s: float
    soft_db: float
    loud_db: float
    bumps: tuple["Bump", ...]
    cents_per_10_db: float
    centroid_soft_hz: float
    centroid_loud_hz: float
    amplitude_centroid_soft_hz: float
    amplitude_centroid_loud_hz: float


@dataclass(frozen=True)
class Bump:
    """A bump in the level of a hairpin, of the shape of a bell.

    Attributes
    ----------
    after_s : float
        Its middle, after the tone stands.
    height_db : float
        Negative is a hole.
    width_s : float
        Standard deviation of the bell.
    """

    after_s: float
    height_db: float
    width_s: float = 0.15


@dataclass(frozen=True)
class Transition:
    """How one slurred note gives over to the next; as it stands, without a fault.

    Attributes
    ----------
    gap_ms : float
        For how long the level lies lower, between the points of half the depth in dB.
    dip_db : float
        By how much it lies lower there; the edges take :data:`EDGE_MS`.
    overshoot_cents : float
        How far the pitch first goes beyond the new note, in the direction of the step; it
        comes back by a factor of e every :data:`OVERSHOOT_MS`.
    foreign_hz : float or None
        A pitch that belongs to neither note and sounds first.
    foreign_ms : float
        For how long.
    """

    gap_ms: float = 0.0
    dip_db: float = 0.0
    overshoot_cents: float = 0.0
    foreign_hz: float | None = None
    foreign_ms: float = 0.0


EDGE_MS = 4.0
OVERSHOOT_MS = 60.0


@dataclass(frozen=True)
class SlurTruth:
    """Slurred notes and how each gave over to the next.

    Attributes
    ----------
    notes : tuple of NoteTruth
    changes_s : tuple of float
        When the pitch leaves each note but the last; a gap lies evenly about it, a foreign
        pitch begins with it.
    transitions : tuple of Transition
    end_s : float
    """

    notes: tuple[NoteTruth, ...]
    changes_s: tuple[float, ...]
    transitions: tuple[Transition, ...]
    end_s: float


@dataclass(frozen=True)
class RegisterTruth:
    """Notes of a register, each tongued.

    Attributes
    ----------
    notes : tuple of NoteTruth
        Each from the first sound of its attack to the end of its release.
    attack_ms : float
    """

    notes: tuple[NoteTruth, ...]
    attack_ms: float


@dataclass(frozen=True)
class Part:
    """One step of a test within the whole recording.

    Attributes
    ----------
    name : str
        Of the step, as in the protocol.
    start_s, end_s : float
        Within the whole recording.
    truth : CrowTruth, HairpinTruth, SlurTruth or RegisterTruth
        Its times count from the part's own start.
    """

    name: str
    start_s: float
    end_s: float
    truth: "StepTruth"


@dataclass(frozen=True)
class WholeTruth:
    """A whole test: its parts in order, with pauses between."""

    parts: Sequence[Part]

    def part(self, name: str) -> Part:
        """Return the part of that name."""
        return {part.name: part for part in self.parts}[name]


StepTruth = CrowTruth | HairpinTruth | SlurTruth | RegisterTruth
