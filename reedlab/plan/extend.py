"""The next batch on top of the earlier ones: the levels that add most to what they tell."""

from typing import TYPE_CHECKING

from reedlab.errors import CallError
from reedlab.plan.cane import BREAKAGE, read_cane
from reedlab.plan.draw import Request, draw_batch
from reedlab.plan.on_hand import cane_on_hand, earlier_reeds, next_name
from reedlab.study import Study

if TYPE_CHECKING:
    from reedlab.plan.batch import Batch


def extended(batch: "Batch", study: Study, reeds: int, seed: int) -> "Batch":
    """Plan the batch that adds most to the earlier ones; see `Batch.extend`."""
    faults: list[str] = []
    cane = read_cane(cane_on_hand(study), batch.model.given, faults)
    if faults or cane is None:
        raise CallError("\n".join(faults))
    earlier = earlier_reeds(study, batch.model)
    if earlier.empty:
        raise CallError(
            "The study holds no reed of an earlier batch with all of these factors: write the "
            "first batch into it (batch.write), or plan a new one (design_batch)."
        )
    session_factors = tuple(f for f in batch.factors if f.stratum == "session")
    request = Request(
        batch.model,
        session_factors,
        reeds,
        int(batch.testing["session"].max()),
        seed,
        next_name(study),
        batch.predict,
        batch.tube_shares,
        batch.forbidden,
        BREAKAGE,
        tuple(study.tables["reeds"]["reed_id"]),
        _carried(study, batch, set(earlier["batch_id"])),
    )
    return draw_batch(request, cane, earlier)


def _carried(study: Study, batch: "Batch", batches: set[str]) -> tuple[str, ...]:
    """Factors of tubes and lots that chance gave in every one of the earlier batches."""
    records = [record for record in study.settings.batches if record.batch_id in batches]
    return tuple(
        factor.name
        for factor in batch.model.settable
        if factor.stratum in ("lot", "tube")
        and len(records) == len(batches)
        and all(factor.name in record.randomised for record in records)
    )
