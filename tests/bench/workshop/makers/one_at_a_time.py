"""One at a time: changes one thing, keeps it if three reeds seem better than the last three."""

import numpy as np

from reedlab.demo.workshop import Hidden, Workshop
from tests.bench.workshop.handiwork import make_one

TRIED = 3


class OneAtATime:
    """Goes through the factors in an order of their own, level by level, all season long."""

    def __init__(self, seed: int, hidden: Hidden | None = None) -> None:
        self.rng = np.random.default_rng(seed)
        self.beliefs: set[str] = set()

    def work(self, shop: Workshop) -> None:
        """Work until the season is over."""
        recipe = dict(shop.usual)
        best = self._tried(shop, recipe)
        while True:
            for place in self.rng.permutation(len(shop.factors)):
                factor = shop.factors[place]
                others = [level for level in factor.levels if level != recipe[factor.name]]
                for level in self.rng.permutation(np.array(others, dtype=object)):
                    changed = {**recipe, factor.name: level}
                    seen = self._tried(shop, changed)
                    if seen > best:
                        recipe, best = changed, seen
                self.beliefs = {name for name in recipe if recipe[name] != shop.usual[name]}

    def _tried(self, shop: Workshop, recipe: dict[str, str | float]) -> float:
        """Finish three reeds and return their mean last rating."""
        reeds = [make_one(shop, recipe) for _ in range(TRIED)]
        for reed in reeds:
            shop.finish(reed, measure=False)
        tests = shop.record.tests
        last = tests[tests["reed_id"].isin(reeds)].drop_duplicates("reed_id", keep="last")
        return float(last["rating_overall"].mean())
