"""The keep rate at each level of one factor, the other factors held alike.

The mixed model of kept as 1 and 0 says what share would be kept if every reed decided had
the level and all else as it was. Its standard error knows that reeds of a tube go
together; it is told as so many independent reeds, and the interval is Wilson's (1927)
with as many, so that it stays between none and all. Shares are 0 to 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.analyse.effects import fit_factors
from reedlab.analyse.evidence import CAUTIONS, grade
from reedlab.analyse.frame import Frame, gather, ordered_levels
from reedlab.analyse.strata import judged
from reedlab.analyse.words import share_with_interval
from reedlab.answer import Answer, counted, number_text
from reedlab.errors import ModelError
from reedlab.model import LinearFit
from reedlab.model.moderated import independent_covariance, moderated
from reedlab.schema import Factor
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: A number with more values than this is told at its tenth, half and nine tenths.
FEW_VALUES = 5


@dataclass(frozen=True)
class KeepRateByLevel(Answer):
    """The keep rate by level; made by ``keep_rate(study, by=...)``.

    Attributes
    ----------
    table : DataFrame
        One row a level: ``term, level``; ``share`` kept, adjusted for the other factors,
        with ``conf_low`` and ``conf_high`` (95 %, 0 to 1); ``n_units`` decided reeds of the
        level (of a number told at three places, all), ``n_tubes`` of these, ``evidence``.
    factor : Factor
    plain : tuple of float
        Share kept of the reeds of each level as counted; NaN for a number told at places.
    """

    factor: Factor | None = None
    plain: tuple[float, ...] = ()

    def _say(self) -> str:
        rows = [
            f"{row['level']} {share_with_interval(row)}, {counted(row['n_units'], 'reed')}"
            for row in self.table.to_dict("records")
        ]
        label = self.factor.label if self.factor else self.table["term"].iloc[0]
        return (
            f"Share of reeds kept by {label}, all else alike: {'; '.join(rows)} "
            f"({self.table['evidence'].iloc[0]})."
        )

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the adjusted shares with their intervals, and the shares as counted."""
        from reedlab.charts import COLOURS, shares

        label = self.factor.label if self.factor else ""
        labels = [
            f"{row['level']} ({counted(row['n_units'], 'reed')})"
            for row in self.table.to_dict("records")
        ]
        ax = shares(self.table, labels, "reeds kept, all else alike", ax)
        ax.plot(
            [100 * share for share in self.plain],
            range(len(self.plain)),
            "s",
            color=COLOURS["vermilion"],
            markerfacecolor="none",
            markersize=10,
            label="as counted",
        )
        ax.set_ylabel(label, parse_math=False)
        ax.legend(fontsize=8, frameon=False, loc="upper right")
        return ax


def by_level(study: Study, by: str, factors: Sequence[str] | None = None) -> KeepRateByLevel:
    """Tell the keep rate at each level of a factor; see :func:`reedlab.analyse.keep_rate`."""
    study.factor(by)
    names = None if factors is None else [*dict.fromkeys([by, *factors])]
    found = _fitted(study, by, names)
    if found is None and names != [by]:
        found = _fitted(study, by, [by])
    if found is None:
        reasons = gather(study, "kept", [by]).cautions
        raise ModelError(" ".join(["No keep rate by level can be told.", *reasons]))
    fit, frame = found
    factor = next(f for f in frame.factors if f.name == by)
    values = places(factor, frame)
    table = level_shares(fit, frame, factor, values)
    evidence = grade(study, frame, factor)
    here = [_at(frame, factor, value) for value in values]
    table = table.assign(
        n_units=[int(rows.sum()) for rows in here],
        n_tubes=[int(frame.data.loc[rows, "tube_id"].nunique()) for rows in here]
        if "tube_id" in frame.data
        else 0,
        evidence=evidence,
    )
    kept = frame.data["kept"]
    told_apart = factor.kind != "numeric" or frame.data[by].nunique() <= FEW_VALUES
    others = [f.label for f in frame.factors if f is not factor]
    note = f"Adjusted for {'; '.join(others)}." if others else "Adjusted for no other factor."
    return KeepRateByLevel(
        question=f"How many reeds are kept, by {factor.label}?",
        table=table,
        cautions=(*([CAUTIONS[evidence]] if evidence in CAUTIONS else []), note, *frame.cautions),
        rows_used=len(frame.data),
        left_out=frame.left_out,
        factor=factor,
        plain=tuple(float(kept[rows].mean()) if told_apart else np.nan for rows in here),
    )


def places(factor: Factor, frame: Frame) -> list:
    """Levels of a category, the few values of a number, or three places of many."""
    values = frame.data[factor.name]
    if factor.kind != "numeric":
        return ordered_levels(factor, sorted(values.unique()))
    if values.nunique() <= FEW_VALUES:
        return sorted(values.unique().tolist())
    return [float(f"{value:.3g}") for value in values.quantile([0.1, 0.5, 0.9])]


def level_shares(
    fit: LinearFit, frame: Frame, factor: Factor, values: Sequence[Any]
) -> pd.DataFrame:
    """Adjusted share kept at each value, with its interval.

    Parameters
    ----------
    fit : LinearFit
        The mixed model of kept as 1 and 0.
    frame : Frame
    factor : Factor
    values : sequence
        Levels or numbers.

    Returns
    -------
    DataFrame
        ``term, level, share, conf_low, conf_high``.
    """
    from scipy.stats import t as t_distribution

    rate = float(frame.data["kept"].mean())
    L = np.stack(
        [fit.fixed.rows(fit.fixed.data.assign(**{factor.name: v})).mean(axis=0) for v in values]
    )
    df = np.array([fit.test(row[None])[2] for row in L])
    if "tube_id" in frame.data:
        # A level is known by its own tubes: others may differ less among themselves.
        own = [frame.data.loc[_at(frame, factor, v), "tube_id"].nunique() for v in values]
        df = np.minimum(df, np.maximum(np.array(own) - 1, 1))
    chance = np.full(len(fit.fixed.X), rate)
    independent = np.diag(independent_covariance(L @ np.linalg.pinv(fit.fixed.X), chance))
    variance = moderated(df, np.diag(L @ fit.covariance() @ L.T), independent)
    share = np.clip(L @ fit.coefficients, 0, 1)
    low, high = wilson(share, rate * (1 - rate) / variance, t_distribution.ppf(0.975, df))
    return pd.DataFrame(
        {
            "term": factor.name,
            "level": [_named(factor, value) for value in values],
            "share": share,
            "conf_low": low,
            "conf_high": high,
        }
    )


def wilson(
    share: np.ndarray, reeds: np.ndarray, quantile: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Limits of Wilson's interval for a share of so many independent reeds.

    Examples
    --------
    >>> low, high = wilson(np.array([0.25]), np.array([12.0]), np.array([1.959964]))
    >>> round(float(low[0]), 4), round(float(high[0]), 4)
    (0.0889, 0.5323)
    """
    # With next to no degrees of freedom the quantile has no end; the limits are 0 and 1 then.
    square = np.minimum(quantile, 1e6) ** 2 / reeds
    middle = share + square / 2
    half = np.sqrt(square * (share * (1 - share) + square / 4))
    return np.maximum(0, (middle - half) / (1 + square)), np.minimum(
        1, (middle + half) / (1 + square)
    )


def _fitted(study: Study, by: str, names: Sequence[str] | None) -> tuple[LinearFit, Frame] | None:
    """The model of all factors; None if this one cannot be examined with them."""
    frame = gather(study, "kept", names)
    if by not in {f.name for f in frame.factors}:
        return None
    kept, decided = frame.data["kept"].sum(), len(frame.data)
    if kept in (0, decided):
        some = "was kept" if not kept else "was discarded"
        raise ModelError(
            f"None of {decided} decided reeds {some}: no level can be told from another."
        )
    frame, chosen = judged(frame)
    fit, frame = fit_factors(frame, chosen)
    return (fit, frame) if by in {f.name for f in frame.factors} else None


def _at(frame: Frame, factor: Factor, value: object) -> pd.Series:
    """The rows of a level; all rows for a place of a number with many values."""
    values = frame.data[factor.name]
    if factor.kind == "numeric" and values.nunique() > FEW_VALUES:
        return pd.Series(True, index=values.index)
    return values == value


def _named(factor: Factor, value: Any) -> str:
    if factor.kind != "numeric":
        return str(value)
    return f"{number_text(value, 4)} {factor.unit}".rstrip()
