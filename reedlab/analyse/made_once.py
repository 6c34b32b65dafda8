"""What stands out of a batch in which every recipe was made once?

Without a repeat nothing is left to judge effects by, once interactions are looked at too.
Lenth's method (1989) takes the noise from the effects themselves, most of which are
none. It asks for two levels of every factor in equal numbers, each combination of the
design once. Effects are differences between the second level and the first.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.analyse.evidence import CAUTIONS, grade
from reedlab.analyse.frame import Frame, gather, ordered_levels
from reedlab.analyse.looked import looked
from reedlab.analyse.recipe_rows import GRADES
from reedlab.analyse.words import with_unit
from reedlab.answer import Answer, counted, number_text
from reedlab.errors import ModelError
from reedlab.model.lenth import pseudo_standard_error
from reedlab.schema import STRATUM_KEY, Factor
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Once all effects are found, terms of more factors are not listed as mixed with them.
MOST_TOGETHER = 3


@dataclass(frozen=True)
class MadeOnce(Answer):
    """The effects of a batch without a repeat; made by :func:`made_once`.

    Attributes
    ----------
    table : DataFrame
        One row an effect, the largest first: ``term``, ``estimate``, ``std_error`` (the
        pseudo standard error), ``df``, ``conf_low, conf_high`` (95 %, of one effect),
        ``unit``; ``beyond``, whether it is larger than the margin of all effects at once;
        ``mixed_with``, what a fraction cannot tell from it; ``evidence``, ``n_units``.
    """

    labels: tuple[tuple[str, str], ...] = ()

    def _say(self) -> str:
        strong = self.table[self.table["beyond"]]
        count = counted(self.table["n_units"].iloc[0], "recipe")
        opening = f"Of {len(self.table)} effects of {count} made once, "
        if strong.empty:
            listed = self._effect(self.table.iloc[0])
            return f"{opening}none stands out of the noise; the largest: {listed}."
        listed = "; ".join(self._effect(row) for _, row in strong.iterrows())
        verb = "stands" if len(strong) == 1 else "stand"
        return f"{opening}{len(strong)} {verb} out of the noise: {listed}."

    def _effect(self, row: pd.Series) -> str:
        unit = f" {row['unit']}" if row["unit"] else ""
        low, high = number_text(row["conf_low"]), number_text(row["conf_high"])
        return (
            f"{self._words(row['term'])} {number_text(row['estimate'])}{unit} "
            f"(95 % {low} to {high}; {row['evidence']})"
        )

    def _words(self, term: str) -> str:
        known = dict(self.labels)
        return " with ".join(known.get(name, name) for name in term.split(":"))

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw every effect with its interval."""
        from reedlab.charts import forest

        labels = [self._words(term) for term in self.table["term"]]
        what = self.question.removeprefix("What moves ").removesuffix(" in a batch made once?")
        return forest(self.table, labels, with_unit(f"effect on {what}", self.table["unit"][0]), ax)


@looked
def made_once(study: Study, response: str, factors: Sequence[str] | None = None) -> MadeOnce:
    """Tell which effects stand out where every recipe was made once.

    Parameters
    ----------
    study : Study
    response : str
    factors : sequence of str, optional
        Those of the design; left out, all that differ.

    Returns
    -------
    MadeOnce

    Raises
    ------
    CallError
        For a name that is not recorded.
    ModelError
        If a recipe was made twice, a factor has not two levels, or the recipes are no
        two-level design of 8 or more.

    References
    ----------
    Lenth (1989), Technometrics 31, 469-473.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> made_once(example_study("batch"), "crow_cents", ["shape"])
    Traceback (most recent call last):
    reedlab.errors.ModelError: 22 rows of 24 repeat a recipe, so there is an error to judge by: ...
    """
    frame = gather(study, response, factors)
    if not frame.factors:
        raise ModelError("\n".join(["No factor can be examined.", *frame.cautions]))
    means = _means(frame)
    coded = np.column_stack([_coded(factor, means[factor.name]) for factor in frame.factors])
    terms, columns, mixed = _effects(coded, [factor.name for factor in frame.factors])
    y = means[frame.response.name].to_numpy(dtype=float)
    effects = 2 * columns.T @ y / len(y)
    noise = pseudo_standard_error(effects)
    weakest = min((grade(study, frame, f) for f in frame.factors), key=GRADES.index)
    table = pd.DataFrame(
        {
            "term": terms,
            "estimate": effects,
            "std_error": noise.pse,
            "df": noise.df,
            "conf_low": effects - noise.margin,
            "conf_high": effects + noise.margin,
            "unit": frame.response.unit,
            "beyond": np.abs(effects) > noise.simultaneous_margin,
            "mixed_with": mixed,
            "evidence": weakest,
            "n_units": len(means),
        }
    ).sort_values("estimate", key=np.abs, ascending=False, kind="stable", ignore_index=True)
    cautions = [CAUTIONS[weakest]] if weakest in CAUTIONS else []
    cautions.append(
        "The noise is taken from the effects themselves: it is right if most of them are none, "
        "and if the reeds are of unrelated tubes."
    )
    return MadeOnce(
        question=f"What moves {frame.response.label} in a batch made once?",
        table=table,
        cautions=(*cautions, *frame.cautions),
        rows_used=len(frame.data),
        left_out=frame.left_out,
        labels=tuple((factor.name, factor.label) for factor in frame.factors),
    )


def _means(frame: Frame) -> pd.DataFrame:
    """One row a recipe; tests of one reed are averaged, a second reed is refused."""
    names = [factor.name for factor in frame.factors]
    stratum = frame.factors[0].stratum
    if any(factor.stratum != stratum for factor in frame.factors):
        raise ModelError(
            "Factors of tubes and factors of reeds have different noise: ask for those of one "
            "stratum (factors=[...])."
        )
    key = STRATUM_KEY[stratum]
    units = [key] if key in frame.data else []
    means = frame.data[[*units, *names, frame.response.name]]
    if units:
        means = means.groupby([*units, *names], as_index=False, observed=True).mean()
    twice = means.duplicated(names).sum()
    if twice:
        raise ModelError(
            f"{counted(twice, 'row')} of {len(means)} repeat a recipe, so there is an error to "
            "judge by: ask drivers instead."
        )
    return means.reset_index(drop=True)


def _coded(factor: Factor, values: pd.Series) -> np.ndarray:
    levels = values.unique().tolist()
    if len(levels) != 2:
        raise ModelError(
            f"{factor.label} has {len(levels)} levels; effects of a batch made once are told for "
            "factors of two."
        )
    order = sorted(levels) if factor.kind == "numeric" else ordered_levels(factor, levels)
    return np.where(values == order[1], 1.0, -1.0)


def _effects(coded: np.ndarray, names: Sequence[str]) -> tuple[list[str], np.ndarray, list[str]]:
    """Find all effects that the rows can tell, and the terms that each is mixed with."""
    runs = len(coded)
    terms: list[str] = []
    columns: list[np.ndarray] = []
    mixed: list[list[str]] = []
    for order in range(1, coded.shape[1] + 1):
        if len(columns) == runs - 1 and order > MOST_TOGETHER:
            break
        for chosen in combinations(range(coded.shape[1]), order):
            column, term = coded[:, chosen].prod(axis=1), ":".join(names[i] for i in chosen)
            along = np.array([column @ other / runs for other in columns])
            same = np.flatnonzero(np.abs(along) == 1)
            if len(same):
                mixed[same[0]].append(term)
            elif abs(column.sum()) == runs:
                continue
            elif column.sum() or along.any():
                raise ModelError(
                    f"The {runs} recipes are no two-level design: the effect of "
                    f"{term.replace(':', ' with ')} overlaps with others; ask drivers instead."
                )
            else:
                terms.append(term)
                columns.append(column)
                mixed.append([])
    return terms, np.array(columns).T, [", ".join(others) for others in mixed]
