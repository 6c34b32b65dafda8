"""What moves a rating, taken as the ordered scale that it is?"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.analyse.effects import fit_factors
from reedlab.analyse.evidence import CAUTIONS, grade
from reedlab.analyse.frame import Frame, gather
from reedlab.analyse.framed import Framed, gaps_caution
from reedlab.analyse.looked import looked
from reedlab.analyse.rating_effects import (
    PLAYER,
    POINTS,
    adjusted,
    at_least,
    fit_ratings,
    middle_cut,
    rating_name,
    rating_table,
    scale_cautions,
)
from reedlab.analyse.rating_players import Players, compare_players
from reedlab.analyse.rating_rows import require_rating, rows_that_differ
from reedlab.analyse.reliability import reliability
from reedlab.analyse.strata import judged
from reedlab.analyse.words import opening, with_minus
from reedlab.answer import counted, number_text
from reedlab.errors import CallError
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.model.link_groups import GroupedLinkFit

COLUMNS = (
    *("term", "contrast", "level", "estimate", "std_error", "df", "conf_low", "conf_high", "unit"),
    *("num_df", "den_df", "statistic", "p_value", "p_adjusted"),
    *("stratum", "n_units", "n_tubes", "n_reeds", "n_tests", "evidence"),
)


@dataclass(frozen=True)
class Ratings(Framed):
    """What moves a rating; made by :func:`ratings`.

    Attributes
    ----------
    table : DataFrame
        For each ``term`` and ``contrast`` first the log odds ratio of a higher rating
        (``level`` empty), then for each level but the lowest by how many percentage points
        more ratings are at least that ``level``: ``estimate, conf_low, conf_high`` in
        ``unit``; ``std_error`` and ``df`` of the log odds; the whole term's test ``num_df,
        den_df, statistic`` (F), ``p_value, p_adjusted`` (Holm, over the factors);
        ``stratum, n_units`` of it, ``n_tubes, n_reeds, n_tests`` and ``evidence``. The term
        ``player_id`` is the players' own level, where players are fewer than five.
    cut : str
        The level that the sentence speaks of: it parts the ratings most nearly in halves.
    """

    cut: str = ""
    compared: Players | None = None
    fit: "GroupedLinkFit | None" = None

    @property
    def players(self) -> pd.DataFrame:
        """One row a player: how high it rates; see :class:`Players` in rating_players."""
        return self._compared.players

    @property
    def agreement(self) -> pd.DataFrame:
        """Whether players put the same reeds in the same order: Kendall's W."""
        return self._compared.agreement

    @property
    def reeds(self) -> pd.DataFrame:
        """One row a reed: its mean place among each player's ratings (ridit, 0 to 1)."""
        return self._compared.reeds

    @property
    def _compared(self) -> Players:
        if self.compared is None:
            raise CallError("These ratings were made without their players.")
        return self.compared

    def _say(self) -> str:
        shown = self._shown()
        factors, what = self._frame.factors, self.response.label
        begin = opening(len(factors), len(self.strong), what, [row["evidence"] for row in shown])
        told = [f"{begin}: {'; '.join(map(self._effect, shown))}."]
        told.append(self._compared.sentence)
        told.append(self.reliability.sentence if self.reliability else "")
        return " ".join(text for text in told if text)

    def _shown(self) -> list[dict]:
        rows = self.table[(self.table["unit"] == POINTS) & (self.table["level"] == self.cut)]
        rows = rows[rows["p_adjusted"].notna()]
        if self.strong:
            return rows[rows["term"].isin(self.strong)].to_dict("records")
        return rows.nsmallest(1, "p_value").to_dict("records")

    def _effect(self, row: dict) -> str:
        factor = self._factor(row["term"])
        step = with_minus(row["contrast"])
        if factor.kind == "categorical":
            first, _, other = row["contrast"].rpartition(" - ")
            step = f"{first} instead of {other}"
        count = counted(row["n_units"], row["stratum"])
        if row["stratum"] != "reed" and row["n_reeds"]:
            count += f", {counted(row['n_reeds'], 'reed')}"
        return (
            f"{factor.label} {step}: {_points(row['estimate'])} ratings of {self._at_least} "
            f"(95 % {_range(row)}; {row['evidence']}, {count}, "
            f"{counted(row['n_tests'], 'rating')})"
        )

    @property
    def _at_least(self) -> str:
        return at_least(self._frame, middle_cut(self._frame))

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw every effect on the told cut with its interval, in percentage points."""
        from reedlab.charts import forest

        rows = self.table[(self.table["unit"] == POINTS) & (self.table["level"] == self.cut)]
        labels = {f.name: f.label for f in (*self._frame.factors, PLAYER)}
        words = [f"{labels[t]}: {with_minus(c)}" for t, c in rows[["term", "contrast"]].to_numpy()]
        what = f"more ratings of {self._at_least}, percentage points"
        return forest(rows, words, what, ax)

    def plot_factor(self, name: str, ax: "Axes | None" = None) -> "Axes":
        """Draw every rating by the levels of a factor, and how many are at least so high."""
        from reedlab.analyse.rating_picture import draw_ratings

        if self.fit is None:
            raise CallError("There is no model to draw.")
        return draw_ratings(self._frame, self.fit, self._factor(name), ax)


@looked
def ratings(study: Study, response: str, factors: Sequence[str] | None = None) -> Ratings:
    """Find what moves a rating, without taking its levels as evenly spaced.

    Parameters
    ----------
    study : Study
    response : str
        A recorded ordinal response.
    factors : sequence of str, optional
        Factors to examine together; left out, all that the study declares and records.

    Returns
    -------
    Ratings

    Raises
    ------
    CallError
        For a name that is not recorded, or a response that is not ordinal.
    RecordError
        If rows stand twice.
    ModelError
        If all ratings are the same, or no factor can be examined.

    Notes
    -----
    Proportional odds (McCullagh 1980) with the players' own levels: as blocks where they
    are fewer than five, else at random. A cumulative-link model's own z tests call too many
    null batches of few tubes an effect (of 8 tubes 16 to 25 % instead of 5, and still 10 to
    13 % with tubes at random); here every factor is judged as in
    :func:`reedlab.analyse.drivers`, by the variation of the thing to which its level was
    given, with small-sample degrees of freedom
    (:func:`reedlab.model.link_groups.fit_link_groups`, its calibration in
    tests/model/test_calibration_link.py). Log odds ratios are averages over tubes, reeds and
    sessions. Intervals of percentage points are those of the log odds, brought to the scale
    about the middle of the two levels.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> found = ratings(example_study("batch"), "rating_overall", ["shape"])
    >>> found.table["level"].tolist()
    ['', '2', '3', '4', '5']
    """
    require_rating(study, response)
    everything = gather(study, response, factors)
    frame = rows_that_differ(everything)
    frame, chosen = judged(frame)
    _, frame = fit_factors(frame, chosen)
    fit = fit_ratings(frame, chosen)
    cut = middle_cut(frame)
    compared = compare_players(everything, cut, rating_name(frame, cut))
    return Ratings(
        question=f"What moves {frame.response.label}, level by level?",
        table=_completed(rating_table(frame, fit), study, frame),
        cautions=(
            *_cautions(study, frame),
            *scale_cautions(frame, fit),
            *compared.cautions,
            *chosen.cautions,
            *frame.cautions,
        ),
        rows_used=len(frame.data),
        left_out=frame.left_out,
        cut=rating_name(frame, cut),
        reliability=reliability(study, response),
        compared=compared,
        frame=frame,
        fit=fit,
    )


def _completed(table: pd.DataFrame, study: Study, frame: Frame) -> pd.DataFrame:
    by_name = {factor.name: factor for factor in frame.factors}
    strata = {name: factor.stratum for name, factor in by_name.items()} | {PLAYER.name: "player"}
    units = {name: frame.units(factor.stratum) for name, factor in by_name.items()}
    units[PLAYER.name] = frame.data["player_id"].nunique() if "player_id" in frame.data else 0
    grades = {name: grade(study, frame, factor) for name, factor in by_name.items()}
    return table.assign(
        p_adjusted=adjusted(table, frame.factors),
        stratum=table["term"].map(strata),
        n_units=table["term"].map(units),
        n_tubes=frame.units("tube"),
        n_reeds=frame.units("reed"),
        n_tests=len(frame.data),
        evidence=table["term"].map({PLAYER.name: "observed"} | grades),
    )[[*COLUMNS]]


def _cautions(study: Study, frame: Frame) -> list[str]:
    grades = {grade(study, frame, factor) for factor in frame.factors}
    cautions = [text for name, text in CAUTIONS.items() if name in grades]
    return cautions + gaps_caution(frame)


def _points(estimate: float) -> str:
    more = "more" if estimate >= 0 else "fewer"
    return f"{number_text(abs(estimate), 2)} percentage points {more}"


def _range(row: dict) -> str:
    """Write an interval of percentage points in the direction of its estimate."""
    low, high = row["conf_low"], row["conf_high"]
    if low < 0 < high:
        return f"{number_text(-low, 2)} fewer to {number_text(high, 2)} more"
    near, far = sorted((abs(low), abs(high)))
    return f"{number_text(near, 2)} to {number_text(far, 2)}"
