"""The reeds that a stopping rule is learnt from and judged on.

One row a reed that has a fate and a test at the stage. A reed is finished if it was kept or
reached the last stage, spared if it is marked so, and stopped early if it was discarded
before the last stage: what it would have become is not known. Measures are means of the
reed's tests at the stage, in their own units; turned so that more is better they are called
goodness.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from reedlab.analyse.frame import gather
from reedlab.analyse.joined import require_unique_keys
from reedlab.analyse.stopping_stages import FIRST, stage_order, test_times
from reedlab.errors import CallError, ModelError, listed, unknown_name
from reedlab.schema import Response
from reedlab.study import Study

#: A measure missing in more than this share of the reeds is not worth losing them for.
TOO_SPARSE = 0.2
#: As many cuts as a bench card holds.
MOST = 3


@dataclass(frozen=True)
class StoppingRows:
    """What is known of each reed at the stage, and what became of it.

    Attributes
    ----------
    reeds : DataFrame
        One row a reed, by its row in the file: reed_id, tube_id, fate (finished, spared,
        stopped), good (1 kept, 0 not, missing where stopped), stopped_at (place of the stage
        at which it was stopped or finished), place (of the asked stage), minutes_spent.
    measures : tuple of Response
    at_stage : DataFrame
        The measures at the stage, same rows.
    later : dict of int to DataFrame
        The measures at each later stage, same rows, missing where there was no test.
    order : list of str
        The stages.
    cautions : tuple of str
    set_aside : dict of str to tuple of str
        By measure, the cells that cannot be and were not used.
    left_out : DataFrame
    """

    reeds: pd.DataFrame
    measures: tuple[Response, ...]
    at_stage: pd.DataFrame
    later: dict[int, pd.DataFrame]
    order: list[str]
    cautions: tuple[str, ...]
    set_aside: dict[str, tuple[str, ...]]
    left_out: pd.DataFrame

    @property
    def G(self) -> np.ndarray:  # noqa: N802
        """The measures at the stage, turned so that more is better: reeds by measures."""
        return goodness(self.at_stage, self.measures)

    def only(self, which: Sequence[int], file: str) -> "StoppingRows":
        """Return the rows with those measures, and the reeds of which all of them are known."""
        measures = tuple(self.measures[place] for place in which)
        at_stage = self.at_stage[[measure.name for measure in measures]]
        gaps = at_stage.isna()
        lost = gaps.any(axis=1)
        faults = [
            f"{', '.join(gaps.columns[gap])} not recorded at the stage"
            for gap in gaps[lost].to_numpy()
        ]
        more = pd.DataFrame({"file": file, "row": at_stage.index[lost], "fault": faults})
        return replace(
            self,
            reeds=self.reeds[~lost],
            measures=measures,
            at_stage=at_stage[~lost],
            later={},
            cautions=(
                *self.cautions,
                *(text for measure in measures for text in self.set_aside[measure.name]),
            ),
            left_out=pd.concat([self.left_out, more], ignore_index=True),
        )


def stopping_rows(study: Study, at: str, predictors: Sequence[str] | None) -> StoppingRows:
    """Gather the reeds; see :func:`reedlab.analyse.stopping_rule` for what it raises."""
    _require_record(study)
    order = stage_order(study)
    tests = _tests_at(study, at, order)
    measures = _measures(study, predictors)
    cautions: list[str] = []
    frames = {measure.name: gather(study, measure.name, []) for measure in measures}
    seen = {name: frame.data for name, frame in frames.items()}
    at_stage = _means(seen, tests.index)
    reeds, left_out = _decided(study, order, tests)
    if reeds.empty:
        reasons = left_out["fault"].value_counts()
        why = "; ".join(f"{count} × {fault}" for fault, count in reasons.items())
        raise ModelError(f"No reed is both decided and tested at the stage ({why}).")
    table = at_stage.reindex(reeds["reed_id"]).set_axis(reeds.index)
    if predictors is None:
        gaps = table.isna().mean()
        cautions = [
            f"{m.label}: missing in more than a fifth of the reeds; not looked at."
            for m in measures
            if gaps[m.name] > TOO_SPARSE and not table[m.name].isna().all()
        ]
        measures = [m for m in measures if gaps[m.name] <= TOO_SPARSE]
        measures = [m for m in measures if table[m.name].nunique() > 1]
    empty = [m.name for m in measures if table[m.name].isna().all()]
    if empty:
        raise ModelError(f"Of {listed(empty)} nothing is recorded at '{at}'.")
    if not measures:
        raise ModelError(
            f"At '{at}' no measure with a direction (nearer a target, higher or lower) is recorded "
            "and differs between the reeds, so a rule has nothing to go by."
        )
    names = [m.name for m in measures]
    later = {
        place: _means(seen, study.tables["tests"].index[study.tables["tests"]["stage"] == name])
        .reindex(reeds["reed_id"])
        .set_axis(reeds.index)[names]
        for place, name in enumerate(order)
        if place > reeds["place"].min()
    }
    return StoppingRows(
        reeds,
        tuple(measures),
        table[names],
        later,
        order,
        tuple(cautions),
        {name: frames[name].cautions for name in names},
        left_out,
    )


def goodness(values: pd.DataFrame, measures: Sequence[Response]) -> np.ndarray:
    """Turn measures so that more is better; one that aims at a target becomes minus its miss."""
    columns = []
    for measure in measures:
        x = values[measure.name].to_numpy(dtype=float)
        if measure.direction == "target" and measure.target is not None:
            x = -np.abs(x - measure.target)
        elif measure.direction == "lower":
            x = -x
        columns.append(x)
    return np.column_stack(columns)


def shown(measure: Response, goodness: Any) -> Any:
    """Turn goodness back into the number that a maker reads; of a target, how far from it."""
    return goodness if measure.direction == "higher" else -goodness


def _require_record(study: Study) -> None:
    reeds, tests = study.tables.get("reeds"), study.tables.get("tests")
    if reeds is None or "kept" not in reeds:
        raise CallError("No reed's fate is recorded: the table reeds needs the column 'fate'.")
    if tests is None or tests.empty:
        raise CallError("No test is recorded, so nothing is known at any stage.")
    require_unique_keys(study, "tests")


def _tests_at(study: Study, at: str, order: list[str]) -> pd.DataFrame:
    """Return the tests of the stage (or each reed's first test) with the stage's place."""
    tests = study.tables["tests"].dropna(subset=["reed_id", "stage"])
    tests = tests.assign(place=tests["stage"].map(order.index), at=test_times(study))
    if at != FIRST:
        if at not in set(tests["stage"]):
            raise unknown_name("stage", at, [FIRST, *tests["stage"].unique()])
        return tests[tests["place"] == order.index(at)]
    by = [name for name in ("at", "place", "trial") if name in tests]
    return tests.sort_values(by, kind="stable").drop_duplicates("reed_id")


def _measures(study: Study, predictors: Sequence[str] | None) -> list[Response]:
    """Return the responses that a rule may go by."""
    if isinstance(predictors, str):
        raise CallError(f'predictors is a list of names: write ["{predictors}"].')
    if predictors is None:
        possible = [r for r in study.responses if r.table == "tests" and r.direction]
        return [r for r in possible if r.kind != "time"]
    asked = [study.response(name) for name in dict.fromkeys(predictors)]
    if not 1 <= len(asked) <= MOST:
        raise CallError(f"predictors names {len(asked)}; a bench card holds one to {MOST} cuts.")
    for response in asked:
        if response.table != "tests":
            raise CallError(f"'{response.name}' is not recorded at a test: no stage knows it.")
        if not response.direction:
            raise CallError(
                f"'{response.name}' has no better side, so no reed can be stopped for it: declare "
                "its direction (higher, lower or target) in the study's settings."
            )
    return asked


def _means(seen: dict[str, pd.DataFrame], rows: pd.Index) -> pd.DataFrame:
    """Return each reed's mean of every measure over those rows of the tests."""
    means = {
        name: data.loc[data.index.intersection(rows)].groupby("reed_id")[name].mean()
        for name, data in seen.items()
    }
    return pd.DataFrame(means)


def _decided(
    study: Study, order: list[str], tests: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the reeds that can be used, and why the others cannot."""
    reeds = study.tables["reeds"]
    tested = study.tables["tests"].dropna(subset=["reed_id", "stage"])
    last_test = tested["stage"].map(order.index).groupby(tested["reed_id"]).max()
    nothing = pd.Series(None, index=reeds.index, dtype=object)
    stage: pd.Series = reeds.get("fate_stage", nothing)
    ended = stage.map({name: place for place, name in enumerate(order)})
    ended = ended.where(stage.notna(), reeds["reed_id"].map(last_test))
    spared = reeds.get("spared", nothing).fillna(False).astype(bool)
    kept = reeds["kept"].astype("float64")
    finished = (kept == 1) | (ended == len(order) - 1)
    fate = np.where(spared, "spared", np.where(finished, "finished", "stopped"))
    table = pd.DataFrame(
        {
            "reed_id": reeds["reed_id"],
            "tube_id": reeds.get("tube_id", reeds["reed_id"]),
            "fate": fate,
            "good": kept.where(fate != "stopped"),
            "stopped_at": ended,
            "place": reeds["reed_id"].map(tests.groupby("reed_id")["place"].min()),
            "minutes_spent": reeds.get("minutes_spent", nothing).astype(float),
        }
    )
    why = pd.Series("", index=reeds.index)
    why[table["tube_id"].isna()] = "tube_id not recorded"
    unknown = stage.notna() & ended.isna() & (fate == "stopped")
    why[unknown] = "fate_stage is no stage of testing"
    why[table["place"].isna()] = "no test at the stage"
    why[kept.isna()] = "neither kept nor discarded"
    file = study.sheets["reeds"].file
    left_out = pd.DataFrame({"file": file, "row": why.index[why != ""], "fault": why[why != ""]})
    return table[why == ""].astype({"place": int}), left_out.reset_index(drop=True)
