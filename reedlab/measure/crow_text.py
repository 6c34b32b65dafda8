"""What is said of a crow: its sentence, and the cautions of one attempt."""

from typing import TYPE_CHECKING, Any

import numpy as np

from reedlab.answer import counted
from reedlab.errors import listed
from reedlab.measure.settling import Stand

if TYPE_CHECKING:
    from reedlab.measure.crow_attempt import Attempt

#: The level of a held crow wavers by less; more is a tremolo, dB from trough to top.
TREMOLO_DB = 3.0
#: A pitch that moves by more while it stands has not settled to one number, cents.
DRIFT_CENTS = 20.0
#: A tone nearer to the noise may have begun below it, dB.
HIDDEN_DB = 8.0
#: So far from the target it is hardly a reed by itself, cents.
FAR_CENTS = 700.0
#: Less certain than this is said to be uncertain.
DOUBTFUL = 0.5
#: Beginning of what is said of a recording without a quiet.
NO_QUIET = "There is no quiet"
#: Another pitch in the attempt is told if it stands for so long.
OTHER_S = 0.3


def attempt_text(row: dict[str, Any], a4_hz: float, target: tuple[str, str]) -> str:
    """Say what one row of the table says."""
    name = f"Crow {row['attempt']}"
    several = f"several pitches at once ({_pitches(row['rattle_hz'])})" if row["rattle_hz"] else ""
    if np.isnan(row["crow_hz"]):
        if several:
            return f"{name}: {several} from {row['rattle_s']:.1f} s, no single one."
        return f"{name}: no tone."
    pitch = (
        f"{row['crow_note']} {_signed(row['note_cents'])} cents ({row['crow_hz']:.1f} Hz at A4 = "
        f"{a4_hz:g})"
    )
    end = f"confidence {row['confidence']:.2f}."
    if not row["single_pitch"]:
        also = f"; {several} from {row['rattle_s']:.1f} s" if several else ""
        return f"{name}: no single pitch; what stands most is {pitch}{also}; {end}"
    held = (
        f"one pitch from {row['settle_s']:.1f} s at {_minus(row['settle_db'])} dB, held "
        f"{row['hold_s']:.1f} s, spread {counted(round(row['spread_cents']), 'cent')}"
    )
    rattle = f"; {several} from {row['rattle_s']:.1f} s" if several else ""
    return f"{name}: {pitch}, {_against(row['crow_cents'], target)}; {held}{rattle}; {end}"


def attempt_cautions(
    row: dict[str, Any],
    attempt: "Attempt",
    numbered: bool,
) -> list[str]:
    """Return the cautions of one attempt, with its number where there are several."""
    # Where nobody is ever quiet the whole recording is one attempt, which has been said.
    alone = attempt.span[0] == 0 and np.isnan(attempt.quality.noise_db)
    said = [text for text in attempt.quality.cautions if not (alone and NO_QUIET in text)]
    stand, partials, judged = attempt.stand, attempt.partials, attempt.trust
    if stand is not None and partials is not None and judged is not None:
        if judged.why_not:
            said.append(f"This is no single pitch: {judged.why_not}; do not record it as the crow.")
        elif judged.may_be_hum:
            said.append(
                f"A pitch so steady at {row['crow_hz']:.0f} Hz, from the first moment on, may be "
                "hum of the mains; leave a second of quiet before the crow."
            )
        elif judged.confidence < DOUBTFUL:
            said.append(
                f"The pitch is doubtful (confidence {judged.confidence:.2f}); crow again, nearer "
                "to the microphone and held for two seconds."
            )
        if partials.factor != 1 and judged.single_pitch:
            said.append(
                f"The period and the partials name different octaves; the partials' is taken, "
                f"{row['crow_hz']:.1f} Hz."
            )
        if row["settle_db"] < attempt.quality.noise_db + HIDDEN_DB:
            said.append(
                "The pitch is first heard where it comes out of the noise; it may have settled "
                "earlier and softer. Record nearer to the reed or in a quieter room."
            )
        said += _course_cautions(stand, attempt.trembles)
        if abs(row["crow_cents"]) > FAR_CENTS:
            said.append(
                f"{row['crow_note']} is far from the target; was it the reed by itself, and the "
                "right instrument?"
            )
        said += _other_cautions(attempt, stand)
    mark = f"Crow {row['attempt']}: " if numbered else ""
    return [mark + text for text in said]


def _course_cautions(stand: Stand, trembles: tuple[float, float]) -> list[str]:
    said = []
    height, times = trembles
    if height > TREMOLO_DB:
        said.append(
            f"The level goes up and down by {height:.0f} dB about {times:.0f} times a second, so "
            "the level at which the pitch settles is only that of one moment."
        )
    if abs(stand.drift_cents) > DRIFT_CENTS:
        way = "rises" if stand.drift_cents > 0 else "falls"
        said.append(
            f"The pitch {way} by {abs(stand.drift_cents):.0f} cents while it stands; the number "
            "is its mean."
        )
    return said


def _other_cautions(attempt: "Attempt", stand: Stand) -> list[str]:
    """Tell of other pitches that stand alone in the attempt."""
    rattle = attempt.rattle
    others = [
        other
        for other in attempt.stands
        if other is not stand
        and other.hold_s >= OTHER_S
        and not (rattle and other.end_s > rattle.start_s and other.settle_s < rattle.end_s)
    ]
    return [
        f"From {other.settle_s:.1f} s another pitch stands, {other.hz:.1f} Hz." for other in others
    ]


def _against(off: float, target: tuple[str, str]) -> str:
    low, high = target
    band = low if low == high else f"{low}–{high}"
    if low == high:
        return f"{_signed(off)} cents from the target {band}"
    if off == 0:
        return f"inside the target {band}"
    return f"{abs(off):.0f} cents {'above' if off > 0 else 'below'} the target {band}"


def _pitches(text: str) -> str:
    names = text.split(", ")
    return f"{listed(names[:-1])} and {names[-1]} Hz"


def _signed(value: float) -> str:
    # Adding 0 makes minus zero a plain one.
    return f"{round(value) + 0:+d}".replace("-", "−")


def _minus(value: float) -> str:
    return f"{value:.0f}".replace("-", "−")
