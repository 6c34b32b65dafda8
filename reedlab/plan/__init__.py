"""Before the knife: designs, cane, order and blinding, power, bench sheets."""

__all__: list[str] = []
