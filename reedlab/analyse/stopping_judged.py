"""What a stopping rule does, in figures with intervals: minutes, keepers, reeds.

Minutes per keeper count all work and cane over the keepers that are carried on; what is
saved is counted against finishing every reed. Shares are in percent.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from reedlab.analyse.stopping_learn import Learnt, stopped
from reedlab.analyse.stopping_rows import StoppingRows, shown
from reedlab.analyse.stopping_stages import Costs
from reedlab.model.early_stops import EarlyStops, RuleShares, early_stops
from reedlab.model.threads import one_thread
from reedlab.pieces import in_pieces

SAVED = "minutes saved per keeper"
THROWN = "keepers thrown away"
STOPPED = "reeds stopped"
ALL, RULE = "minutes per keeper, finishing all", "minutes per keeper, with the rule"
#: Figures that every method gives; the first method gives all.
_COMPARED = (SAVED, THROWN)
_UNITS = {STOPPED: "%", THROWN: "%", "keepers thrown away per 10 reeds": "reeds"}


@dataclass(frozen=True)
class Judged:
    """A rule with the reeds that it was learnt from.

    Attributes
    ----------
    rows : StoppingRows
        With the measures of the rule only, the most telling one first.
    learnt : Learnt
        From the goodness of all of them.
    costs : Costs
    seed : int
    """

    rows: StoppingRows
    learnt: Learnt
    costs: Costs
    seed: int

    def counts(self, verdict: np.ndarray) -> EarlyStops:
        """Count the reeds by a verdict (True: stop) and by what became of them."""
        reeds = self.rows.reeds
        columns = (reeds[name].to_numpy() for name in ("fate", "good", "tube_id"))
        return early_stops(verdict, *columns)

    @property
    def by_line(self) -> bool:
        """Whether reeds are stopped by their chance and not by cuts."""
        return bool(np.isfinite(self.learnt.line))

    @property
    def axis(self) -> np.ndarray:
        """What the picture shows of each reed: its leading measure, or its chance in percent."""
        if self.by_line:
            return 100 * self.learnt.chance(self.rows.G)
        return np.asarray(shown(self.rows.measures[0], self.rows.G[:, 0]))

    @property
    def at(self) -> float:
        """Where on that axis the rule stops."""
        if self.by_line:
            return 100 * self.learnt.line
        return float(shown(self.rows.measures[0], self.learnt.cuts[0]))

    def stops_at(self, value: float) -> np.ndarray:
        """Say of each reed whether it is stopped by the rule with another place on the axis."""
        G = self.rows.G
        if self.by_line:
            return np.asarray(100 * self.learnt.chance(G) < value)
        leading = shown(self.rows.measures[0], value)
        return stopped(G, np.array([leading, *self.learnt.cuts[1:]]))

    @property
    def chances(self) -> pd.DataFrame:
        """The chance of each reed to end as a keeper, in percent, and what the rule says."""
        G = self.rows.G
        stop = self.learnt.stops(G)
        return pd.DataFrame(
            {
                "reed_id": self.rows.reeds["reed_id"].to_numpy(),
                "estimate": 100 * self.learnt.chance(G),
                "unit": "%",
                "rule": np.where(stop, "stop", "carry on"),
            }
        )


def judged_table(
    counts: EarlyStops, methods: Sequence[str], costs: Costs, rng: np.random.Generator
) -> tuple[pd.DataFrame, float]:
    """Return the figures by method, and how sure it is that the rule saves minutes.

    Parameters
    ----------
    counts : EarlyStops
    methods : sequence of str
        The one to go by first.
    costs : Costs
    rng : numpy.random.Generator

    Returns
    -------
    DataFrame
        term, estimate, conf_low, conf_high, unit, method.
    float
        0 to 1, by the first method.
    """
    rows, sure = [], float("nan")
    for method in methods:
        found = _figures(counts.estimate(method), costs)
        drawn = _figures(counts.draws(method, rng), costs)
        if method == methods[0]:
            sure = float(np.mean(drawn[SAVED][~np.isnan(drawn[SAVED])] > 0))
        terms = found if method == methods[0] else _COMPARED
        rows += [_row(term, found[term], drawn[term], method) for term in terms]
    table = pd.DataFrame(rows)
    order = {term: place for place, term in enumerate(dict.fromkeys(table["term"]))}
    table = table.sort_values("term", key=lambda terms: terms.map(order), kind="stable")
    return table.reset_index(drop=True), sure


def cut_table(judged: Judged, method: str, places: int = 25) -> pd.DataFrame:
    """Return the minutes per keeper for cuts of the leading measure, or lines; others held."""
    rising = judged.by_line or judged.rows.measures[0].direction == "higher"
    low, high = np.quantile(judged.axis, [0.02, 0.9] if rising else [0.1, 0.98])
    values = np.linspace(low, high, places).tolist()
    found = pd.DataFrame(in_pieces(partial(_row_of_cut, judged, method), values))
    return found[["value", "estimate", "conf_low", "conf_high"]]


@one_thread
def _row_of_cut(
    judged: Judged, method: str, value: float, _seed: np.random.SeedSequence
) -> dict[str, object]:
    counts = judged.counts(judged.stops_at(value))
    # The same draws for every cut: the band is then as smooth as the line.
    drawn = _figures(counts.draws(method, judged.seed), judged.costs)[RULE]
    estimate = _figures(counts.estimate(method), judged.costs)[RULE]
    return {"value": value, **_row(RULE, estimate, drawn, method)}


def _figures(shares: RuleShares, costs: Costs) -> dict[str, np.ndarray]:
    finishing = costs.per_keeper(np.zeros_like(shares.good), shares.good)
    ruled = costs.per_keeper(shares.stopped, shares.good - shares.lost)
    with np.errstate(invalid="ignore"):
        saved = finishing - ruled
    return {
        SAVED: saved,
        THROWN: 100 * shares.lost_of_good,
        STOPPED: 100 * shares.stopped,
        ALL: finishing,
        RULE: ruled,
        "minutes saved per 10 reeds": 10 * (costs.finished - costs.until) * shares.stopped,
        "keepers thrown away per 10 reeds": 10 * shares.lost,
    }


def _row(term: str, found: np.ndarray, drawn: np.ndarray, method: str) -> dict[str, object]:
    known = drawn[~np.isnan(drawn)]
    # An endless number of minutes is a limit too: no keeper may be left.
    low, high = np.nan, np.nan
    if len(known):
        low, high = np.quantile(known, [0.025, 0.975], method="nearest")
    return {
        "term": term,
        "estimate": float(found[0]),
        "conf_low": low,
        "conf_high": high,
        "unit": _UNITS.get(term, "minutes"),
        "method": method,
    }
