"""How long do reeds last, and what predicts it?

The median life in hours of playing and in days, by Kaplan and Meier, and how many
times as fast reeds wear out at other levels of a factor, by Cox's model. Reeds still
in use count for as long as they are known to have lasted.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.analyse.evidence import CAUTIONS
from reedlab.analyse.frame import Frame
from reedlab.analyse.lasting_effects import effect_rows, examine, level_curves
from reedlab.analyse.lasting_rows import (
    NOT_WEAR,
    WORN_OUT,
    Lives,
    as_day,
    checked_scale,
    curve_of,
    life_spans,
    recorded_scales,
    require_worn_out,
)
from reedlab.analyse.lasting_text import LEVEL, lasting_text
from reedlab.analyse.looked import looked
from reedlab.answer import Answer, counted
from reedlab.errors import CallError, ModelError, unknown_name
from reedlab.model.survival import SurvivalCurve
from reedlab.schema import Factor
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Fewer worn-out reeds than this are called few.
FEW_EVENTS = 10
COLUMNS = (
    *("quantity", "term", "level", "contrast", "estimate", "conf_low", "conf_high", "unit"),
    *("longest", "num_df", "den_df", "statistic", "p_value", "p_adjusted"),
    *("stratum", "n_units", "n_tubes", "n_reeds", "n_worn_out", "method", "evidence"),
)


@dataclass(frozen=True)
class Lasting(Answer):
    """How long reeds last; made by :func:`lasting`.

    Attributes
    ----------
    table : DataFrame
        First the rows with ``quantity`` "median": ``estimate`` with ``conf_low`` and
        ``conf_high`` in ``unit`` (hours or days); infinite is "not reached", and ``longest``
        says by when. Without a ``term`` they are of all reeds, else of a ``level``. Then
        those with "hazard ratio": a ``contrast`` of a ``term``, ``estimate`` in times as
        fast; the whole term's test ``statistic`` (F on num_df and den_df; without den_df a
        likelihood ratio, chi-squared on num_df), ``p_value`` and ``p_adjusted`` (Holm, over
        the terms). Each with ``n_reeds``, ``n_worn_out``, ``n_tubes`` and ``evidence``.
    scale : {"hours", "days"}
        The scale of levels, hazard ratios and pictures.
    """

    scale: str = "hours"
    lives: Lives | None = None
    tubes: pd.Series | None = None
    frames: Mapping[str, Frame] = field(default_factory=dict)

    @property
    def strong(self) -> tuple[str, ...]:
        """Factors that go with how long reeds last beyond chance, corrected for their number."""
        return tuple(self.table.loc[self.table["p_adjusted"] < LEVEL, "term"].unique())

    @property
    def curve(self) -> SurvivalCurve:
        """The curve of all reeds; its ``steps`` is a table."""
        if self.lives is None or self.tubes is None:
            raise CallError("This answer was made without its rows.")
        return _curve(self.lives, self.tubes)

    def label(self, term: str) -> str:
        """Words for a factor."""
        frame = self._frame(term)
        return next(factor.label for factor in frame.factors if factor.name == term)

    def _frame(self, term: str) -> Frame:
        if term not in self.frames:
            raise unknown_name("factor", term, self.frames)
        return self.frames[term]

    def _say(self) -> str:
        return lasting_text(self.table, self.label)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the share of reeds not yet worn out against use, with its interval."""
        from reedlab.analyse.lasting_picture import draw_lives

        return draw_lives({"": self.curve}, self.scale, ax=ax)

    def plot_factor(self, name: str, ax: "Axes | None" = None) -> "Axes":
        """Draw a curve for each level of a factor that was examined."""
        from reedlab.analyse.lasting_picture import draw_lives

        frame = self._frame(name)
        factor = next(factor for factor in frame.factors if factor.name == name)
        return draw_lives(level_curves(frame, factor), self.scale, factor.label, ax)


@looked
def lasting(
    study: Study,
    factors: Sequence[str] | None = None,
    *,
    scale: str = "hours",
    until: date | str | None = None,
    not_wear: Sequence[str] = NOT_WEAR,
) -> Lasting:
    """Tell how long reeds last, and which factors go with it.

    Parameters
    ----------
    study : Study
        With a table life.
    factors : sequence of str, optional
        Factors of lot, tube or reed; left out, all that are declared and recorded; an empty
        list looks at none.
    scale : {"hours", "days"}
        Hours of playing, or days from first to last played. The medians are told in both
        where both are recorded; the factors are judged on this one.
    until : date or str, optional
        A reed that played later is followed until this day only, as still in use. Left
        out, today: nobody has played later yet.
    not_wear : sequence of str
        Reasons of an end that is no wear. A reed that ended so, and every reed that is not
        retired, lasted at least so long (censored).

    Returns
    -------
    Lasting

    Raises
    ------
    CallError
        For names that are not recorded, and where no life is recorded at all.
    RecordError
        If a reed stands twice, or `retired` holds what is neither true nor false.
    ModelError
        If no reed is worn out yet, there is one reed only, or no factor asked for can be
        examined.

    Notes
    -----
    Medians: Kaplan and Meier (1958) with log-log limits inverted (Brookmeyer & Crowley
    1982). Hazard ratios: Cox (1972), ties by Efron (1977), with Firth's penalty where
    fewer than ten reeds a coefficient are worn out (Heinze & Schemper 2001). Reeds of a
    tube share its cane: medians and effects are judged as if reeds were independent and by
    the spread between tubes, and the less sure of the two stands (see reedlab.model.hazard).
    Proportionality is checked after Grambsch & Therneau (1994). Censoring is taken to have
    nothing to do with wear: where good reeds are given away, medians come out too short.

    The end is taken to be the last day of play. A record that only knows that a reed
    was well at one inspection and dead at the next has no column for it here: the day
    typed is taken as exact, and lives come out too long by part of that gap.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> found = lasting(example_study("season"), [])
    >>> found.table[["quantity", "estimate", "unit", "n_reeds", "n_worn_out"]]
      quantity  estimate   unit  n_reeds  n_worn_out
    0   median      19.5  hours       32          24
    1   median      64.0   days       32          24
    """
    checked_scale(scale)
    for name, given in (("factors", factors), ("not_wear", not_wear)):
        if isinstance(given, str):
            raise CallError(f'{name} is a list: write ["{given}"].')
    last, scales = as_day(until), recorded_scales(study)
    lives = {each: life_spans(study, each, last, not_wear) for each in {*scales, scale}}
    own = lives[scale]
    require_worn_out(own)
    tubes = _tubes(study, own)
    medians = [_median_row(study, lives[each]) for each in scales if len(lives[each].data)]
    predictors = _predictors(study, own, factors)
    table = pd.concat([pd.DataFrame(medians), predictors.table], ignore_index=True)
    return Lasting(
        question="How long do reeds last, and what predicts it?",
        table=table.reindex(columns=[*COLUMNS]),
        cautions=(*own.cautions, *_dependence(own, tubes), *predictors.cautions),
        rows_used=len(own.data),
        left_out=own.left_out,
        scale=scale,
        lives=own,
        tubes=tubes,
        frames=predictors.frames,
    )


@dataclass(frozen=True)
class _Predictors:
    """Rows of the table that speak of factors, the rows behind them, and what to know."""

    table: pd.DataFrame
    frames: Mapping[str, Frame]
    cautions: tuple[str, ...]


def _predictors(study: Study, lives: Lives, factors: Sequence[str] | None) -> _Predictors:
    if factors is not None and not len(factors):
        return _Predictors(pd.DataFrame(), {}, ())
    examined = examine(study, lives, factors)
    if not examined.judged:
        if factors is None:
            return _Predictors(pd.DataFrame(), {}, examined.cautions)
        raise ModelError(
            "\n".join(["No factor can be examined.", *dict.fromkeys(examined.cautions)])
        )
    levels = [
        row
        for judged in examined.judged
        for row in _level_rows(judged.frame, judged.factor, lives.scale)
    ]
    effects = effect_rows(study, examined)
    grades = [CAUTIONS[name] for name in CAUTIONS if (effects["evidence"] == name).any()]
    return _Predictors(
        pd.concat([pd.DataFrame(levels), effects], ignore_index=True),
        {judged.factor.name: judged.frame for judged in examined.judged},
        (*grades, *examined.cautions),
    )


def _tubes(study: Study, lives: Lives) -> pd.Series:
    """The tube of each reed, missing where none is recorded; the index is that of the lives."""
    reeds = study.tables.get("reeds")
    if reeds is None or "tube_id" not in reeds:
        return pd.Series(None, lives.data.index, dtype="str")
    by_reed = reeds.dropna(subset="reed_id").set_index("reed_id")["tube_id"]
    return lives.data["reed_id"].map(by_reed)


def _curve(lives: Lives, tubes: pd.Series) -> SurvivalCurve:
    return curve_of(lives.data["lasted"], lives.data[WORN_OUT], tubes)


def _median_row(study: Study, lives: Lives) -> dict[str, object]:
    tubes = _tubes(study, lives)
    row = _row(_curve(lives, tubes), lives.scale)
    return row | {"term": "", "level": "", "n_tubes": tubes.nunique()}


def _level_rows(frame: Frame, factor: Factor, scale: str) -> list[dict[str, object]]:
    return [
        _row(curve, scale) | {"term": factor.name, "level": level, "stratum": factor.stratum}
        for level, curve in level_curves(frame, factor).items()
    ]


def _row(curve: SurvivalCurve, scale: str) -> dict[str, object]:
    estimate, low, high = curve.median()
    judge = "reeds" if curve.groups is None else "tubes"
    if len(curve.time) == 1:
        low, high = np.nan, np.nan  # one reed has no interval
    return {
        "quantity": "median",
        "estimate": estimate,
        "conf_low": low,
        "conf_high": high,
        "unit": scale,
        "longest": float(curve.time.max()),
        "n_reeds": len(curve.time),
        "n_worn_out": int(curve.event.sum()),
        "method": f"Kaplan-Meier, log-log limits, judged by {judge}",
        "evidence": "observed",
    }


def _dependence(lives: Lives, tubes: pd.Series) -> list[str]:
    """What must be known of few worn-out reeds, and of reeds that share a tube."""
    notes = []
    if lives.events < FEW_EVENTS:
        notes.append(
            f"Only {counted(lives.events, 'reed')} {'is' if lives.events == 1 else 'are'} worn "
            "out: the rest of the record says little of how long reeds last."
        )
    if tubes.isna().all():
        notes.append("No tube is recorded, so reeds are taken as independent.")
    elif tubes.nunique() == 1 < len(tubes):
        notes.append("All reeds come of one tube: what is found holds for its cane.")
    elif tubes.isna().any():
        notes.append(
            f"{counted(tubes.isna().sum(), 'reed')} of no recorded tube: taken as of a tube each."
        )
    return notes
