"""A lighter copy of a recording: what carries the pitch of a reed, at a quarter of the work.

Everything above half of the lower rate is filtered away and no sample shifts in time, so times
in the copy are times in the recording. Clipping is judged on the original, not here. Hz.
"""

from dataclasses import replace

from reedlab.measure.levels import weighted
from reedlab.measure.recording import Recording, heard_once

#: The copy keeps at least this many samples a second: C6 with three partials above it.
LEAST_RATE_HZ = 9450.0
#: Half length of the filter, in samples of the copy, and its corner against half the rate.
HALF_LENGTH, CORNER = 10, 0.9


@heard_once
def thinned(recording: Recording, least_rate_hz: float = LEAST_RATE_HZ) -> Recording:
    """Return the recording at a lower rate, or as it is where its rate is low already.

    Parameters
    ----------
    recording : Recording
    least_rate_hz : float
        The copy keeps at least so many samples a second, and less than twice as many.

    Examples
    --------
    >>> import numpy as np
    >>> from pathlib import Path
    >>> tone = np.sin(2 * np.pi * 330 * np.arange(44100) / 44100)
    >>> thinned(Recording(Path("a.wav"), tone, 44100)).rate_hz
    11025.0
    """
    factor = int(recording.rate_hz // least_rate_hz)
    if factor < 2:
        return recording
    from scipy.signal import firwin, upfirdn

    half = HALF_LENGTH * factor
    kernel = firwin(2 * half + 1, CORNER / factor)
    # The filter must not make a slope of a constant at either end.
    constant = recording.samples.mean()
    # It is late by a whole number of samples of the copy, which are left out.
    kept = upfirdn(kernel, recording.samples - constant, down=factor)[HALF_LENGTH:]
    samples = kept[: -(-len(recording.samples) // factor)] + constant
    return replace(recording, samples=samples, rate_hz=recording.rate_hz / factor)


@heard_once
def light_weighted(recording: Recording) -> Recording:
    """Return the lighter copy as the ear weights it (A)."""
    light = thinned(recording)
    return replace(light, samples=weighted(light, "A"))
