"""What holds across the makers of a pool, and what is one maker's hand?

Two stages. Each maker's own reeds give an effect with its standard error; then the makers
are put together by a random-effects model (reedlab.model.across) that knows on how few
tubes each of them rests. Effects are in the response's unit.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from reedlab.analyse.across_rows import COLUMNS as MAKER_COLUMNS
from reedlab.analyse.across_rows import ByMaker, by_maker
from reedlab.analyse.across_text import sentence_of
from reedlab.analyse.evidence import CAUTIONS, LEVEL, UNITS_PER_FACTOR
from reedlab.analyse.looked import looked
from reedlab.answer import Answer, counted
from reedlab.errors import CallError, ModelError, listed, unknown_name
from reedlab.model import across
from reedlab.model.across import LEAST
from reedlab.model.comparisons import holm
from reedlab.schema import FEW, Response
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLUMNS = (
    *("term", "contrast", "estimate", "conf_low", "conf_high", "unit", "p_value", "p_adjusted"),
    *("new_low", "new_high", "sd_makers", "sd_low", "sd_high", "i_squared", "holds"),
    *("n_makers", "n_tubes", "n_reeds", "evidence"),
)
#: What is said of an effect, in this order.
HOLDS = ("across makers", "on average", "by hand", "one maker's hand", "not shown")


@dataclass(frozen=True)
class AcrossMakers(Answer):
    """Effects over several makers; made by :func:`across_makers`.

    Attributes
    ----------
    table : DataFrame
        One row a contrast: ``term, contrast``; ``estimate, conf_low, conf_high`` of the mean
        over makers in ``unit``, ``p_value`` that it is zero, ``p_adjusted`` (Holm over the
        rows); ``new_low, new_high`` between which the effect in a new maker's hand is
        expected (95 %); ``sd_makers`` between makers with ``sd_low, sd_high``;
        ``i_squared``; ``holds`` (see Notes of :func:`across_makers`); ``n_makers, n_tubes,
        n_reeds`` and ``evidence``.
    makers : DataFrame
        One row a contrast and maker: ``maker_id``, estimate, standard error, df, interval.
    """

    makers: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=[*MAKER_COLUMNS]))
    labels: dict[str, str] = field(default_factory=dict)
    response: Response | None = None

    def _say(self) -> str:
        what = self.response.label if self.response else "the response"
        return sentence_of(self.table, self.makers, self.labels, what)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the strongest effect: every maker, the mean, and what a new maker may expect."""
        row = self.table.iloc[0]
        return self.plot_factor(str(row["term"]), ax)

    def plot_factor(self, name: str, ax: "Axes | None" = None) -> "Axes":
        """Draw the effect of one factor in every maker's hand."""
        from reedlab.analyse.across_picture import draw

        rows = self.table[self.table["term"] == name]
        if rows.empty:
            raise unknown_name("factor", name, self.table["term"].unique())
        what = self.response.label if self.response else ""
        return draw(rows, self.makers[self.makers["term"] == name], self.labels[name], what, ax)


@looked
def across_makers(
    study: Study, response: str, factors: Sequence[str] | None = None
) -> AcrossMakers:
    """Say which effects hold across the makers of a pool, and which are one maker's hand.

    Parameters
    ----------
    study : Study
        A pool of three makers or more (:func:`reedlab.study.pool`).
    response : str
        A recorded response: continuous, or ordinal (its levels as evenly spaced scores).
    factors : sequence of str, optional
        Factors to examine together; left out, all that a maker records.

    Returns
    -------
    AcrossMakers

    Raises
    ------
    CallError
        For a study that is no pool, a name that is not recorded, or a response that is kept
        or discarded, or a time.
    ModelError
        If no factor can be examined in three makers' hands.

    Notes
    -----
    An effect holds *across makers* if the mean over makers is beyond chance (5 %, Holm) and
    the interval for a new maker leaves zero out; *on average* if only the former. Where no
    mean is shown and the interval of the standard deviation between makers leaves zero out, it
    is *one maker's hand*, or differs *by hand* if all makers' estimates go one way; else it is
    *not shown*. Of 95 % intervals for a new maker 93 to 96 in a hundred hold the truth where
    hands differ, and nearly all where they are alike (tests/model/test_calibration_across.py).
    Kept or discarded is not examined so: a maker's forty reeds hold a dozen keepers, too few
    for an effect with a standard error in each hand.

    Examples
    --------
    >>> from reedlab import pool
    >>> from reedlab.demo import example_studio
    >>> found = across_makers(pool(example_studio()), "crow_cents", ["gouge_centre_mm", "shape"])
    >>> found.table["holds"].tolist()
    ['across makers', "one maker's hand"]
    """
    pooled, asked = _asked(study, response)
    found = by_maker(pooled, response, factors)
    table, alone = _together(found)
    graded = [CAUTIONS[g] for g in CAUTIONS if (table["evidence"] == g).any()]
    kept = found.makers_of(table)
    return AcrossMakers(
        question=f"What of {asked.label} holds across makers?",
        table=table,
        cautions=(*graded, *_cautions(pooled, asked, table), *alone, *pooled.told, *found.cautions),
        rows_used=found.rows_used,
        left_out=found.left_out,
        makers=kept,
        labels={name: factor.label for name, factor in found.factors.items()},
        response=asked,
    )


def _asked(study: Study, response: str) -> tuple[Study, Response]:
    if not study.makers:
        raise CallError(
            "across_makers is asked of several makers' studies together: reedlab.pool([...])."
        )
    asked = study.response(response)
    if asked.kind == "binary":
        raise CallError(
            f"{asked.label} is a yes or no, and one maker's reeds hold too few of either for an "
            f"effect in each hand. Ask drivers(study, '{response}'), which takes all reeds as one."
        )
    if len(study.makers) < LEAST:
        raise CallError(
            f"There are {len(study.makers)} makers; to say how hands differ there must be {LEAST}."
        )
    return study, asked


def _together(found: ByMaker) -> tuple[pd.DataFrame, list[str]]:
    """Put the makers together, effect by effect, the surest first."""
    rows, alone = [], []
    for names, own in found.table.groupby(["term", "contrast"], sort=False):
        term, contrast = map(str, names)
        label = found.factors[term].label
        if len(own) < LEAST:
            alone.append(
                f"{label} {contrast}: examined in {counted(len(own), 'hand')} only "
                f"({listed(own['maker_id'])}); nothing is said across makers."
            )
            continue
        rows.append(_row(term, contrast, own, found))
    if not rows:
        reasons = [*alone, *found.cautions]
        raise ModelError("\n".join(["No factor can be examined across makers.", *reasons]))
    table = pd.DataFrame(rows)
    table["p_adjusted"] = holm(table["p_value"].to_numpy())
    table["holds"] = [_holds(row) for row in table.to_dict("records")]
    table = table.drop(columns="one_way")
    order = table["holds"].map(HOLDS.index)
    table = table.assign(order=order).sort_values(["order", "p_value"], ignore_index=True)
    return table[[*COLUMNS]], alone


def _row(term: str, contrast: str, own: pd.DataFrame, found: ByMaker) -> dict[str, Any]:
    together = across(*own[["estimate", "std_error", "df"]].to_numpy().T)
    return {
        "term": term,
        "contrast": contrast,
        "estimate": together.estimate,
        "conf_low": together.conf_low,
        "conf_high": together.conf_high,
        "unit": own["unit"].iloc[0],
        "p_value": together.p_value,
        "new_low": together.new_low,
        "new_high": together.new_high,
        "sd_makers": together.sd,
        "sd_low": together.sd_low,
        "sd_high": together.sd_high,
        "i_squared": together.i_squared,
        "n_makers": len(own),
        "n_tubes": int(own["n_tubes"].sum()),
        "n_reeds": int(own["n_reeds"].sum()),
        "evidence": _grade(own, found),
        "one_way": own["estimate"].gt(0).nunique() == 1,
    }


def _grade(own: pd.DataFrame, found: ByMaker) -> str:
    """Randomised only if it was in every hand; the units of all hands count together."""
    if (own["evidence"] == "randomised").all():
        return "randomised"
    most = max(found.asked[stratum] for stratum in own["stratum"])
    return "exploratory" if own["n_units"].sum() < UNITS_PER_FACTOR * most else "observed"


def _holds(row: Mapping[Any, Any]) -> str:
    if row["p_adjusted"] < LEVEL:
        return HOLDS[0] if row["new_low"] > 0 or row["new_high"] < 0 else HOLDS[1]
    if row["sd_low"] > 0:
        return HOLDS[2] if row["one_way"] else HOLDS[3]
    return HOLDS[4]


def _cautions(study: Study, response: Response, table: pd.DataFrame) -> list[str]:
    found = [
        "What a new maker may expect is meant for a maker like these: with such cane, tools and "
        "players."
    ]
    fewest = int(table["n_makers"].min())
    if fewest < FEW:
        found.append(
            f"{fewest} makers say little of how hands differ: intervals for a new maker are wide."
        )
    if response.kind == "ordinal":
        found.append(f"{response.label} is a scale, taken here as evenly spaced numbers.")
    sessions = study.tables.get("sessions", pd.DataFrame())
    if "player_id" in sessions:
        hands = sessions.groupby("player_id")["maker_id"].nunique()
        for player in hands.index[hands > 1]:
            found.append(
                f"{player} played reeds of {hands[player]} makers, so that their effects are not "
                "quite independent."
            )
    return found
