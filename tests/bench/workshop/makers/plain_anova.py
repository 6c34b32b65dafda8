"""Plain ANOVA: full batches of drawn recipes, reeds taken as independent, acts on p < 0.05.

Crow, range and rating are weighed alike in one score; each factor has all its levels, so that
a best level in the middle can be seen.
"""

import numpy as np
import pandas as pd
import statsmodels.api as sm
import statsmodels.formula.api as smf

from reedlab.demo.workshop import Hidden, Workshop
from tests.bench.workshop.handiwork import BATCH, LEARNING, batch_size, make_one

SIGNIFICANT = 0.05


class PlainAnova:
    """Every level of every factor equally often, in random order; all measured and finished."""

    def __init__(self, seed: int, hidden: Hidden | None = None) -> None:
        self.rng, self.batch = np.random.default_rng(seed), BATCH
        self.beliefs: set[str] = set()

    def work(self, shop: Workshop) -> None:
        """Work until the season is over."""
        recipe = dict(shop.usual)
        while reeds := batch_size(shop, self.batch, LEARNING):
            for reed in [make_one(shop, recipe) for recipe in self._drawn(shop, reeds)]:
                shop.finish(reed)
            shop.sit_down()
            acted = self._acted_on(shop)
            recipe, self.beliefs = {**shop.usual, **acted}, set(acted)
        while True:
            shop.finish(make_one(shop, recipe), measure=False)

    def _drawn(self, shop: Workshop, reeds: int) -> list[dict[str, str | float]]:
        places = {
            factor: self.rng.permutation(np.resize(np.arange(len(factor.levels)), reeds))
            for factor in shop.factors
        }
        return [{f.name: f.levels[at[i]] for f, at in places.items()} for i in range(reeds)]

    def _acted_on(self, shop: Workshop) -> dict[str, str | float]:
        """The best level of each factor that is significant."""
        tests = shop.record.tests.assign(off=lambda t: -t["crow_cents"].abs())
        seen = tests.groupby("reed_id")[["off", "dynamic_range_db", "rating_overall"]].mean()
        score = ((seen - seen.mean()) / seen.std()).sum(axis=1).rename("score")
        rows = shop.record.reeds.set_index("reed_id").join(score)
        model = " + ".join(f"C({factor.name})" for factor in shop.factors)
        fit = smf.ols(f"score ~ {model}", rows).fit()
        p = sm.stats.anova_lm(fit, typ=2)["PR(>F)"]
        acted = {}
        for factor in shop.factors:
            if p[f"C({factor.name})"] < SIGNIFICANT:
                name = f"C({factor.name})[T.{{}}]"
                better = pd.Series({v: fit.params.get(name.format(v), 0.0) for v in factor.levels})
                acted[factor.name] = better.idxmax()
        return acted
