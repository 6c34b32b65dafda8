"""What would be made and tested: from counts of tubes and reeds, or a planned batch, to rows.

One row a reed, its response the mean over the sessions, as long as nothing changes
between sessions; with a factor of sessions one row a test, every reed in every session.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import factorial, prod
from typing import Any

import numpy as np
import pandas as pd

from reedlab.errors import CallError, unknown_name
from reedlab.plan.terms import term_words
from reedlab.schema import STRATA, Factor

#: The level of every test, and the power that "the smallest effect" and "needed" speak of.
LEVEL = 0.05
AIM = 0.8
#: With fewer ways to give its levels to the tubes, a factor's own shuffle is a coarse test.
FEW_WAYS = 1000
#: The name of the one factor of a layout.
ONE = "factor"
#: From the largest unit to the smallest; a test is a reed in a session.
ORDER = ("lot", "session", "tube", "reed", "test")
KEYS = ("lot_id", "tube_id", "reed_id", "session_id")


@dataclass(frozen=True)
class Rows:
    """Rows of a batch as they would be analysed.

    Attributes
    ----------
    data : DataFrame
        lot_id, tube_id, reed_id, for tests session_id, and a column a factor.
    factors : tuple of Factor
    terms : tuple of tuple of str
    sessions : int
        In how many each reed is tested.
    """

    data: pd.DataFrame
    factors: tuple[Factor, ...]
    terms: tuple[tuple[str, ...], ...]
    sessions: int

    @property
    def labels(self) -> dict[str, str]:
        """Words for the terms."""
        return {":".join(term): term_words(term, self.factors) for term in self.terms}

    def stratum(self, term: tuple[str, ...]) -> str:
        """The smallest thing to which a level of the term is given; a test if sessions mix in."""
        strata = {factor.stratum for factor in self.factors if factor.name in term}
        if "session" in strata and len(strata) > 1:
            return "test"
        return max(strata, key=ORDER.index)

    def count(self, what: str) -> int:
        """Number of lots, tubes, reeds, sessions or tests."""
        if what == "test":
            return self.count("reed") * self.sessions
        return self.sessions if what == "session" else self.data[f"{what}_id"].nunique()

    def pooled(self, count: int) -> "Rows":
        """So many such batches together: other tubes, other reeds, other sessions, same lots."""
        fresh = [key for key in KEYS[1:] if key in self.data]
        parts = [
            self.data.assign(**{key: self.data[key].astype(str) + f" of {i}" for key in fresh})
            for i in range(count)
        ]
        return replace(self, data=pd.concat(parts, ignore_index=True))


@dataclass(frozen=True)
class Layout:
    """Tubes of equally many reeds and one factor, its levels dealt out in turn.

    Attributes
    ----------
    tubes, reeds_per_tube, levels, lots, sessions : int
    stratum : str
    """

    tubes: int
    reeds_per_tube: int
    stratum: str
    levels: int
    lots: int
    sessions: int

    def __post_init__(self) -> None:
        faults = []
        if self.stratum not in STRATA:
            raise unknown_name("stratum", self.stratum, STRATA)
        least = {"tubes": 1, "reeds_per_tube": 1, "levels": 2, "lots": 1, "sessions": 1}
        for name, low in least.items():
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < low:
                faults.append(f"{name} is {value!r}; give a whole number of {low} or more.")
        if not faults and self.lots > self.tubes:
            faults.append(f"{self.lots} lots cannot be had from {self.tubes} tubes; use fewer.")
        if faults:
            raise CallError("\n".join(faults))

    @property
    def grows(self) -> str:
        """What there would be more of for more power: lots, tubes or sessions."""
        return self.stratum if self.stratum in ("lot", "session") else "tube"

    @property
    def size(self) -> int:
        """How many of these there are."""
        return int(getattr(self, f"{self.grows}s"))

    def grown(self, count: int, reeds_per_tube: int | None = None) -> "Layout":
        """The same with so many of what grows; lots keep their number of tubes."""
        changed: dict[str, Any] = {f"{self.grows}s": count}
        if self.grows == "lot":
            changed["tubes"] = max(1, round(self.tubes / self.lots)) * count
        return replace(self, **changed, reeds_per_tube=reeds_per_tube or self.reeds_per_tube)

    def rows(self) -> Rows:
        """Deal the levels out: in turn over lots, tubes, sessions, or reeds within tubes."""
        tube = np.repeat(np.arange(self.tubes), self.reeds_per_tube)
        place = np.tile(np.arange(self.reeds_per_tube), self.tubes)
        lot = tube * self.lots // self.tubes
        data = pd.DataFrame({"lot_id": lot, "tube_id": tube, "reed_id": np.arange(len(tube))})
        turn = {"lot": lot, "tube": tube, "reed": tube + place}.get(self.stratum)
        if turn is None:
            data = data.merge(pd.DataFrame({"session_id": np.arange(self.sessions)}), how="cross")
            turn = data["session_id"].to_numpy()
        names = tuple(f"level {i + 1}" for i in range(self.levels))
        data[ONE] = np.array(names)[turn % self.levels]
        return Rows(data, (Factor(ONE, names, self.stratum),), ((ONE,),), self.sessions)


def rows_of(batch: Any) -> Rows:
    """Read the rows of a planned batch in the order of its places, earlier reeds first.

    Earlier reeds count where nothing is given to sessions, which they do not share.

    Raises
    ------
    CallError
        If it is no batch, or lacks the column of one of its factors.
    """
    needed = ("table", "testing", "factors", "terms", "earlier")
    if any(not hasattr(batch, name) for name in needed):
        raise CallError(
            f"power() was given {type(batch).__name__} as the batch; give what design_batch "
            "returns, or tubes and reeds_per_tube by name."
        )
    # The order of the rows must not matter: a plan may come back from a spreadsheet sorted anew.
    data = batch.table.sort_values("place", ignore_index=True)
    factors = tuple(batch.factors)
    by_session = [factor for factor in factors if factor.stratum == "session"]
    sessions = batch.testing["session"].nunique() if len(batch.testing) else 1
    data = data.assign(reed_id=data["place"])
    if len(batch.earlier) and not by_session:
        earlier = batch.earlier.assign(reed_id=[f"earlier {i}" for i in range(len(batch.earlier))])
        data = pd.concat([earlier, data], ignore_index=True)
    if "lot_id" not in data:
        data["lot_id"] = ""
    if by_session:
        names = [factor.name for factor in by_session]
        _require([*names, "session"], batch.testing, "testing")
        data = data.drop(columns=names, errors="ignore")
        each = batch.testing[["session", *names]].drop_duplicates("session")
        each = each.sort_values("session").rename(columns={"session": "session_id"})
        data = data.merge(each, how="cross")
    _require([factor.name for factor in factors], data, "making")
    named = [tuple(term.split(":")) for term in batch.terms]
    within = {name for term in named for name in term}
    named += [(factor.name,) for factor in factors if factor.name not in within]
    return Rows(data, factors, tuple(named), sessions)


def fates(rows: Rows) -> tuple[Rows, tuple[str, ...]]:
    """Rows of reeds with the factors alone, and the terms left out with the reason."""
    kept = tuple(factor for factor in rows.factors if factor.stratum != "session")
    names = {factor.name for factor in kept}
    terms = tuple(term for term in rows.terms if len(term) == 1 and term[0] in names)
    why = tuple(
        f"{':'.join(term)} is left out: what reeds become is told for single factors of lots, "
        "tubes and reeds only."
        for term in rows.terms
        if term not in terms
    )
    data = rows.data.drop_duplicates("reed_id", ignore_index=True)
    return Rows(data.drop(columns="session_id", errors="ignore"), kept, terms, 1), why


def coarse(rows: Rows) -> tuple[str, ...]:
    """Say of which factors of tubes the plan's own shuffle tells little of what is kept."""
    told = []
    for term in rows.terms:
        if rows.stratum(term) == "tube" and (ways := _ways(rows, term[0])) < FEW_WAYS:
            told.append(
                f"{rows.labels[':'.join(term)]}: a plan has only {ways} ways to give these levels "
                "to tubes of the same lot, and what is kept of a planned batch is judged by them. "
                "So the power told here, that of a model's test, is too high."
            )
    return tuple(told)


def _ways(rows: Rows, factor: str) -> int:
    """Count the ways to give the levels of a factor to the tubes of each lot."""
    ways = 1
    for _, levels in rows.data.drop_duplicates("tube_id").groupby("lot_id")[factor]:
        counts = levels.value_counts()
        ways *= factorial(len(levels)) // prod(factorial(int(count)) for count in counts)
    return ways


def _require(names: Sequence[str], table: pd.DataFrame, what: str) -> None:
    missing = [name for name in names if name not in table]
    if missing:
        raise CallError(
            f"The batch's table of {what} has no column {', '.join(missing)}, so the power of "
            "what stands there cannot be told; give the batch as it was planned."
        )
