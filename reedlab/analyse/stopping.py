"""At which test should I stop working on a reed, what does that save, what does it cost?

The rule is learnt from the reeds of the record and judged on reeds of tubes that it was not
learnt from. Work is in minutes, shares in percent. Reeds that were stopped early are never
finished, so nobody knows what they would have become: shares are put right by the spared
ones, a random few that were finished all the same; without them by Begg and Greenes'
correction, which cannot be checked.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.analyse.looked import looked
from reedlab.analyse.stopping_learn import (
    CHOSEN,
    Learnt,
    expected_ends,
    learn,
    round_cuts,
    verdicts_by_tube,
)
from reedlab.analyse.stopping_rows import StoppingRows, goodness, stopping_rows
from reedlab.analyse.stopping_stages import FIRST, Costs, Minutes, costs
from reedlab.analyse.stopping_table import cut_table, judged_table
from reedlab.analyse.stopping_text import cautions, rule_text, said
from reedlab.answer import Answer
from reedlab.errors import CallError, ModelError
from reedlab.model.early_stops import early_stops
from reedlab.schema import Response
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: With fewer reeds finished of either fate there is nothing to learn a rule from.
FEWEST = 5
#: With fewer spared reeds than this their share of keepers says next to nothing.
FEWEST_SPARED = 3


@dataclass(frozen=True)
class StoppingRule(Answer):
    """Which reeds to stop; made by :func:`stopping_rule`.

    Attributes
    ----------
    table : DataFrame
        One row a figure and method: ``term``, ``rule``, ``estimate``, ``conf_low``,
        ``conf_high``, ``unit``, ``method`` (spared, Begg & Greenes, naive, or all finished),
        ``n_reeds``, ``n_tubes``, ``evidence``. The first method is the one to go by.
    rule : str
        The line for the bench card.
    chances : DataFrame
        One row a reed: ``reed_id``, ``estimate``, the chance of ending as a keeper given what
        is known at the stage, ``unit`` (%), and ``rule``, stop or carry on.
    sure : float
        Chance that the rule takes fewer minutes for a keeper than finishing all, 0 to 1.
    """

    rule: str = ""
    chances: pd.DataFrame = None  # type: ignore[assignment]
    sure: float = float("nan")
    at: str = FIRST
    rows: StoppingRows = None  # type: ignore[assignment]
    learnt: Learnt = None  # type: ignore[assignment]
    costs: Costs = None  # type: ignore[assignment]
    seed: int = 1

    def _say(self) -> str:
        return said(self.table, self.at, self.rule, self.sure)

    @property
    def leading(self) -> Response:
        """The measure that tells most."""
        return self.rows.measures[self.learnt.which[0]]

    @cached_property
    def by_cut(self) -> pd.DataFrame:
        """Minutes for each keeper by the leading measure's cut, the other cuts as they are.

        Returns
        -------
        DataFrame
            value (goodness of the cut), estimate, conf_low, conf_high (minutes per keeper).
        """
        method = self.table["method"].iloc[0]
        return cut_table(self.rows, self.learnt, self.costs, method, self.seed)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the minutes for each keeper against the cut, with the reeds below."""
        from reedlab.analyse.stopping_picture import draw_cuts

        return draw_cuts(self, ax)


@looked
def stopping_rule(
    study: Study,
    at: str = FIRST,
    minutes: Minutes = None,
    *,
    predictors: Sequence[str] | None = None,
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
        For a stage, response or minutes that are not there or cannot be.
    RecordError
        If rows stand twice, or stages are not those declared.
    ModelError
        If too few reeds are finished to learn from, or all come from one tube.

    Notes
    -----
    Minutes per keeper: work and cane of all reeds over the keepers among those carried on.
    Learnt by a monotone logistic model with a ridge penalty, judged by ten-fold
    cross-validation with whole tubes. Shares by inverse probability of being carried on
    (Horvitz & Thompson 1952), beside the correction of Begg & Greenes (1983) and the naive
    share of the finished. Intervals: 4000 draws with tubes weighted together, of few counts
    as by Jeffreys' prior (see reedlab.model.early_stops); tests/model/test_early_stops.py
    measures their coverage.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> found = stopping_rule(example_study("season"), at="day 1", predictors=["crow_cents"])
    >>> found.rule.startswith("stop if the crow is above F")
    True
    """
    rows = stopping_rows(study, at, predictors)
    _require_enough(rows)
    price = costs(study, rows.order, rows.reeds["place"], rows.reeds, minutes, cane_minutes)
    _require_later(rows, at, minutes)
    asked = predictors is not None
    G = goodness(rows.values, rows.measures)
    grids = round_cuts(G, rows.measures, len(rows.measures) if asked else CHOSEN)
    ends = expected_ends(rows)
    rarer = int(rows.reeds["good"].value_counts().min())
    learnt = learn(G, ends, grids, price, asked, rarer)
    rng = np.random.default_rng(seed)
    verdict = verdicts_by_tube(rows, G, ends, grids, price, asked, rarer, rng)
    if not np.isfinite(learnt.cuts).any():
        verdict[:] = False
    counts = early_stops(
        verdict,
        rows.reeds["fate"].to_numpy(),
        rows.reeds["good"].to_numpy(),
        rows.reeds["tube_id"].to_numpy(),
    )
    methods = _methods(rows.reeds["fate"])
    rule = rule_text(learnt, rows, study.settings)
    table, sure = judged_table(counts, methods, price, rng)
    table = table.assign(
        rule=rule,
        n_reeds=len(rows.reeds),
        n_tubes=rows.reeds["tube_id"].nunique() if "tube_id" in study.tables["reeds"] else 0,
        evidence="observed" if methods[0] != "Begg & Greenes" else "exploratory",
    )
    return StoppingRule(
        question=f"Which reeds should I stop working on at the {_stage(at)}?",
        table=table,
        cautions=cautions(rows, at, methods[0], learnt),
        rows_used=len(rows.reeds),
        left_out=rows.left_out,
        rule=rule,
        chances=_chances(rows, learnt, G),
        sure=sure,
        at=at,
        rows=rows,
        learnt=learnt,
        costs=price,
        seed=seed,
    )


def _stage(at: str) -> str:
    return at if at == FIRST else f"stage {at}"


def _require_enough(rows: StoppingRows) -> None:
    """Say why no rule can be learnt, if none can."""
    reeds = rows.reeds
    if reeds.empty:
        reasons = rows.left_out["fault"].value_counts()
        listed = "; ".join(f"{count} × {fault}" for fault, count in reasons.items())
        raise ModelError(f"No reed is both decided and tested at the stage ({listed}).")
    seen = reeds["good"].dropna()
    kept, not_kept = int(seen.sum()), int((seen == 0).sum())
    if seen.empty:
        raise ModelError(
            f"All {len(reeds)} reeds were stopped early and none was spared: what they would have "
            "become is not known to anybody. Finish a few drawn at random (plan.spare)."
        )
    if kept == 0:
        raise ModelError(
            f"None of the {len(seen)} finished reeds was kept: without a keeper nothing tells "
            "which reeds are worth finishing."
        )
    if not_kept == 0:
        raise ModelError(
            f"All {len(seen)} finished reeds were kept: nothing tells which reeds to stop."
        )
    if min(kept, not_kept) < FEWEST:
        raise ModelError(
            f"Of the finished reeds {kept} were kept and {not_kept} were not: a rule needs "
            f"{FEWEST} of each at least."
        )
    if reeds["tube_id"].nunique() < 2:
        raise ModelError(
            "All reeds used come from one tube: whether a rule holds for other tubes cannot be "
            "judged."
        )


def _require_later(rows: StoppingRows, at: str, minutes: Minutes) -> None:
    if minutes is None and (rows.reeds["place"] == len(rows.order) - 1).all():
        raise CallError(
            f"'{at}' is the last stage: reeds are finished there, and stopping saves no work."
        )


def _methods(fate: pd.Series) -> list[str]:
    """Name the methods, the one to go by first."""
    if not (fate == "stopped").any():
        return ["naive"]
    if (fate == "spared").sum() >= FEWEST_SPARED:
        return ["spared", "Begg & Greenes", "naive"]
    return ["Begg & Greenes", "naive"]


def _chances(rows: StoppingRows, learnt: Learnt, G: np.ndarray) -> pd.DataFrame:
    if learnt.model is None:
        raise ModelError("A chance cannot be learnt where all ended alike.")
    which = list(learnt.which)
    return pd.DataFrame(
        {
            "reed_id": rows.reeds["reed_id"].to_numpy(),
            "estimate": 100 * learnt.model.chance(G[:, which]),
            "unit": "%",
            "rule": np.where(learnt.stops(G), "stop", "carry on"),
        }
    )
