"""The stages of a record in order, and what work a reed has cost by each, in minutes.

Stages are in the order that the settings declare; else by the one number in each name, else
by the day on which each came first. Minutes come from the call, else from the settings, else
from the minutes recorded for reeds that ended at a stage.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.errors import CallError, RecordError, listed, unknown_name
from reedlab.study import Study
from reedlab.study.settings import is_duration

#: The words for each reed's first test, whatever its stage.
FIRST = "first test"
Minutes = float | Sequence[float] | Mapping[str, float] | None


@dataclass(frozen=True)
class Costs:
    """Minutes of work on a reed until the stage and until it is finished, and for its cane."""

    until: float
    finished: float
    cane: float

    def per_keeper(self, stopped: np.ndarray, carried: np.ndarray) -> np.ndarray:
        """Minutes for each keeper, from the share stopped and the share carried on and kept."""
        each = self.until + self.cane + (self.finished - self.until) * (1 - np.asarray(stopped))
        none = np.full(np.broadcast(each, carried).shape, np.inf)
        return np.asarray(np.divide(each, carried, out=none, where=np.asarray(carried) > 0))


def stage_order(study: Study) -> list[str]:
    """Return the names of the stages, the first one first.

    Raises
    ------
    RecordError
        If tests name a stage that the settings, which declare some, do not.
    """
    recorded = list(study.tables["tests"]["stage"].dropna().unique())
    declared = [stage.name for stage in study.settings.stages]
    if declared:
        strange = [name for name in recorded if name not in declared]
        if strange:
            raise RecordError(
                f"{study.sheets['tests'].file} holds the stage {listed(strange)}, which the "
                f"settings do not declare; they have {listed(declared)}."
            )
        return declared
    numbers = [re.findall(r"\d+(?:[.,]\d+)?", name) for name in recorded]
    if all(len(found) == 1 for found in numbers):
        at = {n: float(f[0].replace(",", ".")) for n, f in zip(recorded, numbers, strict=True)}
        if len(set(at.values())) == len(at):
            return sorted(recorded, key=at.__getitem__)
    started = test_times(study)
    first = started.groupby(study.tables["tests"]["stage"]).min()
    return sorted(recorded, key=lambda name: (pd.isna(first[name]), first[name]))


def test_times(study: Study) -> pd.Series:
    """Return when each test's session began; its place in the file where that is not recorded."""
    tests, sessions = study.tables["tests"], study.tables.get("sessions")
    if sessions is None or "started_at" not in sessions or sessions["started_at"].isna().any():
        return pd.Series(np.arange(len(tests)), index=tests.index)
    return tests["session_id"].map(sessions.set_index("session_id")["started_at"])


def costs(
    study: Study,
    order: Sequence[str],
    places: pd.Series,
    ends: pd.DataFrame,
    minutes: Minutes,
    cane_minutes: float | None,
) -> Costs:
    """Find what a reed costs.

    Parameters
    ----------
    study : Study
    order : sequence of str
        The stages.
    places : Series
        For each reed the place of the asked stage in that order.
    ends : DataFrame
        One row a reed: `minutes_spent`, `fate`, `stopped_at`.
    minutes, cane_minutes
        As in :func:`reedlab.analyse.stopping_rule`.

    Raises
    ------
    CallError
        For minutes that cannot be, or if they are nowhere to be found.
    """
    cane = study.settings.cane_minutes if cane_minutes is None else cane_minutes
    if not is_duration(cane):
        raise CallError(f"cane_minutes is {cane!r}; write a number of minutes from 0 upwards.")
    if isinstance(minutes, Mapping):
        until, finished = _from_mapping(minutes, order, places)
    elif minutes is None:
        until, finished = _usual(study, places, ends, rest=None)
    elif is_duration(minutes):
        until, finished = _usual(study, places, ends, rest=float(minutes))  # type: ignore[arg-type]
    else:
        until, finished = _pair(minutes)
    if finished <= until:
        raise CallError(
            f"A reed takes {until:g} minutes until the stage and {finished:g} until it is "
            "finished: stopping there saves no work. Say minutes=(until the stage, until finished)."
        )
    return Costs(float(until), float(finished), float(cane))


def _pair(minutes: object) -> tuple[float, float]:
    pair = list(minutes) if isinstance(minutes, Sequence) and not isinstance(minutes, str) else []
    if len(pair) != 2 or not all(is_duration(value) for value in pair):
        raise CallError(
            f"minutes is {minutes!r}; write the minutes that finishing still takes, or (minutes "
            "until the stage, minutes until finished), or minutes by stage; none below 0."
        )
    return pair[0], pair[1]


def _from_mapping(
    minutes: Mapping[str, float], order: Sequence[str], places: pd.Series
) -> tuple[float, float]:
    for name, value in minutes.items():
        if name not in order:
            raise unknown_name("stage", name, order)
        if not is_duration(value):
            raise CallError(f"minutes of '{name}': {value!r} is no number from 0 upwards.")
    needed = [order[place] for place in sorted({*places, len(order) - 1})]
    lacking = [name for name in needed if name not in minutes]
    if lacking:
        raise CallError(f"minutes lacks {listed(lacking)}; say how long a reed takes until then.")
    return float(np.mean([minutes[order[place]] for place in places])), minutes[order[-1]]


def _usual(
    study: Study, places: pd.Series, ends: pd.DataFrame, rest: float | None
) -> tuple[float, float]:
    """Minutes by the settings, else by the reeds' own; `rest` replaces what follows the stage."""
    stages = study.settings.stages
    if stages:
        until = float(np.mean([stages[place].minutes for place in places]))
        return until, stages[-1].minutes if rest is None else until + rest
    spent = ends["minutes_spent"]
    if rest is not None:
        until = spent.mean()
        finished = until + rest
    else:
        until = spent[(ends["fate"] == "stopped") & (ends["stopped_at"] == places)].mean()
        finished = spent[ends["fate"] != "stopped"].mean()
    if pd.isna(until) or pd.isna(finished) or finished <= until:
        raise CallError(
            "How many minutes a reed takes is not known: say minutes=(until the stage, until "
            "finished), or declare the stages with their minutes in the study's settings."
        )
    return float(until), float(finished)
