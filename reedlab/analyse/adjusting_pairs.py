"""Pairs of consecutive sessions of each reed, and what was done between them.

A pair with nothing done between is an untouched retest. Kinds that were always done
together cannot be told apart and are joined; those done too seldom are left out. Values
are in the response's unit.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from reedlab.schema import Response


@dataclass(frozen=True)
class Pairs:
    """Pairs of consecutive sessions of each reed.

    Attributes
    ----------
    response : Response
    data : DataFrame
        ``before, after``; ``earlier`` (mean of the sessions before, 0 if there are none),
        ``tested`` and ``adjusted`` earlier (0 or 1); ``passage``, the two stages; ``drawn``,
        whether the pair was in a draw by chance; the keys of the second test; and the
        columns given. The index is the number of the pair.
    done : DataFrame
        One row an adjustment: ``pair, row, kind, step, amount, amount_unit, by_chance``.
    left_out : DataFrame
        file, row, fault.
    cautions : tuple of str
    file : str
        Where the adjustments are recorded.
    """

    response: Response
    data: pd.DataFrame
    done: pd.DataFrame
    left_out: pd.DataFrame
    cautions: tuple[str, ...]
    file: str

    @cached_property
    def kinds(self) -> tuple[str, ...]:
        """What was done, in the order of the alphabet."""
        return tuple(sorted(self.done["kind"].unique()))

    @cached_property
    def untouched(self) -> pd.Series:
        """Whether nothing was done between the two sessions of a pair."""
        return pd.Series(~self.data.index.isin(self.done["pair"]), self.data.index)

    def of(self, kind: str) -> pd.DataFrame:
        """Return the pairs between which a kind of adjustment was made."""
        return self._by_kind[kind]

    @cached_property
    def _by_kind(self) -> dict[str, pd.DataFrame]:
        pairs = self.done.groupby("kind")["pair"]
        return {str(kind): self.data[self.data.index.isin(own)] for kind, own in pairs}

    def only(self, rows: pd.Index) -> "Pairs":
        """Return these pairs alone."""
        done = self.done[self.done["pair"].isin(rows)]
        return replace(self, data=self.data.loc[rows], done=done)

    def without(self, kind: str, why: str = "cannot be told apart") -> "Pairs":
        """Return the pairs without those of a kind; its adjustments count as left out."""
        lost = self.done.loc[self.done["pair"].isin(self.of(kind).index), "row"]
        rows = pd.DataFrame({"file": self.file, "row": lost, "fault": why})
        left_out = pd.concat([self.left_out, rows], ignore_index=True)
        smaller = self.only(self.data.index.difference(self.of(kind).index))
        return replace(smaller, left_out=left_out)

    def told_apart(self, fewest: int) -> tuple["Pairs", tuple[str, ...]]:
        """Join kinds that were always done together; leave out those done too seldom; cautions."""
        pairs, notes = self._joined()
        while rare := [kind for kind in pairs.kinds if len(pairs.of(kind)) < fewest]:
            pairs = pairs.without(rare[0], "the only one of its kind between two tests")
            notes += (f"{rare[0]}: done between two tests only once; not judged.",)
        return pairs, notes

    def amounts(self, kind: str) -> tuple[pd.Series, str, str]:
        """Amount of a kind in each pair, its unit, and why it cannot be used if it cannot."""
        done = self.done[self.done["kind"] == kind]
        units = done["amount_unit"].dropna().unique()
        amount = done.groupby("pair")["amount"].sum().astype(float)
        if len(units) > 1:
            return amount, "", f"amounts in {' and '.join(sorted(units))}"
        missing = int(done["amount"].isna().sum())
        if 0 < missing < len(done):
            return amount, "", f"amount not recorded {missing} of {len(done)} times"
        # Without any amount there is none that varies.
        return amount, str(units[0]) if len(units) else "", ""

    def _joined(self) -> tuple["Pairs", tuple[str, ...]]:
        names: dict[tuple, list[str]] = {}
        for kind in self.kinds:
            names.setdefault(tuple(self.of(kind).index), []).append(kind)
        together = [kinds for kinds in names.values() if len(kinds) > 1]
        done, notes = self.done, []
        for kinds in together:
            both = " with ".join(kinds)
            mine = done["kind"].isin(kinds)
            done = done.assign(
                kind=done["kind"].mask(mine, both), amount=done["amount"].mask(mine, np.nan)
            )
            notes.append(f"{both}: always done together, so their effects are told as one.")
        return replace(self, done=done), tuple(notes)
