"""An invented studio: several makers with reeds of their own, alike in some things only.

A thicker gouge lowers the crow in every hand, by nearly as much. The wide shape raises it
in one hand and lowers it in another, and on average does nothing; wire tension never does.
"""

import tempfile
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from reedlab.demo.bench import measured, stage_names
from reedlab.demo.record import Demo, recorded, settings_for
from reedlab.demo.truth import LEVELS, STAGES, TRUTH, Truth
from reedlab.demo.verdicts import fates, stage_means
from reedlab.study import Study

# The first seed from 1 upwards whose studio teaches: the gouge holds across makers, the
# shape is one maker's hand, of tension nothing is shown, and every mean's interval holds the
# truth.
STUDIO_SEED = 1
#: Invented makers, called after trees.
MAKERS = ("Ash", "Birch", "Cedar", "Hazel", "Larch", "Rowan", "Alder", "Elm", "Fir", "Oak", "Pine")
#: Standard deviation between makers of what a step of a factor does to the crow, cents.
HANDS = {"gouge_centre_mm": 2.0, "shape": 14.0}
FACTORS = ("density_kg_m3", "gouge_centre_mm", "shape", "wire_tension")

_MEAN_SD = 12.0
_STAGE = len(STAGES) - 1


def simulate_studio(
    seed: int = STUDIO_SEED,
    makers: int = 6,
    tubes: int = 10,
    per_tube: int = 4,
    hands: Mapping[str, float] = HANDS,
) -> dict[str, Demo]:
    """Return the invented studies of several makers, each with the truth of that hand.

    Parameters
    ----------
    seed : int
        The same seed gives the same studio.
    makers : int
        Up to eleven.
    tubes, per_tube : int
        Tubes of each maker, and reeds of each tube; every reed is tested twice.
    hands : mapping of str to float
        Standard deviation between makers of what a step of a factor does to the crow, cents.

    Returns
    -------
    dict of str to Demo

    Examples
    --------
    >>> studio = simulate_studio(seed=5, makers=3)
    >>> list(studio), len(studio["Ash"].tables["reeds"])
    (['Ash', 'Birch', 'Cedar'], 40)
    """
    streams = np.random.default_rng(np.random.SeedSequence(seed)).spawn(makers)
    return {
        name: _study(name, stream, tubes, per_tube, hands)
        for name, stream in zip(MAKERS[:makers], streams, strict=True)
    }


def example_studio() -> dict[str, Study]:
    """Write the invented studio to a temporary folder and open its six studies.

    Returns
    -------
    dict of str to Study
        By maker.

    Examples
    --------
    >>> studio = example_studio()
    >>> len(studio), studio["Ash"].settings.invented
    (6, True)
    """
    home = Path(tempfile.mkdtemp())
    return {name: demo.write(home / name) for name, demo in simulate_studio().items()}


def hand(rng: np.random.Generator, hands: Mapping[str, float]) -> Truth:
    """Return the bench in one maker's hand: effects on the crow, and its mean, are its own."""
    crow = TRUTH.traits["crow_cents"]
    own = {
        name: crow.effects.get(name, 0.0) + sd * float(rng.standard_normal())
        for name, sd in hands.items()
    }
    mean = crow.mean + _MEAN_SD * float(rng.standard_normal())
    crow = replace(crow, mean=mean, effects={**crow.effects, **own})
    return replace(TRUTH, traits={**TRUTH.traits, "crow_cents": crow})


def _study(
    name: str, rng: np.random.Generator, tubes: int, per_tube: int, hands: Mapping[str, float]
) -> Demo:
    truth = hand(rng, hands)
    cane, reeds = _cane(rng, tubes), _reeds(rng, tubes, per_tube)
    held = _sessions(rng, name)
    given = cane[["tube_id", "density_kg_m3", "lot"]]
    weather = held[["session", "session_id", "trial", "relative_humidity_pct"]]
    layout = reeds.merge(given, on="tube_id").merge(weather, how="cross")
    layout = layout.assign(player=0, stage=_STAGE, turn=rng.random(len(layout)))
    layout = layout.sort_values(["session", "turn"], ignore_index=True)
    tests = measured(rng, layout, truth)
    crow, span = (
        stage_means(layout, tests[one], len(reeds)) for one in ("crow_cents", "dynamic_range_db")
    )
    fate = fates(rng, crow, span, truth, first=_STAGE)
    tests = pd.concat([layout, tests], axis="columns")
    tables = {
        "lots": pd.DataFrame({"lot_id": ["L1"], "harvest_year": 2024}),
        "tubes": cane,
        "reeds": pd.concat([reeds, fate], axis="columns"),
        "sessions": held,
        "tests": tests.assign(stage=stage_names(tests["stage"])),
    }
    settings = settings_for(FACTORS)
    title = f"Invented: {name}'s reeds"
    return Demo(title, recorded(tables, settings), settings, truth)


def _cane(rng: np.random.Generator, tubes: int) -> pd.DataFrame:
    dense = TRUTH.centres["density_kg_m3"] + 25 * rng.standard_normal(tubes)
    return pd.DataFrame(
        {
            "tube_id": [f"T{i + 1}" for i in range(tubes)],
            "lot_id": "L1",
            "density_kg_m3": np.round(dense),
            "lot": 0,
        }
    )


def _reeds(rng: np.random.Generator, tubes: int, per_tube: int) -> pd.DataFrame:
    n = tubes * per_tube
    gouge = TRUTH.centres["gouge_centre_mm"] + 0.04 * rng.standard_normal(n)
    return pd.DataFrame(
        {
            "reed_id": [f"R{i + 1:02}" for i in range(n)],
            "tube_id": [f"T{i // per_tube + 1}" for i in range(n)],
            "gouge_centre_mm": np.round(gouge, 2),
            "shape": rng.permutation(np.resize(LEVELS["shape"], n)),
            "wire_tension": rng.permutation(np.resize(LEVELS["wire_tension"], n)),
            "reed": np.arange(n),
            "tube": np.arange(n) // per_tube,
        }
    )


def _sessions(rng: np.random.Generator, player: str) -> pd.DataFrame:
    start = datetime(2026, 3, 2, 18)
    return pd.DataFrame(
        {
            "session_id": ["S1", "S2"],
            "started_at": [start + timedelta(days=day) for day in (0, 2)],
            "player_id": player,
            "relative_humidity_pct": np.round(45 + 3 * rng.standard_normal(2)),
            "a4_hz": 440.0,
            "session": [0, 1],
            "trial": [1, 2],
        }
    )
