"""Readings of the two blades of one reed, checked and laid on their grid.

How places are named: `across_mm` is counted from the spine as one looks at the outside of
the blade that is being read, tip up; left is negative. Turn the reed over about its long
axis to read the other blade, and left is again what is left to the eye. So two places
mirror each other on a blade if their `across_mm` differ in sign only, and the same is
true of two places that face each other, one on each blade. All lengths are in mm.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.errors import CallError, ModelError, RecordError, listed, unknown_name
from reedlab.measure.readings import require_readings
from reedlab.schema import table_named
from reedlab.study import Study

BLADES = ("up", "down")
PLACE = ["blade", "from_tip_mm", "across_mm"]
NUMBERS = ("from_tip_mm", "across_mm", "thickness_mm")
COLUMNS = ("reed_id", *PLACE, "thickness_mm", "trial")
#: Places are the same within this, in decimals of a mm.
DECIMALS = 3
#: More faults than this are counted, not listed.
SHOWN = 20


@dataclass(frozen=True)
class BladeReadings:
    """The readings of one reed on one occasion.

    Attributes
    ----------
    data : DataFrame
        blade, from_tip_mm, across_mm, thickness_mm, trial; the index is the record's.
    reed, session : str
        The session is empty where none is recorded.
    left_out : DataFrame
        file, row and fault of rows without a thickness.
    """

    data: pd.DataFrame
    reed: str
    session: str
    left_out: pd.DataFrame


def gather_blades(
    data: pd.DataFrame | Study, reed_id: str | None, session_id: str | None
) -> BladeReadings:
    """Check the readings of one reed; see :func:`reedlab.measure.blades`."""
    table, file = blades_table(data)
    table, reed = _only(table, "reed_id", reed_id, "reed", "reeds have grids of their own")
    table, session = _only(
        table, "session_id", session_id, "session", "scraping in between changes a blade"
    )
    faults = [*_row_faults(table, file), *_duplicates(table, file)]
    if faults:
        more = len(faults) - SHOWN
        rest = [f"and {more} more."] if more > 0 else []
        raise RecordError("\n".join([*faults[:SHOWN], *rest]))
    missing = table["thickness_mm"].isna()
    left_out = pd.DataFrame(
        {"file": file, "row": table.index[missing], "fault": "thickness_mm missing"}
    )
    used = table.loc[~missing, [*PLACE, "thickness_mm", "trial"]].copy()
    for name in NUMBERS:
        used[name] = used[name].astype(float)
    # Adding zero makes a minus zero a zero.
    places = ["from_tip_mm", "across_mm"]
    used[places] = used[places].round(DECIMALS) + 0.0
    absent = [blade for blade in BLADES if blade not in set(used["blade"])]
    if absent:
        what = f"no reading of the {absent[0]} blade" if len(absent) == 1 else "no reading"
        raise ModelError(
            f"Reed {reed} has {what}: two blades are compared only if both are read at the same "
            "places."
        )
    return BladeReadings(used, reed, session, left_out)


def blades_table(data: pd.DataFrame | Study) -> tuple[pd.DataFrame, str]:
    """Take the blades of a study, or a table with their columns, and the name to call it."""
    require_readings(data)
    if isinstance(data, Study):
        if "blades" not in data.tables:
            raise CallError("This study has no table blades: no blade was read yet.")
        return data.tables["blades"], data.sheets["blades"].file
    twice = sorted({str(name) for name in data.columns[data.columns.duplicated()]})
    if twice:
        raise RecordError(f"More than one column is named {listed(twice)}; name them apart.")
    missing = [name for name in COLUMNS if name not in data.columns]
    if missing:
        raise CallError(
            f"The table has no column {listed(missing)}; blades are read as {listed(COLUMNS)}."
        )
    return data, "the table"


def mean_thickness(readings: BladeReadings) -> pd.DataFrame:
    """Mean of the readings of each place: blade, from_tip_mm, across_mm, estimate, n_readings."""
    cells = readings.data.groupby(PLACE)["thickness_mm"].agg(["mean", "count"]).reset_index()
    order = cells["blade"].map({blade: place for place, blade in enumerate(BLADES)})
    cells = cells.assign(order=order).sort_values(["order", "from_tip_mm", "across_mm"])
    cells = cells.drop(columns="order").reset_index(drop=True)
    return cells.rename(columns={"mean": "estimate", "count": "n_readings"})


def pairs_of_places(thickness: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Pair each left place with its mirror, and each place of the up blade with that facing it.

    Returns
    -------
    DataFrame
        contrast, then blade, from_tip_mm, across_mm, estimate_one, n_one of the first
        place and other_blade, other_across_mm, estimate_other, n_other of the second.
    list of str
        Places without a partner, in words.
    """
    known = {
        (row["blade"], row["from_tip_mm"], row["across_mm"]): row
        for row in thickness.to_dict("records")
    }
    rows, alone = [], []
    for blade, tip, across in known:
        mirror = (blade, tip, -across if across else across)
        if mirror not in known:
            alone.append(f"{in_words(blade, tip, across)} has no mirror place")
        elif across < 0:
            rows.append(_pair("left − right", known[blade, tip, across], known[mirror]))
        other = BLADES[1 - BLADES.index(blade)]
        facing = (other, tip, -across if across else across)
        if facing not in known:
            alone.append(f"{in_words(blade, tip, across)} has no place that faces it")
        elif blade == BLADES[0]:
            rows.append(_pair("up − down", known[blade, tip, across], known[facing]))
    if not rows:
        raise ModelError(
            "No place has a mirror place or one that faces it on the other blade. Read the same "
            "distances from the tip on both blades, and on both sides of the spine, left negative."
        )
    table = pd.DataFrame(rows).sort_values("contrast", kind="stable", ignore_index=True)
    return table, alone


def in_words(blade: str, from_tip_mm: float, across_mm: float) -> str:
    """Name a place.

    Examples
    --------
    >>> in_words("up", 10.0, -3.0), in_words("down", 5.5, 0.0)
    ('up blade, 10 mm from the tip, 3 mm left', 'down blade, 5.5 mm from the tip, on the spine')
    """
    side = f"{abs(across_mm):g} mm {'left' if across_mm < 0 else 'right'}"
    return (
        f"{blade} blade, {from_tip_mm:g} mm from the tip, {side if across_mm else 'on the spine'}"
    )


def _pair(contrast: str, one: dict, other: dict) -> dict:
    return {
        "contrast": contrast,
        **{name: one[name] for name in PLACE},
        "other_blade": other["blade"],
        "other_across_mm": other["across_mm"],
        "estimate_one": one["estimate"],
        "n_one": one["n_readings"],
        "estimate_other": other["estimate"],
        "n_other": other["n_readings"],
    }


def _only(
    table: pd.DataFrame, column: str, wanted: str | None, what: str, why: str
) -> tuple[pd.DataFrame, str]:
    """Rows of the one reed or session; several without a choice are refused."""
    if column not in table:
        if wanted is not None:
            raise CallError(f"The table has no column {column}, so '{wanted}' cannot be chosen.")
        return table, ""
    present = list(dict.fromkeys(table[column].dropna()))
    if wanted is not None:
        # A reed may be called by a number, and be asked for by its text.
        by_text = {str(name): name for name in present}
        if str(wanted) not in by_text:
            raise unknown_name(what, wanted, by_text)
        return table[table[column] == by_text[str(wanted)]], str(wanted)
    if len(present) > 1:
        raise RecordError(
            f"The readings are of {len(present)} {what}s ({listed(present)}), and {why}: choose "
            f'one, {column}="{present[0]}".'
        )
    if not present:
        raise ModelError(f"There is no reading with a {column}.")
    unknown = table.index[table[column].isna()]
    if len(unknown):
        raise RecordError(f"{column} is missing in rows {listed(unknown)}; fill it in.")
    return table, str(present[0])


def _row_faults(table: pd.DataFrame, file: str) -> Iterator[str]:
    bounds = {name: table_named("blades").column(name).possible for name in NUMBERS}
    for row, values in zip(table.index, table.to_dict("records"), strict=True):
        where = f"{file}, row {row}"
        if values["blade"] not in BLADES:
            yield f"{where}: blade is '{values['blade']}'; write up or down."
        for name in NUMBERS:
            value, limits = values[name], bounds[name]
            if pd.isna(value):
                if name != "thickness_mm":
                    yield f"{where}: {name} is missing; a reading without its place says nothing."
            elif not isinstance(value, int | float | np.number) or isinstance(value, bool):
                yield f"{where}: {name} is '{value}', which is no number."
            elif limits and not limits[0] <= value <= limits[1]:
                yield (
                    f"{where}: {name} is {value:g}; possible is {limits[0]:g} to {limits[1]:g} mm."
                )
        if pd.isna(values["trial"]):
            yield f"{where}: trial is missing; write 1 for the first reading, 2 for its repeat."


def _duplicates(table: pd.DataFrame, file: str) -> Iterator[str]:
    key = [*PLACE, "trial"]
    rows = table[table[key].notna().all(axis=1)]
    for _, group in rows[rows.duplicated(key, keep=False)].groupby(key, sort=False):
        blade, tip, across, trial = group.iloc[0][key]
        yield (
            f"{file}, rows {listed(group.index)}: {blade} blade, {tip} mm from the tip, {across} "
            f"mm across, trial {trial} stands more than once; keep one, or give the repeat "
            "another trial number."
        )


def each_reed(data: pd.DataFrame | Study) -> Sequence[tuple[str, str | None]]:
    """Every reed and session of a table, in their order."""
    table, _ = blades_table(data)
    keys = [name for name in ("reed_id", "session_id") if name in table]
    rows = table[keys].dropna().drop_duplicates()
    return [(row[0], row[1] if len(keys) > 1 else None) for row in rows.to_numpy()]
