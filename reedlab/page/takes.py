"""One recording of one step, until it is accepted: where it lies, what was heard, what is wrong.

What the browser did to the sound is told of every recording from a microphone; of a file
that was chosen nothing is known and nothing is said.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from reedlab.errors import ReedlabError
from reedlab.page.hearing import Heard, hear
from reedlab.page.microphone import LEVELS, gain_was_on, processing_cautions
from reedlab.study import Study


@dataclass(frozen=True)
class Take:
    """One recording of one step.

    Attributes
    ----------
    number : int
        As the page counts its recordings.
    kind : str
    path : Path
        Where it lies until it is saved.
    cautions : tuple of str
        What the microphone's processing did or may have done.
    heard : Heard or None
    fault : str
        Why nothing could be measured; empty where something was.
    """

    number: int
    kind: str
    path: Path
    cautions: tuple[str, ...] = ()
    heard: Heard | None = None
    fault: str = ""


def take_of(
    study: Study, session_id: str, number: int, kind: str, path: Path, told: object
) -> Take:
    """Measure a recording.

    Parameters
    ----------
    study : Study
    session_id : str
    number : int
        As the page counts its recordings.
    kind : str
    path : Path
    told : mapping or other
        The settings of the microphone's track; of a file that was chosen no mapping.

    Returns
    -------
    Take
        With the fault in words where nothing could be measured.
    """
    settings = told if isinstance(told, Mapping) else None
    cautions = () if settings is None else processing_cautions(settings)
    try:
        heard = hear(study, kind, path, session_id)
    except ReedlabError as error:
        fault = str(error).replace(path.name, "The recording")
        return Take(number, kind, path, cautions, fault=fault)
    if settings is not None and gain_was_on(settings):
        heard = _without_levels(heard)
    return Take(number, kind, path, cautions, heard)


def _without_levels(heard: Heard) -> Heard:
    """Return what was heard without the levels: the gain moved while they were recorded."""
    kept = {name: value for name, value in heard.numbers.items() if name not in LEVELS}
    if len(kept) == len(heard.numbers):
        return heard
    said = "Levels are not recorded: the browser turned the gain up and down."
    return replace(
        heard,
        numbers=kept,
        headline="–",
        beside="levels are not to be trusted",
        cautions=(said, *heard.cautions),
    )
