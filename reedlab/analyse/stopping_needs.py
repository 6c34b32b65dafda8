"""What a stopping rule needs of the record, and which method puts its shares right."""

import pandas as pd

from reedlab.analyse.stopping_rows import StoppingRows
from reedlab.analyse.stopping_stages import Minutes
from reedlab.errors import CallError, ModelError

#: With fewer reeds finished of either fate there is nothing to learn a rule from.
FEWEST = 5
#: From so many spared reeds on the shares are put right by them.
FEWEST_SPARED = 1


def require_enough(rows: StoppingRows) -> None:
    """Say why no rule can be learnt, if none can.

    Raises
    ------
    ModelError
    """
    reeds = rows.reeds
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


def require_later(rows: StoppingRows, at: str, minutes: Minutes) -> None:
    """Refuse the last stage, unless the work that follows it is told.

    Raises
    ------
    CallError
    """
    if minutes is None and (rows.reeds["place"] == len(rows.order) - 1).all():
        raise CallError(
            f"'{at}' is the last stage: reeds are finished there, and stopping saves no work."
        )


def methods_for(fate: pd.Series) -> list[str]:
    """Name the methods, the one to go by first."""
    if not (fate == "stopped").any():
        return ["naive"]
    if (fate == "spared").sum() >= FEWEST_SPARED:
        return ["spared", "Begg & Greenes", "naive"]
    return ["Begg & Greenes", "naive"]
