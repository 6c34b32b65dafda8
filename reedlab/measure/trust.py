"""How far the pitch of one crow can be trusted: one number from 0 to 1, and whether it is one.

The confidence is the product of six parts, each 0 to 1 and each 1 where nothing is wanting, so
that one bad part is enough to lower it. The limits were set on invented sounds and on ten real
notes; they order crows by trust and are no probability.
"""

from dataclasses import dataclass

import numpy as np

from reedlab.measure.partials import Partials
from reedlab.measure.settling import Stand
from reedlab.schema.pitch import cents

#: From worthless to good: how well the period repeats itself (0.6 is 2 dB of tone above the
#: noise, 0.9 is 10 dB) ...
STRENGTH = (0.5, 0.9)
#: ... the tone above the noise in dB (the error of the pitch grows beyond 2 cents below 5 dB) ...
SNR_DB = (-3.0, 10.0)
#: ... how long it stands in s (a syllable of speech holds a pitch for a quarter of a second) ...
HOLD_S = (0.1, 0.8)
#: ... its spread in cents (a vibrato of 30 cents to either side has 24) ...
SPREAD_CENTS = (60.0, 25.0)
#: ... by how much period and partials differ, in cents ...
DIFFER_CENTS = (20.0, 2.0)
#: ... and the share of the attempt's tone, apart from its rattle, that is this pitch.
SHARE = (0.1, 0.6)
#: A pitch that stands for less, or is less of the tone, or where both ways disagree by more, or
#: that slides further, is not called one.
LEAST_HOLD_S, LEAST_SHARE, MOST_DIFFER_CENTS, MOST_DRIFT_CENTS = 0.4, 0.35, 15.0, 60.0
#: What is no single pitch is never trusted more than this.
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
    """

    single_pitch: bool
    confidence: float
    why_not: str = ""


def trust(stand: Stand, partials: Partials, snr_db: float, share: float) -> Trust:
    """Judge a held pitch.

    Parameters
    ----------
    stand : Stand
    partials : Partials
    snr_db : float
        Level of the tone above the noise; not a number where there is no quiet.
    share : float
        Share of the attempt's tone that lies in the stand, 0 to 1.
    """
    found = np.isfinite(partials.hz)
    differ = abs(cents(partials.hz, stand.hz * partials.factor)) if found else np.inf
    parts = [
        _part(stand.strength, STRENGTH),
        1.0 if np.isnan(snr_db) else _part(snr_db, SNR_DB),
        _part(stand.hold_s, HOLD_S),
        _part(stand.spread_cents, SPREAD_CENTS),
        _part(differ, DIFFER_CENTS),
        _part(share, SHARE),
    ]
    confidence = float(np.prod(parts))
    why_not = _why_not(stand, partials, differ, share)
    if why_not:
        return Trust(False, min(confidence, MOST_OF_SEVERAL), why_not)
    return Trust(True, confidence)


def _part(value: float, limits: tuple[float, float]) -> float:
    worthless, good = limits
    return float(np.clip((value - worthless) / (good - worthless), 0, 1))


def _why_not(stand: Stand, partials: Partials, differ: float, share: float) -> str:
    if partials.several:
        return "several pitches sound at once"
    if stand.hold_s < LEAST_HOLD_S:
        return f"it stands for {stand.hold_s:.2f} s only"
    if share < LEAST_SHARE:
        return f"it is only {share:.0%} of the tone, as in speech".replace("%", " %")
    if abs(stand.drift_cents) > MOST_DRIFT_CENTS:
        return "it slides all the time"
    if differ > MOST_DIFFER_CENTS:
        return "its partials are not those of one pitch"
    return ""
