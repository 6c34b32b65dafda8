"""reedlab: plan, make and test in the planned order, stop by the rule, ask, plan the next.

Through the public calls only. What matters is set, all else stays as the maker's usual.
"""

from collections.abc import Mapping
from contextlib import suppress

from reedlab.analyse import Recipe, StoppingRule, recipe, stopping_rule
from reedlab.demo.workshop import Hidden, Workshop
from reedlab.errors import ReedlabError
from reedlab.plan import Batch, design_batch, spare
from tests.bench.workshop.handiwork import BATCH, LEARNING, batch_size, make_one, make_planned
from tests.bench.workshop.notebook import Notebook

#: What the recipe goes by; the ear says how much each of them counts.
MEASURED = ("crow_cents", "dynamic_range_db")
EAR = "rating_overall"


class WithReedlab:
    """Follows the tool."""

    def __init__(self, seed: int, hidden: Hidden | None = None) -> None:
        self.seed, self.batch = seed, BATCH
        self.rule: StoppingRule | None = None
        self.found: Recipe | None = None
        self.beliefs: set[str] = set()

    def work(self, shop: Workshop) -> None:
        """Work until the season is over."""
        with Notebook(shop) as notebook:
            while batch := self._planned(shop, f"B{len(notebook.batches) + 1}"):
                self._learn(shop, notebook, batch)
                self.seed += 1
        level = self.found.level if self.found else {}
        while True:
            reed = make_one(shop, level)
            if self._stops(shop.test(reed)):
                shop.stop(reed)
            else:
                shop.finish(reed, measure=False)

    def _planned(self, shop: Workshop, name: str) -> Batch | None:
        """Plan the first batch, then what would settle the rest; None once learning is over.

        Batches too small to show a bend are laid out anew each time, straight.
        """
        size = batch_size(shop, self.batch, LEARNING)
        bent = [f.name for f in shop.factors if f.kind == "numeric" and self.batch >= BATCH]
        try:
            if self.found and self.batch >= BATCH:
                return self.found.next_batch(reeds=size, seed=self.seed)
            given = {"curved": bent, "seed": self.seed, "batch_id": name}
            return design_batch(shop.factors, shop.cane, size, **given)
        except ReedlabError:
            return None

    def _learn(self, shop: Workshop, notebook: Notebook, batch: Batch) -> None:
        """Make and test a batch as planned and ask what it tells."""
        notebook.plan(batch)
        made = make_planned(shop, batch.table)
        notebook.made(batch, made)
        order = batch.testing.loc[batch.testing["session"] == 1, "place"]
        self._tested(shop, [made[place] for place in order if place in made])
        shop.sit_down()
        study = notebook.study()
        # Where too few reeds are made to tell, the last rule and recipe stand.
        with suppress(ReedlabError):
            self.rule = stopping_rule(study, predictors=[*MEASURED, EAR], by="chance")
        with suppress(ReedlabError):
            self.found = recipe(study, MEASURED, usual=shop.usual, weights=EAR)
            self.beliefs = set(self.found.matters)

    def _tested(self, shop: Workshop, reeds: list[str]) -> None:
        """Test in order, stop by the rule but for the spared, finish the rest."""
        seen = {reed: shop.test(reed) for reed in reeds}
        stopped = [reed for reed in reeds if self._stops(seen[reed])]
        spared = spare(stopped, seed=self.seed).spared if stopped else ()
        for reed in reeds:
            if reed in stopped and reed not in spared:
                shop.stop(reed)
            else:
                shop.finish(reed, spared=reed in spared)

    def _stops(self, seen: Mapping[str, float]) -> bool:
        return self.rule is not None and self.rule.stops(seen)
