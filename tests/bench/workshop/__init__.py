"""The workshop race: makers of different habits, one invented season, the same minutes and cane."""
