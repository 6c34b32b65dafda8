"""Two batches side by side: information, power and what is mixed up, term by term.

Standard errors are of an effect (low to high, or level against level) in standard
deviations of a reed drawn at random, averaged over assumed shares of the tubes in the
variance (0.1, 0.4, 0.7); power is for an effect of one such standard deviation at a tube
share of 0.4.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.answer import Answer, number_text, percent_text
from reedlab.errors import CallError
from reedlab.plan.aliases import aliases
from reedlab.plan.batch import Batch
from reedlab.plan.strength.power import power
from reedlab.plan.strength.rows import AIM

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: The effect whose power is told, in standard deviations of a reed drawn at random.
EFFECT = 1.0
#: A correlation below this is not worth a word.
SLIGHT = 0.005
COLUMNS = (
    *("term", "stratum", "std_error", "std_error_other", "relative_efficiency"),
    *("power", "power_other"),
    *("mixed_with", "correlation", "mixed_with_other", "correlation_other"),
)


@dataclass(frozen=True)
class Comparison(Answer):
    """One batch beside another; made by :meth:`reedlab.plan.Batch.compare`.

    Attributes
    ----------
    table : DataFrame
        One row a term of either: ``term, stratum``; ``std_error, std_error_other``;
        ``relative_efficiency``, how many times the other's information the first has;
        ``power, power_other``; ``mixed_with, correlation`` (the main effect or interaction
        of two factors most mixed up with the term) and the same of the other batch.
        Missing where a batch does not ask about the term.
    """

    names: tuple[str, str] = ("", "")
    labels: dict[str, str] | None = None

    def _say(self) -> str:
        one, other = self.names
        both = self.table.dropna(subset=["relative_efficiency"])
        if both.empty:
            return f"{one} and {other} have no term in common."
        together = float(np.exp(np.log(both["relative_efficiency"]).mean()))
        said = [
            f"{one} beside {other}: over the {len(both)} terms in common it has "
            f"{number_text(together)} times the information"
        ]
        for row in both.to_dict("records"):
            said.append(
                f"{self._label(row['term'])} {number_text(row['relative_efficiency'])} times, "
                f"found in {percent_text(row['power'])} against {percent_text(row['power_other'])}"
            )
        return f"{'; '.join(said)} (effect of one standard deviation of a reed)."

    def _label(self, term: str) -> str:
        return (self.labels or {}).get(term, term)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the power of both for every term."""
        from reedlab.charts import COLOURS, new_axes

        ax = ax or new_axes(6.4, 1.6 + 0.35 * len(self.table))
        places = np.arange(len(self.table))
        looks = (("power", "o", COLOURS["blue"]), ("power_other", "s", COLOURS["vermilion"]))
        for (column, marker, colour), name in zip(looks, self.names, strict=True):
            ax.scatter(
                self.table[column], places, marker=marker, color=colour, label=name, zorder=3
            )
        ax.axvline(AIM, color=COLOURS["grey"], linestyle="--", linewidth=1)
        ax.set_yticks(places, [self._label(term) for term in self.table["term"]])
        ax.set_ylim(len(places) - 0.5, -0.5)
        ax.set_xlim(0, 1.02)
        ax.set_xlabel("power for one standard deviation of a reed (dashed: 0.8)")
        ax.legend(fontsize=8, frameon=False, loc="lower left", bbox_to_anchor=(0, 1), ncols=2)
        return ax


def compare(batch: Batch, other: Batch) -> Comparison:
    """Set two batches side by side.

    Parameters
    ----------
    batch, other : Batch

    Returns
    -------
    Comparison

    Raises
    ------
    CallError
        If the two have no factor in common.
    """
    if not {f.name for f in batch.model.factors} & {f.name for f in other.model.factors}:
        raise CallError(
            f"{batch.batch_id} and {other.batch_id} have no factor in common: there is nothing to "
            "compare."
        )
    one, two = (_described(each) for each in (batch, other))
    table = one.join(two.add_suffix("_other"), how="outer")
    order = [*batch.terms, *(term for term in other.terms if term not in batch.terms)]
    table = table.loc[order].rename_axis("term").reset_index()
    table["stratum"] = table["stratum"].fillna(table["stratum_other"])
    table["relative_efficiency"] = (table["std_error_other"] / table["std_error"]) ** 2
    same = batch.batch_id == other.batch_id
    names = ("the first", "the second") if same else (batch.batch_id, other.batch_id)
    labels = {term: each.label(term) for each in (other, batch) for term in each.terms}
    return Comparison(
        question=f"Which batch tells more, {names[0]} or {names[1]}?",
        table=table[[*COLUMNS]],
        rows_used=len(batch.rows) + len(other.rows),
        cautions=_cautions(table, names, labels),
        names=names,
        labels=labels,
    )


def _described(batch: Batch) -> pd.DataFrame:
    """Standard error, power and worst mixture of every term, by term."""
    shown = power(batch, effect=EFFECT).table.set_index("term")["power"]
    mixed = _mixtures(batch)
    rows = batch.estimates.set_index("term")[["stratum"]]
    return rows.assign(std_error=_std_errors(batch), power=shown).join(mixed)


def _std_errors(batch: Batch) -> pd.Series:
    """Standard error of the effect of each term; of several columns a geometric mean."""
    covariance = np.linalg.inv(batch.information)
    found = []
    for here in batch.places:
        own = covariance[:, here][:, :, here]
        log = np.linalg.slogdet(own)[1].mean() / len(here)
        found.append(2 * float(np.exp(log / 2)))  # a coefficient is half of low to high
    return pd.Series(found, index=list(batch.terms))


def _mixtures(batch: Batch) -> pd.DataFrame:
    """The other term, in the model or not, that each term is most mixed up with."""
    table = aliases(batch.rows, batch.model.factors).table
    turned = table.rename(columns={"term": "mixed_with", "mixed_with": "term"})
    pairs = pd.concat([table, turned])[["term", "mixed_with", "correlation"]]
    pairs = pairs[pairs["correlation"].abs() > SLIGHT]
    worst = pairs.iloc[np.argsort(-pairs["correlation"].abs(), kind="stable")]
    return worst.drop_duplicates("term").set_index("term")


def _cautions(
    table: pd.DataFrame, names: tuple[str, str], labels: dict[str, str]
) -> tuple[str, ...]:
    found = []
    for ending, name in zip(("", "_other"), names, strict=True):
        wholly = table[table[f"correlation{ending}"].abs() > 1 - 1e-6]
        for row in wholly.to_dict("records"):
            partner = row[f"mixed_with{ending}"]
            found.append(
                f"{name}: {labels.get(row['term'], row['term'])} cannot be told from "
                f"{labels.get(partner, partner.replace(':', ' × '))}."
            )
    return tuple(dict.fromkeys(found))
