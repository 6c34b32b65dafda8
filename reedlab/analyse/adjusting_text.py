"""What an answer about adjusting says, and what must be known before using it.

The sentence is made from the table alone; cautions say where the comparison is weak: few
untouched retests, adjusted reeds worse than all of them, kinds that came together, their
order, and who decided.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import combinations

import pandas as pd

from reedlab.analyse.adjusting_pairs import Pairs
from reedlab.analyse.evidence import CAUTIONS, LEVEL
from reedlab.answer import counted, number_text
from reedlab.schema import FEW, Response

#: The row of the untouched retests, and the contrast of a plain before and after.
UNTOUCHED, PLAIN = "nothing done", "after - before"
#: If more than this share of the adjusted were worse than every untouched, it is said.
BEYOND = 0.5


def kinds_of(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the kinds, without amounts and untouched retests."""
    once = ~table["term"].duplicated()
    return table[once & (table["term"] != UNTOUCHED)]


def sentence_of(table: pd.DataFrame, response: Response) -> str:
    """Say what the kinds do, or their plain changes if nothing can be compared."""
    kinds = kinds_of(table)
    label = response.label
    if kinds["estimate"].isna().all():
        told = "; ".join(_plain(row) for row in kinds.to_dict("records"))
        return f"What adjusting does to {label} cannot be told; the plain change was {told}."
    strong = kinds[kinds["p_adjusted"] < LEVEL]
    shown = strong if len(strong) else kinds.nsmallest(1, "p_value")
    one, many = "goes with a change of", "go with a change of"
    if set(shown["evidence"]) == {"randomised"}:
        one, many = "moves", "move"
    looked = counted(len(kinds), "kind") + " of adjustment"
    if len(strong) == len(kinds) == 1:
        opening = f"The one kind of adjustment {one} {label} beyond chance and retesting"
    elif len(strong):
        verb = one if len(strong) == 1 else many
        opening = f"Of {looked}, {len(strong)} {verb} {label} beyond chance and retesting"
    elif len(kinds) == 1:
        opening = f"The one kind of adjustment does not {many} {label} beyond chance and retesting"
    else:
        opening = f"None of {looked} {one} {label} beyond chance and retesting; the nearest to it"
    effects = [_effect(row, response) for row in shown.to_dict("records")]
    amounts = table[table["term"].duplicated() & (table["p_adjusted"] < LEVEL)]
    effects += [_amount(row) for row in amounts.to_dict("records")]
    return f"{opening}: {'; '.join(effects)}."


def _effect(row: dict, response: Response) -> str:
    way = _way(row, response) if row["p_adjusted"] < LEVEL else ""
    return (
        f"{row['term']} {_interval(row, 'estimate', 'conf')}{way} "
        f"({row['evidence']}, {counted(row['n_reeds'], 'reed')} against "
        f"{counted(row['n_untouched'], 'untouched retest')}; plain change "
        f"{number_text(row['plain_change'])})"
    )


def _amount(row: dict) -> str:
    contrast = row["contrast"].replace("-", "−")
    return f"{row['term']}, {contrast}: {_interval(row, 'estimate', 'conf')} ({row['evidence']})"


def _plain(row: dict) -> str:
    number = _interval(row, "plain_change", "plain")
    return f"{number} after {row['term']} ({row['evidence']}, {counted(row['n_reeds'], 'reed')})"


def _interval(row: dict, value: str, limits: str) -> str:
    unit = f" {row['unit']}" if row["unit"] else ""
    text = f"{number_text(row[value])}{unit}"
    if pd.isna(row[f"{limits}_low"]):
        return text
    low, high = (number_text(row[f"{limits}_{end}"]) for end in ("low", "high"))
    return f"{text} (95 % {low} to {high})"


def _way(row: dict, response: Response) -> str:
    """Say whether an effect is for the better, as far as the response knows a better."""
    effect = row["estimate"]
    if response.direction in ("higher", "lower"):
        better = (effect > 0) == (response.direction == "higher")
        return ", for the better" if better else ", for the worse"
    if response.target is None:
        return ""
    # Where the reeds would have come to without it: what was seen, less the effect.
    alone = row["before"] + row["plain_change"] - effect - response.target
    return ", towards the target" if abs(alone + effect) < abs(alone) else ", away from the target"


def cautions_of(
    pairs: Pairs, table: pd.DataFrame, notes: Sequence[str], given: Sequence[str] = ()
) -> tuple[str, ...]:
    """List what must be known: what was not judged, who chose, what the comparison rests on."""
    cautions = [*notes]
    judged = table["estimate"].notna().any()
    if judged:
        cautions += [*_comparison(pairs), *_choice(pairs, table, given)]
    cautions += [*_together(pairs)]
    if pairs.response.kind == "ordinal":
        cautions.append(
            f"{pairs.response.label} is a scale of ordered levels, taken here as evenly spaced "
            "numbers."
        )
    if len(pairs.left_out):
        reasons = pairs.left_out["fault"].value_counts()
        told = "; ".join(f"{count} × {fault}" for fault, count in reasons.head(4).items())
        cautions.append(f"{counted(len(pairs.left_out), 'row')} left out: {told}.")
    return tuple(dict.fromkeys(cautions))


def _comparison(pairs: Pairs) -> Iterator[str]:
    untouched = pairs.data.loc[pairs.untouched, "before"]
    if len(untouched) < FEW:
        yield (
            f"Only {counted(len(untouched), 'untouched retest')}: what retesting alone brings is "
            "hardly known."
        )
    low, high = untouched.min(), untouched.max()
    for kind in pairs.kinds:
        before = pairs.of(kind)["before"]
        beyond = (before < low) | (before > high)
        if beyond.mean() > BEYOND:
            side = f"above {number_text(high)}" if (before > high).any() else ""
            lower = f"below {number_text(low)}" if (before < low).any() else ""
            where = " or ".join(text for text in (lower, side) if text)
            unit = f" {pairs.response.unit}" if pairs.response.unit else ""
            yield (
                f"{kind}: {beyond.sum()} of {len(before)} were {where}{unit} before, where no reed "
                "was left alone; the effect rests on a straight line drawn beyond them."
            )


def _choice(pairs: Pairs, table: pd.DataFrame, given: Sequence[str]) -> Iterator[str]:
    grades = kinds_of(table)["evidence"]
    if (grades == "exploratory").any():
        yield CAUTIONS["exploratory"]
    if (grades != "randomised").any():
        also = "".join(f", {name}" for name in given)
        yield (
            f"Who was adjusted was chosen: allowed for is what {pairs.response.label}{also} had "
            "shown before. If something else decided, what that brings is in the effect; a number "
            "of the tests can be named in given."
        )
    drawn = pairs.done.groupby("kind")["by_chance"].agg(["sum", "size"])
    for kind, (by_chance, times) in drawn.iterrows():
        if 0 < by_chance < times:
            yield f"{kind}: drawn by chance {by_chance} of {times} times, else chosen."
    alone = pairs.data.loc[pairs.untouched, "drawn"].any()
    if pairs.done["by_chance"].any() and not alone:
        yield (
            "Adjustments were drawn by chance, but no reed is recorded as drawn to be left alone "
            "(action 'nothing', by_chance true): against untouched reeds they count as chosen."
        )


def _together(pairs: Pairs) -> Iterator[str]:
    """Say which kinds came between the same two tests, and in which order."""
    several = pairs.done.groupby("pair")["kind"].nunique()
    if (several > 1).any():
        yield (
            f"Between the tests of {counted((several > 1).sum(), 'pair')} of {len(several)} "
            "several kinds were done; each effect is told given the others."
        )
    steps = pairs.done.dropna(subset=["step"]).drop_duplicates(["pair", "kind"])
    orders: Counter = Counter()
    for _, rows in steps.sort_values("step", kind="stable").groupby("pair"):
        orders.update(combinations(rows["kind"], 2))
    for (first, then), times in sorted(orders.items()):
        if times > 1 and (then, first) not in orders:
            yield (
                f"{first} always came before {then} where both were done ({times} times): whether "
                "the order matters cannot be told."
            )
        elif first < then and (then, first) in orders:
            yield (
                f"{first} came before {then} {times} and after it {orders[then, first]} times: "
                "the effects are those over both orders."
            )
