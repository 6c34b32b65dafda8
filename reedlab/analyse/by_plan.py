"""P values of a planned batch by the plan itself, and intervals of kept or discarded.

Where every reed was made in a batch whose shuffle can be drawn again, chance is what the
plan did: levels among whole tubes, within tubes. Nothing is assumed of how fates or
ratings come about. Kept or discarded is told in percentage points: the difference of
shares, tubes weighted as alike as their reeds are. Its interval holds the constant shifts
that the same test does not call an effect, and reaches at either end as far as one judged
by tubes (reedlab.model.plot_interval): alone, the former covers 89 to 92 in a hundred
where tubes make most of a large difference. tests/analyse/test_by_plan.py and
tests/model/test_randomisation_levels.py measure what these hold.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.analyse.evidence import LEVEL, grade
from reedlab.analyse.frame import Frame
from reedlab.analyse.replay import Replay, replay
from reedlab.analyse.strata import Layout
from reedlab.answer import counted, number_text
from reedlab.errors import InestimableTermError, ModelError, listed
from reedlab.model.plot_interval import half_width
from reedlab.model.randomisation import DRAWS, Randomisation, randomisation
from reedlab.schema import Factor
from reedlab.study import Study


def by_the_plan(
    study: Study, frame: Frame, chosen: Layout, table: pd.DataFrame
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Put the plan's own p values into the rows of the factors that it gave by chance.

    Of kept or discarded estimates and intervals as well. `table` has a row a contrast;
    it comes back as it is where there is no plan, with the reason if there was a batch.
    """
    drawn = [
        f
        for f in frame.factors
        if f.stratum in ("tube", "reed") and grade(study, frame, f) == "randomised"
    ]
    if not drawn:
        return table, ()
    found = replay(study, frame)
    if isinstance(found, str):
        return table, (f"{found} P values rest on a model instead.",)
    held = [f for f in frame.factors if f.stratum == "session"]
    notes = [f"{listed(f.label for f in held)}: of sessions, judged by a model."] if held else []
    if found.shared:
        fixed = [f for f in drawn if f.stratum == "tube"]
        drawn = [f for f in drawn if f.stratum == "reed"]
        if fixed:
            notes.append(
                f"{listed(f.label for f in fixed)}: some tubes gave reeds to several batches, so "
                "what was given to tubes cannot be drawn again; judged by a model instead."
            )
    while drawn:
        try:
            tests = _tested(frame, chosen, found, drawn)
            asked = _Asked(frame, found, tuple(drawn), tests, tests.table.set_index("term"))
        except InestimableTermError as error:
            notes.append(f"{error} Judged by a model instead.")
            drawn = [f for f in drawn if f.name != error.term]
        except ModelError as error:
            return table, (*notes, f"{error} P values rest on a model instead.")
        else:
            return asked.filled(table), (*notes, *asked.notes())
    return table, tuple(notes)


@dataclass(frozen=True)
class _Asked:
    """The plan's test of a frame's response."""

    frame: Frame
    found: Replay
    factors: tuple[Factor, ...]
    tests: Randomisation
    table: pd.DataFrame

    def filled(self, table: pd.DataFrame) -> pd.DataFrame:
        """The table with these p values; corrected by maxT if all its terms are among them."""
        table = table.copy()
        for factor in self.factors:
            rows = table.index[table["term"] == factor.name]
            row = self.table.loc[factor.name]
            table.loc[rows, "p_value"] = row["p_value"]
            table.loc[rows, ["statistic", "den_df"]] = np.nan
            if self.frame.response.kind == "binary":
                for column, place in enumerate(rows):
                    self._shift(table, place, factor, column)
        if set(table["term"]) == {factor.name for factor in self.factors}:
            table["p_adjusted"] = table["term"].map(self.table["p_adjusted"])
        return table

    def notes(self) -> list[str]:
        """Say how the p values were got, and how exact they are."""
        drawn = [f for f in self.factors if not self.table.loc[f.name, "complete"]]
        notes = []
        if drawn:
            here = self.table.loc[[f.name for f in drawn]]
            error = number_text(max(float(here["mc_error"].max()), 0.0001), 1)
            notes.append(
                f"{listed(f.label for f in drawn)}: p value by drawing the plan's own shuffle "
                f"again {int(here['assignments'].max())} times (Monte-Carlo error at most {error})."
            )
        for factor in self.factors:
            if factor not in drawn:
                count = int(self.table["assignments"][factor.name])
                notes.append(
                    f"{factor.label}: p value by all {count} assignments that the plan could have "
                    "drawn."
                )
        kept = self.frame.response.kind == "binary"
        if kept:
            notes.append(
                "Intervals hold every shift that the same test does not call an effect, and reach "
                "at least as far as the differences between tubes do."
            )
        for factor in self.factors:
            least = float(self.table["smallest"][factor.name])
            if least > LEVEL:
                interval = " Its interval rests on a model instead." if kept else ""
                notes.append(
                    f"{factor.label}: so few assignments differ that no p value lies below "
                    f"{number_text(least, 2)}; only more {factor.stratum}s could show an effect."
                    f"{interval}"
                )
        return [*notes, *self._otherwise()]

    def _shift(self, table: pd.DataFrame, place: int, factor: Factor, column: int) -> None:
        """Fill in estimate and interval of one contrast, in percentage points."""
        row = self.table.loc[factor.name]
        if row["smallest"] > LEVEL:
            return
        shift = self.tests.shift(factor.name, column, mid=bool(row["mid"]))
        half = half_width(self.tests.responses[0], factor.name, column)
        limits = np.array(
            [
                min(shift.conf_low, shift.estimate - half),
                max(shift.conf_high, shift.estimate + half),
            ]
        )
        # A difference of differences is at most twice all of them.
        most = 100 if factor.name in self.found.data else 200
        table.loc[place, ["std_error", "df"]] = np.nan
        table.loc[place, "estimate"] = 100 * shift.estimate
        table.loc[place, ["conf_low", "conf_high"]] = np.clip(100 * limits, -most, most)

    def _otherwise(self) -> list[str]:
        """Tell of reeds that were not made as planned, and of those that gave no response."""
        there = self.found.data["reed_id"].notna().to_numpy()
        other = np.zeros(len(there), dtype=bool)
        for factor in self.factors:
            planned = self.found.planned(self.frame, factor)
            other |= (planned != self.found.made(self.frame, factor)).any(axis=1)
        notes = []
        if other.any():
            notes.append(
                f"{counted(other.sum(), 'reed')} made otherwise than planned: p values go by the "
                "plan, effects by what was made."
            )
        if not there.all():
            notes.append(
                f"{counted((~there).sum(), 'planned reed')} without {self.frame.response.label}: "
                "taken to have nothing to do with the levels that they got."
            )
        return notes


def _tested(
    frame: Frame, chosen: Layout, found: Replay, factors: Sequence[Factor]
) -> Randomisation:
    """Test factors together; all else that is examined stays with the reeds."""
    others = [f for f in frame.factors if f not in factors and f.stratum != "session"]
    beside = [
        found.made(frame, f) if f.name in found.data else _given(frame, found, f) for f in others
    ]
    return randomisation(
        _response(frame, chosen, found),
        {f.name: found.planned(frame, f) for f in factors},
        found.shuffles,
        made={f.name: found.made(frame, f) for f in factors},
        blocks=found.blocks,
        beside=np.hstack(beside) if beside else None,
        draws=DRAWS,
    )


def _response(frame: Frame, chosen: Layout, found: Replay) -> np.ndarray:
    """One number a planned reed: of tests the mean of what sessions and stages leave."""
    y = frame.data[frame.response.name]
    keys = [k for k in ("session_id", "player_id", "stage") if k in frame.data]
    keys += [f.name for f in frame.factors if f.stratum == "session"]
    if frame.data["reed_id"].is_unique:
        return found.spread(frame, y)
    parts = [np.ones((len(y), 1))]
    for key in dict.fromkeys([*keys, *(b for b in chosen.blocks if b in ("stage", "player_id"))]):
        parts.append(pd.get_dummies(frame.data[key].astype(str)).to_numpy(dtype=float))
    known = np.hstack(parts)
    left = y - known @ np.linalg.lstsq(known, y.to_numpy(dtype=float), rcond=None)[0]
    return found.spread(frame, left)


def _given(frame: Frame, found: Replay, factor: Factor) -> np.ndarray:
    """Columns of a factor that was not planned, for each reed; any number where there is none."""
    values = frame.data[factor.name]
    numbers = (
        values.to_frame()
        if factor.kind == "numeric"
        else pd.get_dummies(values, drop_first=True).astype(float)
    )
    rows = [np.nan_to_num(found.spread(frame, numbers[name])) for name in numbers]
    return np.stack(rows, axis=1)
