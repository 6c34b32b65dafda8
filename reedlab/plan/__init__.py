"""Before the knife: designs, cane, order and blinding, power, bench sheets."""

from reedlab.plan.batch import Batch
from reedlab.plan.design import design_batch
from reedlab.plan.on_hand import cane_on_hand, read_batch
from reedlab.plan.request import Forbidden

__all__ = ["Batch", "Forbidden", "cane_on_hand", "design_batch", "read_batch"]
