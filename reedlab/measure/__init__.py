"""From recordings and gauges to numbers that can be trusted."""

from reedlab.measure.agreement import Agreement, agreement

__all__ = ["Agreement", "agreement"]
