"""What drives the crow: of a season's 600 tests, and of a pooled record of 100,000?

Ours reads the question from the study: joins the tables, decides strata and blocks, fits, tests
and says how well readings repeat. The alternative is the fit alone, by the library that ours
uses, on a table that is made already. The record is invented.
"""

import warnings
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from tests.bench.frame import Row, Run, Side, home


@dataclass(frozen=True)
class Shape:
    """How large a record is: tubes of a lot, reeds of a tube, tests of a reed."""

    tubes_a_lot: int
    per_tube: int
    sessions: int


#: From 120 reeds and 600 tests on.
SEASON, SEASON_TUBES = Shape(5, 4, 5), (30, 45, 60, 90)
#: Up to 100,000 tests, and 12,050 lots, tubes, reeds and sessions.
POOL, POOL_TUBES = Shape(50, 5, 10), (250, 500, 1_000, 2_000)


def _study(shape: Shape, tubes: int) -> Any:
    """Write an invented record of so many tubes, if it is not there, and open it."""
    from reedlab.demo.record import Demo, recorded, settings_for
    from reedlab.demo.truth import TRUTH
    from reedlab.study import open_study

    folder = home("pooled") / f"{shape.per_tube} {tubes}"
    if not folder.exists():
        settings = settings_for(
            ("density_kg_m3", "gouge_centre_mm", "shape", "relative_humidity_pct")
        )
        tables = recorded(_tables(shape, tubes), settings)
        title = "Invented: a pooled record"
        Demo(title, tables, settings, TRUTH).write(folder)
    return open_study(folder)


def _tables(shape: Shape, tubes: int) -> dict[str, Any]:
    import pandas as pd

    rng = np.random.default_rng(1)
    lot = [f"L{i // shape.tubes_a_lot}" for i in range(tubes)]
    density = np.round(510 + 25 * rng.normal(size=tubes))
    reeds = tubes * shape.per_tube
    tube, reed = np.arange(reeds) // shape.per_tube, np.repeat(np.arange(reeds), shape.sessions)
    session = np.tile(np.arange(shape.sessions), reeds)
    gouge, wide = np.round(1.27 + 0.04 * rng.normal(size=reeds), 2), rng.integers(2, size=reeds)
    cents = (
        6 * rng.normal(size=tubes)[tube[reed]]
        + 8 * rng.normal(size=reeds)[reed]
        + 3 * rng.normal(size=shape.sessions)[session]
        + 8 * rng.normal(size=len(reed))
        + 4 * wide[reed]
    )
    names = {what: np.array([f"{what}{i}" for i in range(reeds)]) for what in "TRS"}
    return {
        "lots": pd.DataFrame({"lot_id": list(dict.fromkeys(lot)), "harvest_year": 2024}),
        "tubes": pd.DataFrame(
            {"tube_id": names["T"][:tubes], "lot_id": lot, "density_kg_m3": density}
        ),
        "reeds": pd.DataFrame(
            {
                "reed_id": names["R"],
                "tube_id": names["T"][tube],
                "shape": np.array(["narrow", "wide"])[wide],
                "gouge_centre_mm": gouge,
            }
        ),
        "sessions": pd.DataFrame(
            {
                "session_id": names["S"][: shape.sessions],
                "relative_humidity_pct": np.round(50 + 8 * rng.normal(size=shape.sessions)),
            }
        ),
        "tests": pd.DataFrame(
            {
                "reed_id": names["R"][reed],
                "session_id": names["S"][session],
                "trial": 1,
                "player_id": "P1",
                "crow_cents": np.round(cents, 1),
            }
        ),
    }


def _ours(shape: Shape, tubes: int) -> Run:
    from reedlab.analyse import drivers

    study = _study(shape, tubes)

    def run() -> object:
        table = drivers(study, "crow_cents").table
        return float(abs(table[table["term"] == "shape"]["estimate"].iloc[0]))

    return run


def _mixedlm(shape: Shape, tubes: int) -> Run:
    import mixedlm

    table = _study(shape, tubes).tables
    joined = table["tests"][["reed_id", "session_id", "crow_cents"]]
    for name, key in (("reeds", "reed_id"), ("tubes", "tube_id"), ("sessions", "session_id")):
        joined = joined.merge(table[name], on=key)
    groups = ["lot_id", "tube_id", "reed_id", "session_id"]
    joined = joined.astype(dict.fromkeys([*groups, "shape"], object)).reset_index(drop=True)
    joined["crow_cents"] = joined["crow_cents"].astype(float)
    random = " + ".join(f"(1 | {name})" for name in groups)
    fixed = "density_kg_m3 + gouge_centre_mm + shape + relative_humidity_pct"

    def run() -> object:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it warns of a variance at zero, as lots' may be
            coefficients = mixedlm.lmer(f"crow_cents ~ {fixed} + {random}", joined).fixef()
        return abs(next(value for name, value in coefficients.items() if name.startswith("shape")))

    return run


def _same(ours: Any, other: Any) -> None:
    np.testing.assert_allclose(ours, other, rtol=1e-3)


def _row(name: str, task: str, shape: Shape, tubes: tuple[int, int, int, int], at: int) -> Row:
    alone = partial(_mixedlm, shape)
    return Row(
        name,
        task,
        "tubes",
        Side("reedlab drivers", partial(_ours, shape), tubes, at),
        (Side("mixedlm alone", alone, tubes, at, ("mixedlm",)),),
        agree=_same,
    )


DRIVERS = _row("drivers", "what drives the crow, 600 tests of 120 reeds", SEASON, SEASON_TUBES, 30)
POOLED = _row(
    "pooled record",
    "what drives the crow, 100,000 tests and 12,000 tubes and reeds",
    POOL,
    POOL_TUBES,
    2_000,
)
