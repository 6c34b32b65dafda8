"""When breath is heard before a tone: how long a reed takes to speak.

Breath is noise that stands above the quiet and goes over into the tone. In a room louder than
the breath it is not heard, and then nothing is said. Times in seconds, levels A-weighted in dB.
"""

import numpy as np

from reedlab.measure.levels import WINDOW_S
from reedlab.measure.tones import Tone

#: How far breath stands above the quiet: so many dB, and so many of the quiet's standard
#: deviations.
ABOVE_DB, ABOVE_SD = 2.0, 3.0
#: Breath longer before the tone than this was drawn in, or belongs to something else.
LONGEST_S = 1.0


def breath_begins_s(tone: Tone, tone_s: float) -> float:
    """Return when the breath before a tone begins, or not a number if none is heard.

    Notes
    -----
    The beginning is where its power has come halfway up, which a running level keeps in its
    place. A breath as short as the level's window of 0.05 s cannot be told.
    """
    quiet_db = tone.noise_db["A"]
    before = (tone.time_s >= tone_s - LONGEST_S) & (tone.time_s <= tone_s - WINDOW_S / 2)
    at, level_db = tone.time_s[before], tone.level_db["A"][before]
    above = level_db > quiet_db + max(ABOVE_DB, ABOVE_SD * tone.waver_db)
    if not len(above) or not above[-1]:
        return np.nan
    silent = np.flatnonzero(~above)
    if not len(silent):
        return np.nan
    power = 10 ** (level_db / 10)
    half = (np.median(power[silent[-1] + 1 :]) + 10 ** (quiet_db / 10)) / 2
    # The nearest moment, going back from the middle of the breath, at which half is not reached.
    middle = (silent[-1] + len(above)) // 2
    below = np.flatnonzero(power[:middle] < half)
    return float(at[below[-1] + 1]) if len(below) else np.nan
