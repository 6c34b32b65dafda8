"""The oracle: knows every law of the world, but of no reed what it will become.

It makes the best recipe and stops at the first test by the best line over all that the test
shows, learnt from thousands of reeds that it imagines. No reading of the cane is used.
"""

import numpy as np
import pandas as pd

from reedlab.demo.workshop import Hidden, Workshop
from tests.bench.workshop.handiwork import FULL_MINUTES, make_one

IMAGINED = 3000
FIRST_MINUTES = 84.0  # until the first test has been measured, cane and all


class Oracle:
    """Works as well as anybody could who sees tests alone."""

    def __init__(self, seed: int, hidden: Hidden | None = None) -> None:
        if hidden is None:
            raise ValueError("The oracle needs the other side of the workshop.")
        self.recipe, self.beliefs = hidden.best, set(hidden.matters)
        imagined = hidden.foretold(self.recipe, IMAGINED, seed)
        shown, good = features(imagined), imagined["good"].to_numpy(dtype=float)
        self.weights = np.linalg.lstsq(shown, good, rcond=None)[0]
        self.line = self._best_line(shown @ self.weights, good)

    def work(self, shop: Workshop) -> None:
        """Work until the season is over."""
        while True:
            reed = make_one(shop, self.recipe)
            seen = pd.DataFrame([shop.test(reed)])
            if float((features(seen) @ self.weights)[0]) < self.line:
                shop.stop(reed)
            else:
                shop.finish(reed, measure=False)

    def _best_line(self, score: np.ndarray, good: np.ndarray) -> float:
        """Return the line that costs the fewest minutes for each good reed."""
        lines = np.concatenate([[-np.inf], np.quantile(score, np.linspace(0.02, 0.95, 60))])
        finishing = FULL_MINUTES - FIRST_MINUTES - 8
        minutes = [
            (FIRST_MINUTES + finishing * (score >= line).mean()) / (good * (score >= line)).mean()
            for line in lines
        ]
        return float(lines[int(np.argmin(minutes))])


def features(tests: pd.DataFrame) -> np.ndarray:
    """What is weighed of a first test."""
    crow, span, said = (
        tests[name].to_numpy(dtype=float)
        for name in ("crow_cents", "dynamic_range_db", "rating_overall")
    )
    return np.column_stack([np.ones(len(tests)), np.abs(crow), crow, span, span**2, said])
