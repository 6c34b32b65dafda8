"""From recordings and gauges to numbers that can be trusted."""

__all__: list[str] = []
