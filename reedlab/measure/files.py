"""Many recordings at once: one row of numbers a file, and into the study if one is given.

Files are measured side by side by joblib, with the backend and the number of workers that the
caller has configured; the answer does not depend on them. A file that cannot be measured is
named with the reason, and the rest go on. Recordings are only read.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from inspect import signature
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.answer import Answer, counted, number_text
from reedlab.errors import CallError, ReedlabError, unknown_name
from reedlab.measure.calibration import offset
from reedlab.measure.file_list import Paths, names_of, recordings_in
from reedlab.measure.file_names import keys_of
from reedlab.measure.kinds import FILLS, NUMBERS, measure_of, measured, numbers
from reedlab.pieces import in_pieces
from reedlab.schema import RESPONSES
from reedlab.study.belonging import KEY, require_tests
from reedlab.study.measured import add_measurements
from reedlab.study.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Tell = Callable[[int, int], None]
#: What a library may raise on a file that nobody thought of.
UNFORESEEN = (OSError, ValueError, ArithmeticError, LookupError, MemoryError, RuntimeError)

#: To start a worker takes as long as to measure so many recordings.
WORTH = 10


@dataclass(frozen=True)
class Measured(Answer):
    """The numbers of many recordings; made by :func:`measure_files`.

    Attributes
    ----------
    table : DataFrame
        One row a file, in the order of the paths: ``file`` (its name, with folders where two
        have the same); ``reed_id, session_id, stage, trial`` if a study or a mapping was
        given; the numbers of the kind, as in the tests table; ``sentence`` (what the measure
        says) and ``caution`` (what must be known of the file, in sentences).
    left_out : DataFrame
        Files that could not be measured: ``file``, ``fault``.
    details : DataFrame
        The tables of the single answers with ``file`` in front; of whole tests their steps.
    study : Study or None
        Opened again, with the numbers in it.
    """

    kind: str = ""
    details: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    study: Study | None = field(default=None, repr=False)

    def _say(self) -> str:
        told = f"{counted(len(self.table), 'recording')} measured"
        if len(self.left_out):
            told += f", {len(self.left_out)} left out"
        ranges = [
            _range(self.table[name], name)
            for name in _columns(self.kind)
            if self.table[name].notna().any()
        ]
        kept = f" Recorded in {self.study.title}." if self.study and len(self.table) else ""
        return f"{told}: {'; '.join(ranges)}.{kept}" if ranges else f"{told}.{kept}"

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the first number of the kind, file by file."""
        from reedlab.charts import COLOURS, new_axes

        name = _columns(self.kind)[0]
        ax = ax or new_axes(6.8, 1.2 + 0.28 * len(self.table))
        places = range(len(self.table))
        ax.plot(self.table[name], places, "o", color=COLOURS["blue"], markersize=7)
        ax.set_yticks(places, labels=self.table["file"].tolist(), parse_math=False)
        ax.set_ylim(len(self.table) - 0.5, -0.5)
        ax.set_xlabel(", ".join(_words(name)))
        return ax


def measure_files(
    kind: str,
    paths: Paths,
    study: Study | None = None,
    mapping: "pd.DataFrame | str | Path | None" = None,
    tell: Tell | None = None,
    **asked: Any,
) -> Measured:
    """Measure many recordings of one kind.

    Parameters
    ----------
    kind : {"crow", "hairpin", "slur", "register", "test"}
        What is played in each of them; "test" is a whole test.
    paths : str, Path, or several
        Recordings; a folder stands for those in it, a pattern (``autumn/*.wav``) for those
        that it fits.
    study : Study, optional
        Where the numbers are recorded. Its tuning (or the session's), instrument, crow target
        and protocol are taken unless they are asked for otherwise.
    mapping : DataFrame or path of a CSV file, optional
        Says to which test each file belongs: file, reed_id (or blind code), session_id,
        stage, trial. Left out, the names of the files say so; see Notes.
    tell : callable, optional
        Called as ``tell(done, of)`` after each file.
    **asked
        What the measure takes besides, e.g. ``notes="C3 E3 G3 C4"`` for a slur.

    Returns
    -------
    Measured

    Raises
    ------
    CallError
        For an unknown kind, no recordings, or what the measure does not take.
    RecordError
        If names or mapping do not say where the files belong (before any is measured), or
        the study says something else already. All faults at once, and nothing is recorded
        then.

    Notes
    -----
    A name is ``<reed>_<session>_<stage>_<trial>`` and may go on with ``_`` and anything, the
    step for one: ``R07_S3_day2_1_crow.wav``. The reed is an id or a blind code; ids must
    hold no underscore. ``joblib.parallel_config(backend=..., n_jobs=...)`` around the call
    says how the work is spread; left out, over all cores where the files are many. Machines of
    a cluster must find the files under the same paths.

    Examples
    --------
    >>> import tempfile
    >>> from reedlab.demo.sound import slur_sound
    >>> home = Path(tempfile.mkdtemp())
    >>> one = slur_sound(notes=["C3", "F3", "C3"]).write(home / "one.wav")
    >>> found = measure_files("slur", [one, home / "two.wav"])
    >>> found.sentence
    '1 recording measured, 1 left out: longest slur gap 0 ms.'
    """
    _check_asked(kind, asked)
    files = recordings_in(paths)
    names = names_of(files)
    keys = keys_of(files, mapping) if study is not None or mapping is not None else None
    if study is not None:
        require_tests(study, pd.DataFrame(keys).assign(recording=names))
    asked, said = _calibrated(asked)
    wishes = [_wishes(kind, study, key, asked) for key in keys or [{}] * len(files)]
    results = _all_measured(kind, files, wishes, tell)
    if all(one.called for one in results):
        raise CallError(results[0].fault)
    table, left_out = _tables(kind, names, keys, results)
    if study is not None and len(table):
        rows = table.rename(columns={"file": "recording"})
        study = add_measurements(study, rows[[*KEY, "recording", *_columns(kind)]])
    return Measured(
        question=f"What do {counted(len(files), 'recording')} of the kind '{kind}' say?",
        table=table,
        cautions=(
            *said,
            *(
                why if file in why else f"{file}: {why}"
                for file, why in left_out.to_numpy().tolist()
            ),
        ),
        rows_used=len(table),
        left_out=left_out,
        kind=kind,
        details=_details(names, results),
        study=study,
    )


@dataclass(frozen=True)
class _Result:
    """What a worker gives back: small, whatever the length of the recording."""

    numbers: Mapping[str, float]
    details: pd.DataFrame
    sentence: str = ""
    caution: str = ""
    fault: str = ""
    called: bool = False


def _columns(kind: str) -> tuple[str, ...]:
    return NUMBERS if kind == "test" else FILLS[kind]


def _words(name: str) -> tuple[str, str]:
    """Return words for a number, and its unit."""
    return next((one.label, one.unit) for one in RESPONSES if one.name == name)


def _range(values: "pd.Series[float]", name: str) -> str:
    label, unit = _words(name)
    ends = dict.fromkeys([number_text(values.min()), number_text(values.max())])
    return f"{label} {' to '.join(ends)} {unit}"


def _check_asked(kind: str, asked: Mapping[str, Any]) -> None:
    takes = [name for name in signature(measure_of(kind)).parameters if name != "path"]
    for name in asked:
        if name not in takes:
            raise unknown_name(f"setting for '{kind}'", name, takes)


def _calibrated(asked: Mapping[str, Any]) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Listen to a calibrator once, not for every file."""
    if asked.get("calibration") is None:
        return dict(asked), ()
    scale = offset(asked["calibration"])
    return {**asked, "calibration": scale.add_db}, scale.cautions


def _wishes(
    kind: str, study: Study | None, key: Mapping[str, Any], asked: Mapping[str, Any]
) -> dict[str, Any]:
    """Return what a file is measured with: the study's settings, then what was asked for."""
    if study is None:
        return dict(asked)
    settings = study.settings
    a4_hz = study.tuning_hz(key["session_id"])
    known: dict[str, Any] = {} if kind == "hairpin" else {"a4_hz": a4_hz}
    # Another instrument brings its own target and protocol.
    if "instrument" not in asked:
        if kind in ("crow", "test"):
            known |= {"instrument": settings.instrument, "target": settings.crow_target}
        if kind == "test":
            known["protocol"] = settings.protocol
    return known | dict(asked)


def _all_measured(
    kind: str, files: Sequence[Path], wishes: Sequence[dict[str, Any]], tell: Tell | None
) -> list[_Result]:
    """Measure the files side by side, and give what comes of them in their order."""
    from joblib import cpu_count

    asked = list(zip(files, wishes, strict=True))
    few = min(cpu_count(), 1 + len(files) // WORTH)
    return in_pieces(partial(_one, kind), asked, tell=tell, unasked=few)


def _one(
    kind: str, asked: tuple[Path, Mapping[str, Any]], _seed: np.random.SeedSequence
) -> _Result:
    file, wish = asked
    try:
        answer: Any = measured(kind, file, **wish)
    except ReedlabError as error:
        called = isinstance(error, CallError)
        return _Result({}, pd.DataFrame(), fault=str(error), called=called)
    except UNFORESEEN as error:
        # One strange file must not cost the others.
        told = f"{file.name} could not be measured ({type(error).__name__}: {error})."
        return _Result({}, pd.DataFrame(), fault=told)
    details = answer.steps if kind == "test" else answer.table
    return _Result(numbers(kind, answer), details, answer.sentence, " ".join(answer.cautions))


def _tables(
    kind: str,
    names: Sequence[str],
    keys: Sequence[Mapping[str, Any]] | None,
    results: Sequence[_Result],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    rows, faults = [], []
    for place, (name, one) in enumerate(zip(names, results, strict=True)):
        if one.fault:
            faults.append((name, one.fault))
            continue
        key = keys[place] if keys else {}
        told = {"sentence": one.sentence, "caution": one.caution}
        rows.append({"file": name, **key, **one.numbers, **told})
    columns = ["file", *(KEY if keys else ()), *_columns(kind), "sentence", "caution"]
    table = pd.DataFrame(rows, columns=columns)
    table = table.astype(dict.fromkeys(_columns(kind), np.float64))
    return table, pd.DataFrame(faults, columns=["file", "fault"])


def _details(names: Sequence[str], results: Sequence[_Result]) -> pd.DataFrame:
    found = [
        one.details.assign(file=name)
        for name, one in zip(names, results, strict=True)
        if not one.fault
    ]
    if not found:
        return pd.DataFrame(columns=["file"])
    table = pd.concat(found, ignore_index=True)
    return table[["file", *(name for name in table if name != "file")]]
