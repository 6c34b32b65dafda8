"""An invented planned batch: 24 reeds from 8 tubes of 2 lots, a split plot, blind.

The gouge is set for a whole tube: two tubes of each lot get either level. Shape and
wire tension are given to the reeds within a tube: the three reeds of a tube get three
of the four combinations, and over the four tubes of a gouge each combination is left
out once, so that all are made equally often.
"""

from datetime import date, datetime, timedelta
from itertools import product

import numpy as np
import pandas as pd

from reedlab.demo.bench import measured, stage_names
from reedlab.demo.record import Demo, recorded, settings_for
from reedlab.demo.truth import LEVELS, STAGES, TRUTH, Truth
from reedlab.demo.verdicts import fates, stage_means
from reedlab.study import BatchRecord

# The first seed from 1 upwards whose batch teaches: counting reeds finds an effect of the
# gouge on the crow (p < 0.02), counting tubes does not (p > 0.1); the shape is found in
# the dynamic range (p < 0.01), nothing is found that is not there, every 95 % interval
# holds the truth, and a fifth to two fifths are kept.
BATCH_SEED = 6
TITLE = "Invented: a planned batch of 24 bassoon reeds from 8 tubes"

GOUGES = (1.25, 1.30)
FACTORS = ("gouge_centre_mm", "shape", "wire_tension")
N_LOTS, TUBES_PER_LOT, PER_TUBE = 2, 4, 3

_TEST_DAY = date(2026, 9, 12)
_HOURS = (10, 19)
_HOW = (
    "Within each lot two tubes, drawn at random, were gouged 1.25 mm and two 1.30 mm. The three "
    "reeds of a tube got three of the four combinations of shape and wire tension in random "
    "order; which combination a tube leaves out was drawn, each once for either gouge. Blind "
    "codes and the order of playing were drawn as well."
)


def simulate_batch(seed: int = BATCH_SEED, effects: bool = True) -> Demo:
    """Return an invented batch with its plan, tested twice by one player.

    Parameters
    ----------
    seed : int
        The same seed gives the same batch; it is also the seed of its plan.
    effects : bool
        With False no factor does anything.

    Returns
    -------
    Demo

    Examples
    --------
    >>> reeds = simulate_batch(seed=5).tables["reeds"]
    >>> reeds.groupby(["shape", "wire_tension"]).size().tolist()
    [6, 6, 6, 6]
    """
    truth = TRUTH if effects else TRUTH.without_effects()
    streams = np.random.default_rng(np.random.SeedSequence(seed)).spawn(5)
    tubes = _tubes(streams[0], truth)
    reeds = _reeds(streams[1], tubes)
    held = _sessions(streams[2])
    layout = _layout(streams[2], tubes, reeds, held)
    tests = measured(streams[3], layout, truth)
    crow, span = (
        stage_means(layout, tests[name], len(reeds)) for name in ("crow_cents", "dynamic_range_db")
    )
    fate = fates(streams[4], crow, span, truth, first=len(STAGES) - 1)
    tests = pd.concat([layout, tests], axis="columns")
    tables = {
        "lots": pd.DataFrame(
            {"lot_id": ["L1", "L2"], "harvest_year": 2024, "seasoning_months": [25.0, 24.0]}
        ),
        "tubes": tubes,
        "reeds": pd.concat([reeds, fate], axis="columns"),
        "sessions": held,
        "tests": tests.assign(stage=stage_names(tests["stage"])),
    }
    settings = settings_for(
        FACTORS, [BatchRecord("B1", FACTORS, seed, _HOW)], tube="gouge_centre_mm"
    )
    return Demo(TITLE, recorded(tables, settings), settings, truth)


def _tubes(rng: np.random.Generator, truth: Truth) -> pd.DataFrame:
    """Return tubes that were chosen alike in density, with the gouge that each got."""
    n = N_LOTS * TUBES_PER_LOT
    dense, soft, wide = rng.standard_normal((3, n))
    gouges = [rng.permutation(GOUGES * (TUBES_PER_LOT // 2)) for _ in range(N_LOTS)]
    return pd.DataFrame(
        {
            "tube_id": [f"T{i + 1}" for i in range(n)],
            "lot_id": [f"L{i // TUBES_PER_LOT + 1}" for i in range(n)],
            "outer_diameter_mm": np.round(25.2 + 0.3 * wide, 1),
            "density_kg_m3": np.round(truth.centres["density_kg_m3"] + 12 * dense),
            "hardness": np.round(2 * (15 + soft)) / 2,
            "pieces": 4,
            "gouge_centre_mm": np.concatenate(gouges),
            "lot": np.arange(n) // TUBES_PER_LOT,
        }
    )


def _reeds(rng: np.random.Generator, tubes: pd.DataFrame) -> pd.DataFrame:
    """Give the reeds of each tube all but one of the combinations, in random order."""
    combinations = list(product(LEVELS["shape"], LEVELS["wire_tension"]))
    left_out = np.empty(len(tubes), dtype=int)
    for gouge in GOUGES:
        left_out[tubes["gouge_centre_mm"] == gouge] = rng.permutation(len(combinations))
    given = [
        combinations[place]
        for out in left_out
        for place in rng.permutation([i for i in range(len(combinations)) if i != out])
    ]
    n = len(given)
    return pd.DataFrame(
        {
            "reed_id": [f"R{i + 1:02}" for i in range(n)],
            "blind_code": [str(code) for code in 100 + rng.permutation(900)[:n]],
            "batch_id": "B1",
            "tube_id": tubes["tube_id"].to_numpy()[np.arange(n) // PER_TUBE],
            "made_on": [_TEST_DAY - timedelta(days=28 - i // 6) for i in range(n)],
            "shape": [shape for shape, _ in given],
            "wire_tension": [tension for _, tension in given],
            "soak_min": 180.0,
            "minutes_spent": np.round(14 + rng.standard_normal(n)) * 5,
            "reed": np.arange(n),
            "tube": np.arange(n) // PER_TUBE,
        }
    )


def _sessions(rng: np.random.Generator) -> pd.DataFrame:
    """Return the morning and the evening in which every reed is played."""
    midnight = datetime.combine(_TEST_DAY, datetime.min.time())
    return pd.DataFrame(
        {
            "session_id": ["S1", "S2"],
            "started_at": [midnight + timedelta(hours=hour) for hour in _HOURS],
            "player_id": "P1",
            "instrument_id": "I1",
            "bocal": "B1",
            "room": "R1",
            "relative_humidity_pct": np.round(46 + 2 * rng.standard_normal(2)),
            "temperature_c": np.round(20.5 + 0.5 * rng.standard_normal(2), 1),
            "a4_hz": 440.0,
            "session": [0, 1],
            "trial": [1, 2],
        }
    )


def _layout(
    rng: np.random.Generator, tubes: pd.DataFrame, reeds: pd.DataFrame, held: pd.DataFrame
) -> pd.DataFrame:
    """Return one row a test, each session in its own random order."""
    cane = tubes[["tube_id", "lot", "density_kg_m3", "gouge_centre_mm"]]
    weather = held[["session", "session_id", "trial", "relative_humidity_pct"]]
    layout = reeds.merge(cane, on="tube_id").merge(weather, how="cross")
    layout = layout.assign(player=0, stage=len(STAGES) - 1, turn=rng.random(len(layout)))
    return layout.sort_values(["session", "turn"], ignore_index=True)
