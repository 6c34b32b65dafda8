"""Which responses say again what another says: looked at unasked only where that is missing."""

#: The same measurement on another scale, or a part of it, and by what it is told.
TOLD_BY = {
    "crow_hz": "crow_cents",
    "soft_db": "dynamic_range_db",
    "loud_db": "dynamic_range_db",
}
