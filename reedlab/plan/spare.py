"""Which reeds to finish whatever the rule says, so that the rule can be judged.

Reeds that a rule stops are never finished, so nobody learns how many keepers it throws away.
A random few that are finished all the same tell it; they are drawn by chance and not picked.
Shares from 0 to 1, of reeds.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.answer import Answer, counted, percent_text
from reedlab.errors import CallError, ModelError, listed
from reedlab.study import Study

#: With more reeds than this the sentence tells their number only.
NAMED = 12


@dataclass(frozen=True)
class Sparing(Answer):
    """Reeds to finish in spite of the rule; made by :func:`spare`.

    Attributes
    ----------
    table : DataFrame
        One row a reed: ``reed_id`` and ``spared``, true for those drawn.
    expected : float
        Share of keepers among the stopped reeds that the limits are told for, 0 to 1.
    conf_low, conf_high : float
        Limits within which that share would then be known (95 %, Jeffreys), on average.
    share_stopped : float
        Share of the reeds that the rule is taken to stop.
    seed : int
    """

    expected: float = 0.1
    conf_low: float = 0.0
    conf_high: float = 1.0
    share_stopped: float = 1.0
    seed: int = 1

    @property
    def spared(self) -> tuple[str, ...]:
        """The reeds that were drawn, in the order given."""
        return tuple(self.table.loc[self.table["spared"], "reed_id"])

    def _say(self) -> str:
        drawn = self.spared
        total = len(self.table)
        if len(drawn) <= NAMED:
            named = f"Finish {listed(drawn)} whatever the rule says"
        else:
            named = f"Finish the {len(drawn)} reeds marked as spared whatever the rule says"
        stopped = len(drawn) * self.share_stopped
        among = ""
        if self.share_stopped < 1:
            among = f" The rule would stop about {stopped:.0f} of them."
        return (
            f"{named} ({len(drawn)} of {counted(total, 'reed')}, drawn with seed {self.seed})."
            f"{among} If {percent_text(self.expected)} of the stopped reeds would be keepers, that "
            f"share will be known as {percent_text(self.conf_low)} to "
            f"{percent_text(self.conf_high)} (95 %, on average)."
        )


def spare(
    reeds: Study | Iterable[str],
    share: float = 0.1,
    *,
    precision: float | None = None,
    expected: float = 0.1,
    seed: int = 1,
) -> Sparing:
    """Draw the reeds that are finished in spite of a stopping rule.

    Parameters
    ----------
    reeds : Study or sequence of str
        The reeds that the rule has just stopped; or a study, whose reeds without a fate are
        drawn from beforehand.
    share : float
        Which share of them to spare; one reed at least.
    precision : float, optional
        In the place of `share`: how far the limits of the share of keepers may lie apart, at
        most, on average; as few reeds are drawn as give that.
    expected : float
        Share of keepers that is expected among the stopped reeds.
    seed : int

    Returns
    -------
    Sparing

    Raises
    ------
    CallError
        For a share that cannot be, reeds named twice, or no reed.
    ModelError
        If all reeds together cannot give the precision.

    Notes
    -----
    Draw before anybody sees the reeds' tests again, and finish those drawn: reeds picked
    because they looked promising are no random reeds. In reeds.csv a drawn reed is spared once
    the rule has said stop. Limits: the mean over the counts that may
    be found of the interval by Jeffreys' prior (Brown, Cai & DasGupta 2001, Statistical
    Science 16, 101-133).

    Examples
    --------
    >>> drawn = spare([f"R{i}" for i in range(1, 21)], share=0.1, seed=4)
    >>> drawn.spared
    ('R14', 'R19')
    """
    for name, value in (("share", share), ("expected", expected)):
        _require_share(name, value)
    ids, share_stopped = _reeds(reeds)
    if precision is None:
        count = max(1, round(share * len(ids)))
    else:
        _require_share("precision", precision)
        count = _enough(precision, expected, len(ids), share_stopped)
    low, high = _limits(count * share_stopped, expected)
    rng = np.random.default_rng(seed)
    spared = np.zeros(len(ids), dtype=bool)
    spared[rng.choice(len(ids), count, replace=False)] = True
    cautions = [
        "Finish every one of them: a spared reed that is given up after all tells nothing. In "
        "reeds.csv it is spared only if the rule says stop."
    ]
    if share_stopped < 1:
        cautions.append(
            f"The rule is taken to stop {percent_text(share_stopped)} of the reeds, as so far in "
            "this record; a drawn reed that it carries on is a reed like all others."
        )
    return Sparing(
        question="Which reeds should be finished whatever the rule says?",
        table=pd.DataFrame({"reed_id": ids, "spared": spared}),
        cautions=tuple(cautions),
        rows_used=len(ids),
        expected=float(expected),
        conf_low=low,
        conf_high=high,
        share_stopped=share_stopped,
        seed=seed,
    )


def _require_share(name: str, value: object) -> None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1:
        raise CallError(f"{name} is {value!r}; write a share between 0 and 1, e.g. 0.1.")


def _reeds(reeds: Study | Iterable[str]) -> tuple[list[str], float]:
    """Return the reeds to draw from, and which share of them a rule stops."""
    if isinstance(reeds, str):
        raise CallError(f'reeds is a list of reeds: write ["{reeds}"].')
    if not isinstance(reeds, Study):
        ids = [str(reed) for reed in reeds]
        twice = sorted({reed for reed in ids if ids.count(reed) > 1})
        if twice:
            raise CallError(f"{listed(twice)} is named twice.")
        if not ids:
            raise CallError("There is no reed to draw from.")
        return ids, 1.0
    table = reeds.tables.get("reeds", pd.DataFrame({"reed_id": []}))
    fate = table["fate"] if "fate" in table else pd.Series(pd.NA, table.index)
    open_ids = table.loc[fate.isna(), "reed_id"].dropna().tolist()
    if not open_ids:
        raise CallError(
            "Every reed of the study has its fate: name the reeds that the rule stops instead."
        )
    return open_ids, _share_stopped(table, fate)


def _share_stopped(table: pd.DataFrame, fate: pd.Series) -> float:
    """Share of the decided reeds that were stopped before the last stage; all if none is told."""
    decided = fate.isin(["kept", "discarded"])
    if "fate_stage" not in table or not (fate == "kept").any():
        return 1.0
    last = table.loc[fate == "kept", "fate_stage"].mode()
    early = decided & (fate == "discarded") & ~table["fate_stage"].isin(last)
    if "spared" in table:
        early |= decided & table["spared"].fillna(False).astype(bool)
    return float(early.sum() / decided.sum()) or 1.0


def _enough(precision: float, expected: float, most: int, share_stopped: float) -> int:
    """Return the fewest reeds whose limits lie no further apart."""
    for count in range(1, most + 1):
        low, high = _limits(count * share_stopped, expected)
        if high - low <= precision:
            return count
    raise ModelError(
        f"With all {counted(most, 'reed')} spared the limits would still lie "
        f"{percent_text(high - low)} apart: ask for less precision, or draw from more reeds."
    )


def _limits(count: float, expected: float) -> tuple[float, float]:
    """Return the mean 95 % limits of a share from so many spared reeds."""
    from scipy.stats import beta, binom

    n = max(1, round(count))
    k = np.arange(n + 1)
    weight = binom.pmf(k, n, expected)
    low = np.where(k == 0, 0.0, beta.ppf(0.025, k + 0.5, n - k + 0.5))
    high = np.where(k == n, 1.0, beta.ppf(0.975, k + 0.5, n - k + 0.5))
    return float(weight @ low), float(weight @ high)
