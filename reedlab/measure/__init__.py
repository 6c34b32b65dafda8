"""From recordings and gauges to numbers that can be trusted."""

from reedlab.measure.agreement import Agreement, agreement
from reedlab.measure.blades import Blades, blades, blades_by_reed

__all__ = ["Agreement", "Blades", "agreement", "blades", "blades_by_reed"]
