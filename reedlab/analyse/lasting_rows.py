"""From the life table to how long each reed lasted, and whether it was worn out then.

Time is hours of playing, or days from the first to the last day of play. A reed that
is still in use, or whose end was no wear (lost, given away), is censored: it lasted at
least so long. What cannot be used is left out with its reason.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import pandas as pd

from reedlab.analyse.joined import require_unique_keys
from reedlab.answer import counted, number_text
from reedlab.errors import CallError, ModelError, RecordError, listed, unknown_name
from reedlab.model.survival import SurvivalCurve, survival_curve
from reedlab.study import Study

#: Reasons that are no wear, whatever `retired` says (common practice, no source).
NOT_WEAR = ("lost", "stolen", "sold", "given away", "broken by accident")
#: The columns of the life table that each scale needs.
SCALES = {
    "hours": ("hours_played", "retired"),
    "days": ("first_played", "last_played", "retired"),
}
#: The column of the rows that says whether the reed was worn out.
WORN_OUT = "worn_out"
TIME = "hours_played"


@dataclass(frozen=True)
class Lives:
    """How long reeds lasted.

    Attributes
    ----------
    scale : {"hours", "days"}
    data : DataFrame
        reed_id, lasted (in the scale's unit), worn_out (true or false); the index is the row
        of the life table.
    left_out : DataFrame
        file, row, fault.
    cautions : tuple of str
        How reeds ended, by reason; what was cut off.
    """

    scale: str
    data: pd.DataFrame
    left_out: pd.DataFrame
    cautions: tuple[str, ...]

    @property
    def events(self) -> int:
        """Number of reeds worn out."""
        return int(self.data[WORN_OUT].sum())


def recorded_scales(study: Study) -> list[str]:
    """Return the scales that the study's life table has the columns for.

    Raises
    ------
    CallError
        If it has no life table, or no scale is complete.
    """
    life = study.tables.get("life")
    if life is None:
        raise CallError("No reed's life is recorded: this study has no table 'life' (life.csv).")
    complete = [scale for scale, columns in SCALES.items() if set(columns) <= set(life)]
    if not complete:
        raise CallError(
            "The table life needs the column 'retired' beside 'hours_played', or beside "
            "'first_played' and 'last_played'."
        )
    return complete


def life_spans(study: Study, scale: str, until: date, not_wear: Sequence[str] = NOT_WEAR) -> Lives:
    """Read how long each reed lasted, and whether it was worn out then.

    Parameters
    ----------
    study : Study
    scale : {"hours", "days"}
    until : datetime.date
        Reeds that played longer are followed until this day only.
    not_wear : sequence of str
        Reasons of an end that is no wear.

    Raises
    ------
    CallError
        If the columns of the scale are not recorded.
    RecordError
        If a reed stands twice, or `retired` holds what is neither true nor false.
    """
    if scale not in recorded_scales(study):
        missing = [name for name in SCALES[scale] if name not in study.tables["life"]]
        columns = "column" if len(missing) == 1 else "columns"
        raise CallError(f"Lives in {scale} need the {columns} {listed(missing)} in the table life.")
    _require_true_or_false(study)
    require_unique_keys(study, "life")
    life = study.tables["life"].copy()
    faults = _faults(study, life, scale, until)
    used = life[~life.index.isin(faults)]
    lasted, cut = _lasted(used, scale, until)
    reasons = _reasons(used)
    no_wear = reasons.isin({_plain(reason) for reason in not_wear})
    retired = used["retired"].astype(bool)
    data = pd.DataFrame(
        {
            "reed_id": used["reed_id"],
            "lasted": lasted,
            WORN_OUT: retired & ~no_wear & ~cut,
        }
    )
    left_out = pd.DataFrame(
        [(study.sheets["life"].file, row, fault) for row, fault in sorted(faults.items())],
        columns=["file", "row", "fault"],
    )
    cautions = [*_ends(data, reasons, retired, no_wear)]
    if cut.any():
        share = ", its hours in proportion to the days" if scale == "hours" else ""
        cautions.append(
            f"{counted(cut.sum(), 'reed')} played after {until:%Y-%m-%d}: followed until that day "
            f"only, as still in use{share}."
        )
    if faults:
        cautions.append(f"{len(faults)} of {len(life)} lives left out: {_counted(left_out)}.")
    return Lives(scale, data, left_out, tuple(cautions))


def curve_of(time: pd.Series, worn_out: pd.Series, tubes: pd.Series) -> SurvivalCurve:
    """Return the curve of some reeds; where they share tubes, its intervals allow for that.

    A reed whose tube is not recorded (missing in `tubes`) counts as of a tube of its own.
    """
    codes, known = pd.factorize(tubes)
    codes = np.where(codes < 0, len(known) + np.arange(len(codes)), codes)
    shared = 1 < len(np.unique(codes)) < len(codes)
    return survival_curve(time, worn_out.to_numpy(dtype=bool), groups=codes if shared else None)


def require_worn_out(lives: Lives) -> None:
    """Refuse lives that cannot say how long reeds last.

    Raises
    ------
    ModelError
        If there is no reed, one only, or none is worn out yet.
    """
    n = len(lives.data)
    if n == 0:
        why = _counted(lives.left_out)
        raise ModelError(f"No reed's life can be used{f': {why}' if why else ''}.")
    if n == 1:
        raise ModelError("One reed alone cannot say how long reeds last.")
    if lives.events == 0:
        longest = number_text(float(lives.data["lasted"].max()))
        raise ModelError(
            f"None of {n} reeds is worn out yet (the longest in use: {longest} {lives.scale}), so "
            f"how long they last cannot be told. {' '.join(lives.cautions)}"
        )


def checked_scale(scale: str) -> str:
    """Return a scale that there is, or say which there are."""
    if scale not in SCALES:
        raise unknown_name("scale", scale, SCALES)
    return scale


def as_day(until: date | str | None) -> date:
    """Return the day until which reeds are followed; today if none is given.

    Examples
    --------
    >>> as_day("2026-10-12")
    datetime.date(2026, 10, 12)
    """
    if until is None:
        return date.today()
    if isinstance(until, datetime):
        return until.date()
    if isinstance(until, date):
        return until
    try:
        return date.fromisoformat(until)
    except (TypeError, ValueError):
        raise CallError(f"until is a day like 2026-03-04, not '{until}'.") from None


def _require_true_or_false(study: Study) -> None:
    """A cell that is neither makes the coding of the column doubtful, so nothing is counted."""
    file = study.sheets["life"].file
    odd = [
        f"row {fault.row} '{fault.value}'"
        for fault in study.reading
        if (fault.file, fault.column) == (file, "retired")
    ]
    if odd:
        raise RecordError(
            f"{file}: retired holds what is neither true nor false ({listed(odd[:5])}). "
            "Write true for a reed that is worn out and false for one in use or lost, in every row."
        )


def _faults(study: Study, life: pd.DataFrame, scale: str, until: date) -> dict[int, str]:
    """Why rows cannot be used, the first reason of each."""
    found: dict[int, str] = {}

    def mark(rows: pd.Series, fault: str) -> None:
        for row in life.index[rows.fillna(False).astype(bool)]:
            found.setdefault(row, fault)

    for column in ("reed_id", "retired", *SCALES[scale]):
        mark(life[column].isna(), f"{column} not recorded")
    last = pd.Timestamp(until)
    if scale == "hours":
        mark(life[TIME] < 0, "fewer than 0 hours played")
        mark(life[TIME] == 0, "0 hours played: not in use yet")
    else:
        mark(life["last_played"] < life["first_played"], "last played before it was first played")
    if "first_played" in life:
        mark(life["first_played"] > last, f"first played after {until:%Y-%m-%d}")
    if scale == "hours" and "last_played" in life:
        first = life["first_played"] if "first_played" in life else pd.Series(pd.NaT, life.index)
        mark(
            (life["last_played"] > last) & first.isna(),
            f"played after {until:%Y-%m-%d}, and first_played is not recorded",
        )
    errors = study.faults.errors
    here = (errors["file"] == study.sheets["life"].file) & errors["column"].isin(SCALES[scale])
    for row, column, fault in errors.loc[here, ["row", "column", "fault"]].itertuples(index=False):
        found.setdefault(row, f"{column}: {fault}")
    return found


def _lasted(used: pd.DataFrame, scale: str, until: date) -> tuple[pd.Series, pd.Series]:
    """How long each lasted, and whether it was cut off on the last day."""
    if not {"first_played", "last_played"} <= set(used):
        return used[TIME].astype(float), pd.Series(False, used.index)
    cut = used["last_played"] > pd.Timestamp(until)
    whole = (used["last_played"] - used["first_played"]).dt.days.astype(float)
    followed = (pd.Timestamp(until) - used["first_played"]).dt.days.astype(float)
    if scale == "days":
        return whole.where(~cut, followed), cut
    hours = used[TIME].astype(float)
    return hours.where(~cut, hours * followed / whole), cut


def _reasons(used: pd.DataFrame) -> pd.Series:
    if "reason" not in used:
        return pd.Series("", used.index)
    return used["reason"].fillna("").map(_plain)


def _plain(reason: str) -> str:
    return " ".join(reason.split()).casefold()


def _ends(
    data: pd.DataFrame, reasons: pd.Series, retired: pd.Series, no_wear: pd.Series
) -> list[str]:
    """Say how reeds ended, by reason, and what looks like a slip."""
    worn = data[WORN_OUT]
    notes = [
        f"Counted as worn out: {_by_reason(reasons[worn], 'no reason told')}. Not worn out, so "
        f"they lasted at least so long: {_by_reason(reasons[~worn], 'in use')}."
    ]
    against = retired & no_wear
    if against.any():
        notes.append(
            f"{counted(against.sum(), 'retired reed')} ended by what is no wear "
            f"({listed(sorted(set(reasons[against])))}), so not counted as worn out."
        )
    doubtful = ~retired & ~no_wear & (reasons != "")
    if doubtful.any():
        notes.append(
            f"{counted(doubtful.sum(), 'reed')} not retired, yet with a reason "
            f"({listed(sorted(set(reasons[doubtful])))}): counted as still in use. Write retired "
            "true where that was wear."
        )
    return notes


def _counted(left_out: pd.DataFrame) -> str:
    """Count the rows left out by reason, the commonest first."""
    counts = left_out["fault"].value_counts().head(4)
    return "; ".join(f"{count} × {fault}" for fault, count in counts.items())


def _by_reason(reasons: pd.Series, without: str) -> str:
    counts = reasons.where(reasons != "", without).value_counts()
    return ", ".join(f"{count} {reason}" for reason, count in counts.items()) or "none"
