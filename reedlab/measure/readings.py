"""Gather repeated readings: what was read, who or what read it, and the value.

From any table, or from a study's tests, where the trials of a reed at one stage are
repeats. Decides whether values are numbers, levels in an order, or categories. Every
row that cannot be used is listed with the reason; nothing is made into a number that
was not one.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.errors import CallError, ModelError, RecordError, listed, unknown_name
from reedlab.schema import Response, is_number
from reedlab.study import Study

KINDS = ("auto", "crossed", "nested", "ordered", "category")
#: Endings of column names that are units, as the tables of a study have them.
ENDINGS = {"mm": "mm", "hz": "Hz", "cents": "cents", "db": "dB", "ms": "ms", "pct": "%"}
COLUMNS = ("unit", "rater", "value")
#: A column with more than this share of numbers is meant to be one of numbers.
MOSTLY = 0.5


@dataclass(frozen=True)
class Readings:
    """Repeated readings, ready to be judged.

    Attributes
    ----------
    data : DataFrame
        Columns unit, rater, value (a number, or a category); repeats in their order.
    unit, rater : str
        Words for what was read and for who read it, ``"reed"``, ``"player"``.
    label, measured_in : str
        Words for the value, and its unit.
    kind : str
        ``"crossed"``, ``"nested"``, ``"ordered"`` or ``"category"``.
    levels : tuple
        Of ordered values, from the lowest to the highest.
    left_out : DataFrame
        file, row and fault of rows not used.
    cautions : tuple of str
    """

    data: pd.DataFrame
    unit: str
    rater: str
    label: str
    measured_in: str
    kind: str
    levels: tuple
    left_out: pd.DataFrame
    cautions: tuple[str, ...]

    @property
    def raters(self) -> list:
        """The raters in the order in which they come."""
        return list(dict.fromkeys(self.data["rater"]))

    @property
    def repeated(self) -> bool:
        """Whether anything was read twice by the same rater."""
        return bool(self.data.duplicated(["unit", "rater"]).any())

    @property
    def scores(self) -> pd.DataFrame:
        """The readings with ordered levels in words as 1, 2, 3 and so on."""
        if self.kind != "ordered" or all(map(is_number, self.levels)):
            return self.data
        rank = {level: place for place, level in enumerate(self.levels, start=1)}
        return self.data.assign(value=self.data["value"].map(rank).astype(float))


def gather_readings(
    data: pd.DataFrame | Study,
    value: str,
    unit: str,
    rater: str | None,
    kind: str,
    levels: Sequence = (),
) -> Readings:
    """Gather the readings of a table or a study; see :func:`reedlab.measure.agreement`."""
    require_readings(data)
    if kind not in KINDS:
        raise unknown_name("kind", kind, KINDS)
    cautions: list[str] = []
    label, measured_in, file = _words(value), _unit_of(value), "the table"
    study = data if isinstance(data, Study) else None
    if isinstance(data, Study):
        response = _response(data, value)
        if response.kind == "time":
            raise CallError(f"'{value}' is a time until something happens; it is not read twice.")
        label, measured_in = response.label, response.unit
        file = data.sheets[response.table].file
        if kind == "auto" and response.kind != "continuous":
            kind = "ordered" if response.kind == "ordinal" else "category"
        levels = levels or (response.levels if response.kind == "ordinal" else ())
        data, cautions = _of_study(data, value, unit, rater)
    table, left_out = _complete(data, value, unit, rater, file)
    if len(left_out):
        reasons = left_out["fault"].value_counts()
        cautions.append(
            f"Left out: {len(left_out)} of {len(left_out) + len(table)} rows: "
            + "; ".join(f"{count} × {fault}" for fault, count in reasons.items())
            + "."
        )
    if table.empty:
        raise ModelError(" ".join([f"{label}: no row can be used.", *cautions]))
    _refuse_near_names(table, {"unit": unit, "rater": rater or ""})
    table, kind, levels = _typed(table, value, kind, levels)
    return Readings(
        table,
        _words(unit),
        _words(rater) if rater else "rater",
        label,
        measured_in,
        kind,
        levels,
        left_out if study is None else study.traced(left_out),
        tuple(cautions),
    )


def require_readings(data: object) -> None:
    """Refuse what is neither a study nor a table."""
    if not isinstance(data, pd.DataFrame | Study):
        raise CallError(
            f"data is a {type(data).__name__}; give a study, or a table (DataFrame) with one row a "
            "reading."
        )


def _response(study: Study, value: str) -> Response:
    """A declared response; or a column of numbers of the tests, such as the tip opening."""
    declared = [response.name for response in study.settings.responses]
    if value in declared or value not in study.tables.get("tests", ()):
        return study.response(value)
    column = study.schema["tests"].column(value)
    if column.type not in ("number", "integer"):
        raise CallError(f"'{value}' holds no numbers and is not declared as a response.")
    return Response(value, unit=column.unit, label=_words(value))


def _of_study(
    study: Study, value: str, unit: str, rater: str | None
) -> tuple[pd.DataFrame, list[str]]:
    """The tests of a study with their session's columns; trials in their order."""
    if _response(study, value).table != "tests":
        raise CallError(f"'{value}' is recorded once a reed, so nothing of it is repeated.")
    tests = study.tables["tests"]
    key = [name for name in ("reed_id", "session_id", "stage", "trial") if name in tests]
    twice = tests[tests.duplicated(key, keep=False)]
    if len(twice):
        raise RecordError(
            f"{study.sheets['tests'].file}, rows {listed(twice.index)}: the same {listed(key)}. "
            "Keep the right one, or give the repeat another trial number."
        )
    errors = study.faults.errors
    wrong = errors[(errors["file"] == study.sheets["tests"].file) & (errors["column"] == value)]
    cautions = [
        f"Set aside: {e['file']} row {e['row']}, {value} '{e['value']}': {e['fault']}"
        for e in wrong.to_dict("records")
    ]
    data = tests.assign(**{value: tests[value].where(~tests.index.isin(wrong["row"]))})
    sessions = study.tables.get("sessions")
    if sessions is not None:
        extra = [name for name in sessions if name not in data]
        first = sessions.drop_duplicates("session_id").set_index("session_id")
        data = data.join(first[extra], on="session_id")
    data = data.sort_values("trial", kind="stable")
    if rater in data:
        cells = data.groupby([unit, "stage", rater], observed=True)["session_id"].nunique()
        if (cells > 1).any():
            cautions.append(
                "Some repeats come from different sessions: the change from day to day is in them."
            )
    if unit == "reed_id" and data.groupby("reed_id")["stage"].nunique().gt(1).any():
        # A reed changes while it is broken in: only tests of one stage are repeats of each other.
        data["reed_id"] = data["reed_id"].str.cat(data["stage"], sep=" ")
        cautions.append("Each reed counts once for each stage: it changes from one to the next.")
    return data, cautions


def _complete(
    data: pd.DataFrame, value: str, unit: str, rater: str | None, file: str
) -> tuple[pd.DataFrame, pd.DataFrame]:
    names = {"unit": unit, "rater": rater, "value": value}
    for role, name in names.items():
        if name is None:
            continue
        count = sum(column == name for column in data.columns)
        if count > 1:
            raise RecordError(f"{count} columns are named '{name}'; give each a name of its own.")
        if not count:
            error = unknown_name("column", name, data.columns)
            raise CallError(f"{error}{_hint(data, role, unit)}")
    table = pd.DataFrame({role: data[name] for role, name in names.items() if name is not None})
    if rater is None:
        table.insert(1, "rater", "all")
    gaps = table.isna()
    short = gaps.any(axis=1)
    faults = [
        f"{listed(str(names[role]) for role in COLUMNS if gap[role])} missing"
        for gap in gaps[short].to_dict("records")
    ]
    left_out = pd.DataFrame({"file": file, "row": table.index[short], "fault": faults})
    return table[~short], left_out


def _hint(data: pd.DataFrame, role: str, unit: str) -> str:
    """Say what may be meant where the column of the raters or of the readings is not there."""
    hint = " Say rater=None if one alone read them all." if role == "rater" else ""
    if role != "unit" and data.select_dtypes("number").shape[1] > 1:
        hint += (
            " If each rater has a column, put them below each other first: "
            f"data.melt('{unit}', var_name=…, value_name=…)."
        )
    return hint


def _refuse_near_names(table: pd.DataFrame, names: dict[str, str]) -> None:
    """Refuse names that differ by a space or the case only: they would count as two."""
    faults = []
    for role, name in names.items():
        seen: dict[str, str] = {}
        for label in table[role].unique():
            if isinstance(label, str):
                plain = " ".join(label.split()).casefold()
                if plain in seen:
                    faults.append(f"{name}: '{seen[plain]}' and '{label}'")
                seen[plain] = label
    if faults:
        raise RecordError(
            f"These differ by a space or by the case of letters only: {'; '.join(faults)}. Write "
            "them alike if they are one."
        )


def _typed(
    table: pd.DataFrame, value: str, kind: str, levels: Sequence
) -> tuple[pd.DataFrame, str, tuple]:
    values = table["value"]
    if isinstance(values.dtype, pd.CategoricalDtype):
        if values.cat.ordered and not len(levels):
            levels = tuple(values.cat.categories)
        table = table.assign(value=values.astype(object))
        values = table["value"]
    if pd.api.types.is_object_dtype(values) and all(map(is_number, values)):
        table = table.assign(value=values.astype(float))
        values = table["value"]
    is_bool = pd.api.types.is_bool_dtype(values)
    numeric = pd.api.types.is_numeric_dtype(values) and not is_bool
    if kind == "auto":
        kind = _kind(table, value, levels, numeric=numeric, is_bool=is_bool)
    if kind in ("crossed", "nested"):
        return _numbers(table, value, numeric=numeric), kind, ()
    if kind == "ordered":
        levels = _ordered_levels(values, value, levels, numeric=numeric)
    return table, kind, tuple(levels)


def _kind(
    table: pd.DataFrame, value: str, levels: Sequence, *, numeric: bool, is_bool: bool
) -> str:
    if len(levels):
        return "ordered"
    if is_bool:
        return "category"
    if not numeric:
        if table["value"].map(is_number).mean() > MOSTLY:
            raise _no_numbers(table["value"], value)
        words = listed(sorted({str(word) for word in table["value"]})[:6])
        raise CallError(
            f"'{value}' holds words ({words}). Say levels=[…] from the lowest to the highest if "
            f'they have an order, or kind="category" if they have none.{_odd(table["value"])}'
        )
    raters_of = table.groupby("unit", observed=True)["rater"].nunique()
    alone = table["rater"].nunique() > 1 and (raters_of == 1).all()
    return "nested" if alone else "crossed"


def _numbers(table: pd.DataFrame, value: str, *, numeric: bool) -> pd.DataFrame:
    if not numeric:
        raise _no_numbers(table["value"], value)
    table = table.assign(value=table["value"].astype(float))
    infinite = table.index[~np.isfinite(table["value"])]
    if len(infinite):
        raise RecordError(f"'{value}' is infinite in rows {listed(infinite)}; mend or empty them.")
    return table


def _no_numbers(values: pd.Series, value: str) -> RecordError:
    numbers = values.map(is_number)
    odd = values[~numbers] if numbers.any() else values
    return RecordError(
        f"'{value}' is not a number in every row: {_places(odd)}; mend these, or empty them."
    )


def _odd(values: pd.Series) -> str:
    """Name the words in a column of numbers that are written as text."""
    none = values[pd.to_numeric(values.astype(str), errors="coerce").isna()]
    if none.empty or len(none) > (1 - MOSTLY) * len(values):
        return ""
    return f" Or mend what is no number ({_places(none)}) and make the column one of numbers."


def _places(values: pd.Series) -> str:
    """Name some words, each with the first row in which it stands."""
    told = []
    for word in list(dict.fromkeys(map(str, values)))[:6]:
        rows = values.index[values.map(str) == word]
        told.append(
            f"'{word}' in row {rows[0]}" + (f" and {more} more" if (more := len(rows) - 1) else "")
        )
    return listed(told)


def _ordered_levels(values: pd.Series, value: str, levels: Sequence, *, numeric: bool) -> tuple:
    if not len(levels):
        if numeric:
            return tuple(sorted(values.unique()))
        words = sorted(map(str, values.unique()))
        raise CallError(
            f"'{value}' holds words ({listed(words[:6])}), which have no order of their own: say "
            "levels=[…] from the lowest to the highest."
        )
    strangers = sorted({str(v) for v in values if v not in set(levels)})
    if strangers:
        raise RecordError(
            f"'{value}' has values that are not among the levels: {listed(strangers)}. The levels "
            f"are {listed(levels)}."
        )
    return tuple(levels)


def _words(name: str) -> str:
    """Words for a column: ``reed_id`` is a reed, ``thickness_mm`` a thickness."""
    parts = str(name).removesuffix("_id").split("_")
    if len(parts) > 1 and parts[-1] in ENDINGS:
        parts = parts[:-1]
    return " ".join(parts)


def _unit_of(name: str) -> str:
    return ENDINGS.get(str(name).rsplit("_", 1)[-1], "") if "_" in str(name) else ""


def each(words: Iterable[str]) -> list[str]:
    """Drop repeated texts, in their order."""
    return list(dict.fromkeys(words))
