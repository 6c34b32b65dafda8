"""The world's cane: what is hidden in lots, tubes and pieces, and what a maker reads of it.

Hidden are what lot, tube and piece do to crow (cents), range (dB) and taste (log odds), and
how stiff and hard a tube is. The same seed gives the same cane, piece by piece.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.demo.workshop.assumed import (
    DENSITY_TELLS,
    FIRST_LOTS,
    FLEX_TELLS,
    HARDNESS_TELLS,
    LATER_LOTS,
    LOT_SHARE,
    PIECES,
    STIFF_TO_CROW,
    STIFF_TO_RANGE,
    TUBES_A_LOT,
)
from reedlab.demo.workshop.nature import Nature

LOTS = FIRST_LOTS + LATER_LOTS
TUBES = LOTS * TUBES_A_LOT

#: Usual readings, and what a spread of stiff cane does to them: density in kg/m3, hardness in
#: hundredths of a mm (larger is softer), bending in mm. As in the demo season; bending assumed.
_DENSITY, _HARDNESS, _FLEX = (560.0, 30.0), (15.0, -1.5), (2.0, -0.2)


@dataclass(frozen=True, eq=False)
class Cane:
    """All cane that the season will bring.

    Attributes
    ----------
    readings : DataFrame
        The tubes table as a maker knows it.
    shifts : ndarray, shape (tubes, 3)
        What lot and tube do to crow, range and taste.
    pieces : ndarray, shape (tubes, pieces, 3, 2)
        Each piece's own lasting part, and its part while it is broken in.
    stiffness, hardness : ndarray, shape (tubes,)
        In standard deviations; larger is stiffer, harder.
    splits : ndarray, shape (tubes, pieces)
        Splits at the knife where below the breakage.
    """

    readings: pd.DataFrame
    shifts: np.ndarray
    pieces: np.ndarray
    stiffness: np.ndarray
    hardness: np.ndarray
    splits: np.ndarray


def draw_cane(nature: Nature, rng: np.random.Generator) -> Cane:
    """Draw the season's cane.

    Parameters
    ----------
    nature : Nature
    rng : numpy.random.Generator

    Returns
    -------
    Cane
    """
    lot = np.repeat(np.arange(LOTS), TUBES_A_LOT)
    of_lots, of_tubes = rng.standard_normal((LOTS, 4))[lot], rng.standard_normal((TUBES, 4))
    within = 1 - LOT_SHARE
    tube_part = within * nature.kind.tube_share
    shifts = nature.spreads * (
        np.sqrt(LOT_SHARE) * _acting(of_lots) + np.sqrt(tube_part) * _acting(of_tubes)
    )
    own = rng.standard_normal((TUBES, PIECES, 3, 2)) * nature.spreads[:, None]
    own[..., 0] *= np.sqrt(within - tube_part)
    share = LOT_SHARE / (LOT_SHARE + tube_part)
    stiffness = np.sqrt(share) * of_lots[:, 0] + np.sqrt(1 - share) * of_tubes[:, 0]
    hardness = _told(stiffness, HARDNESS_TELLS, rng)
    readings = pd.DataFrame(
        {
            "tube_id": [f"T{i + 1:03}" for i in range(TUBES)],
            "lot_id": [f"L{i + 1:02}" for i in lot],
            "density_kg_m3": np.round(_read(_told(stiffness, DENSITY_TELLS, rng), _DENSITY)),
            "hardness": np.round(2 * _read(hardness, _HARDNESS)) / 2,
            "flex_mm": np.round(_read(_told(stiffness, FLEX_TELLS, rng), _FLEX), 2),
            "pieces": PIECES,
        }
    )
    return Cane(readings, shifts, own, stiffness, hardness, rng.random((TUBES, PIECES)))


def _acting(drawn: np.ndarray) -> np.ndarray:
    """Turn stiffness and three own parts into what acts on crow, range and taste."""
    stiff = drawn[:, 0]
    crow = STIFF_TO_CROW * stiff + np.sqrt(1 - STIFF_TO_CROW**2) * drawn[:, 1]
    span = STIFF_TO_RANGE * stiff + np.sqrt(1 - STIFF_TO_RANGE**2) * drawn[:, 2]
    return np.column_stack([crow, span, drawn[:, 3]])


def _told(stiffness: np.ndarray, tells: float, rng: np.random.Generator) -> np.ndarray:
    return tells * stiffness + np.sqrt(1 - tells**2) * rng.standard_normal(len(stiffness))


def _read(value: np.ndarray, scale: tuple[float, float]) -> np.ndarray:
    return scale[0] + scale[1] * value
