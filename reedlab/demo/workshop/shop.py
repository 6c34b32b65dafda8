"""The maker's side of a workshop: what can be done, what it costs, what is seen of it.

Make a reed, test it, retest it, stop it, finish it, sit down at the desk. Each takes bench
minutes; a piece of cane is gone once the knife was in it. The calendar follows the minutes:
a season's minutes are a year's, and what is done on one day is one session. Reeds are broken
in side by side, so that waiting costs nothing.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from reedlab.demo.truth import STAGES
from reedlab.demo.workshop.assumed import (
    BREAKAGE,
    CANE_MINUTES,
    DESK_MINUTES,
    FACTORS,
    FIRST_LOTS,
    LAST,
    MAKE_MINUTES,
    MEASURING_MINUTES,
    PARTS,
    STAGE_MINUTES,
    TEST_MINUTES,
    TUBES_A_LOT,
    USUAL,
)
from reedlab.demo.workshop.hidden import Hidden
from reedlab.demo.workshop.playing import Day, Reed, day_of, is_kept, reading, reed_of
from reedlab.demo.workshop.record import Record
from reedlab.errors import CallError, unknown_name
from reedlab.schema import Factor

#: What the streams of chance are for.
_WEATHER, _PLAY, _VERDICT = 3, 4, 5
_YEAR = datetime(2026, 1, 5, 18)


class SeasonOverError(CallError):
    """There are no bench minutes left for what was asked; nothing was done."""


class Workshop:
    """A workshop for one season, as its maker sees it; made by `open_workshop`.

    Attributes
    ----------
    factors : tuple of Factor
        What may be set reed by reed, with levels from the lowest to the highest that is tried.
    usual : dict
        How reeds are usually made, by factor.
    record : Record
        All that the maker knows so far, as the tables of a study.
    minutes_spent : float
    """

    def __init__(self, hidden: Hidden, seed: int, minutes: float) -> None:
        self.factors: tuple[Factor, ...] = FACTORS
        self.usual: dict[str, str | float] = dict(USUAL)
        self.record = Record()
        self.minutes_spent = 0.0
        self._season, self._seed, self._hidden = minutes, seed, hidden
        self._used = np.zeros(len(hidden.cane.readings), dtype=int)
        self._reeds: dict[str, Reed] = {}
        self._places: dict[str, tuple[int, int]] = {}
        self._judged: dict[str, dict[str, object]] = {}
        self._stage: dict[str, int] = {}
        self._days: dict[int, Day] = {}

    @property
    def minutes_left(self) -> float:
        """Bench minutes that the season still has."""
        return self._season - self.minutes_spent

    @property
    def season_minutes(self) -> float:
        """Bench minutes of the whole season."""
        return self._season

    @property
    def pieces_used(self) -> int:
        """Pieces of cane that the knife was in, split ones too."""
        return int(self._used.sum())

    @property
    def cane(self) -> pd.DataFrame:
        """Tubes on the shelf, with what was read of them and the ``pieces`` that are left."""
        part = int(PARTS * self.minutes_spent / self._season)
        here = TUBES_A_LOT * min(FIRST_LOTS + part, len(self._used) // TUBES_A_LOT)
        tubes = self._hidden.cane.readings.head(here)
        tubes = tubes.assign(pieces=tubes["pieces"] - self._used[:here])
        return tubes[tubes["pieces"] > 0].reset_index(drop=True)

    def make(self, tube_id: str, recipe: Mapping[str, str | float]) -> str | None:
        """Make a reed from a piece of a tube.

        Parameters
        ----------
        tube_id : str
        recipe : mapping
            Levels by factor; what is not named is made as usual.

        Returns
        -------
        str or None
            The reed; None if the piece split, which costs the cane's minutes.

        Raises
        ------
        CallError
            For a tube that is not on the shelf or a level beyond what is tried.
        SeasonOverError
        """
        made = self._checked(recipe)
        shelf = self.cane["tube_id"].tolist()
        if tube_id not in shelf:
            raise unknown_name("tube on the shelf", tube_id, shelf)
        self._need(MAKE_MINUTES)
        tube = int(tube_id[1:]) - 1
        piece = int(self._used[tube])
        self._used[tube] += 1
        if self._hidden.cane.splits[tube, piece] < BREAKAGE:
            self.minutes_spent += CANE_MINUTES
            return None
        self.minutes_spent += MAKE_MINUTES
        reed_id = self._born(tube, piece, made)
        self._hidden.worked(reed_id, self.minutes_spent, MAKE_MINUTES)
        return reed_id

    def test(self, reed_id: str, measure: bool = True) -> dict[str, float]:
        """Work a reed on to its next stage and play it there.

        Parameters
        ----------
        reed_id : str
        measure : bool
            Whether crow and range are measured and written down, which takes longer.

        Returns
        -------
        dict
            ``rating_overall``; if measured ``crow_cents`` and ``dynamic_range_db`` too.

        Raises
        ------
        CallError
            For a reed that is not at work, or that stands at its last stage but one: finish it.
        SeasonOverError
        """
        stage = self._at_work(reed_id) + 1
        if stage == LAST:
            raise CallError(f"'{reed_id}' was played at {STAGES[stage - 1]}: finish it, or stop.")
        return self._played(reed_id, stage, 1, STAGE_MINUTES[stage], measure)

    def retest(self, reed_id: str) -> dict[str, float]:
        """Play and measure a reed once more at the stage where it stands.

        Raises
        ------
        CallError
            For a reed that is not at work or was not played yet.
        SeasonOverError
        """
        stage = self._at_work(reed_id)
        if stage < 0:
            raise CallError(f"'{reed_id}' was not played yet: test it first.")
        trial = self.record.trials(reed_id, STAGES[stage]) + 1
        return self._played(reed_id, stage, trial, TEST_MINUTES, measure=True)

    def stop(self, reed_id: str) -> None:
        """Give a reed up at the stage where it stands."""
        stage = self._at_work(reed_id)
        self._end(reed_id, "stopped", kept=False, spared=False, stage=max(stage, 0))

    def finish(self, reed_id: str, spared: bool = False, measure: bool = True) -> bool:
        """Work a reed through all that is left, and say whether the player keeps it.

        Parameters
        ----------
        reed_id : str
        spared : bool
            Whether it is finished in spite of a rule that says stop.
        measure : bool

        Returns
        -------
        bool

        Raises
        ------
        SeasonOverError
            If the minutes do not suffice for all of it.
        """
        ahead = range(self._at_work(reed_id) + 1, LAST + 1)
        self._need(sum(STAGE_MINUTES[stage] + MEASURING_MINUTES * measure for stage in ahead))
        for stage in ahead:
            self._played(reed_id, stage, 1, STAGE_MINUTES[stage], measure)
        kept = is_kept(self._hidden.nature, self._reeds[reed_id], self._luck(_VERDICT, reed_id))
        self._end(reed_id, "finished", kept=kept, spared=spared, stage=LAST)
        return kept

    def sit_down(self) -> None:
        """Spend an evening at the desk: plan a batch or reckon up the last one."""
        self._need(DESK_MINUTES)
        self.minutes_spent += DESK_MINUTES

    def _need(self, minutes: float) -> None:
        if minutes > self.minutes_left:
            raise SeasonOverError(
                f"The season has {self.minutes_left:g} minutes left; this takes {minutes:g}."
            )

    def _checked(self, recipe: Mapping[str, str | float]) -> dict[str, str | float]:
        for name, level in recipe.items():
            factor = {f.name: f for f in self.factors}.get(name)
            if factor is None:
                raise unknown_name("factor", name, self.usual)
            if factor.kind != "numeric" and level not in factor.levels:
                raise unknown_name(f"level of {factor.label}", level, [*factor.levels])
            if factor.kind == "numeric":
                low, high = float(factor.levels[0]), float(factor.levels[-1])
                if not low <= float(level) <= high:
                    raise CallError(f"{factor.label} {level} is not between {low:g} and {high:g}.")
        return {**self.usual, **recipe}

    def _born(self, tube: int, piece: int, made: dict[str, str | float]) -> str:
        """Let a reed be: its hidden side, its row in the record, its row for the judge."""
        nature, cane = self._hidden.nature, self._hidden.cane
        reed_id = f"R{len(self._reeds) + 1:03}"
        own = cane.shifts[tube] + cane.pieces[tube, piece, :, 0]
        reed = reed_of(nature, made, own, cane.pieces[tube, piece, :, 1])
        self._reeds[reed_id] = reed
        self._places[reed_id], self._stage[reed_id] = (tube, piece), -1
        row = cane.readings.iloc[tube]
        self.record.made(reed_id, row, made, _YEAR + timedelta(days=self._today))
        self._judged[reed_id] = self._hidden.note(
            {
                "reed_id": reed_id,
                "tube_id": row["tube_id"],
                "worth": reed.worth,
                "good": reed.worth >= nature.line,
                "ended": "",
            }
        )
        return reed_id

    @property
    def _today(self) -> int:
        return int(364 * self.minutes_spent / self._season)

    def _at_work(self, reed_id: str) -> int:
        """Return the stage at which a reed stands, -1 if it was not played yet."""
        if reed_id not in self._reeds:
            raise unknown_name("reed", reed_id, self._reeds)
        if self._judged[reed_id]["ended"]:
            raise CallError(f"'{reed_id}' is {self._judged[reed_id]['ended']} already.")
        return self._stage[reed_id]

    def _luck(self, what: int, reed_id: str, *more: int) -> np.random.Generator:
        return np.random.default_rng([self._seed, what, *self._places[reed_id], *more])

    def _played(
        self, reed_id: str, stage: int, trial: int, minutes: float, measure: bool
    ) -> dict[str, float]:
        minutes += MEASURING_MINUTES * measure
        self._need(minutes)
        self.minutes_spent += minutes
        self._hidden.worked(reed_id, self.minutes_spent, minutes)
        self._stage[reed_id] = stage
        today = self._today
        if today not in self._days:
            self._days[today] = day_of(today, np.random.default_rng([self._seed, _WEATHER, today]))
        day, chance = self._days[today], self._luck(_PLAY, reed_id, stage, trial)
        seen = reading(self._hidden.nature, self._reeds[reed_id], stage, day, chance)
        if not measure:
            seen = {"rating_overall": seen["rating_overall"]}
        when = _YEAR + timedelta(days=today)
        self.record.played(reed_id, STAGES[stage], trial, seen, when, day.humidity)
        return seen

    def _end(self, reed_id: str, how: str, *, kept: bool, spared: bool, stage: int) -> None:
        self.record.ended(reed_id, kept, STAGES[stage], spared)
        self._judged[reed_id] |= {
            "ended": how,
            "minute": self.minutes_spent,
            "spared": spared,
            "kept": kept,
        }
