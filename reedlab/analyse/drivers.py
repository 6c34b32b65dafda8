"""Which process variables drive a response, and by how much in bench units?"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.analyse.by_plan import by_the_plan
from reedlab.analyse.effects import effects_table, fit_factors
from reedlab.analyse.evidence import CAUTIONS, grade
from reedlab.analyse.frame import Frame
from reedlab.analyse.framed import Framed, gaps_caution
from reedlab.analyse.interactions import gather_asked, parts_of, told
from reedlab.analyse.keeping import keeping_table
from reedlab.analyse.looked import looked
from reedlab.analyse.reliability import reliability
from reedlab.analyse.strata import judged
from reedlab.analyse.words import effect_text, opening, with_minus, with_unit
from reedlab.errors import CallError
from reedlab.model.comparisons import holm
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.model import LinearFit

COLUMNS = (
    *("term", "contrast", "estimate", "std_error", "df", "conf_low", "conf_high", "unit"),
    *("num_df", "den_df", "statistic", "p_value", "p_adjusted", "share"),
    *("stratum", "n_units", "n_tubes", "n_reeds", "evidence"),
)


@dataclass(frozen=True)
class Drivers(Framed):
    """What drives a response; made by :func:`drivers`.

    Attributes
    ----------
    table : DataFrame
        One row a contrast: ``term, contrast`` (one step of a number, or a level against
        the first), ``estimate, std_error, df, conf_low, conf_high`` in ``unit``; the whole
        term's test ``num_df, den_df, statistic`` (F; for kept or discarded at reed level
        a penalised likelihood ratio on num_df, without den_df; missing where the p value
        is the plan's own), ``p_value``, ``p_adjusted`` (over the terms); ``share`` of the
        variance; ``stratum``, ``n_units`` of it, ``n_tubes, n_reeds`` and ``evidence``.
    """

    fit: "LinearFit | None" = None

    @property
    def shown(self) -> pd.DataFrame:
        """Rows worth telling: those of the strong factors, or the one nearest to it."""
        if self.strong:
            return self.table[self.table["term"].isin(self.strong)]
        return self.table.nsmallest(1, "p_value")

    def _say(self) -> str:
        what = self.response.label
        if self.response.kind == "binary":
            what = f"the share of reeds {what}"
        shown = self.shown.to_dict("records")
        begin = opening(
            self.table["term"].nunique(), len(self.strong), what, [row["evidence"] for row in shown]
        )
        effects = [f"{self.label(row['term'])} {effect_text(row)}" for row in shown]
        return f"{begin}: {'; '.join(effects)}."

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw every effect with its interval, in the response's unit."""
        from reedlab.charts import forest

        labels = [
            f"{self.label(row['term'])}: {with_minus(row['contrast'])}"
            for row in self.table.to_dict("records")
        ]
        unit = self.table["unit"].iloc[0]
        return forest(self.table, labels, with_unit(f"effect on {self.response.label}", unit), ax)

    def plot_factor(self, name: str, ax: "Axes | None" = None) -> "Axes":
        """Draw the reeds against one factor, with the model's means and their intervals.

        Points are reeds as measured (the mean of a reed's tests); the line or the
        diamonds hold the other factors fixed.
        """
        from reedlab.analyse.pictures import draw_factor

        if len(parts_of(name, {f.name: f for f in self._frame.factors})) == 2:
            raise CallError(f"'{name}' is an interaction: draw one of its factors.")
        return draw_factor(self._frame, self.fit, self._factor(name), ax)


@looked
def drivers(study: Study, response: str, factors: Sequence[str] | None = None) -> Drivers:
    """Find which process variables drive a response.

    Parameters
    ----------
    study : Study
    response : str
        A recorded response: continuous, ordinal (its levels taken as evenly spaced
        scores) or binary.
    factors : sequence of str, optional
        Factors to examine together; left out, all that the study declares and records. An
        interaction is written ``"shape:gouge_centre_mm"``: by how much a step of the one
        changes the effect of the other.

    Returns
    -------
    Drivers

    Raises
    ------
    CallError
        For a name that is not recorded, or a time.
    RecordError
        If rows stand twice.
    ModelError
        If no factor can be examined; the message gives every reason.

    Notes
    -----
    The error of each factor follows its stratum: lots, tubes, reeds and sessions in
    which rows repeat are random terms, so that a tube's level is judged by the
    variation between tubes; for kept or discarded see reedlab.analyse.keeping. Kept or
    discarded and ratings of planned batches get the p value of the plan's own shuffle,
    drawn again (reedlab.analyse.by_plan); a caution says so. P values are corrected over
    the factors looked at by Holm's method (1979), or by step-down maxT (Westfall & Young
    1993) where all come from the plan's shuffle. Share of variance:
    the variance of the factor's contribution over the rows, less what chance alone would
    give, over that of all contributions (each counted whole where they cancel) and
    components.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> found = drivers(example_study("batch"), "crow_cents")
    >>> found.table["term"].is_unique
    True
    """
    frame = gather_asked(study, response, factors)
    frame, chosen = judged(frame)
    fit, frame = fit_factors(frame, chosen)
    unit = frame.response.unit
    if frame.response.kind == "binary":
        unit = "percentage points"
        table, notes = keeping_table(frame, chosen, fit)
    else:
        table, notes = effects_table(fit, frame.factors), ()
    if frame.response.kind != "continuous":
        table, by_plan = by_the_plan(study, frame, chosen, table)
        notes = (*by_plan, *notes)
    table = _completed(told(table).assign(unit=unit), study, frame)
    repeat = reliability(study, response)
    if repeat is not None and repeat.poor:
        notes = (*notes, repeat.sentence)
    return Drivers(
        question=f"What drives {frame.response.label}?",
        table=table,
        cautions=_cautions(frame, table, (*chosen.cautions, *notes)),
        rows_used=len(frame.data),
        left_out=frame.left_out,
        frame=frame,
        fit=fit,
        reliability=repeat,
    )


def _completed(table: pd.DataFrame, study: Study, frame: Frame) -> pd.DataFrame:
    by_name = {factor.name: factor for factor in frame.factors}
    tests = table.drop_duplicates("term").set_index("term")["p_value"]
    if "p_adjusted" not in table:
        adjusted = pd.Series(holm(tests.to_numpy()), index=tests.index)
        table = table.assign(p_adjusted=table["term"].map(adjusted))
    return table.assign(
        stratum=[by_name[term].stratum for term in table["term"]],
        n_units=[frame.units(by_name[term].stratum) for term in table["term"]],
        n_tubes=frame.units("tube"),
        n_reeds=frame.units("reed"),
        evidence=[grade(study, frame, by_name[term]) for term in table["term"]],
    )[[*COLUMNS]]


def _cautions(frame: Frame, table: pd.DataFrame, notes: Sequence[str]) -> tuple[str, ...]:
    cautions = [CAUTIONS[g] for g in CAUTIONS if (table["evidence"] == g).any()]
    if frame.response.kind == "ordinal":
        cautions.append(
            f"{frame.response.label} is a scale of ordered levels, taken here as evenly spaced "
            "numbers; ratings takes it as an order."
        )
    return (*cautions, *gaps_caution(frame), *notes, *frame.cautions)
