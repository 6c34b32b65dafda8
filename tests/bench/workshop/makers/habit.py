"""Habit: one recipe, every reed finished, nothing measured."""

from reedlab.demo.workshop import Hidden, Workshop
from tests.bench.workshop.handiwork import make_one


class Habit:
    """Makes reeds as usual."""

    def __init__(self, seed: int, hidden: Hidden | None = None) -> None:
        self.beliefs: set[str] = set()

    def work(self, shop: Workshop) -> None:
        """Work until the season is over."""
        while True:
            shop.finish(make_one(shop, {}), measure=False)
