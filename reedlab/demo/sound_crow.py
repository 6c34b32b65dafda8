"""An invented crow: the air rises until one pitch stands, and perhaps breaks into a rattle.

The reed by itself has no formant: its partials fall evenly, the fundamental is strongest.
Before the pitch stands it glides up from 120 cents below within a tenth of a second.
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
from reedlab.demo.sound_truth import CrowTruth
from reedlab.demo.sound_voice import Playing, crow_spectrum, voice

#: Several pitches that stand in no simple ratio, as a rattle has them.
RATTLE_HZ = (193.0, 341.0, 427.0, 563.0)

_TILT_DB = 9.0  # per octave
_GLIDE_S = 0.1
_CHANGE_S = 0.03  # in which the single pitch gives way to the rattle


def crow_sound(
    seed: int = 1,
    *,
    pitch_hz: float = 341.0,
    settled_db: float = -30.0,
    loud_db: float = -16.0,
    air_s: float = 0.8,
    hold_s: float = 2.0,
    rattle_hz: Sequence[float] = (),
    rattle_s: float = 1.0,
    cents_per_10_db: float = 0.0,
    playing: Playing = STEADY,
    room: Room | None = QUIET,
    rate_hz: int = RATE_HZ,
) -> Sound:
    """Crow a reed by itself: the air rises until one pitch stands; then perhaps a rattle.

    Parameters
    ----------
    seed : int
    pitch_hz : float
        The single pitch when it settles.
    settled_db, loud_db : float
        Level of the tone when it settles and when the single pitch ends.
    air_s : float
        For how long only air is heard.
    hold_s : float
        For how long the single pitch stands.
    rattle_hz : sequence of float
        The pitches into which it breaks; empty: it never does.
    rattle_s : float
        For how long it rattles.
    cents_per_10_db : float
        By how much the single pitch rises while it gets louder.
    playing : Playing
    room : Room or None
    rate_hz : int

    Returns
    -------
    Sound
        With a :class:`CrowTruth`.

    Examples
    --------
    >>> crow = crow_sound(rattle_hz=RATTLE_HZ)
    >>> crow.truth.settled_s, crow.truth.broken_s, round(crow.duration_s, 1)
    (1.4, 3.4, 4.9)
    """
    rng = np.random.default_rng(seed)
    tone_s = LEAD_S + air_s
    settled_s = tone_s + _GLIDE_S
    single_end_s = settled_s + hold_s
    end_s = single_end_s + (rattle_s if len(rattle_hz) else RELEASE_S)
    t = clock(end_s + LEAD_S, rate_hz)
    level = np.interp(t, [tone_s, settled_s, single_end_s], [settled_db - 24, settled_db, loud_db])
    rise = np.maximum(level - settled_db, 0.0) * cents_per_10_db / 10
    settling = np.interp(t, [tone_s, settled_s], [-120.0, 0.0])
    hz = played_hz(rng, rate_hz, pitch_hz * 2 ** ((rise + settling) / 1200), t, playing)
    level = level + wobble_db(rng, rate_hz, len(t), playing)
    dry = voice(rng, rate_hz, hz, level, _TILT_DB, crow_spectrum)
    fading_s = _CHANGE_S if len(rattle_hz) else RELEASE_S
    dry *= window(t, tone_s, 0.02, single_end_s + fading_s, fading_s)
    for pitch in rattle_hz:
        share_db = level - 10 * np.log10(len(rattle_hz))
        own = voice(rng, rate_hz, np.full(len(t), pitch), share_db, _TILT_DB, crow_spectrum)
        dry += own * window(t, single_end_s, _CHANGE_S, end_s, RELEASE_S)
    # The air is heard most just before the reed speaks, and then lies under the tone.
    hiss_db = [playing.breath_db, settled_db - 8, playing.breath_db]
    air_db = np.interp(t, [LEAD_S, tone_s, settled_s], hiss_db)
    dry += breath(rng, rate_hz, t, (LEAD_S, end_s), air_db)
    truth = CrowTruth(
        air_s=LEAD_S,
        tone_s=tone_s,
        settled_s=round(settled_s, 9),
        settled_db=settled_db,
        pitch_hz=pitch_hz,
        cents_per_10_db=cents_per_10_db,
        loud_db=loud_db,
        broken_s=round(single_end_s, 9) if len(rattle_hz) else None,
        rattle_hz=tuple(rattle_hz),
        end_s=round(end_s, 9),
    )
    return recorded(rng, rate_hz, dry, truth, room)
