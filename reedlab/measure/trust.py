"""How far the pitch of one crow can be trusted: one number from 0 to 1, and whether it is one.

The confidence is the product of seven parts, each 0 to 1 and each 1 where nothing is wanting, so
that one bad part is enough to lower it. The limits were set on invented sounds and on ten real
notes; they order crows by trust and are no probability.
"""

from dataclasses import dataclass

import numpy as np

from reedlab.answer import percent_text
from reedlab.measure.partials import Partials
from reedlab.measure.quiet import MAINS_HZ
from reedlab.measure.settling import Stand
from reedlab.schema.pitch import cents

#: From worthless to good: how well the period repeats itself (0.6 is 2 dB of tone above the
#: noise, 0.9 is 10 dB) ...
STRENGTH = (0.5, 0.9)
#: ... the tone above the noise in dB (the error of the pitch grows beyond 2 cents below 5 dB) ...
SNR_DB = (-3.0, 10.0)
#: ... how long it stands in s (a syllable of speech holds a pitch for a quarter of a second) ...
HOLD_S = (0.1, 0.8)
#: ... its spread in cents (a vibrato of 30 cents to either side has 24, one of 50 has 41) ...
SPREAD_CENTS = (75.0, 30.0)
#: ... by how much period and partials differ, in cents ...
DIFFER_CENTS = (20.0, 2.0)
#: ... how far the level trembles, dB from trough to top (a tone that is nearly silenced each time
#: has settled on no one level; real notes have up to 10) ...
TREMBLES_DB = (24.0, 9.0)
#: ... and the share of the attempt's tone, apart from its rattle, that is this pitch.
SHARE = (0.1, 0.6)
#: A pitch that stands for less, or is less of the tone, or where both ways disagree by more, or
#: that slides further, is not called one.
LEAST_HOLD_S, LEAST_SHARE, MOST_DIFFER_CENTS, MOST_DRIFT_CENTS = 0.4, 0.35, 15.0, 60.0
#: Below C2 by a quartertone, where hum was taken out, a period is hum mixed with a tone, Hz.
LOWEST_BESIDE_HUM_HZ = 63.5
#: A pitch this near to the octave of the mains, as steady as no player and there from the first
#: moment, may be hum: cents, cents, s.
HUM_CENTS, HUM_SPREAD_CENTS, FROM_THE_START_S = 3.0, 1.5, 0.05
#: What is no single pitch, or may be hum, is never trusted more than this.
MOST_OF_SEVERAL = 0.2


@dataclass(frozen=True)
class Trust:
    """Made by :func:`trust`.

    Attributes
    ----------
    single_pitch : bool
    confidence : float
        0 to 1.
    why_not : str
        Why it is no single pitch, in words; empty if it is.
    may_be_hum : bool
        Whether it may be hum of the mains that never stops.
    """

    single_pitch: bool
    confidence: float
    why_not: str = ""
    may_be_hum: bool = False


def trust(
    stand: Stand,
    partials: Partials,
    snr_db: float,
    share: float,
    trembles_db: float,
    start_s: float,
    humming: bool,
) -> Trust:
    """Judge a held pitch.

    Parameters
    ----------
    stand : Stand
    partials : Partials
    snr_db : float
        Level of the tone above the noise; not a number where there is no quiet.
    share : float
        Share of the attempt's tone that lies in the stand, 0 to 1.
    trembles_db : float
        How far the level goes up and down while the pitch stands.
    start_s : float
        Where the attempt begins.
    humming : bool
        Whether hum of the mains was taken out.
    """
    hz = stand.hz * partials.factor
    found = np.isfinite(partials.hz)
    differ = abs(cents(partials.hz, hz)) if found else np.inf
    # A held note may pass for hum, so for the quiet; but what is not the period is noise, and
    # there is no more of it than that.
    strength = min(stand.strength, 0.999)
    over_db = max(snr_db, 10 * np.log10(strength / (1 - strength)))
    parts = [
        _part(stand.strength, STRENGTH),
        1.0 if np.isnan(snr_db) else _part(over_db, SNR_DB),
        _part(stand.hold_s, HOLD_S),
        _part(stand.spread_cents, SPREAD_CENTS),
        _part(differ, DIFFER_CENTS),
        _part(trembles_db, TREMBLES_DB),
        _part(share, SHARE),
    ]
    confidence = float(np.prod(parts))
    why_not = _why_not(stand, partials, differ, share)
    if humming and hz < LOWEST_BESIDE_HUM_HZ:
        why_not = "it is hum of the mains mixed with a tone"
    steady = start_s < FROM_THE_START_S and stand.spread_cents < HUM_SPREAD_CENTS
    hum = steady and any(abs(cents(hz, 2 * mains)) < HUM_CENTS for mains in MAINS_HZ)
    if why_not or hum:
        confidence = min(confidence, MOST_OF_SEVERAL)
    return Trust(not why_not, confidence, why_not, hum)


def _part(value: float, limits: tuple[float, float]) -> float:
    worthless, good = limits
    return float(np.clip((value - worthless) / (good - worthless), 0, 1))


def _why_not(stand: Stand, partials: Partials, differ: float, share: float) -> str:
    if partials.several:
        return "several pitches sound at once"
    if stand.hold_s < LEAST_HOLD_S:
        return f"it stands for {stand.hold_s:.2f} s only"
    if share < LEAST_SHARE:
        return f"it is only {percent_text(share)} of the tone, as in speech"
    if abs(stand.drift_cents) > MOST_DRIFT_CENTS:
        return "it slides all the time"
    if differ > MOST_DIFFER_CENTS:
        return "its partials are not those of one pitch"
    return ""
