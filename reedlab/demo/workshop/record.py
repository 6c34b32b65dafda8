"""The maker's notebook of a workshop: all that was seen, as the tables of a study.

Nothing hidden is in it. What one maker writes down any maker could.
"""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

import pandas as pd

from reedlab.demo.bench import CROW_TARGET
from reedlab.demo.truth import STAGES
from reedlab.demo.workshop.assumed import (
    CANE_MINUTES,
    FACTORS,
    MAKE_MINUTES,
    MEASURING_MINUTES,
    STAGE_MINUTES,
)
from reedlab.schema import FACTORS as USUAL_FACTORS
from reedlab.schema import RESPONSES, Factor
from reedlab.study import BatchRecord, Settings, Stage

#: What is read of cane and room, and held while the factors are judged.
_HELD = ("density_kg_m3", "hardness", "flex_mm", "relative_humidity_pct")
_JUDGED = ("crow_cents", "dynamic_range_db", "rating_overall", "kept")


class Record:
    """What a maker wrote down; tables in the order of events."""

    def __init__(self) -> None:
        self._tubes: dict[str, dict[str, object]] = {}
        self._reeds: dict[str, dict[str, object]] = {}
        self._sessions: dict[str, dict[str, object]] = {}
        self._tests: dict[tuple[str, str, int], dict[str, object]] = {}

    @property
    def reeds(self) -> pd.DataFrame:
        """One row a reed, in the order of making."""
        return pd.DataFrame(list(self._reeds.values()))

    @property
    def tests(self) -> pd.DataFrame:
        """One row a test, in the order of playing."""
        return pd.DataFrame(list(self._tests.values()))

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return lots, tubes, reeds, sessions and tests, as `write_study` takes them."""
        tubes = pd.DataFrame(list(self._tubes.values()))
        return {
            "lots": tubes[["lot_id"]].drop_duplicates(ignore_index=True),
            "tubes": tubes,
            "reeds": self.reeds,
            "sessions": pd.DataFrame(list(self._sessions.values())),
            "tests": self.tests,
        }

    def settings(self, batches: tuple[BatchRecord, ...] = ()) -> Settings:
        """Return the settings of a study of this workshop."""
        held = [factor for factor in USUAL_FACTORS if factor.name in _HELD]
        return Settings(
            "bassoon",
            crow_target=CROW_TARGET,
            invented=True,
            factors=[*map(_free, FACTORS), *held],
            responses=[response for response in RESPONSES if response.name in _JUDGED],
            batches=batches,
            stages=stages(),
            cane_minutes=CANE_MINUTES,
        )

    def trials(self, reed_id: str, stage: str) -> int:
        """Return how often a reed was played at a stage."""
        return sum(key[:2] == (reed_id, stage) for key in self._tests)

    def name_batch(self, batch_id: str, codes: Mapping[str, str]) -> None:
        """Write down which reeds belong to a batch, and the blind code of each."""
        for reed_id, blind_code in codes.items():
            self._reeds[reed_id] |= {"batch_id": batch_id, "blind_code": blind_code}

    def made(
        self, reed_id: str, tube: pd.Series, recipe: Mapping[str, object], when: datetime
    ) -> None:
        """Write down a reed that was made."""
        self._tubes.setdefault(str(tube["tube_id"]), {str(name): tube[name] for name in tube.index})
        row = {"reed_id": reed_id, "blind_code": None, "batch_id": None, "tube_id": tube["tube_id"]}
        ends = {"fate": None, "fate_stage": None, "spared": None}
        self._reeds[reed_id] = {**row, "made_on": when.date(), **recipe, **ends}

    def played(
        self,
        reed_id: str,
        stage: str,
        trial: int,
        seen: Mapping[str, float],
        when: datetime,
        humidity: float,
    ) -> None:
        """Write down a test and the session in which it was made."""
        session = f"S{when:%m%d}"
        self._sessions.setdefault(
            session,
            {
                "session_id": session,
                "started_at": when,
                "player_id": "P1",
                "relative_humidity_pct": round(humidity),
            },
        )
        row = {"reed_id": reed_id, "session_id": session, "stage": stage, "trial": trial}
        self._tests[reed_id, stage, trial] = {**row, **seen}

    def ended(self, reed_id: str, kept: bool, stage: str, spared: bool) -> None:
        """Write down what became of a reed, and when."""
        fate = "kept" if kept else "discarded"
        self._reeds[reed_id] |= {"fate": fate, "fate_stage": stage, "spared": spared}


def _free(factor: Factor) -> Factor:
    """Declare a number without the levels that are tried first: any in between may be made."""
    return replace(factor, levels=()) if factor.kind == "numeric" else factor


def stages() -> list[Stage]:
    """Return the stages with the minutes of a measured reed until each, the cane apart."""
    spent, found = MAKE_MINUTES - CANE_MINUTES, []
    for name, minutes in zip(STAGES, STAGE_MINUTES, strict=True):
        spent += minutes + MEASURING_MINUTES
        found.append(Stage(name, spent))
    return found
