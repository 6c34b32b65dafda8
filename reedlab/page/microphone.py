"""What a browser did to the sound of a microphone, told by its settings.

Echo cancellation, noise suppression and automatic gain are made for speech and bend levels,
attacks and gaps. They are asked to be off; a browser may not listen, or not tell.
"""

from collections.abc import Mapping

#: By the names of the browser's settings (W3C, Media Capture and Streams): words for them.
PROCESSING = {
    "echoCancellation": "echo cancellation",
    "noiseSuppression": "noise suppression",
    "autoGainControl": "automatic gain",
}
#: Not to be believed where the gain was not held still.
LEVELS = ("soft_db", "loud_db", "dynamic_range_db")


def processing_cautions(told: Mapping[str, object]) -> tuple[str, ...]:
    """Say which processing was left on, and of which the browser does not tell.

    Parameters
    ----------
    told : mapping
        The settings of the track by name; only ``False`` means off.

    Examples
    --------
    >>> off = dict.fromkeys(PROCESSING, False)
    >>> processing_cautions(off)
    ()
    >>> processing_cautions(off | {"autoGainControl": True})
    ('The browser kept automatic gain on though asked to leave it off: do not trust levels,
    attacks and gaps of this recording.',)
    """
    said = []
    left_on = [words for name, words in PROCESSING.items() if told.get(name) not in (False, None)]
    untold = [words for name, words in PROCESSING.items() if told.get(name) is None]
    if left_on:
        said.append(
            f"The browser kept {_joined(left_on)} on though asked to leave it off: do not trust "
            "levels, attacks and gaps of this recording."
        )
    if untold:
        said.append(
            f"The browser does not say whether {_joined(untold)} "
            f"{'is' if len(untold) == 1 else 'are'} off: compare levels, attacks and gaps of this "
            "recording with care."
        )
    return tuple(said)


def gain_was_on(told: Mapping[str, object]) -> bool:
    """Say whether the browser tells that it turned the level up and down."""
    return told.get("autoGainControl") not in (False, None)


def _joined(words: list[str]) -> str:
    return " and ".join(filter(None, [", ".join(words[:-1]), words[-1]]))
