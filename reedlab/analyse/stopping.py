"""At which test should I stop working on a reed, what does that save, what does it cost?

The rule is learnt from the reeds of the record and judged on reeds of tubes that it was not
learnt from. Work is in minutes, shares in percent. Reeds that were stopped early are never
finished, so nobody knows what they would have become: shares are put right by the spared
ones, a random few that were finished all the same; without them by Begg and Greenes'
correction, which cannot be checked.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.analyse.looked import looked
from reedlab.analyse.stopping_judged import ALL, Judged, cut_table, judged_table
from reedlab.analyse.stopping_learn import (
    expected_ends,
    learn,
    measures_at_most,
    round_cuts,
    stopped,
    telling,
    verdicts_by_tube,
)
from reedlab.analyse.stopping_needs import methods_for, require_enough, require_later
from reedlab.analyse.stopping_rows import StoppingRows, goodness, stopping_rows
from reedlab.analyse.stopping_stages import FIRST, Minutes, costs
from reedlab.analyse.stopping_text import cautions, rule_text, said, stage_words
from reedlab.answer import Answer
from reedlab.errors import CallError, ModelError, unknown_name
from reedlab.schema import Response
from reedlab.schema.factors import is_number
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: How reeds are stopped: by cuts in single measures, or by the chance that all of them leave.
CUTS, CHANCE = "cuts", "chance"


@dataclass(frozen=True)
class StoppingRule(Answer):
    """Which reeds to stop; made by :func:`stopping_rule`.

    Attributes
    ----------
    table : DataFrame
        One row a figure and method: ``term``, ``rule``, ``estimate``, ``conf_low``,
        ``conf_high``, ``unit``, ``method`` (spared, Begg & Greenes or naive), ``n_reeds``,
        ``n_tubes``, ``evidence``. The first method is the one to go by. Where no cut is
        worth it there is one row, the minutes of finishing all.
    rule : str
        The line for the bench card.
    chances : DataFrame
        One row a reed: ``reed_id``, ``estimate``, the chance of ending as a keeper given what
        is known at the stage, ``unit`` (%), and ``rule``, stop or carry on.
    sure : float
        Chance that the rule takes fewer minutes for a keeper than finishing all, 0 to 1.
    """

    rule: str = ""
    sure: float = float("nan")
    at: str = FIRST
    chances: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    judged: "Judged | None" = field(default=None, repr=False)

    def _say(self) -> str:
        return said(self.table, self.at, self.rule, self.sure)

    def stops(self, seen: Mapping[str, float]) -> bool:
        """Say whether the rule stops a reed that showed this at the stage.

        Parameters
        ----------
        seen : mapping of str to number
            What was measured, by response, in bench units (of words their place, from 1);
            more than the rule goes by may be there.

        Returns
        -------
        bool
            False where no cut is worth it.

        Raises
        ------
        CallError
            If a measure that the rule goes by is missing or no number.

        Examples
        --------
        >>> from reedlab.demo import example_study
        >>> rule = stopping_rule(example_study("season"), at="first test")
        >>> rule.stops({"dynamic_range_db": 12.0}), rule.stops({"dynamic_range_db": 14.0})
        (True, False)
        """
        learnt, measures = self._judged.learnt, self._judged.rows.measures
        if self._judged.by_line:
            return self.chance(seen) < learnt.line
        used = np.isfinite(learnt.cuts)
        if not used.any():
            return False
        G = _goodness_of(seen, [m for m, cut in zip(measures, used, strict=True) if cut])
        return bool(stopped(G, learnt.cuts[used])[0])

    def chance(self, seen: Mapping[str, float]) -> float:
        """Return the chance that a reed which showed this at the stage becomes a keeper.

        Parameters
        ----------
        seen : mapping of str to number
            As for :meth:`stops`; every measure that the rule looks at must be there.

        Returns
        -------
        float
            0 to 1.

        Raises
        ------
        CallError
            If a measure is missing or no number.
        ModelError
            If all reeds of the record ended alike.

        Examples
        --------
        >>> from reedlab.demo import example_study
        >>> rule = stopping_rule(example_study("season"), at="first test", by="chance")
        >>> round(rule.chance({"dynamic_range_db": 12.0, "crow_cents": -10.0}), 2)
        0.2
        """
        if self._judged.learnt.model is None:
            raise ModelError("All reeds ended alike: a chance cannot be learnt from them.")
        G = _goodness_of(seen, self._judged.rows.measures)
        return float(self._judged.learnt.chance(G)[0])

    @cached_property
    def by_cut(self) -> pd.DataFrame:
        """Minutes for each keeper by the leading measure's cut, the other cuts as they are.

        Returns
        -------
        DataFrame
            value (the cut, in the measure's unit), estimate, conf_low, conf_high (minutes).
        """
        return cut_table(self._judged, self.table["method"].iloc[0])

    @property
    def _judged(self) -> Judged:
        if self.judged is None:
            raise ModelError("This rule was not learnt from reeds; there is nothing to draw.")
        return self.judged

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the minutes for each keeper against the cut, with the reeds below."""
        from reedlab.analyse.stopping_picture import draw_cuts

        finishing = float(self.table.loc[self.table["term"] == ALL, "estimate"].iloc[0])
        if not np.isfinite(finishing):
            raise ModelError(
                "There is no picture: what a keeper takes if all are finished is not known."
            )
        return draw_cuts(self._judged, self.by_cut, finishing, ax)


@looked
def stopping_rule(
    study: Study,
    at: str = FIRST,
    minutes: Minutes = None,
    *,
    predictors: Sequence[str] | None = None,
    by: str = CUTS,
    cane_minutes: float | None = None,
    seed: int = 1,
) -> StoppingRule:
    """Find which reeds to stop working on at a stage.

    Parameters
    ----------
    study : Study
    at : str
        A stage of the tests, or "first test" for each reed's first.
    minutes : number, pair or mapping, optional
        Work on a reed: the minutes that finishing it still takes after the stage; or (minutes
        until the stage, minutes until finished); or minutes so far by stage. Left out, the
        stages of the settings; if there are none, the minutes recorded for reeds.
    predictors : sequence of str, optional
        One to three responses to go by, all used. Left out, the one or two that tell most.
    by : str
        "cuts", a round number for each measure, to be written on the bench card; or "chance",
        one line through the chance of a keeper, which weighs the measures together but must be
        reckoned for every reed (:meth:`StoppingRule.stops`).
    cane_minutes : float, optional
        What the cane of a reed costs, in minutes of work; left out, that of the settings.
    seed : int
        Of the parts that the tubes are divided into, and of the draws behind intervals.

    Returns
    -------
    StoppingRule

    Raises
    ------
    CallError
        For a stage, response, way to stop or minutes that are not there or cannot be.
    RecordError
        If rows stand twice, or stages are not those declared.
    ModelError
        If too few reeds are finished to learn from, or all come from one tube.

    Notes
    -----
    Minutes per keeper: work and cane of all reeds over the keepers among those carried on.
    Learnt by a monotone logistic model with a ridge penalty; judged by leaving out each tube
    in turn, with the measures once chosen. Shares by inverse probability of being carried on
    (Horvitz & Thompson 1952), beside the correction of Begg & Greenes (1983) and the naive
    share of the finished. Intervals: 4000 draws with tubes weighted together, of few counts
    as by Jeffreys' prior (see reedlab.model.early_stops); tests/model/test_early_stops.py
    measures their coverage.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> found = stopping_rule(example_study("season"), at="first test")
    >>> found.rule
    'stop if the dynamic range is below 13.5 dB'
    """
    if by not in (CUTS, CHANCE):
        raise unknown_name("way to stop", by, [CUTS, CHANCE])
    rows = stopping_rows(study, at, predictors)
    require_enough(rows)
    require_later(rows, at, minutes)
    price = costs(study, rows.order, rows.reeds["place"], rows.reeds, minutes, cane_minutes)
    rows, ends = _with_telling(study, rows, asked=predictors is not None)
    grids = round_cuts(rows.G, rows.measures) if by == CUTS else None
    judged = Judged(rows, learn(rows.G, ends, grids, price), price, seed)
    rng = np.random.default_rng(seed)
    verdict = np.zeros(len(ends), dtype=bool)
    if judged.learnt.stops_some:
        tubes = rows.reeds["tube_id"].to_numpy()
        verdict = verdicts_by_tube(rows.G, ends, grids, price, tubes, rng)
    methods = methods_for(rows.reeds["fate"])
    table, sure = judged_table(judged.counts(verdict), methods, price, rng)
    rule = rule_text(judged, study.settings)
    if not judged.learnt.stops_some:
        table, sure = table[table["term"] == ALL], float("nan")
    table = table.assign(
        rule=rule,
        n_reeds=len(rows.reeds),
        n_tubes=rows.reeds["tube_id"].nunique() if "tube_id" in study.tables["reeds"] else 0,
        evidence="exploratory" if methods[0] == "Begg & Greenes" else "observed",
    )
    return StoppingRule(
        question=f"Which reeds should I stop working on at {stage_words(at)}?",
        table=table,
        cautions=cautions(judged, at, methods[0], picked=predictors is None),
        rows_used=len(rows.reeds),
        left_out=rows.left_out,
        rule=rule,
        sure=sure,
        at=at,
        chances=judged.chances,
        judged=judged,
    )


def _goodness_of(seen: Mapping[str, float], measures: Sequence[Response]) -> np.ndarray:
    """Return the goodness of one reed, shape (1, measures)."""
    for measure in measures:
        value = seen.get(measure.name)
        if not is_number(value) or not np.isfinite(value):
            raise CallError(
                f"The rule goes by {measure.label} ('{measure.name}'), a number that must be "
                f"known of the reed; it is {value!r}."
            )
    return goodness(pd.DataFrame([seen]), measures)


def _with_telling(
    study: Study, rows: StoppingRows, *, asked: bool
) -> tuple[StoppingRows, np.ndarray]:
    """Keep the measures to go by, and the reeds of which they are known, with their ends."""
    ends = expected_ends(rows)
    rarer = int(rows.reeds["good"].value_counts().min())
    count = len(rows.measures)
    which = telling(rows.G, ends, count if asked else measures_at_most(rarer, count))
    if asked:
        which = (*which, *(place for place in range(count) if place not in which))
    fewer = rows.only(which, study.sheets["reeds"].file)
    require_enough(fewer)
    return fewer, ends[rows.reeds.index.isin(fewer.reeds.index)]
