"""What every maker does with their hands, through the workshop's public calls alone."""

from collections.abc import Mapping

import pandas as pd

from reedlab.demo.workshop import SeasonOverError, Workshop

#: Minutes of a reed of which everything is measured, cane and all: 10 + 60 + 3 tests.
FULL_MINUTES = 212.0
#: Reeds in a batch, unless a race asks for another size.
BATCH = 24
#: Until this share of the season batches are for learning; then the recipe is made.
LEARNING = 2 / 3


def make_one(shop: Workshop, recipe: Mapping[str, str | float]) -> str:
    """Make a reed from the next piece on the shelf; a piece that splits is followed by another."""
    while True:
        shelf = shop.cane
        if shelf.empty:
            raise SeasonOverError("There is no cane left on the shelf.")
        reed = shop.make(str(shelf["tube_id"].iloc[0]), recipe)
        if reed is not None:
            return reed


def make_planned(shop: Workshop, table: pd.DataFrame) -> dict[int, str]:
    """Make a plan's reeds in its order and return them by place; lost ones stay away."""
    made = {}
    for row in table.to_dict("records"):
        recipe = {factor.name: row[factor.name] for factor in shop.factors if factor.name in row}
        while row["tube_id"] in set(shop.cane["tube_id"]):
            reed = shop.make(row["tube_id"], recipe)
            if reed is not None:
                made[row["place"]] = reed
                break
    return made


def batch_size(shop: Workshop, wanted: int, until: float) -> int:
    """Return how many reeds, at most as wanted, can be finished before a share of the season.

    None, where that is less than half a batch: it is not worth an evening's planning.
    """
    minutes = until * shop.season_minutes - shop.minutes_spent
    reeds = min(wanted, int(minutes // FULL_MINUTES), int(shop.cane["pieces"].sum()))
    return reeds if reeds >= wanted / 2 else 0
