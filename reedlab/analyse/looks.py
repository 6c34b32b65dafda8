"""What was looked at in this study so far, and which findings stand given all of it?"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.analyse.evidence import CAUTIONS
from reedlab.analyse.exploration import LEVEL, weighed
from reedlab.analyse.looked import label_of, tally, with_asked
from reedlab.answer import Answer, counted, percent_text
from reedlab.errors import ModelError
from reedlab.study import Study
from reedlab.study.looks import LOG, Look

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: So many findings are told in the sentence.
TOLD = 4
#: Smaller p values are drawn here.
LEAST_DRAWN = 1e-12
COLUMNS = (
    *("response", "term", "finding", "evidence", "p_value", "p_season", "stands"),
    *("asked", "times"),
)


@dataclass(frozen=True)
class Looks(Answer):
    """All tests made in a study; made by :func:`looks`.

    Attributes
    ----------
    table : DataFrame
        One row a test, the smallest p value first: ``response``, ``term``, ``finding`` in
        words, ``evidence`` (its grade given all that was looked at), ``p_value``,
        ``p_season`` (Benjamini and Hochberg; not of randomised comparisons), ``stands``,
        ``asked`` and ``times``. Of a question asked again of other rows the last answer.
    labels : dict of str to str
        Words for the responses and terms.
    """

    labels: dict[str, str] = field(default_factory=dict)

    @property
    def standing(self) -> pd.DataFrame:
        """The tests that stand."""
        return self.table[self.table["stands"]]

    def _say(self) -> str:
        if self.table.empty:
            return self.looked
        planned = self.table["evidence"] == "randomised"
        record, batches = self.table[~planned], self.table[planned]
        told = [self.looked]
        if len(record):
            rate = f"At a false discovery rate of {percent_text(LEVEL)}"
            told.append(
                self._standing(record, rate, f"{counted(len(record), 'test')} of the record")
            )
        if len(batches):
            told.append(
                self._standing(
                    batches,
                    "Within their questions",
                    counted(len(batches), "randomised comparison"),
                )
            )
        return " ".join(told)

    def _standing(self, tests: pd.DataFrame, how: str, what: str) -> str:
        standing = tests[tests["stands"]]
        if standing.empty:
            return f"{how} none of {what} stands."
        verb = "stands" if len(standing) == 1 else "stand"
        listed = "; ".join(self._words(row) for row in standing.head(TOLD).to_dict("records"))
        more = f"; and {len(standing) - TOLD} more" if len(standing) > TOLD else ""
        return f"{how} {len(standing)} of {what} {verb}: {listed}{more}."

    def _words(self, row: dict) -> str:
        response, term = self._labels(row)
        what, grade = row["finding"] or term, row["evidence"]
        # The finding ends with what it rests on, in brackets; its grade belongs there.
        what = f"{what[:-1]}; {grade})" if what.endswith(")") else f"{what} ({grade})"
        return f"{response}: {what}"

    def _labels(self, row: dict) -> tuple[str, str]:
        response, term = (self.labels.get(row[part], row[part]) for part in ("response", "term"))
        return response, term

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the p values in order against the line below which they stand."""
        from matplotlib.ticker import MaxNLocator

        from reedlab.charts import COLOURS, EVIDENCE_LOOK, legend_once, new_axes, powers_of_ten

        if self.table.empty:
            raise ModelError(f"There is no picture: {self.looked}")
        ax = ax or new_axes()
        powers_of_ten(ax)
        ax.margins(y=0.1)
        record = self.table["evidence"] != "randomised"
        place = self.table.groupby(record).cumcount() + 1
        if record.any():
            line, count = place[record], int(record.sum())
            label = f"5 % false findings: {LEVEL} × place / {count}"
            ax.plot(line, LEVEL * line / count, color=COLOURS["black"], linewidth=1, label=label)
        height = self.table["p_value"].clip(lower=LEAST_DRAWN)
        for grade in dict.fromkeys(self.table["evidence"]):
            for stands, style in ((True, "full"), (False, "none")):
                rows = (self.table["evidence"] == grade) & (self.table["stands"] == stands)
                colour, marker = EVIDENCE_LOOK[grade]
                label = f"{grade}, {'stands' if stands else 'does not stand'}"
                if rows.any():
                    ax.plot(
                        place[rows],
                        height[rows],
                        marker,
                        color=colour,
                        fillstyle=style,
                        label=label,
                    )
        drawn = self.table.assign(place=place, height=height)
        marked = drawn[self.table["stands"]].head(TOLD)
        for count, row in enumerate(marked.to_dict("records")):
            ax.annotate(
                ": ".join(self._labels(row)),
                (row["place"], row["height"]),
                # Drawn apart a little, for like p values stand close together.
                (7, 5 * count - 10),
                textcoords="offset points",
                fontsize=8,
                va="center",
                parse_math=False,
            )
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
        ax.set_xlabel("place in the order of p values, the smallest first")
        ax.set_ylabel("p value of the test")
        legend_once(ax, rows=2, loc="lower left", bbox_to_anchor=(0.0, 1.0))
        return ax


@with_asked
def looks(study: Study) -> Looks:
    """Tell what was looked at in this study so far, and which findings stand given all of it.

    Parameters
    ----------
    study : Study
        Its log holds the tests of every analysis asked of it, in ``looks.csv``; that of an
        invented study only those since it was opened.

    Returns
    -------
    Looks

    Notes
    -----
    Over the tests of the record, Benjamini and Hochberg's method holds the share of false
    ones among the findings that stand at 5 % if the tests are independent; for those of one
    record, which go together, tests/analyse/test_calibration_looks.py measures it. A finding
    of the record that its own question calls an effect (Holm), but that does not stand, is
    graded exploratory. Randomised comparisons were planned: they stand by Holm's correction
    within their question.

    References
    ----------
    Benjamini & Hochberg (1995), J. R. Statist. Soc. B 57, 289-300.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> looks(example_study("batch")).sentence
    'Nothing was tested in this study yet.'
    """
    seen = study.log.looks
    latest, times = _latest(seen)
    table = _weighed_table(latest, times)
    cautions = [CAUTIONS[g] for g in CAUTIONS if (table["evidence"] == g).any()]
    if (again := int((table["times"] > 1).sum())) > 0:
        cautions.append(
            f"{counted(again, 'test')} came from questions asked again while the record changed: "
            "asking until something shows makes chance findings likelier than 5 %."
        )
    cautions += _planned(latest)
    since = "since it was opened" if study.settings.invented else f"and stands in {LOG}"
    cautions.append(
        f"Only what was asked of the study through these questions {since} is counted, not what "
        "was seen in its tables and pictures."
    )
    names = [*table["response"], *table["term"]]
    return Looks(
        question="What was looked at so far, and which findings stand?",
        table=table,
        cautions=(*cautions, *study.log.cautions),
        rows_used=len(seen),
        looked=tally(study, seen),
        labels={name: label_of(study, name) for name in names},
    )


def _planned(latest: list[Look]) -> list[str]:
    """Say what several questions of a planned batch do to its error rate."""
    questions = {look.question for look in latest if look.evidence == "randomised"}
    if len(questions) < 2:
        return []
    chance = percent_text(1 - (1 - LEVEL) ** len(questions))
    return [
        "Randomised comparisons are corrected within their question only; were there no effect at "
        f"all, {len(questions)} independent questions would call an effect in {chance} of batches. "
        "Name before testing which response decides."
    ]


def _latest(seen: tuple[Look, ...]) -> tuple[list[Look], list[int]]:
    """Of every test the last look, and at how many states of the record it was looked at."""
    last: dict[tuple[str, ...], Look] = {}
    times: dict[tuple[str, ...], int] = {}
    for look in seen:
        if look.p_value is not None:
            last[look.test], times[look.test] = look, times.get(look.test, 0) + 1
    return list(last.values()), [times[test] for test in last]


def _weighed_table(latest: list[Look], times: list[int]) -> pd.DataFrame:
    rows = [
        (look.response, look.term, look.finding, look.evidence, look.p_value, _asked(look))
        for look in latest
    ]
    table = pd.DataFrame(
        rows, columns=["response", "term", "finding", "evidence", "p_value", "asked"]
    )
    questions = pd.Series([look.question for look in latest], dtype=object)
    table = table.assign(times=times, question=questions)
    return weighed(table).sort_values("p_value", ignore_index=True)[[*COLUMNS]]


def _asked(look: Look) -> str:
    return f"{look.asked}, {counted(len(look.factors.split('; ')), 'term')}"
