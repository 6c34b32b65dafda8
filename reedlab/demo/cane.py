"""The invented cane of a season and the reeds that are cut from it.

The maker's habits are in the record, as in life: thin gouges for no reason, and wires
tightened mostly on dense cane. That habit is what fools a comparison of tight with
normal wires, for dense cane crows sharp whatever its wires are.
"""

from datetime import date, timedelta

import numpy as np
import pandas as pd

from reedlab.demo.truth import LEVELS, Truth

N_LOTS, TUBES_PER_LOT = 6, 5
#: Reeds from the tubes of each lot, in an order that is drawn.
REEDS_PER_TUBE = (3, 4, 4, 4, 5)
PER_GROUP = 5  # reeds whose break-in starts on the same day
GROUP_DAYS = 6  # from one such day to the next
FIRST_DAY = date(2026, 3, 2)

_DENSITY_SPREAD = 50.0  # kg/m3
_HABIT = 2.0  # log odds of tight wires for one spread of density


def lots() -> pd.DataFrame:
    """Return the lots of two harvests.

    Examples
    --------
    >>> lots()["harvest_year"].tolist()
    [2023, 2023, 2023, 2024, 2024, 2024]
    """
    return pd.DataFrame(
        {
            "lot_id": [f"L{i + 1}" for i in range(N_LOTS)],
            "harvest_year": [2023] * 3 + [2024] * 3,
            "seasoning_months": [33.0, 31.0, 30.0, 21.0, 19.0, 18.0],
        }
    )


def tubes(rng: np.random.Generator, truth: Truth) -> pd.DataFrame:
    """Return the tubes, with their lot and number of reeds beside the record's columns.

    Parameters
    ----------
    rng : numpy.random.Generator
    truth : Truth

    Returns
    -------
    DataFrame
        The tubes table, and `lot` (number from 0) and `reeds`.

    Examples
    --------
    >>> from reedlab.demo import TRUTH
    >>> int(tubes(np.random.default_rng(1), TRUTH)["reeds"].sum())
    120
    """
    n = N_LOTS * TUBES_PER_LOT
    lot = np.repeat(np.arange(N_LOTS), TUBES_PER_LOT)
    dense, softness, wide = rng.standard_normal((3, n))
    reeds = np.concatenate([rng.permutation(REEDS_PER_TUBE) for _ in range(N_LOTS)])
    centre = truth.centres["density_kg_m3"]
    hardness = 15.0 - 0.9 * dense + 1.3 * softness  # larger is softer
    return pd.DataFrame(
        {
            "tube_id": [f"T{i + 1:02}" for i in range(n)],
            "lot_id": [f"L{i + 1}" for i in lot],
            "outer_diameter_mm": np.round(25.2 + 0.5 * wide, 1),
            "density_kg_m3": np.round(centre + _DENSITY_SPREAD * dense),
            "hardness": np.round(2 * hardness) / 2,  # the mean of two readings
            "pieces": np.where(reeds > 4, 8, 4) - (reeds == 3) * rng.integers(0, 2, n),
            "lot": lot,
            "reeds": reeds,
        }
    )


def reeds(rng: np.random.Generator, cane: pd.DataFrame, truth: Truth) -> pd.DataFrame:
    """Return the reeds in the order in which they are made.

    Parameters
    ----------
    rng : numpy.random.Generator
    cane : DataFrame
        As :func:`tubes` returns it.
    truth : Truth

    Returns
    -------
    DataFrame
        Columns of the reeds table, the density of the tube, and the numbers `reed`,
        `tube`, `lot` and `group`.
    """
    tube = np.repeat(np.arange(len(cane)), cane["reeds"])
    # Lots are used up one after the other, but overlap, and no tube is cut in one go.
    turn = cane["lot"] + 1.2 * rng.standard_normal(len(cane))
    order = np.argsort(turn.to_numpy()[tube] + 0.3 * rng.standard_normal(len(tube)))
    tube = tube[order]
    n = len(tube)
    density = cane["density_kg_m3"].to_numpy()[tube]
    dense = (density - truth.centres["density_kg_m3"]) / _DENSITY_SPREAD
    tight = rng.random(n) < 1 / (1 + np.exp(-_HABIT * dense))
    group = np.arange(n) // PER_GROUP
    start = GROUP_DAYS * group
    rest = rng.integers(14, 29, n)
    return pd.DataFrame(
        {
            "reed_id": [f"R{i + 1:03}" for i in range(n)],
            "tube_id": cane["tube_id"].to_numpy()[tube],
            "made_on": [FIRST_DAY + timedelta(days=int(day)) for day in start - rest],
            "gouge_centre_mm": np.round(
                truth.centres["gouge_centre_mm"] + 0.04 * rng.standard_normal(n), 2
            ),
            "shape": np.array(LEVELS["shape"])[rng.integers(0, 2, n)],
            "wire_tension": np.array(LEVELS["wire_tension"])[tight.astype(int)],
            "soak_min": np.round(np.clip(18 + 4 * rng.standard_normal(n), 9, 30)) * 10,
            "minutes_spent": np.round(14 + 1.5 * rng.standard_normal(n)) * 5,
            "density_kg_m3": density,
            "reed": np.arange(n),
            "tube": tube,
            "lot": cane["lot"].to_numpy()[tube],
            "group": group,
        }
    )
