"""An invented hairpin: breath, attack, then evenly in dB from soft to loud and back.

Pitch and spectral centroid move with the level by known amounts.
"""

from collections.abc import Sequence

import numpy as np

from reedlab.demo.sound_playing import (
    LEAD_S,
    QUIET,
    RATE_HZ,
    RELEASE_S,
    STEADY,
    Sound,
    breath,
    clock,
    played_hz,
    recorded,
    window,
    wobble_db,
)
from reedlab.demo.sound_room import Room
from reedlab.demo.sound_truth import Bump, HairpinTruth
from reedlab.demo.sound_voice import (
    Playing,
    centroid_hz,
    partials,
    tilt_for_centroid,
    voice,
)
from reedlab.errors import CallError
from reedlab.schema import note_hz


def hairpin_sound(
    seed: int = 1,
    *,
    note: str = "C3",
    error_cents: float = 0.0,
    soft_db: float = -34.0,
    loud_db: float = -14.0,
    rise_s: float = 2.5,
    fall_s: float = 2.5,
    attack_ms: float = 60.0,
    breath_ms: float = 150.0,
    bumps: Sequence[Bump] = (),
    cents_per_10_db: float = 0.0,
    centroid_rise_hz: float = 20.0,
    playing: Playing = STEADY,
    room: Room | None = QUIET,
    rate_hz: int = RATE_HZ,
) -> Sound:
    """Play a hairpin: breath, attack at the soft level, evenly (in dB) to loud and back.

    Parameters
    ----------
    seed : int
    note : str
    error_cents : float
        By how much the soft tone is above the note, at A4 = 440 Hz.
    soft_db, loud_db : float
    rise_s, fall_s : float
        From soft to loud and back.
    attack_ms : float
        In which the amplitude rises evenly from nothing to the soft level.
    breath_ms : float
        For how long breath is heard before the tone.
    bumps : sequence of Bump
        Of the level.
    cents_per_10_db : float
        By how much the pitch rises with the level.
    centroid_rise_hz : float
        By how much the spectral centroid (weighted by power) rises per 10 dB.
    playing : Playing
    room : Room or None
    rate_hz : int

    Returns
    -------
    Sound
        With a :class:`HairpinTruth`.

    Raises
    ------
    CallError
        If loud is not above soft, or the note cannot have such a centroid.

    Examples
    --------
    >>> hairpin = hairpin_sound(room=None)
    >>> hairpin.truth.loud_db - hairpin.truth.soft_db, hairpin.truth.peak_s
    (20.0, 3.21)
    """
    if not loud_db > soft_db:
        raise CallError(f"loud_db is {loud_db} and soft_db {soft_db}; loud must be above soft.")
    rng = np.random.default_rng(seed)
    pitch = note_hz(note) * 2 ** (error_cents / 1200)
    tone_s = LEAD_S + breath_ms / 1000
    spoken_s = tone_s + attack_ms / 1000
    peak_s, fallen_s = spoken_s + rise_s, spoken_s + rise_s + fall_s
    end_s = fallen_s + RELEASE_S
    t = clock(end_s + LEAD_S, rate_hz)
    level = np.interp(t, [spoken_s, peak_s, fallen_s], [soft_db, loud_db, soft_db])
    for bump in bumps:
        level = level + bump.height_db * np.exp(
            -0.5 * ((t - spoken_s - bump.after_s) / bump.width_s) ** 2
        )
    level = level + wobble_db(rng, rate_hz, len(t), playing)
    above = (level - soft_db) / 10
    hz = played_hz(rng, rate_hz, pitch * 2 ** (cents_per_10_db * above / 1200), t, playing)
    soft_hz = centroid_hz(partials(pitch))
    tilt = tilt_for_centroid(pitch, soft_hz + centroid_rise_hz * above)
    dry = voice(rng, rate_hz, hz, level, tilt)
    dry *= window(t, tone_s, attack_ms / 1000, end_s, RELEASE_S)
    dry += breath(rng, rate_hz, t, (LEAD_S, end_s), playing.breath_db)
    loud_hz = soft_hz + centroid_rise_hz * (loud_db - soft_db) / 10
    tilts = tilt_for_centroid(pitch, np.array([soft_hz, loud_hz]))
    by_amplitude = [centroid_hz(partials(pitch, float(one)), power=1) for one in tilts]
    truth = HairpinTruth(
        note=note,
        hz=pitch,
        breath_s=LEAD_S,
        tone_s=round(tone_s, 9),
        spoken_s=round(spoken_s, 9),
        attack_ms=attack_ms,
        peak_s=round(peak_s, 9),
        fallen_s=round(fallen_s, 9),
        end_s=round(end_s, 9),
        soft_db=soft_db,
        loud_db=loud_db,
        bumps=tuple(bumps),
        cents_per_10_db=cents_per_10_db,
        centroid_soft_hz=soft_hz,
        centroid_loud_hz=loud_hz,
        amplitude_centroid_soft_hz=by_amplitude[0],
        amplitude_centroid_loud_hz=by_amplitude[1],
    )
    return recorded(rng, rate_hz, dry, truth, room)
