"""The plans behind the rows of a frame: what was drawn for which reed, and what else could be.

One row a planned reed, in the order of making, batch after batch; a reed that was lost or
has no response keeps its place. Whole tubes change places within their batch as the plan
let them, and recipes within a tube. Where a plan cannot be drawn again one sentence says why.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from reedlab.analyse.effects import step_of
from reedlab.analyse.frame import Frame, level_name, ordered_levels
from reedlab.analyse.interactions import product
from reedlab.errors import CallError
from reedlab.model.shuffles import Shuffles
from reedlab.plan import Batch, read_batch
from reedlab.schema import Factor
from reedlab.study import Study


@dataclass(frozen=True)
class Replay:
    """Planned reeds, and how their levels were drawn.

    Attributes
    ----------
    data : DataFrame
        One row a planned reed: ``reed_id`` (missing where none is among the rows used),
        ``batch_id``, ``tube_id``, ``lot_id`` if known, the factors as planned.
    shuffles : Shuffles
    shared : bool
        Whether some tube gave reeds to several batches: what was given to tubes is then not
        drawn again.
    """

    data: pd.DataFrame
    shuffles: Shuffles
    shared: bool

    def planned(self, frame: Frame, factor: Factor) -> np.ndarray:
        """Columns of a factor as planned, shape (n, q); see :func:`columns`."""
        if factor.name not in self.data:
            return product(frame, factor, self.data)[:, None]
        return columns(frame, factor, self.data[factor.name])

    def made(self, frame: Frame, factor: Factor) -> np.ndarray:
        """The same as the reeds were made; as planned where there is no reed."""
        by_reed = frame.data.drop_duplicates("reed_id").set_index("reed_id")[factor.name]
        values = self.data["reed_id"].map(by_reed)
        lacking = values.isna()
        if factor.name not in self.data:
            return values.to_numpy(dtype=float)[:, None] * ~lacking.to_numpy()[:, None]
        values = values.astype(object).where(~lacking, _typed(factor, self.data[factor.name]))
        return columns(frame, factor, values)

    def spread(self, frame: Frame, values: pd.Series) -> np.ndarray:
        """Mean of values of the frame's rows for every planned reed, NaN where there is none."""
        by_reed = values.groupby(frame.data["reed_id"]).mean()
        return self.data["reed_id"].map(by_reed).to_numpy(dtype=float)

    @property
    def blocks(self) -> np.ndarray:
        """Batches and lots, between which nothing changes places, less the first; (n, b)."""
        keys = [name for name in ("batch_id", "lot_id") if name in self.data]
        code = self.data.groupby(keys, dropna=False).ngroup().to_numpy()
        return (code[:, None] == np.arange(1, code.max() + 1)).astype(float)


def replay(study: Study, frame: Frame) -> Replay | str:
    """Find the plans of all reeds of a frame, or say why they cannot be drawn again."""
    reeds = study.tables["reeds"].drop_duplicates("reed_id").set_index("reed_id")
    used = reeds.loc[frame.data["reed_id"].unique()]
    parts: list[pd.DataFrame] = []
    tests = []
    for batch_id in used["batch_id"].unique():
        own = used[used["batch_id"] == batch_id]
        found = _planned(study, str(batch_id), own)
        if isinstance(found, str):
            return found
        batch, table = found
        if batch.least is not None and batch.model.given:
            if _has_earlier(study, str(batch_id)):
                return (
                    f"Batch {batch_id} was laid out beside earlier ones for what the cane gives, "
                    "so its shuffle cannot be drawn again exactly."
                )
            tests.append((batch, len(table), sum(map(len, parts))))
        parts.append(table)
    data = pd.concat(parts, ignore_index=True)
    for factor in frame.factors:
        if factor.name in data:
            gone = set(_typed(factor, data[factor.name])) - set(frame.data[factor.name])
            if gone and factor.kind == "categorical":
                names = ", ".join(map(str, sorted(gone)))
                return f"{factor.label}: of {names}, which was planned, no reed is left."
    shared = bool((data.groupby("tube_id")["batch_id"].nunique() > 1).any())
    plot = data.groupby(["batch_id", "tube_id"]).ngroup().to_numpy()
    group = plot if shared else data.groupby(["batch_id", "shuffled_among"]).ngroup().to_numpy()

    accepts = partial(_accepted, tests) if tests else None
    return Replay(data, Shuffles(plot, group, accepts=accepts), shared)


def columns(frame: Frame, factor: Factor, values: pd.Series) -> np.ndarray:
    """Columns whose effects are a factor's contrasts: steps of a number, levels but the first."""
    if factor.kind == "numeric":
        step = step_of(factor, frame.data[factor.name])
        return values.to_numpy(dtype=float)[:, None] / step
    order = ordered_levels(factor, _recorded(frame, factor))
    named = _typed(factor, values).to_numpy()
    return np.stack([(named == level).astype(float) for level in order[1:]], axis=1)


def _accepted(tests: Sequence[tuple[Batch, int, int]], taken: np.ndarray) -> np.ndarray:
    """Which arrangements of all reeds every one of the batches could have drawn."""
    fine = np.ones(len(taken), dtype=bool)
    for batch, count, start in tests:
        fine &= batch.could_be(taken[:, start : start + count] - start)
    return fine


def _recorded(frame: Frame, factor: Factor) -> Sequence[str]:
    """Levels in the order in which the engine holds them."""
    return sorted(frame.data[factor.name].unique())


def _typed(factor: Factor, values: pd.Series) -> pd.Series:
    """Levels of a category as a frame writes them."""
    if factor.kind == "numeric":
        return values
    return values.map(level_name, na_action="ignore").astype(object)


def _planned(study: Study, batch_id: str, own: pd.DataFrame) -> tuple[Batch, pd.DataFrame] | str:
    """A batch as planned with the reed of every place, or why it cannot be drawn again."""
    if any(batch.sealed for batch in study.settings.batches if batch.batch_id == batch_id):
        return f"Batch {batch_id} is sealed, so its plan is not looked at."
    try:
        batch, key = read_batch(study, batch_id), study.labels(batch_id)
    except CallError:
        return f"The plan of batch {batch_id} is not stored, so it cannot be drawn again."
    if "blind_code" not in own:
        return f"The reeds of batch {batch_id} have no codes that tie them to its plan."
    table = batch.table.merge(key, on="place", how="left")
    reed = pd.Series(own.index, index=own["blind_code"])
    reed = reed[reed.index.notna() & ~reed.index.duplicated(keep=False)]
    table["reed_id"] = table["blind_code"].map(reed)
    if table["reed_id"].notna().sum() < len(own):
        return f"Some reeds of batch {batch_id} are not in its plan, so it cannot be drawn again."
    if "shuffled_among" not in table:
        return f"The plan of batch {batch_id} does not say which tubes could change places."
    table["batch_id"] = batch_id
    return batch, table


def _has_earlier(study: Study, batch_id: str) -> bool:
    return study.settings.batches[0].batch_id != batch_id
