"""Where are the two blades unequal, and where would one look before scraping?

Thickness on the grid that was read, left against right, and blade against blade, with
the gauge's own repeatability as the yardstick: what the gauge cannot tell apart is not
shown as a difference. Lengths are in mm; blade_grid.py says how places are named.
"""

from dataclasses import dataclass, field
from numbers import Real
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.answer import Answer, number_text
from reedlab.errors import CallError, ModelError, ReedlabError, listed
from reedlab.measure.blade_grid import (
    BladeReadings,
    each_reed,
    gather_blades,
    in_words,
    mean_thickness,
    pairs_of_places,
)
from reedlab.measure.blade_yardstick import (
    ROUNDING,
    gauge_table,
    judged,
    pooled_repeatability,
    spine_smooth,
)
from reedlab.schema import cautions_for
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: So many differences are told in the sentence.
TOLD = 3
ADVICE = (
    "The map shows where to look, never how much to take off: listen, scrape little, and read "
    "again."
)
REPEATS = (
    "A repeat is one only if the reed was taken off the gauge and laid on afresh; read both "
    "blades equally wet or dry."
)


@dataclass(frozen=True)
class Blades(Answer):
    """The blades of one reed; made by :func:`blades`.

    Attributes
    ----------
    table : DataFrame
        One difference a row: ``contrast`` ("left − right" or "up − down"), the place spoken
        of (``blade, from_tip_mm, across_mm``) and the one taken from it (``other_blade,
        other_across_mm``), ``estimate`` with ``std_error, df, conf_low, conf_high`` (95 %),
        ``least``, the smallest difference that the gauge can tell there, ``beyond``, whether
        this one is larger, and ``unit``.
    thickness : DataFrame
        ``blade, from_tip_mm, across_mm, estimate`` (mean of the readings, mm), ``n_readings``.
    gauge : DataFrame
        ``term`` (repeatability SD, repeatability limit of two single readings),
        ``estimate, conf_low, conf_high, df, unit``; empty without repeats.
    profile : DataFrame
        ``blade, from_tip_mm, fitted``: a smooth along the spine; empty where fewer than
        five places of it were read.
    """

    thickness: pd.DataFrame = field(default_factory=pd.DataFrame)
    gauge: pd.DataFrame = field(default_factory=pd.DataFrame)
    profile: pd.DataFrame = field(default_factory=pd.DataFrame)
    readings: BladeReadings | None = None

    @property
    def shown(self) -> pd.DataFrame:
        """The differences that the gauge can tell, the largest first."""
        rows = self.table[self.table["beyond"]]
        return rows.sort_values("estimate", key=lambda values: -values.abs(), kind="stable")

    def _say(self) -> str:
        if self.table["least"].isna().all():
            why = "Without repeats"
            if not self.gauge.empty:
                why = "No repeat differs from its first reading:"
            way = "read every place twice, or state" if self.gauge.empty else "state"
            return (
                f"{why} the gauge has no yardstick, so no difference is shown as one: {way} the "
                "gauge's resolution."
            )
        counts = self.table.groupby("contrast", sort=False)["beyond"].agg(["sum", "size"])
        told = " and ".join(
            f"{row['sum']} of {row['size']} {contrast}"
            for contrast, row in counts.to_dict("index").items()
        )
        least = self.table["least"]
        low, high = number_text(least.min(), 2), number_text(least.max(), 2)
        yardstick = f"{low} mm" if low == high else f"{low} to {high} mm"
        opening = f"{told} differences are larger than the gauge can make by itself ({yardstick})"
        if self.table["std_error"].notna().any():
            chance = number_text(len(self.table) / 20, 2)
            opening = f"{opening}; about {chance} would be by chance, were the blades equal"
        if self.shown.empty:
            return f"{opening}."
        largest = "; ".join(_thicker(row) for row in self.shown.head(TOLD).to_dict("records"))
        return f"{opening}. Look first at: {largest}. How much to take off it does not say."

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw both blades, tip up, and beside them the differences that the gauge can tell."""
        from reedlab.measure.blade_map import draw_blades

        return draw_blades(self.thickness, self.table, ax)

    def plot_profile(self, ax: "Axes | None" = None) -> "Axes":
        """Draw every reading along the spine of both blades, with a smooth through them."""
        from reedlab.measure.blade_map import draw_profile

        if self.readings is None:
            raise CallError("These blades were made without their readings.")
        spine = self.readings.data[self.readings.data["across_mm"] == 0]
        if spine.empty:
            raise ModelError("No reading lies on the spine (across_mm 0): there is no profile.")
        return draw_profile(spine, self.profile, ax)


def blades(
    data: pd.DataFrame | Study,
    reed_id: str | None = None,
    session_id: str | None = None,
    *,
    resolution_mm: float | None = None,
) -> Blades:
    """Compare the two blades of a reed, and the two sides of each.

    Parameters
    ----------
    data : DataFrame or Study
        Readings with the columns reed_id, session_id, blade (up or down), from_tip_mm,
        across_mm (left negative, looking at the outside of the blade that is read, tip up),
        thickness_mm and trial (1 for the first reading of a place, 2 for its repeat).
    reed_id, session_id : str, optional
        Needed where the table holds several.
    resolution_mm : float, optional
        Step of the gauge: two readings may differ by so much from rounding alone. The
        yardstick is never smaller; without repeats it is the only one.

    Returns
    -------
    Blades

    Raises
    ------
    CallError
        For columns, a reed or a session that are not there.
    RecordError
        Naming every row that cannot be right or stands twice; and for several reeds or
        sessions without a choice.
    ModelError
        If only one blade was read, or no place has a partner.

    Notes
    -----
    Left minus right compares a place with its mirror across the spine; up minus down a place
    of the up blade with that of the down blade which faces it, whose across_mm has the
    other sign. The repeatability SD s is pooled over all places read more than once; a
    difference of means of n and m readings counts if it is larger than t s root(1/n + 1/m),
    t for 95 % on the degrees of freedom of s. For two single readings and many repeats this
    is the repeatability limit of ISO 5725. Where the blades are truly equal, 1 in 20 places
    still passes.

    References
    ----------
    ISO 5725-6 (repeatability limit); smooth: scipy's smoothing spline, its penalty by
    generalised cross-validation (Craven & Wahba 1979, Numerische Mathematik 31, 377-403).

    Examples
    --------
    >>> rows = [("R1", "S1", blade, 10, across, mm + 0.01 * (trial - 1) * (across == 0), trial)
    ...         for blade, across, mm in [("up", -3, 0.58), ("up", 0, 0.62), ("up", 3, 0.5),
    ...                                   ("down", -3, 0.5), ("down", 0, 0.62), ("down", 3, 0.58)]
    ...         for trial in (1, 2)]
    >>> table = pd.DataFrame(rows, columns=["reed_id", "session_id", "blade", "from_tip_mm",
    ...                                     "across_mm", "thickness_mm", "trial"])
    >>> found = blades(table)
    >>> found.table[["contrast", "blade", "across_mm", "estimate", "beyond"]].round(2)
           contrast blade  across_mm  estimate  beyond
    0  left − right    up       -3.0      0.08    True
    1  left − right  down       -3.0     -0.08    True
    2     up − down    up       -3.0      0.00   False
    3     up − down    up        0.0      0.00   False
    4     up − down    up        3.0      0.00   False
    """
    if resolution_mm is not None and not (isinstance(resolution_mm, Real) and resolution_mm > 0):
        raise CallError(f"resolution_mm is {resolution_mm!r}; a step of the gauge is above 0.")
    readings = gather_blades(data, reed_id, session_id)
    thickness = mean_thickness(readings)
    pairs, alone = pairs_of_places(thickness)
    sd, df = pooled_repeatability(readings.data)
    table = judged(pairs, sd, df, resolution_mm)
    profile, few = spine_smooth(thickness)
    return Blades(
        question=f"Where are the blades of reed {readings.reed} unequal?",
        table=table,
        cautions=(
            *_cautions(readings, table, alone, sd, df, resolution_mm),
            *few,
            *cautions_for("bench"),
        ),
        rows_used=len(readings.data),
        left_out=readings.left_out,
        thickness=thickness,
        gauge=gauge_table(sd, df),
        profile=profile,
        readings=readings,
    )


def blades_by_reed(
    data: pd.DataFrame | Study, *, resolution_mm: float | None = None
) -> dict[tuple[str, str], Blades]:
    """Compare the blades of every reed of a table, session by session.

    Parameters
    ----------
    data, resolution_mm
        As in :func:`blades`.

    Returns
    -------
    dict
        By reed and session (empty where none is recorded).

    Raises
    ------
    CallError, RecordError, ModelError
        As in :func:`blades`; the faults of all reeds at once.
    """
    found, faults = {}, []
    for reed, session in each_reed(data):
        try:
            found[reed, session or ""] = blades(data, reed, session, resolution_mm=resolution_mm)
        except ReedlabError as error:
            faults.append(error)
    if faults:
        raise type(faults[0])("\n".join(map(str, faults)))
    return found


def _cautions(
    readings: BladeReadings,
    table: pd.DataFrame,
    alone: list[str],
    sd: float,
    df: int,
    resolution_mm: float | None,
) -> list[str]:
    said = [ADVICE]
    if not df:
        said.append(
            "No place was read twice, so how well the gauge repeats itself is unknown"
            + (
                "; its resolution says only what rounding can do."
                if resolution_mm
                else ": read every place twice."
            )
        )
    elif sd <= ROUNDING:
        said.append(
            "All repeats are the same to the last digit: the steps of the gauge hide how well it "
            "repeats itself. State them as resolution_mm."
        )
    else:
        said.append(REPEATS)
        if df < len(readings.data) / 4:
            said.append(f"The yardstick rests on {df} repeats only.")
    if len(readings.left_out):
        rows = listed(readings.left_out["row"])
        said.append(f"Left out, thickness_mm missing: rows {rows}.")
    if alone:
        said.append(f"Not compared: {'; '.join(alone)}.")
    return said


def _thicker(row: dict) -> str:
    """Say which place is thicker, and by how much."""
    one = in_words(row["blade"], row["from_tip_mm"], row["across_mm"])
    other = in_words(row["other_blade"], row["from_tip_mm"], row["other_across_mm"])
    low, high = row["conf_low"], row["conf_high"]
    if row["estimate"] < 0:
        one, other, low, high = other, one, -high, -low
    against = "its mirror place" if row["contrast"] == "left − right" else f"the {other}"
    sure = "" if pd.isna(low) else f" (95 % {number_text(low, 2)} to {number_text(high, 2)})"
    return f"{one}, {number_text(abs(row['estimate']), 2)} mm thicker than {against}{sure}"
