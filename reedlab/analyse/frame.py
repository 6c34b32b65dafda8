"""Gather the rows that a question rests on: one response, its factors, its strata.

A response is recorded once a test or once a reed; factors live with the lot, tube,
reed or session to which their level was given. Here they meet in one table. Nothing
is dropped in silence: every row that cannot be used is listed with the reason, and
every cell that the check calls impossible is set aside and named. A factor whose
levels all reeds of a tube (or of a lot) turn out to share is counted as the tube's.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from reedlab.analyse.joined import PARENTS, errors_of, join, sound_cells
from reedlab.answer import percent_text
from reedlab.errors import CallError, ModelError
from reedlab.schema import STRATA, STRATUM_KEY, Factor, Response
from reedlab.study import Study
from reedlab.study.once import once_a_study

#: A factor missing in more than this share of the rows is not worth losing them for.
TOO_SPARSE = 0.2


@dataclass(frozen=True)
class Frame:
    """The rows used for one response.

    Attributes
    ----------
    response : Response
    factors : tuple of Factor
        Those that can be examined: recorded, and with two levels or more; each with
        the stratum at which its levels really differ.
    data : DataFrame
        Columns: the response, the factors, and the keys that are recorded. The index
        is the row of the response's file.
    left_out : DataFrame
        file, row, fault.
    cautions : tuple of str
        Factors that cannot be examined and why, cells set aside.
    """

    response: Response
    factors: tuple[Factor, ...]
    data: pd.DataFrame
    left_out: pd.DataFrame
    cautions: tuple[str, ...]

    def units(self, stratum: str) -> int:
        """Number of lots, tubes, reeds or sessions in the rows used."""
        key = STRATUM_KEY[stratum]
        return int(self.data[key].nunique()) if key in self.data else 0

    def dropped(self, rows: pd.Index) -> "Frame":
        """Return the frame without these rows; factors left with one level go too."""
        data = self.data.drop(index=rows)
        lost = [f for f in self.factors if data[f.name].nunique() < 2]
        smaller = replace(self, data=data)
        for factor in lost:
            smaller = smaller.without(factor, _one_level(factor, data[factor.name]))
        return smaller

    def without(self, factor: Factor, why: str) -> "Frame":
        """Return the frame with one factor fewer, and the reason among the cautions."""
        rest = tuple(f for f in self.factors if f is not factor)
        return replace(self, factors=rest, cautions=(*self.cautions, why))


def gather(study: Study, response: str, factors: Sequence[str] | None = None) -> Frame:
    """Join response, factors and keys.

    Parameters
    ----------
    study : Study
    response : str
        A recorded response that is not a time.
    factors : sequence of str, optional
        Recorded factors; left out, all declared ones, except those that are missing
        in more than a fifth of the rows.

    Raises
    ------
    CallError
        For a name that is not recorded, or a time.
    RecordError
        If a key is there twice, so that rows cannot be joined.
    ModelError
        If no row can be used; the message counts the reasons.
    """
    if isinstance(factors, str):
        raise CallError(f'factors is a list of names: write ["{factors}"].')
    asked = study.response(response)
    if asked.kind == "time":
        raise CallError(
            f"'{response}' is a time until something happens, and reeds still in use have none "
            "yet: this question takes continuous, ordinal and binary responses."
        )
    if factors is not None:
        factors = tuple(dict.fromkeys(factors))
    found = _gathered(study, response, factors)
    # Shallow copies: pandas copies what is then changed, so what is kept stays as it is.
    data, left_out = found.data.copy(deep=False), found.left_out.copy(deep=False)
    return replace(found, data=data, left_out=left_out)


@once_a_study
def _gathered(study: Study, response: str, factors: tuple[str, ...] | None) -> Frame:
    asked = study.response(response)
    return gather_values(study, asked, sound_cells(study, asked.table)[response], factors)


def gather_values(
    study: Study, asked: Response, values: pd.Series, factors: Sequence[str] | None
) -> Frame:
    """Join values of a response to factors and keys as :func:`gather` does.

    Parameters
    ----------
    study : Study
    asked : Response
    values : Series
        The response, by the row of its table.
    factors : sequence of str, optional
    """
    if factors is None:
        chosen = tuple(factor for factor in study.factors if factor.name != asked.name)
    else:
        chosen = tuple(study.factor(name) for name in dict.fromkeys(factors))
    data, orphans = join(study, asked, _as_numbers(values, asked), chosen)
    data, missing = _without_missing(data, [asked.name])
    usable, cautions = [], [*_sealed(study), *_set_aside(study, asked, chosen)]
    for factor in chosen:
        if factor.name not in data:
            cautions.append(
                f"{factor.label}: belongs to a {factor.stratum}, and {asked.label} is recorded "
                f"in {asked.table} without it; not examined."
            )
            continue
        why = _why_not(factor, data[factor.name], strict=factors is None)
        if why:
            cautions.append(why)
        else:
            data[factor.name] = _as_declared(data[factor.name], factor)
            usable.append(factor)
    keys = [key for key in ("maker_id", *PARENTS, "player_id", "stage") if key in data]
    data = data.drop(columns=[key for key in keys if data[key].isna().all()])
    keys = [key for key in keys if key in data]
    data, incomplete = _without_missing(data, [f.name for f in usable] + keys)
    faults = sorted([*orphans, *missing, *incomplete])
    file = study.sheets[asked.table].file
    left_out = pd.DataFrame(
        [(file, row, fault) for row, fault in faults], columns=["file", "row", "fault"]
    )
    if data.empty:
        why = "".join(f" {text}" for text in _sealed(study))
        raise ModelError(f"{asked.label}: no row of {file} can be used{_counted(left_out)}.{why}")
    kept = [f for f in usable if data[f.name].nunique() > 1]
    cautions += [_one_level(f, data[f.name]) for f in usable if f not in kept]
    settled = [_settled(f, data) for f in kept]
    cautions += [why for _, why in settled if why]
    return Frame(asked, tuple(f for f, _ in settled), data, left_out, tuple(cautions))


def _sealed(study: Study) -> list[str]:
    """Name the batches whose reeds say neither tube nor levels yet."""
    return [
        f"Batch {batch.batch_id} is sealed: its reeds count once its key is opened "
        f"(study.unblind('{batch.batch_id}'))."
        for batch in study.settings.batches
        if batch.sealed
    ]


def _set_aside(study: Study, response: Response, factors: Sequence[Factor]) -> list[str]:
    """Tell the cells asked about that the check calls impossible."""
    cells = {(response.table, response.name), *((f.table, f.name) for f in factors)}
    return [
        f"Set aside: {file} row {row}, {column} '{value}': {fault}"
        for file, row, column, value, fault in errors_of(study)
        if (study.table_of(file), column) in cells
    ]


def _as_numbers(values: pd.Series, response: Response) -> pd.Series:
    if any(isinstance(level, str) for level in response.levels):
        # Levels in words become their rank; levels that are numbers stay as they are.
        order = {level: rank for rank, level in enumerate(response.levels, start=1)}
        return values.map(lambda level: order.get(level)).astype(float)
    return values.astype(float)


def _as_declared(values: pd.Series, factor: Factor) -> pd.Series:
    """Make the numbers of a category into names, so that no slope is fitted to them."""
    if factor.kind == "numeric" or not pd.api.types.is_numeric_dtype(values):
        return values
    return values.map(level_name, na_action="ignore").astype("str")


def level_name(level: object) -> str:
    """Write a category's level as the data of a frame hold it.

    Examples
    --------
    >>> level_name(10.0), level_name(True), level_name("wide")
    ('10', 'true', 'wide')
    """
    if isinstance(level, bool | np.bool_):
        return "true" if level else "false"
    return level if isinstance(level, str) else f"{level:g}"


def ordered_levels(factor: Factor, recorded: Iterable[str]) -> list[str]:
    """Order the levels that a frame holds: as declared, then those that are not declared.

    Examples
    --------
    >>> ordered_levels(Factor("shape", ("wide", "narrow")), ["narrow", "other", "wide"])
    ['wide', 'narrow', 'other']
    """
    recorded = list(recorded)
    order = [name for name in map(level_name, factor.levels) if name in recorded]
    return order + [level for level in recorded if level not in order]


def _settled(factor: Factor, data: pd.DataFrame) -> tuple[Factor, str]:
    """Give a factor the stratum at which its levels differ, and say so if it is another."""
    larger = () if factor.stratum == "session" else STRATA[: STRATA.index(factor.stratum)]
    for stratum in larger:
        key, own = STRATUM_KEY[stratum], STRATUM_KEY[factor.stratum]
        if key not in data or own not in data:
            continue
        units = data.groupby(key, observed=True)
        if (units[own].nunique() > 1).any() and (units[factor.name].nunique() == 1).all():
            return replace(factor, stratum=stratum), (
                f"{factor.label}: the {factor.stratum}s of a {stratum} all share its level, so its "
                f"units are the {data[key].nunique()} {stratum}s."
            )
    return factor, ""


def _counted(left_out: pd.DataFrame) -> str:
    reasons = left_out["fault"].value_counts()
    if reasons.empty:
        return ": it has none"
    return f" ({'; '.join(f'{count} × {fault}' for fault, count in reasons.head(3).items())})"


def _without_missing(
    data: pd.DataFrame, columns: list[str]
) -> tuple[pd.DataFrame, list[tuple[int, str]]]:
    gaps = data[columns].isna()
    incomplete = gaps.any(axis=1)
    faults = [
        (row, f"{', '.join(gaps.columns[gap])} not recorded")
        for row, gap in zip(data.index[incomplete], gaps[incomplete].to_numpy(), strict=True)
    ]
    return data[~incomplete], faults


def _why_not(factor: Factor, values: pd.Series, *, strict: bool) -> str:
    if values.notna().sum() == 0:
        return f"{factor.label}: not recorded in any row with the response; not examined."
    if values.nunique() < 2:
        return _one_level(factor, values)
    gaps = values.isna().mean()
    if strict and gaps > TOO_SPARSE:
        return (
            f"{factor.label}: missing in {percent_text(gaps)} of the rows; not examined, for those "
            "rows would be lost to every other factor. Ask for it by name to look at the rest."
        )
    return ""


def _one_level(factor: Factor, values: pd.Series) -> str:
    if values.notna().sum() == 0:
        return f"{factor.label}: no row is left; there is nothing to compare."
    level = values.dropna().iloc[0]
    shown = f"{level:g}" if isinstance(level, float) else str(level)
    return f"{factor.label}: one level only ({shown}); there is nothing to compare."
