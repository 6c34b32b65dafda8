"""From a request to a batch: choose tubes, search, shuffle, draw orders and codes."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from reedlab.errors import CallError
from reedlab.plan.batch import Batch, cautions_of, layout_of
from reedlab.plan.cane import Cane, allocate
from reedlab.plan.layout import Layout, task_for
from reedlab.plan.order import making_order, testing_order
from reedlab.plan.request import Allowed, Forbidden, size_faults
from reedlab.plan.search import Task, default_starts, search
from reedlab.plan.shuffle import shuffled
from reedlab.plan.terms import Model
from reedlab.schema import Factor, draw_codes

#: A shuffle that keeps less of the best layout's information than this is drawn again: the
#: covariates of the cane make some worse than others (re-randomisation, Morgan & Rubin 2012).
LEAST = 0.9
#: Shuffles that are tried before the best layout is taken as it is.
SHUFFLES = 500
#: Two ways of computing one criterion may differ by this.
ROUNDING = 1e-9
#: Arrangements whose information is reckoned at a time.
AT_A_TIME = 1000


@dataclass(frozen=True)
class Request:
    """All that is asked of a batch."""

    model: Model
    session_factors: tuple[Factor, ...]
    reeds: int
    sessions: int
    seed: int
    batch_id: str
    predict: bool
    tube_shares: Sequence[float]
    forbidden: tuple[Forbidden, ...]
    breakage: float
    taken_codes: tuple[str, ...] = ()
    carried: tuple[str, ...] = ()


def draw_batch(
    request: Request,
    cane: Cane,
    earlier: pd.DataFrame,
    tell: Callable[[int, int], None] | None = None,
) -> Batch:
    """Plan a batch.

    Parameters
    ----------
    request : Request
    cane : Cane
    earlier : DataFrame
        Reeds of earlier batches with ``batch_id, tube_id``, ``lot_id`` if known, and a column
        for every factor; no row for a first batch.
    tell : callable, optional

    Returns
    -------
    Batch

    Raises
    ------
    CallError
        Listing what the batch is too small for, or what cannot be told apart.
    """
    streams = np.random.default_rng(np.random.SeedSequence(request.seed)).spawn(4)
    model = request.model
    counts, spare = allocate(
        cane, request.reeds, _most_tubes(request, cane), request.breakage, streams[0]
    )
    new = slots(cane, counts)
    layout = layout_of(new, earlier, model)
    allowed = Allowed(model.settable, request.forbidden)
    faults = _faults(model, layout) + allowed.faults(streams[0])
    fixed = _fixed(model, layout, new, earlier, faults)
    if faults:
        raise CallError("\n".join(faults))
    task = task_for(
        model, layout, request.tube_shares, allowed, fixed, streams[1], predict=request.predict
    )
    levels, value = search(task, default_starts(task), streams[1], tell)
    if value == -np.inf:
        raise CallError(_inestimable(task, levels))
    group = groups(new, counts, fixed[layout.new], model)
    # The best value is below zero for I, whose shares of information are therefore turned.
    least = value + np.log(LEAST) if task.moments is None else value / LEAST
    least -= ROUNDING
    levels, group = _shuffle(task, levels, layout, group, least, streams[2])
    new = new.assign(**model.table_of(levels[layout.new]), shuffled_among=group)
    return written(request, cane, new, spare, earlier, streams[3], least)


def _most_tubes(request: Request, cane: Cane) -> int:
    """Two reeds a tube at least where reeds of a tube are to be compared, else all tubes."""
    enough = request.reeds // 2
    compared = any(factor.stratum == "reed" for factor in request.model.settable)
    if not compared or not (cane.pieces > 1).any():
        return len(cane.tube_id)
    return max(enough, 1)


def slots(cane: Cane, counts: np.ndarray) -> pd.DataFrame:
    """One row for each reed: the place of its tube in the cane, names, and what is given."""
    source = np.repeat(np.arange(len(counts)), counts)
    rows = pd.DataFrame({"source": source, "tube_id": cane.tube_id[source]})
    if cane.lot_id is not None:
        rows["lot_id"] = cane.lot_id[source]
    recorded = cane.recorded.iloc[source].reset_index(drop=True)
    return rows.join(recorded[[name for name in recorded if name not in rows]])


def _faults(model: Model, layout: Layout) -> list[str]:
    return size_faults(
        model,
        len(layout.tube),
        len(np.unique(layout.tube)),
        len(np.unique(layout.lot)),
        layout.nuisance(model).shape[1],
    )


def _fixed(
    model: Model, layout: Layout, new: pd.DataFrame, earlier: pd.DataFrame, faults: list[str]
) -> np.ndarray:
    """Places of the levels that are given already, shape (n, factors set); -1 where free.

    Earlier reeds keep all of theirs; a tube or lot keeps the level that it was given.
    """
    fixed = np.full((len(layout.tube), len(model.settable)), -1)
    if len(earlier):
        fixed[~layout.new] = model.levels_of(earlier)
    for column, factor in enumerate(model.settable):
        if factor.stratum == "reed":
            continue
        if factor.name in new:
            fixed[layout.new, column] = _recorded_places(factor, new, faults)
        unit = layout.unit(factor.stratum)
        for one in np.unique(unit):
            here = fixed[unit == one, column]
            if (here >= 0).any():
                fixed[unit == one, column] = here.max()
    return fixed


def _recorded_places(factor: Factor, new: pd.DataFrame, faults: list[str]) -> list[int]:
    places = []
    for tube, value in new[["tube_id", factor.name]].itertuples(index=False):
        if pd.isna(value):
            places.append(-1)
        elif value in factor.levels:
            places.append(factor.levels.index(value))
        else:
            places.append(-1)
            fault = (
                f"Tube {tube} has {factor.label} {value} already (column {factor.name} of the "
                f"cane), which is none of {', '.join(map(str, factor.levels))}: add that level, or "
                "leave the tube out."
            )
            if fault not in faults:
                faults.append(fault)
    return places


def _inestimable(task: Task, levels: np.ndarray) -> str:
    """Name the first term that the terms before it, in the best layout found, already say."""
    X = task.rows(levels)
    width = task.nuisance.shape[1]
    for term, part in zip(task.model.terms, task.model.slices, strict=True):
        before, after = X[:, : width + part.start], X[:, : width + part.stop]
        added = np.linalg.matrix_rank(after) - np.linalg.matrix_rank(before)
        if added < part.stop - part.start:
            return (
                f"No batch of this cane can tell {task.model.label(term)} from the other terms: "
                "leave it out, lift a forbidden combination, or make more reeds from more tubes."
            )
    return "No batch of this cane can tell these terms apart: ask for fewer, or make more reeds."


def groups(new: pd.DataFrame, counts: np.ndarray, fixed: np.ndarray, model: Model) -> list[str]:
    """Say for every reed among which tubes its recipe could have gone elsewhere."""
    labels = []
    for row, (source, levels) in enumerate(zip(new["source"], fixed, strict=True)):
        reeds = int(counts[source])
        words = [f"tubes of {reeds}" if reeds > 1 else "tubes of one reed"]
        if "lot_id" in new:
            words.append(f"lot {new['lot_id'].iloc[row]}")
        for factor, place in zip(model.settable, levels, strict=True):
            if place >= 0:
                words.append(f"{factor.label} {factor.levels[place]}")
        labels.append(", ".join(words))
    return labels


def _shuffle(
    task: Task,
    levels: np.ndarray,
    layout: Layout,
    group: Sequence[str],
    least: float,
    rng: np.random.Generator,
) -> tuple[np.ndarray, list[str]]:
    """Let recipes change places as far as they can and information is not lost."""
    drawn = _one_draw(task, levels, layout, group, least, rng)
    if drawn is not None:
        return drawn, list(group)
    # Whole tubes cannot change places without loss. The reeds inside them always can, for they
    # share all that the criterion looks at.
    alone = [f"tube {one} alone" for one in layout.tube[layout.new]]
    return _exchanged(levels, layout, alone, rng), alone


def _one_draw(
    task: Task,
    levels: np.ndarray,
    layout: Layout,
    labels: Sequence[str],
    least: float | None,
    rng: np.random.Generator,
) -> np.ndarray | None:
    """Shuffle until a draw keeps enough information; None if none of many does."""
    for _ in range(SHUFFLES):
        drawn = _exchanged(levels, layout, labels, rng)
        if least is None or task.value(drawn[None])[0] >= least:
            return drawn
    return None


def _exchanged(
    levels: np.ndarray, layout: Layout, labels: Sequence[str], rng: np.random.Generator
) -> np.ndarray:
    """Let the recipes of new reeds change places once."""
    drawn, new = levels.copy(), layout.new
    drawn[new] = levels[new][shuffled(layout.tube[new], labels, rng)]
    return drawn


def redrawn(batch: Batch, rng: np.random.Generator) -> pd.DataFrame:
    """Draw the restricted randomisation of a batch again; see `Batch.redraw`."""
    task, levels, layout = _task_of(batch)
    labels = batch.table["shuffled_among"].tolist()
    drawn = _one_draw(task, levels, layout, labels, batch.least, rng)
    places = (levels if drawn is None else drawn)[layout.new]
    return batch.model.table_of(places).set_index(batch.table.index)


def could_be(batch: Batch, taken: np.ndarray) -> np.ndarray:
    """Say which arrangements keep enough information; see `Batch.could_be`."""
    if batch.least is None:
        return np.ones(len(taken), dtype=bool)
    task, levels, layout = _task_of(batch)
    values = []
    for start in range(0, len(taken), AT_A_TIME):
        rows = taken[start : start + AT_A_TIME]
        drawn = np.tile(levels, (len(rows), 1, 1))
        drawn[:, layout.new] = levels[layout.new][rows]
        values.append(task.value(drawn))
    return np.concatenate([np.empty(0), *values]) >= batch.least


def _task_of(batch: Batch) -> tuple[Task, np.ndarray, Layout]:
    """The criterion of a batch, the places of its levels, and its layout."""
    model, layout = batch.model, batch.layout
    allowed = Allowed(model.settable, batch.forbidden)
    fixed = np.full((len(layout.tube), len(model.settable)), -1)
    # Prediction is averaged over all recipes, or over a sample that the seed decides.
    rng = np.random.default_rng(batch.seed)
    task = task_for(model, layout, batch.tube_shares, allowed, fixed, rng, predict=batch.predict)
    return task, model.levels_of(batch.rows), layout


def written(
    request: Request,
    cane: Cane,
    new: pd.DataFrame,
    spare: np.ndarray,
    earlier: pd.DataFrame,
    rng: np.random.Generator,
    least: float | None = None,
) -> Batch:
    """Number pieces, draw the orders and the codes, and put the batch together."""
    n = len(new)
    pieces = np.empty(n, dtype=int)
    spared = np.empty(n, dtype=object)
    for source in new["source"].unique():
        rows = np.flatnonzero(new["source"] == source)
        drawn = 1 + rng.permutation(cane.pieces[source])
        pieces[rows] = drawn[: len(rows)]
        extra = sorted(drawn[len(rows) : len(rows) + spare[source]])
        spared[rows] = " ".join(map(str, extra))
    order = making_order(n, rng)
    names = [factor.name for factor in request.model.factors]
    lots = ["lot_id"] if "lot_id" in new else []
    table = new.assign(piece=pieces, spare_pieces=spared).iloc[order].reset_index(drop=True)
    table = table.assign(place=np.arange(1, n + 1))[
        ["place", "tube_id", *lots, "piece", "spare_pieces", *names, "shuffled_among"]
    ]
    codes = np.array(draw_codes(n, rng, request.taken_codes))
    batch = Batch(
        question="Which reeds to make next, and in which order?",
        table=table,
        rows_used=n,
        key=pd.DataFrame({"place": table["place"], "blind_code": codes}),
        testing=_sessions(request, codes, rng),
        factors=(*request.model.factors, *request.session_factors),
        terms=tuple(":".join(term) for term in request.model.terms),
        earlier=earlier,
        seed=request.seed,
        batch_id=request.batch_id,
        least=least,
        tube_shares=tuple(request.tube_shares),
        predict=request.predict,
        forbidden=request.forbidden,
        carried=request.carried,
    )
    return replace(batch, cautions=cautions_of(batch, _notes(request, batch, spare)))


def _sessions(request: Request, codes: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """Order of playing in each session, with the level of each factor of sessions."""
    n = len(codes)
    order = testing_order(n, request.sessions, rng)
    testing = pd.DataFrame(
        {
            "session": np.repeat(np.arange(1, request.sessions + 1), n),
            "place": np.tile(np.arange(1, n + 1), request.sessions),
            "blind_code": codes[order].ravel(),
        }
    )
    for factor in request.session_factors:
        even = np.resize(np.arange(len(factor.levels)), request.sessions)
        drawn = rng.permutation(even)
        testing[factor.name] = [factor.levels[place] for place in np.repeat(drawn, n)]
    return testing


def _notes(request: Request, batch: Batch, spare: np.ndarray) -> list[str]:
    notes = []
    if request.breakage > 0 and not spare.any() and len(spare) < request.reeds:
        notes.append("No piece is left to spare: a reed that breaks is lost to the batch.")
    for factor in batch.factors:
        if factor.levels and factor.name not in batch.record.randomised:
            notes.append(
                f"{factor.label}: its levels could not be shuffled among {factor.stratum}s (the "
                "cane, or what earlier batches gave, fixes them): what goes with it is observed, "
                "not randomised."
            )
    return notes
