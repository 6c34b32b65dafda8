"""One attempt at a crow, heard through: where its pitch stands, whether it is one, its rattle.

Times in s from the beginning of the recording, pitch in Hz, levels in dB re a full-scale sine.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.clipping import clipped_share
from reedlab.measure.hum import Hum
from reedlab.measure.partials import Partials, find_partials
from reedlab.measure.pitches import PitchTrack
from reedlab.measure.quality import Quality, quality
from reedlab.measure.rattle import Rattle, find_rattle
from reedlab.measure.recording import Recording
from reedlab.measure.settling import LEAST_STRENGTH, Stand, crow_stand, find_stands
from reedlab.measure.tremolo import tremolo
from reedlab.measure.trust import Trust, trust
from reedlab.schema.pitch import cents

#: Period and partials that differ by more are not averaged, cents; nor in a wide vibrato, which
#: smears the partials within a window of twelve periods, spread in cents.
AGREE_CENTS, WIDE_CENTS = 20.0, 30.0

Level = tuple[NDArray[np.float64], NDArray[np.float64]]


@dataclass(frozen=True)
class Attempt:
    """What was found in one attempt; for the picture and the cautions.

    Attributes
    ----------
    span : (float, float)
        Beginning and end, s.
    stands : list of Stand
        All stretches in which some pitch stands.
    stand : Stand or None
        The one that is the crow.
    partials, trust : Partials, Trust, or None
        Of that one.
    rattle : Rattle or None
    quality : Quality
    trembles : (float, float)
        How far the level goes up and down while the pitch stands, dB, and how often a second.

    Notes
    -----
    Made by :func:`listen`.
    """

    span: tuple[float, float]
    stands: list[Stand]
    stand: Stand | None
    partials: Partials | None
    trust: Trust | None
    rattle: Rattle | None
    quality: Quality
    trembles: tuple[float, float] = (0.0, np.nan)

    @property
    def hz(self) -> float:
        """The mean of the pitch by its period and by its partials, where they agree; in Hz."""
        if self.stand is None or self.partials is None:
            return np.nan
        hz, second = self.stand.hz * self.partials.factor, self.partials.hz
        agree = np.isfinite(second) and abs(cents(second, hz)) < AGREE_CENTS
        wide = self.stand.spread_cents > WIDE_CENTS
        return float(np.sqrt(hz * second)) if agree and not wide else hz


def listen(
    recording: Recording,
    clean: Recording,
    track: PitchTrack,
    level: Level,
    span: tuple[float, float],
    around: tuple[float, float],
    hum: Hum | None,
) -> Attempt:
    """Hear one attempt through.

    Parameters
    ----------
    recording : Recording
        As recorded, for its clipping.
    clean : Recording
        Its lighter copy, without hum.
    track : PitchTrack
    level : tuple of ndarray
        Running pitch and level of that copy.
    span : (float, float)
        The attempt, as loud as it is.
    around : (float, float)
        End of the attempt before it and beginning of the next: its pitch may stand in the
        noise before it is loud.
    hum : Hum or None
        What was taken out.

    Returns
    -------
    Attempt
    """
    stands = [
        stand
        for stand in find_stands(track, level, *around)
        if stand.end_s > span[0] and stand.settle_s < span[1]
    ]
    stand = crow_stand(stands)
    if stand is not None:
        span = (min(span[0], stand.settle_s), max(span[1], stand.end_s))
    lines = hum.lines_hz if hum else ()
    rattle = find_rattle(clean, track, level, span, stands, stand, lines)
    # Filtering rounds cut-off peaks, so clipping is looked for in the recording itself.
    clipped = clipped_share(recording.part(*span)) > 0
    judged = quality(recording if clipped else clean, *span)
    if stand is None:
        return Attempt(span, stands, None, None, None, rattle, judged)
    partials = find_partials(clean, track, stand)
    share = _share(track, span, stand, rattle)
    trembles = tremolo(stand, level)
    trusted = trust(stand, partials, judged.snr_db, share, trembles[0], span[0], hum is not None)
    return Attempt(span, stands, stand, partials, trusted, rattle, judged, trembles)


def _share(
    track: PitchTrack, span: tuple[float, float], stand: Stand, rattle: Rattle | None
) -> float:
    """Return the share of the windows with a tone, apart from the rattle, that are the stand's."""
    time_s = track.time_s
    tone = (time_s >= span[0]) & (time_s <= span[1]) & (track.strength >= LEAST_STRENGTH)
    if rattle:
        tone &= (time_s < rattle.start_s) | (time_s > rattle.end_s)
    held = tone & (time_s >= stand.settle_s) & (time_s <= stand.end_s)
    return float(held.sum() / max(tone.sum(), 1))
