"""Invented sounds of a bassoon reed under test, with the truth that was put into them.

    crow_sound(seed=1, *, pitch_hz, settled_db, loud_db, air_s, hold_s, rattle_hz, ...)
    hairpin_sound(seed=1, *, note, soft_db, loud_db, attack_ms, breath_ms, bumps, ...)
    slur_sound(seed=1, *, notes, error_cents, level_db, note_s, transitions, ...)
    register_sound(seed=1, *, notes, error_cents, level_db, note_s, gap_s, attack_ms, ...)
    whole_test_sound(seed=1, *, parts, pause_s, ...)

Each returns a `Sound(samples, rate_hz, truth, noise_db)` with `write(path)`. All take
`playing` (vibrato, drift, unsteadiness, breath) and `room` (noise, hum, clipping; None is a
dry sound). Levels are RMS levels in dB re a full-scale sine. Nobody played these.
"""

from collections.abc import Mapping

import numpy as np

from reedlab.demo.sound_crow import RATTLE_HZ, crow_sound
from reedlab.demo.sound_hairpin import hairpin_sound
from reedlab.demo.sound_notes import ARPEGGIO, LOW_REGISTER, register_sound, slur_sound
from reedlab.demo.sound_playing import QUIET, Sound, recorded
from reedlab.demo.sound_room import Room
from reedlab.demo.sound_truth import Bump, Part, Transition, WholeTruth
from reedlab.demo.sound_voice import Playing
from reedlab.errors import CallError

__all__ = [
    "ARPEGGIO",
    "LOW_REGISTER",
    "RATTLE_HZ",
    "Bump",
    "Playing",
    "Room",
    "Sound",
    "Transition",
    "crow_sound",
    "hairpin_sound",
    "register_sound",
    "slur_sound",
    "whole_test_sound",
]


def whole_test_sound(
    seed: int = 1,
    *,
    parts: Mapping[str, Sound] | None = None,
    pause_s: float = 1.5,
    room: Room | None = QUIET,
) -> Sound:
    """Join the steps of a test into one recording: crow, hairpin, arpeggio, low register.

    Parameters
    ----------
    seed : int
    parts : mapping of str to Sound, optional
        Dry sounds by the name of their step, in order; left out, one of each, with faults.
    pause_s : float
        Silence between two parts.
    room : Room or None

    Returns
    -------
    Sound
        With a :class:`WholeTruth`.

    Examples
    --------
    >>> whole = whole_test_sound()
    >>> [(part.name, round(part.start_s, 1)) for part in whole.truth.parts]
    [('crow', 0.0), ('hairpin', 6.4), ('arpeggio', 14.2), ('low register', 24.4)]
    """
    sounds = _faulty_parts(seed) if parts is None else dict(parts)
    rate_hz = next(iter(sounds.values())).rate_hz
    start, placed, pieces = 0, [], []
    for name, sound in sounds.items():
        if isinstance(sound.truth, WholeTruth):
            raise CallError(f"'{name}' is a whole test; give the sounds of single steps.")
        stop = start + len(sound.samples)
        placed.append(Part(name, start / rate_hz, stop / rate_hz, sound.truth))
        pieces += [sound.samples, np.zeros(round(pause_s * rate_hz))]
        start = stop + len(pieces[-1])
    dry = np.concatenate(pieces[:-1])
    return recorded(np.random.default_rng(seed), rate_hz, dry, WholeTruth(tuple(placed)), room)


def _faulty_parts(seed: int) -> dict[str, Sound]:
    """Return a dry sound of each step, with faults worth finding."""
    played = Playing(vibrato_cents=4.0, wobble_cents=2.0, wobble_db=0.2)
    faults = {3: Transition(gap_ms=60, dip_db=25), 6: Transition(foreign_hz=311.0, foreign_ms=70)}
    changes = [faults.get(place, Transition()) for place in range(len(ARPEGGIO) - 1)]
    return {
        "crow": crow_sound(seed, rattle_hz=RATTLE_HZ, room=None),
        "hairpin": hairpin_sound(seed, cents_per_10_db=-6.0, playing=played, room=None),
        "arpeggio": slur_sound(seed, transitions=changes, playing=played, room=None),
        "low register": register_sound(
            seed, error_cents=[4, 0, -9, 6, 14, -12], playing=played, room=None
        ),
    }
