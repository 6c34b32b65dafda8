"""A stand-in for a planned batch: what power() reads of it, and nothing else."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from reedlab.schema import Factor

GOUGE = Factor("gouge", (1.25, 1.30), "tube", "mm")
SHAPE = Factor("shape", ("narrow", "wide"), "reed")


@dataclass(frozen=True)
class Planned:
    table: pd.DataFrame
    factors: tuple[Factor, ...]
    terms: tuple[str, ...]
    testing: pd.DataFrame = field(default_factory=pd.DataFrame)
    earlier: pd.DataFrame = field(default_factory=pd.DataFrame)


def planned(sizes, columns, factors, terms=(), lots=(), testing=None):
    """Tubes of so many reeds; `columns` from functions of tube and place in the tube."""
    tube = np.repeat(np.arange(len(sizes)), sizes)
    place = np.concatenate([np.arange(size) for size in sizes])
    table = pd.DataFrame({"place": np.arange(len(tube)) + 1, "tube_id": [f"T{t}" for t in tube]})
    if lots:
        table["lot_id"] = [f"L{lots[t]}" for t in tube]
    for name, make in columns.items():
        table[name] = make(tube, place)
    terms = terms or tuple(factor.name for factor in factors)
    return Planned(table, factors, terms, pd.DataFrame() if testing is None else testing)


def two_factors(sizes, lots=(), terms=()):
    """A gouge given to tubes in turn, a shape to the reeds of each."""
    columns = {
        "gouge": lambda tube, _: np.where(tube % 2, 1.30, 1.25),
        "shape": lambda tube, place: np.where((tube + place) % 2, "wide", "narrow"),
    }
    return planned(sizes, columns, (GOUGE, SHAPE), terms, lots)
