"""What a study already has: the cane that is left, the reeds of its batches, their plans.

Pieces that reeds were made from are gone, those of a sealed batch as planned.
"""

from collections import Counter
from dataclasses import replace

import pandas as pd

from reedlab.errors import CallError
from reedlab.plan.batch import Batch, cautions_of
from reedlab.plan.layout import TUBE_SHARES
from reedlab.plan.terms import Model
from reedlab.schema import Factor
from reedlab.study import Plan, Study


def cane_on_hand(study: Study) -> pd.DataFrame:
    """Return the study's tubes with the pieces that they still yield.

    Parameters
    ----------
    study : Study

    Returns
    -------
    DataFrame
        The tubes table, its ``pieces`` less one for every reed recorded or planned from the
        tube; indexed by row, as the spreadsheet numbers it.

    Raises
    ------
    CallError
        If the study has no tubes.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> cane_on_hand(example_study("batch"))["pieces"].tolist()
    [1, 1, 1, 1, 1, 1, 1, 1]
    """
    tubes = study.tables.get("tubes")
    if tubes is None or tubes.empty:
        raise CallError("The study has no tubes: list them in tubes.csv, with the pieces of each.")
    cane = tubes.copy()
    if "pieces" not in cane:
        return cane
    parts = [_opened(study, []), *_sealed(study)]
    used = Counter(tube for part in parts for tube in part.get("tube_id", ()))
    left = cane["pieces"] - pd.Series([used[tube] for tube in cane["tube_id"]], index=cane.index)
    return cane.assign(pieces=left.clip(lower=0))


def earlier_reeds(study: Study, model: Model) -> pd.DataFrame:
    """Return the reeds of earlier batches, with batch_id, tube_id, lot_id and every factor.

    Reeds count as planned while their batch is sealed, then as made. Those that lack a
    factor, or have a level that is not asked about, add nothing and are left out.
    """
    names = [factor.name for factor in model.factors]
    rows = pd.concat([_opened(study, names), *_sealed(study)], ignore_index=True)
    if not {"batch_id", "tube_id", *names} <= set(rows):
        return pd.DataFrame()
    known = rows[["batch_id", "tube_id", *names]].notna().all(axis=1)
    for factor in model.settable:
        known &= rows[factor.name].isin(factor.levels)
    lots = ["lot_id"] if "lot_id" in rows else []
    return rows.loc[known, ["batch_id", "tube_id", *lots, *names]].reset_index(drop=True)


def read_batch(study: Study, batch_id: str) -> Batch:
    """Read a batch back from the study that it was written into; its key stays closed.

    Parameters
    ----------
    study : Study
    batch_id : str

    Returns
    -------
    Batch
        Without its key; forbidden combinations, being code, are not kept with a study.

    Raises
    ------
    CallError
        For a batch that the study does not know or has no plan of.
    """
    found = study.plan(batch_id)
    declared = {factor.name: factor for factor in study.settings.factors}
    factors = tuple(
        _with_levels(declared[name], found)
        for name in (*found.making, *found.testing)
        if name in declared
    )
    batch = Batch(
        question="Which reeds to make next, and in which order?",
        table=found.making,
        rows_used=len(found.making),
        testing=found.testing,
        factors=factors,
        terms=tuple(found.record.terms),
        seed=found.record.seed or 0,
        batch_id=batch_id,
        least=found.record.least,
        tube_shares=tuple(found.record.tube_shares) or TUBE_SHARES,
        predict=found.record.predict,
    )
    return replace(batch, cautions=cautions_of(batch))


def next_name(study: Study) -> str:
    """Return a name that no batch of the study has: B1, B2, ...

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> next_name(example_study("batch"))
    'B2'
    """
    known = {record.batch_id for record in study.settings.batches}
    known |= set(study.tables.get("reeds", pd.DataFrame()).get("batch_id", ()))
    number = 1
    while f"B{number}" in known:
        number += 1
    return f"B{number}"


def last_batch(study: Study) -> str:
    """Return the name of the batch that was planned last.

    Raises
    ------
    CallError
        If the study has none.
    """
    if not study.settings.batches:
        raise CallError("The study has no batch yet: plan one first (reedlab plan FOLDER).")
    return study.settings.batches[-1].batch_id


def _opened(study: Study, names: list[str]) -> pd.DataFrame:
    """Reeds of opened batches, with what their tubes say; a reed's own column goes first."""
    reeds = study.tables.get("reeds", pd.DataFrame())
    if not {"batch_id", "tube_id"} <= set(reeds):
        return pd.DataFrame()
    tubes = study.tables["tubes"]
    wanted = [n for n in ("lot_id", *names) if n in tubes and n not in reeds]
    rows = reeds[reeds["tube_id"].notna()]
    return rows.merge(tubes[["tube_id", *wanted]], on="tube_id", how="left", sort=False)


def _sealed(study: Study) -> list[pd.DataFrame]:
    """The plans of the batches that are still sealed."""
    return [
        study.plan(record.batch_id).making.assign(batch_id=record.batch_id)
        for record in study.settings.batches
        if record.sealed
    ]


def _with_levels(factor: Factor, found: Plan) -> Factor:
    """Give a factor that was set the levels that the plan uses, if the study lists none."""
    if factor.name in found.record.given:
        return replace(factor, levels=())
    if factor.levels:
        return factor
    table = found.making if factor.name in found.making else found.testing
    return replace(factor, levels=tuple(sorted(table[factor.name].unique().tolist())))
