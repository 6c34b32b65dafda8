"""What each kind of adjustment does, beyond retesting and beyond regression to the mean.

Reeds are adjusted because they were bad, and a bad reading is followed by a better one
whatever is done (Galton 1886; Barnett, van der Pols & Dobson 2005). So the value afterwards
is set beside what untouched reeds with the same value before came to: an analysis of
covariance, in which each kind is judged given the others. It is right where what was seen
decided who was adjusted. A reed's earlier tests were seen too, so they are held, and
whether it had been adjusted before. Reeds of a tube share their cane: the tube's mean
before is held beside the reed's own value (Mundlak 1978), so that tubes can be random.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from reedlab.analyse.adjusting_pairs import Pairs
from reedlab.analyse.effects import step_of
from reedlab.analyse.frame import Frame
from reedlab.analyse.strata import Layout, layout
from reedlab.answer import counted
from reedlab.errors import InestimableTermError, ModelError
from reedlab.model import LinearFit, fit_mixed
from reedlab.model.design import quoted
from reedlab.schema import Factor

#: The contrast of a kind.
DONE = "done - left alone"
#: A kind that was done between fewer pairs of tests is not judged.
FEWEST = 2
#: Fewer pairs for each column, and the earlier tests are not held (common practice, no source).
PAIRS_PER_COLUMN = 3
#: An amount that varies over fewer pairs is not judged (common practice, no source).
FEWEST_AMOUNTS = 5


@dataclass(frozen=True)
class Judged:
    """The effects found, or why none can be told.

    Attributes
    ----------
    pairs : Pairs
        Those that the answer rests on.
    table : DataFrame
        ``term, contrast, estimate, std_error, df, statistic, p_value, conf_low, conf_high``;
        without a row if no effect can be told.
    cautions : tuple of str
    """

    pairs: Pairs
    table: pd.DataFrame
    cautions: tuple[str, ...]


def judge(pairs: Pairs) -> Judged:
    """Estimate the effect of every kind, and of every amount that can be judged.

    Where there is nothing to compare with, the table is empty and the last caution says so.
    """
    usable, notes = pairs.told_apart(FEWEST)
    why = _nothing_to_compare(usable)
    if why:
        return Judged(usable if usable.kinds else pairs, pd.DataFrame(), (*notes, why))
    same_stages, more = _comparable(usable)
    compared, rare = same_stages.told_apart(FEWEST)
    notes = (*notes, *more, *rare)
    why = _nothing_to_compare(compared)
    if why:
        return Judged(usable, pd.DataFrame(), (*notes, why))
    data = compared.data.assign(stage=compared.data["passage"])
    chosen = layout(Frame(compared.response, (), data, compared.left_out, ()))
    done, labels = _columns(compared)
    held, more = _held(data, chosen, done)
    if "earlier" in held:
        # Given all that it showed before, a reed's pairs are no more alike than those of others.
        chosen = replace(chosen, groups=tuple(key for key in chosen.groups if key != "reed_id"))
    notes = (*notes, *chosen.cautions, *more)
    try:
        fit = fit_mixed(_formula(held, done), held.join(done), chosen.groups, bounded=False)
        table = _contrasts(fit, labels)
    except InestimableTermError as error:
        if error.term not in labels:
            return Judged(compared, pd.DataFrame(), (*notes, f"No effect can be told: {error}"))
        kind = labels[error.term]
        smaller = judge(compared.without(kind))
        why = f"{kind}: cannot be told from what else differed between the tests; not judged."
        return Judged(smaller.pairs, smaller.table, (why, *smaller.cautions))
    except ModelError as error:
        return Judged(compared, pd.DataFrame(), (*notes, f"No effect can be told: {error}"))
    amounts, more = _amounts(compared, held, done, chosen)
    return Judged(compared, pd.concat([table, amounts], ignore_index=True), (*notes, *more))


def _nothing_to_compare(pairs: Pairs) -> str:
    """Say why no effect can be told; empty if one can."""
    plain = "only the plain change is told, and no effect is claimed."
    if pairs.data.empty:
        return (
            "No untouched reed was tested between the same two stages as an adjusted one, so what "
            f"retesting alone brings is unknown: {plain}"
        )
    if not pairs.kinds:
        return f"No kind of adjustment was made between two tests more than once: {plain}"
    if not pairs.untouched.any():
        return (
            "No reed was tested again without an adjustment between, so what retesting alone "
            f"brings is unknown: {plain}"
        )
    if pairs.data["reed_id"].nunique() < 2:
        return f"All tests are of one reed, and other reeds may behave otherwise: {plain}"
    return ""


def _comparable(pairs: Pairs) -> tuple[Pairs, tuple[str, ...]]:
    """Keep the pairs whose two stages have adjusted and untouched reeds."""
    untouched = pairs.untouched
    both = untouched.groupby(pairs.data["passage"], observed=True).transform("nunique") == 2
    lost = ~both & ~untouched
    notes = []
    if lost.any() and both.any():
        where = ", ".join(sorted(pairs.data.loc[lost, "passage"].unique()))
        notes = [
            f"{counted(lost.sum(), 'adjusted retest')} not compared: no untouched reed was tested "
            f"from {where}."
        ]
    return pairs.only(pairs.data.index[both]), tuple(notes)


def _columns(pairs: Pairs) -> tuple[pd.DataFrame, dict[str, str]]:
    """Code each kind as done (1) or not (0); names that a formula takes, and their kinds."""
    labels = {f"done {number}": kind for number, kind in enumerate(pairs.kinds)}
    done = {name: pairs.data.index.isin(pairs.of(kind).index) for name, kind in labels.items()}
    return pd.DataFrame(done, index=pairs.data.index).astype(float), labels


def _held(
    data: pd.DataFrame, chosen: Layout, done: pd.DataFrame
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the rows with what is held fixed, each column adding something to the others."""
    before = data["before"] - data["before"].mean()
    given = [name for name in data.columns if name.startswith("given ")]
    earlier = (data["earlier"] - data["before"].mean()) * data["tested"]
    history = {
        "tested": data["tested"],
        "earlier": earlier,
        "before if tested": before * data["tested"],
        "adjusted": data["adjusted"],
    }
    if "tube_id" in chosen.groups:
        tubes = before.groupby([data["tube_id"], data["passage"]], observed=True)
        history["tube before"] = tubes.transform("mean")
    blocks = [pd.get_dummies(data[name], drop_first=True) for name in chosen.blocks]
    matrix = np.hstack([np.ones((len(data), 1)), *blocks, done]).astype(float)
    kept = data[["after", *dict.fromkeys([*chosen.groups, *chosen.blocks])]].copy()
    crowded = []
    needed = {"before": before, "drawn": data["drawn"], **{name: data[name] for name in given}}
    for name, values in (needed | history).items():
        wider = np.column_stack([matrix, values / (values.abs().max() or 1.0)])
        if np.linalg.matrix_rank(wider, tol=1e-8 * len(data)) == np.linalg.matrix_rank(matrix):
            continue
        if name in history and len(data) < PAIRS_PER_COLUMN * wider.shape[1]:
            crowded.append(name)
            continue
        kept[name], matrix = values, wider
    notes = (
        "There are too few pairs to allow for the reeds' earlier tests: if these decided who was "
        "adjusted, the effects are not to be trusted.",
    )
    return kept, notes if crowded else ()


def _formula(held: pd.DataFrame, *more: pd.DataFrame) -> str:
    keys = ("after", "reed_id", "tube_id", "lot_id", "session_id", "player_id")
    fixed = [name for name in held.columns if name not in keys]
    names = [*fixed, *(name for part in more for name in part.columns)]
    return f"after ~ {' + '.join(map(quoted, names))}"


def _contrasts(fit: LinearFit, labels: dict[str, str]) -> pd.DataFrame:
    """One row a kind: done against left alone."""
    L = np.vstack([np.eye(fit.fixed.X.shape[1])[fit.fixed.terms[name]] for name in labels])
    table = fit.contrast(L).assign(term=list(labels.values()), contrast=DONE)
    if not (table["df"] > 0).all():
        raise ModelError("There are too few reeds, tubes or sessions to judge the kinds by.")
    return table


def _amounts(
    pairs: Pairs, held: pd.DataFrame, done: pd.DataFrame, chosen: Layout
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """One row a kind whose amount varies: what a step more of it does."""
    columns: dict[str, pd.Series] = {}
    steps: dict[str, str] = {}
    notes = []
    for kind in pairs.kinds:
        amount, unit, why = pairs.amounts(kind)
        if why:
            notes.append(f"{kind}: {why}, so its amount is not judged.")
        elif len(amount) >= FEWEST_AMOUNTS and amount.nunique() > 1:
            step = step_of(Factor("amount", kind="numeric", unit=unit), amount)
            columns[f"amount {len(columns)}"] = (amount - amount.mean()).reindex(done.index).fillna(
                0
            ) / step
            steps[kind] = f"{step:+g} {unit}".rstrip()
    if not columns:
        return pd.DataFrame(), tuple(notes)
    amounts = pd.DataFrame(columns)
    try:
        fit = fit_mixed(
            _formula(held, done, amounts),
            held.join(done).join(amounts),
            chosen.groups,
            bounded=False,
        )
        table = _contrasts(fit, dict(zip(columns, steps, strict=True)))
    except ModelError as error:
        return pd.DataFrame(), (*notes, f"Amounts are not judged: {error}")
    return table.assign(contrast=list(steps.values())), tuple(notes)
