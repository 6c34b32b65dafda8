"""A season's record in one piece: what is there, its faults, its sources and drivers."""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import pandas as pd

from reedlab.analyse.asked import telling
from reedlab.analyse.decisions import decide
from reedlab.analyse.drivers import Drivers, drivers
from reedlab.analyse.exploration import over_season
from reedlab.analyse.keep_rate import KeepRate, keep_rate
from reedlab.analyse.sources import Sources, sources
from reedlab.analyse.words import unique_names
from reedlab.answer import Answer
from reedlab.errors import CallError, ModelError
from reedlab.schema import Response
from reedlab.study import Faults, Study
from reedlab.study.exporting import export_table

COUNTED = {
    "lots": "lot_id",
    "tubes": "tube_id",
    "reeds": "reed_id",
    "sessions": "session_id",
    "players": "player_id",
}


@dataclass(frozen=True)
class Season:
    """All answers about one study; made by :func:`season`.

    Attributes
    ----------
    title : str
    invented : bool
        Whether the study says that its data are made up.
    counts : dict of str to int
        lots, tubes, reeds, sessions, players, tests: what is recorded.
    faults : Faults
    kept : KeepRate or None
        None if no fate is recorded.
    sources : dict of str to Sources
        By response.
    drivers : dict of str to Drivers
        By response; with ``p_season`` and grades given all tests of all responses.
    decided : dict of str to Answer
        What to do: when to stop, adjusting, breaking in, lasting, drift, the next recipe.
    words : dict of str to str
        Words for the questions of `decided`.
    refused : dict of str to str
        Questions that the record cannot answer, with the reason.
    """

    title: str
    invented: bool
    counts: dict[str, int]
    faults: Faults
    kept: KeepRate | None
    sources: dict[str, Sources] = field(default_factory=dict)
    drivers: dict[str, Drivers] = field(default_factory=dict)
    decided: dict[str, Answer] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)

    @property
    def answers(self) -> dict[str, Answer]:
        """Every answer under a name fit for a file."""
        named: dict[str, Answer] = {"faults": self.faults}
        if self.kept:
            named["keep_rate"] = self.kept
        named |= {f"sources_{self._short[name]}": found for name, found in self.sources.items()}
        named |= {f"drivers_{self._short[name]}": found for name, found in self.drivers.items()}
        return named | self.decided

    @cached_property
    def _short(self) -> dict[str, str]:
        return unique_names([*self.sources, *self.drivers])

    @property
    def cautions(self) -> tuple[str, ...]:
        """Every caution about drivers and sources once, in the order met."""
        answers = (*self.drivers.values(), *self.sources.values())
        found = [caution for answer in answers for caution in answer.cautions]
        if self.invented:
            found.insert(0, "These data are invented.")
        return tuple(dict.fromkeys(found))

    def write(self, folder: Path) -> list[Path]:
        """Write every table as CSV and every picture as SVG and PNG; return the files.

        Raises
        ------
        CallError
            If the folder cannot be made or written to.
        """
        try:
            folder.mkdir(parents=True, exist_ok=True)
            return self._written(folder)
        except OSError as error:
            raise CallError(f"{folder} cannot be written: {error.strerror}.") from None

    def _written(self, folder: Path) -> list[Path]:
        from reedlab.charts import save

        written = []
        for name, answer in self.answers.items():
            path = folder / f"{name}.csv"
            export_table(answer.table, path)
            written.append(path)
            if name != "faults" or len(answer.table):
                # An answer that cannot be drawn says so in its sentence.
                with suppress(ModelError):
                    written += save(answer.plot(), folder / name)
        for response, found in self.drivers.items():
            for term, short in unique_names(found.strong).items():
                name = f"drivers_{self._short[response]}_by_{short}"
                written += save(found.plot_factor(term), folder / name)
        cautions = folder / "cautions.csv"
        rows = [
            (found.question, text) for found in self.answers.values() for text in found.cautions
        ]
        table = pd.DataFrame(rows, columns=["asked", "caution"])
        export_table(table, cautions)
        return [*written, cautions]


def season(
    study: Study,
    responses: Sequence[str] | None = None,
    progress: Callable[[str], None] | None = None,
) -> Season:
    """Ask everything of a season's record that it can answer.

    Parameters
    ----------
    study : Study
    responses : sequence of str, optional
        Recorded responses; left out, all that have a value, are no time, and do not tell
        what another tells already (:data:`reedlab.analyse.asked.TOLD_BY`).
    progress : callable, optional
        Told in words what is being worked on.

    Returns
    -------
    Season

    Raises
    ------
    CallError
        For a response that is not recorded, or if none is.
    RecordError
        If rows stand twice.
    """
    tell = progress or (lambda _: None)
    asked, open_still = _asked(study, responses)
    tell("checking the record")
    faults = study.check()
    found_sources: dict[str, Sources] = {}
    found_drivers: dict[str, Drivers] = {}
    refused: dict[str, str] = {}
    if open_still:
        refused["not recorded yet"] = ", ".join(response.label for response in open_still) + "."
    for response in asked:
        tell(f"sources of {response.label}")
        try:
            found_sources[response.name] = sources(study, response.name)
        except ModelError as error:
            refused[f"sources of {response.label}"] = str(error)
        tell(f"drivers of {response.label}")
        try:
            found_drivers[response.name] = drivers(study, response.name)
        except ModelError as error:
            refused[f"drivers of {response.label}"] = str(error)
    try:
        kept = keep_rate(study)
    except (CallError, ModelError) as error:
        kept = None
        refused["keep rate"] = str(error)
    decided, words, undecided = decide(study, asked, tell)
    return Season(
        study.title,
        study.settings.invented,
        _counts(study),
        faults,
        kept,
        found_sources,
        over_season(found_drivers),
        decided,
        words,
        refused | undecided,
    )


def _asked(study: Study, names: Sequence[str] | None) -> tuple[list[Response], list[Response]]:
    """Return the responses to look at, and those whose columns are there but still empty."""
    if names:
        return [study.response(name) for name in dict.fromkeys(names)], []
    looked = [response for response in study.responses if response.kind != "time"]
    asked = telling(study, looked)
    if not asked:
        listed = ", ".join(response.label for response in looked)
        raise CallError(
            "No response is recorded yet"
            + (f", neither of {listed}. " if listed else ", for none is declared. ")
            + "Fill in the tests, or the fates of the reeds."
        )
    empty = [r for r in looked if study.tables[r.table][r.name].isna().all()]
    return asked, empty


def _counts(study: Study) -> dict[str, int]:
    """Distinct things recorded, wherever their key stands."""
    found = {}
    for name, key in COUNTED.items():
        seen = [table[key].dropna() for table in study.tables.values() if key in table]
        if seen:
            found[name] = int(pd.concat(seen).nunique())
    if "tests" in study.tables:
        found["tests"] = len(study.tables["tests"])
    return {name: count for name, count in found.items() if count}
