"""Which adjustments help, beyond chance and beyond regression to the mean?"""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.analyse.adjusting_effects import DONE, Judged, judge
from reedlab.analyse.adjusting_pairs import Pairs
from reedlab.analyse.adjusting_rows import BY, pairs_of
from reedlab.analyse.adjusting_text import (
    LEVEL,
    PLAIN,
    UNTOUCHED,
    cautions_of,
    kinds_of,
    sentence_of,
)
from reedlab.analyse.looked import looked
from reedlab.answer import Answer, number_text
from reedlab.errors import CallError, ModelError
from reedlab.model import paired_difference
from reedlab.model.comparisons import holm
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: A kind done to fewer reeds is only exploratory (common practice, no source).
FEW_REEDS = 5
COLUMNS = (
    *("term", "contrast", "estimate", "std_error", "df", "conf_low", "conf_high", "unit"),
    *("statistic", "p_value", "p_adjusted", "before", "plain_change", "plain_low", "plain_high"),
    *("n_pairs", "n_untouched", "n_reeds", "n_tubes", "evidence"),
)


@dataclass(frozen=True)
class Adjusting(Answer):
    """What each kind of adjustment does to a response; made by :func:`adjusting`.

    Attributes
    ----------
    table : DataFrame
        One row a kind (``term``) against reeds left alone, one more for each kind whose
        amount varies (``contrast`` "+1 strokes"), and one for the untouched retests.
        ``estimate, std_error, df, conf_low, conf_high`` in ``unit``: the effect beyond
        what retesting brings to a reed with the same value before; missing where nothing
        can be compared, and for the untouched. ``statistic`` (t), ``p_value``,
        ``p_adjusted`` (Holm, over the kinds; over the amounts apart). Beside it what a
        plain before and after would say: mean ``before``, ``plain_change`` with
        ``plain_low`` and ``plain_high`` (t, 95 %). ``n_pairs`` of tests around it,
        ``n_untouched`` pairs compared with, ``n_reeds, n_tubes``, ``evidence``.
    """

    pairs: Pairs | None = None

    @property
    def kinds(self) -> pd.DataFrame:
        """The rows of the kinds, without amounts and untouched retests."""
        return kinds_of(self.table)

    @property
    def strong(self) -> tuple[str, ...]:
        """Kinds whose effect is beyond chance, corrected for the number looked at."""
        return tuple(self.kinds.loc[self.kinds["p_adjusted"] < LEVEL, "term"])

    def _say(self) -> str:
        return sentence_of(self.table, self._pairs.response)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw before and after of every reed, kind by kind, untouched retests beside."""
        from reedlab.analyse.adjusting_picture import draw_pairs

        return draw_pairs(self._pairs, self.table, ax)

    @property
    def _pairs(self) -> Pairs:
        if self.pairs is None:
            raise CallError("This answer was made without its pairs of tests.")
        return self.pairs


@looked
def adjusting(
    study: Study, response: str, given: Sequence[str] = (), by: Sequence[str] = BY
) -> Adjusting:
    """Find what each kind of adjustment does, beyond what retesting alone brings.

    Parameters
    ----------
    study : Study
    response : str
        A continuous or ordinal response of the tests (levels as evenly spaced scores).
    given : sequence of str, optional
        Other numbers of the tests that decided which reeds were adjusted, e.g.
        ``["tip_opening_mm"]``: their value before is allowed for too.
    by : sequence of str, optional
        What makes a kind: action and where, or one of them.

    Returns
    -------
    Adjusting

    Raises
    ------
    CallError
        For a response or a column that does not fit.
    RecordError
        If rows stand twice.
    ModelError
        If no adjustment has a test before and after, or all changes are the same.

    Notes
    -----
    An adjustment comes after the tests of its session; the reed's next session says what
    it did. Analysis of covariance on the value before, against untouched retests between
    the same two stages, all kinds together; the mean of a reed's earlier tests, and whether
    it had been adjusted, are held as well. Lots, tubes and sessions in which pairs repeat are
    random (reeds too, where there are too few pairs to hold their earlier tests), tests
    Kenward and Roger's. Unbiased if what is held decided who was
    adjusted, chance aside; a reason that is not recorded stays in the effect. An effect is
    graded randomised where all adjustments of the kind have ``by_chance`` true, and reeds
    that were drawn to be left alone are recorded with the action "nothing".

    References
    ----------
    Barnett, van der Pols & Dobson (2005), Int. J. Epidemiology 34, 215-220; Senn (2006),
    Statistics in Medicine 25, 4334-4344 (change from baseline and covariance).

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> found = adjusting(example_study("season"), "slur_gap_ms", by=["action"])
    >>> found.strong
    ('scrape',)
    """
    pairs = pairs_of(study, response, given, by)
    changes = pairs.data["after"] - pairs.data["before"]
    if changes.max() - changes.min() <= 1e-9 * pairs.data["after"].abs().max():
        raise ModelError(
            f"{pairs.response.label}: every change from test to test is the same "
            f"({number_text(changes.iloc[0])}), so no adjustment can be told from leaving alone."
        )
    judged = judge(pairs)
    table = _completed(judged)
    return Adjusting(
        question=f"Which adjustments change {pairs.response.label}, beyond retesting?",
        table=table,
        cautions=cautions_of(judged.pairs, table, (*judged.cautions, *pairs.cautions), given),
        rows_used=len(judged.pairs.data),
        left_out=judged.pairs.left_out,
        pairs=judged.pairs,
    )


def _completed(judged: Judged) -> pd.DataFrame:
    """Set the effects beside the plain changes: the kinds, the untouched, the amounts."""
    pairs, found = judged.pairs, judged.table
    rows = [_plain(pairs, kind) for kind in (*pairs.kinds, UNTOUCHED)]
    table = pd.DataFrame([row for row in rows if row["n_pairs"]])
    table = table.assign(contrast=PLAIN, unit=pairs.response.unit)
    if found.empty:
        return table.assign(evidence="exploratory").reindex(columns=COLUMNS)
    of_kinds = found["contrast"] == DONE
    kinds, amounts = (_corrected(rows) for rows in (found[of_kinds], found[~of_kinds]))
    grades = {kind: _grade(pairs, kind) for kind in pairs.kinds}
    table = table.drop(columns="contrast").merge(kinds, on="term", how="left")
    table["contrast"] = table["contrast"].fillna(PLAIN)
    table["evidence"] = table["term"].map(grades).fillna("observed")
    # How much was done is the maker's choice, whoever chose that it was done.
    grades = {kind: "observed" if g == "randomised" else g for kind, g in grades.items()}
    counts = table[["term", "unit", "n_pairs", "n_untouched", "n_reeds", "n_tubes"]]
    amounts = amounts.merge(counts, on="term", how="left")
    amounts["evidence"] = amounts["term"].map(grades)
    parts = [part.reindex(columns=COLUMNS) for part in (table, amounts) if len(part)]
    return pd.concat(parts, ignore_index=True)


def _plain(pairs: Pairs, kind: str) -> dict[str, object]:
    """What a plain before and after says of a kind, or of the untouched, and the counts."""
    untouched = pairs.data[pairs.untouched]
    own = untouched if kind == UNTOUCHED else pairs.of(kind)
    low = high = float("nan")
    with suppress(ModelError):  # a single pair, or changes all alike, have no interval
        change = paired_difference(own["before"], own["after"])
        low, high = change.conf_low, change.conf_high
    return {
        "term": kind,
        "before": own["before"].mean(),
        "plain_change": (own["after"] - own["before"]).mean(),
        "plain_low": low,
        "plain_high": high,
        "n_pairs": len(own),
        "n_untouched": len(untouched),
        "n_reeds": own["reed_id"].nunique(),
        "n_tubes": own["tube_id"].nunique() if "tube_id" in own else 0,
    }


def _corrected(rows: pd.DataFrame) -> pd.DataFrame:
    return rows.assign(p_adjusted=holm(rows["p_value"].to_numpy()))


def _grade(pairs: Pairs, kind: str) -> str:
    """Grade a kind: drawn by chance among reeds of which others were left alone, or chosen."""
    by_chance = pairs.done.loc[pairs.done["kind"] == kind, "by_chance"].all()
    if by_chance and pairs.data.loc[pairs.untouched, "drawn"].any():
        return "randomised"
    return "exploratory" if pairs.of(kind)["reed_id"].nunique() < FEW_REEDS else "observed"
