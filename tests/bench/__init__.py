"""Benches: how long the calls take, beside what one would use instead."""
