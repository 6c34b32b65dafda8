"""Can a model of drivers be trusted: residuals, single tubes, factors that go together."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.analyse.effects import contrasts, effects_table, fit_factors
from reedlab.analyse.frame import Frame, gather
from reedlab.analyse.looked import with_asked
from reedlab.analyse.strata import Layout, judgeable, judged
from reedlab.analyse.words import with_unit
from reedlab.answer import Answer, number_text, percent_text
from reedlab.errors import ModelError
from reedlab.model import LinearFit
from reedlab.model.inflation import variance_inflation
from reedlab.model.threads import one_thread
from reedlab.pieces import in_pieces
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: A residual beyond so many standard deviations is worth a look at its row.
FAR = 3.0
#: Inflation above which a factor's effect is hardly its own (common practice, no source).
HIGH_INFLATION = 5.0


@dataclass(frozen=True)
class Residuals(Answer):
    """What a model leaves unexplained, row by row; made by :func:`residuals`.

    Attributes
    ----------
    table : DataFrame
        ``file, row, fitted, residual, unit``, the largest residual first.
    """

    def _say(self) -> str:
        size = self.table["residual"]
        far = self.table[size.abs() > FAR * size.std()]
        if far.empty:
            return f"No row lies more than {FAR:g} standard deviations from its fitted value."
        where = ", ".join(
            f"rows {', '.join(map(str, part['row']))} of {file}"
            for file, part in far.head(6).groupby("file", sort=False)
        )
        return (
            f"{len(far)} of {len(self.table)} rows lie more than {FAR:g} standard deviations from "
            f"their fitted value; look at {where}."
        )

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw residuals against fitted values."""
        from reedlab.charts import about_zero

        fitted, residual = (
            with_unit(word, self.table["unit"].iloc[0]) for word in ("fitted", "residual")
        )
        return about_zero(self.table["fitted"], self.table["residual"], fitted, residual, ax)

    def plot_normal(self, ax: "Axes | None" = None) -> "Axes":
        """Draw residuals against those of a normal distribution; on the line is normal."""
        from scipy.stats import norm

        from reedlab.charts import about_line

        ordered = np.sort(self.table["residual"].to_numpy())
        # Plotting positions (i - 1/2) / n, Hazen (1914).
        places = (np.arange(len(ordered)) + 0.5) / len(ordered)
        expected = norm.ppf(places) * ordered.std(ddof=1)
        return about_line(expected, ordered, with_unit("residual", self.table["unit"].iloc[0]), ax)


@dataclass(frozen=True)
class Influence(Answer):
    """What each tube does to the effects; made by :func:`influence`.

    Attributes
    ----------
    table : DataFrame
        One row a tube and contrast: ``tube_left_out, term, contrast, estimate`` without
        the tube, ``estimate_all`` with it, ``change, std_error`` (of estimate_all),
        ``unit``; the largest change in standard errors first.
    """

    def _say(self) -> str:
        top = self.table.iloc[0]
        moved = abs(top["change"]) / top["std_error"]
        unit = f" {top['unit']}" if top["unit"] else ""
        return (
            f"The most influential tube is {top['tube_left_out']}: without it the effect of "
            f"{top['term']} ({top['contrast']}) is {number_text(top['estimate'])}{unit} "
            f"instead of {number_text(top['estimate_all'])}, a change of {number_text(moved, 2)} "
            "standard errors."
        )

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the change that each tube makes, in standard errors, by effect."""
        from reedlab.charts import strips

        sizes = self.table["change"] / self.table["std_error"]
        labels = self.table["term"] + ": " + self.table["contrast"]
        return strips(labels, sizes, "change without one tube, in standard errors", ax)


@dataclass(frozen=True)
class Collinearity(Answer):
    """Which factors went together; made by :func:`collinearity`.

    Attributes
    ----------
    table : DataFrame
        ``term, r_squared`` (how much of the factor the others explain), ``inflation``
        (1 / (1 - r_squared)), the largest first.
    """

    def _say(self) -> str:
        top = self.table.iloc[0]
        if top["inflation"] < HIGH_INFLATION:
            return (
                f"No factor is tied to the others: the most, {top['term']}, is explained by them "
                f"to {percent_text(top['r_squared'])}."
            )
        tied = self.table.loc[self.table["inflation"] >= HIGH_INFLATION]
        shown = ", ".join(
            f"{row['term']} ({percent_text(row['r_squared'])})" for row in tied.to_dict("records")
        )
        return f"Tied to the other factors, so that effects can hardly be told apart: {shown}."

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw how much of each factor the others explain."""
        from reedlab.charts import dots

        return dots(
            self.table["term"],
            self.table["r_squared"] * 100,
            "explained by the other factors, %",
            ax,
        )


@with_asked
def residuals(study: Study, response: str, factors: Sequence[str] | None = None) -> Residuals:
    """Show what the model of :func:`drivers` leaves unexplained.

    Parameters are those of :func:`drivers`.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> left = residuals(example_study("batch"), "crow_cents").table["residual"].abs()
    >>> left.is_monotonic_decreasing
    True
    """
    frame, _, fit = _modelled(study, response, factors)
    table = pd.DataFrame(
        {
            "file": study.sheets[frame.response.table].file,
            "row": fit.fitted.index,
            "fitted": fit.fitted.to_numpy(),
            "residual": fit.residuals.to_numpy(),
            "unit": frame.response.unit,
        }
    ).sort_values("residual", key=abs, ascending=False, ignore_index=True)
    return Residuals(
        f"What is left unexplained of {frame.response.label}?",
        study.traced(table),
        frame.cautions,
        len(table),
        frame.left_out,
    )


@with_asked
def influence(study: Study, response: str, factors: Sequence[str] | None = None) -> Influence:
    """Fit the model of :func:`drivers` again without each tube in turn.

    Parameters are those of :func:`drivers`. Tubes without which a factor has one level
    only, or cannot be told from another, are named among the cautions. For kept or
    discarded the effects are those of the mixed model of 1 and 0, in percentage points.

    Raises
    ------
    ModelError
        If no tube is recorded, or none can be left out.
    """
    frame, chosen, fit = _modelled(study, response, factors)
    if "tube_id" not in frame.data:
        raise ModelError("No tube is recorded in these rows, so none can be left out.")
    everything = effects_table(fit, frame.factors).set_index(["term", "contrast"])
    parts, cautions = [], []
    tubes = frame.data.groupby("tube_id", observed=True)
    by_tube = {str(tube): rows.index for tube, rows in tubes}
    refits = in_pieces(partial(_without, frame, chosen, fit), list(by_tube.values()))
    for tube, found in zip(by_tube, refits, strict=True):
        if isinstance(found, str):
            cautions.append(f"Without tube {tube} there is no model: {found}")
            continue
        estimates, told = found
        parts.append(estimates.assign(tube_left_out=tube))
        cautions += [f"Without tube {tube}: {c}" for c in told if c not in frame.cautions]
    # Without a tube the first level may be another, and contrasts against it are not the same.
    parts = [
        p[pd.MultiIndex.from_frame(p[["term", "contrast"]]).isin(everything.index)] for p in parts
    ]
    if not sum(map(len, parts)):
        raise ModelError("\n".join(["No tube can be left out.", *cautions]))
    table = pd.concat(parts, ignore_index=True)
    known = everything.loc[list(zip(table["term"], table["contrast"], strict=True))]
    table["estimate_all"] = known["estimate"].to_numpy()
    table["std_error"] = known["std_error"].to_numpy()
    unit = frame.response.unit
    if frame.response.kind == "binary":
        unit = "percentage points"
        table[["estimate", "estimate_all", "std_error"]] *= 100
    table["change"] = table["estimate"] - table["estimate_all"]
    table["unit"] = unit
    order = (table["change"].abs() / table["std_error"]).sort_values(ascending=False).index
    columns = ["tube_left_out", "term", "contrast", "estimate", "estimate_all", "change"]
    return Influence(
        f"Does one tube make the effects on {frame.response.label}?",
        table.loc[order, [*columns, "std_error", "unit"]].reset_index(drop=True),
        (*frame.cautions, *cautions),
        len(frame.data),
        frame.left_out,
    )


@with_asked
def collinearity(study: Study, response: str, factors: Sequence[str] | None = None) -> Collinearity:
    """Show how far the factors of :func:`drivers` go together in the rows used.

    Parameters are those of :func:`drivers`. Categories of several levels are taken
    whole: the generalised inflation of Fox & Monette (1992), brought to one degree of
    freedom.
    """
    frame, _, fit = _modelled(study, response, factors)
    inflation = variance_inflation(fit, [factor.name for factor in frame.factors])
    table = pd.DataFrame(
        {
            "term": [factor.name for factor in frame.factors],
            "r_squared": 1 - 1 / inflation,
            "inflation": inflation,
        }
    ).sort_values("inflation", ascending=False, ignore_index=True)
    return Collinearity(
        "Which factors went together?", table, frame.cautions, len(frame.data), frame.left_out
    )


def _modelled(
    study: Study, response: str, factors: Sequence[str] | None
) -> tuple[Frame, Layout, LinearFit]:
    frame, chosen = judged(gather(study, response, factors))
    fit, frame = fit_factors(frame, chosen)
    return frame, chosen, fit


@one_thread
def _without(
    frame: Frame, chosen: Layout, whole: LinearFit, rows: pd.Index, _seed: np.random.SeedSequence
) -> tuple[pd.DataFrame, tuple[str, ...]] | str:
    """Effects without some rows and what to know of them, or why there is no model."""
    try:
        smaller = judgeable(frame.dropped(rows), chosen)
        fit, smaller = fit_factors(smaller, chosen)
    except ModelError as error:
        return str(error)
    parts = []
    for factor in smaller.factors:
        names, L = contrasts(fit, factor, like=whole)
        parts.append(
            pd.DataFrame({"term": factor.name, "contrast": names, "estimate": L @ fit.coefficients})
        )
    return pd.concat(parts, ignore_index=True), smaller.cautions
