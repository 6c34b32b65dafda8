"""From recordings and gauges to numbers that can be trusted."""

from reedlab.measure.agreement import Agreement, agreement
from reedlab.measure.blades import Blades, blades, blades_by_reed
from reedlab.measure.crow import Crow, crow

__all__ = ["Agreement", "Blades", "Crow", "agreement", "blades", "blades_by_reed", "crow"]
