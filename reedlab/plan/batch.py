"""A planned batch: what to make, in which order, and what it can tell.

The plan knows which reed gets which levels; the key, kept apart, knows which code each
reed gets. Efficiencies are shares from 0 to 1 and rest on assumed shares of the tubes
in the variance (0.1, 0.4 and 0.7, averaged).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.answer import Answer, percent_text
from reedlab.plan.layout import TUBE_SHARES, Layout, scaled, spare_units
from reedlab.plan.request import Forbidden
from reedlab.plan.terms import Model
from reedlab.schema import Factor
from reedlab.study import BatchRecord, Study, add_plan

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.plan.compare import Comparison
    from reedlab.plan.strength.power import Power

#: Error degrees of freedom below which a batch hardly knows its own noise (rule of thumb,
#: common practice, no source).
FEW_DF = 4
#: So many terms are named in a sentence.
MOST_NAMED = 6


@dataclass(frozen=True, repr=False)
class Batch(Answer):
    """A batch of reeds to make; made by :func:`reedlab.plan.design_batch`.

    Attributes
    ----------
    table : DataFrame
        One row a reed in making order: ``place`` (from 1), ``tube_id``, ``lot_id`` if the
        cane names lots, ``piece`` (of those that its tube still yields, from 1),
        ``spare_pieces`` (kept for breakage), a column for every factor (levels that are
        set; covariates in their unit), ``shuffled_among`` (tubes with the same words could
        change places).
    key : DataFrame
        ``place, blind_code``: which code each reed gets. Not for the tester's eyes.
    testing : DataFrame
        ``session, place, blind_code`` in order of playing, and the level of each
        session-level factor.
    factors : tuple of Factor
    terms : tuple of str
        What the batch was laid out for: ``a``, ``a:b``, ``a:a`` for a bend.
    earlier : DataFrame
        Reeds of earlier batches that it adds to, with ``batch_id``; none for a first batch.
    seed : int
    batch_id : str
    least : float or None
        Value of the criterion below which a shuffle was drawn again; None if any would do.
    tube_shares : tuple of float
        Assumed shares of the tubes in the variance that it was laid out for.
    predict : bool
        Whether it was laid out for the best recipe (I), not for the effects (D).
    forbidden : tuple of Forbidden
    carried : tuple of str
        Tube- and lot-level factors whose levels an earlier batch gave by chance.
    """

    key: pd.DataFrame = field(default_factory=pd.DataFrame)
    testing: pd.DataFrame = field(default_factory=pd.DataFrame)
    factors: tuple[Factor, ...] = ()
    terms: tuple[str, ...] = ()
    earlier: pd.DataFrame = field(default_factory=pd.DataFrame)
    seed: int = 0
    batch_id: str = "B1"
    least: float | None = None
    tube_shares: tuple[float, ...] = TUBE_SHARES
    predict: bool = False
    forbidden: tuple[Forbidden, ...] = ()
    carried: tuple[str, ...] = ()

    @cached_property
    def model(self) -> Model:
        """The terms over the factors of lots, tubes and reeds."""
        here = tuple(factor for factor in self.factors if factor.stratum != "session")
        return Model(here, tuple(tuple(term.split(":")) for term in self.terms))

    @cached_property
    def layout(self) -> Layout:
        """Which reed shares what with which, those of earlier batches first."""
        return layout_of(self.table, self.earlier, self.model)

    @cached_property
    def rows(self) -> pd.DataFrame:
        """The levels of all reeds, those of earlier batches first."""
        names = [factor.name for factor in self.model.factors]
        parts = [part[names] for part in (self.earlier, self.table) if len(part)]
        return pd.concat(parts, ignore_index=True)

    @cached_property
    def matrix(self) -> np.ndarray:
        """All coded columns, shape (n, p): the mean and what is taken out with it, the terms."""
        levels = self.model.levels_of(self.rows)
        columns = self.model.columns(levels, scaled(self.layout.given, self.model))
        return np.hstack([self.layout.nuisance(self.model), columns])

    @cached_property
    def places(self) -> tuple[np.ndarray, ...]:
        """Columns of `matrix` that each term has."""
        blocks = self.matrix.shape[1] - sum(self.model.widths)
        return tuple(np.arange(part.start, part.stop) + blocks for part in self.model.slices)

    @cached_property
    def information(self) -> np.ndarray:
        """X'V^-1 X at the tube shares 0.1, 0.4 and 0.7, shape (3, p, p)."""
        weights = self.layout.weights(self.model, TUBE_SHARES)
        return self.matrix.T @ weights @ self.matrix

    @cached_property
    def estimates(self) -> pd.DataFrame:
        """How well each term is estimated.

        Returns
        -------
        DataFrame
            ``term, stratum``; ``efficiency``, the share of the term's information that the
            other terms leave it (1 if it is mixed up with nothing); ``den_df``, the error
            degrees of freedom of its stratum; ``n_units`` of that stratum.
        """
        model, layout = self.model, self.layout
        blocks = self.matrix.shape[1] - sum(model.widths)
        rows = []
        for term, columns in zip(model.terms, self.places, strict=True):
            stratum = model.stratum(term)
            rows.append(
                {
                    "term": ":".join(term),
                    "stratum": stratum,
                    "efficiency": _left(self.information, columns, blocks),
                    "den_df": _error_df(self.matrix, layout, stratum),
                    "n_units": len(np.unique(layout.unit(stratum))),
                }
            )
        return pd.DataFrame(rows)

    def power(self, effect: float | None = None, **asked: object) -> "Power":
        """Ask what the batch can show; see :func:`reedlab.plan.power`."""
        from reedlab.plan.strength.power import power

        return power(self, effect=effect, **asked)  # type: ignore[arg-type]

    def compare(self, other: "Batch") -> "Comparison":
        """Set this batch beside another one; see :class:`reedlab.plan.Comparison`."""
        from reedlab.plan.compare import compare

        return compare(self, other)

    def extend(self, study: Study, reeds: int | None = None, seed: int | None = None) -> "Batch":
        """Plan the next batch, the one that adds most to what earlier batches tell.

        Parameters
        ----------
        study : Study
            Holds the earlier batches and the cane that is left.
        reeds : int, optional
            As many as in this batch if left out.
        seed : int, optional
            The next number after this batch's if left out.

        Returns
        -------
        Batch
            On the same factors and terms, with the next free name.
        """
        from reedlab.plan.extend import extended

        return extended(self, study, reeds or len(self.table), seed or self.seed + 1)

    def redraw(self, rng: np.random.Generator) -> pd.DataFrame:
        """Draw the levels again as the plan drew them: what could as well have been.

        Parameters
        ----------
        rng : numpy.random.Generator

        Returns
        -------
        DataFrame
            A column for every factor that is set, in the order of `table`. Tubes and reeds
            change places exactly as they could when the batch was planned; what the shuffle
            could not move stays.
        """
        from reedlab.plan.draw import redrawn

        return redrawn(self, rng)

    def could_be(self, taken: np.ndarray) -> np.ndarray:
        """Say which shuffles the plan would have kept, not drawn again.

        Parameters
        ----------
        taken : ndarray of int, shape (m, n)
            Row i of `table` takes the recipe of row ``taken[., i]``.

        Returns
        -------
        ndarray of bool, shape (m,)
        """
        from reedlab.plan.draw import could_be

        return could_be(self, taken)

    def write(self, study: Study, batch_id: str | None = None) -> Study:
        """Write the plan into a study, its key in a file apart.

        Parameters
        ----------
        study : Study
        batch_id : str, optional
            Another name for the batch.

        Returns
        -------
        Study
            Opened again, with the batch.

        Raises
        ------
        CallError
            If the study knows the batch already, or lacks one of its tubes.
        """
        named = replace(self, batch_id=batch_id or self.batch_id)
        return add_plan(study, named.record, self.factors, self.table, self.testing, self.key)

    @property
    def record(self) -> BatchRecord:
        """What the study's descriptor says of it."""
        chance = tuple(factor.name for factor in self.factors if self._by_chance(factor))
        how = (
            "Recipes were shuffled among tubes of the same lot with equally many reeds and no "
            "level yet, and within each tube among its reeds. The orders of making and of playing "
            "and the codes were drawn as well."
        )
        return BatchRecord(
            self.batch_id,
            chance,
            self.seed,
            how,
            self.terms,
            self.least,
            self.tube_shares,
            self.predict,
            sealed=True,
            given=tuple(factor.name for factor in self.model.given),
        )

    def _by_chance(self, factor: Factor) -> bool:
        """Whether the shuffle could have given some reeds another level of a factor."""
        if factor.name in self.carried:
            return True
        if factor.stratum == "session":
            return self.testing[factor.name].nunique() > 1
        if not factor.levels or factor.stratum == "lot":
            return False
        keys = ["tube_id", "shuffled_among"] if factor.stratum == "reed" else ["shuffled_among"]
        return any((self.table.groupby(key)[factor.name].nunique() > 1).any() for key in keys)

    def label(self, term: str) -> str:
        """Words for a term."""
        return self.model.label(tuple(term.split(":")))

    def __repr__(self) -> str:
        return f"<Batch {self.batch_id}: {self.sentence}>"

    def _say(self) -> str:
        tubes = self.table["tube_id"].value_counts()
        each = f"{tubes.min()}" if tubes.min() == tubes.max() else f"{tubes.min()} to {tubes.max()}"
        spare = sum(
            len(str(pieces).split())
            for pieces in self.table.drop_duplicates("tube_id")["spare_pieces"]
        )
        cane = f"{len(self.table)} reeds from {len(tubes)} tubes ({each} each"
        cane += f"; {spare} spare pieces)" if spare else ")"
        judged = []
        for stratum, here in self.estimates.groupby("stratum", sort=False):
            names = _named([self.label(term) for term in here["term"]])
            judged.append(
                f"{names}: judged by {here['den_df'].iloc[0]} error degrees of freedom "
                f"of {stratum}s"
            )
        worst = self.estimates.nsmallest(1, "efficiency").iloc[0]
        if worst["efficiency"] > 0.995:
            mixing = "No term takes information from another"
        else:
            mixing = (
                f"{self.label(worst['term'])} is the most entangled and keeps "
                f"{percent_text(worst['efficiency'])} of its information"
            )
        return f"{cane}. {'; '.join(judged)}. {mixing}."

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the recipes tube by tube, a mark for each level."""
        from reedlab.plan.pictures import draw_batch

        return draw_batch(self.table, self.model.settable, ax)


def layout_of(table: pd.DataFrame, earlier: pd.DataFrame, model: Model) -> Layout:
    """Number tubes, lots and batches of earlier and new reeds, the earlier ones first."""
    parts = [part for part in (earlier, table) if len(part)]

    def joined(name: str) -> np.ndarray:
        values = [
            part[name].astype(str) if name in part else pd.Series("", index=part.index)
            for part in parts
        ]
        return pd.factorize(pd.concat(values), sort=True)[0]

    batch = np.zeros(sum(map(len, parts)), dtype=int)
    if len(earlier):
        batch[: len(earlier)] = pd.factorize(earlier["batch_id"])[0] + 1
    names = [factor.name for factor in model.given]
    given = pd.concat([part[names] for part in parts], ignore_index=True)
    return Layout(joined("tube_id"), joined("lot_id"), batch, given)


def cautions_of(batch: Batch, notes: Sequence[str] = ()) -> tuple[str, ...]:
    """What to know before making the batch."""
    found = [*notes]
    for stratum, here in batch.estimates.groupby("stratum", sort=False):
        df = int(here["den_df"].iloc[0])
        names = _named([batch.label(term) for term in here["term"]])
        if df < FEW_DF:
            known = "nothing is left" if df <= 0 else f"only {df} degrees of freedom are left"
            found.append(
                f"{names}: {known} to judge {stratum}s by; their noise must be known from "
                "elsewhere. Make more reeds, or ask for fewer terms."
            )
    for factor in batch.model.settable:
        unused = [level for level in factor.levels if level not in set(batch.table[factor.name])]
        if unused:
            names = ", ".join(map(str, unused))
            why = (
                "a straight line is seen best from its ends; name the factor in `curved` to see "
                "whether it bends"
                if factor.kind == "numeric"
                else "make more reeds to have them all"
            )
            found.append(f"{factor.label}: no reed gets {names} ({why}).")
    return tuple(found)


def _named(labels: Sequence[str]) -> str:
    """Write the first few of many labels, and how many more there are."""
    more = len(labels) - MOST_NAMED
    return ", ".join(labels) if more < 1 else f"{', '.join(labels[:MOST_NAMED])} and {more} more"


def _left(M: np.ndarray, columns: np.ndarray, blocks: int) -> float:
    """Share of the information on some columns that all others leave, a geometric mean.

    The mean and what is taken out with it are allowed for on both sides, so that the share
    speaks of the other terms only.
    """
    mean = np.arange(blocks)
    others = np.setdiff1d(np.arange(M.shape[-1]), columns)
    alone, after = _given(M, columns, mean), _given(M, columns, others)
    sign, log = np.linalg.slogdet(after)
    ratio = np.where(sign > 0, np.exp((log - np.linalg.slogdet(alone)[1]) / len(columns)), 0.0)
    return float(ratio.mean())


def _given(M: np.ndarray, columns: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Information on some columns once others are allowed for (a Schur complement)."""
    own, cross = M[:, columns][:, :, columns], M[:, columns][:, :, others]
    return own - cross @ np.linalg.pinv(M[:, others][:, :, others]) @ np.swapaxes(cross, 1, 2)


def _error_df(X: np.ndarray, layout: Layout, stratum: str) -> int:
    """Units of a stratum beyond the columns that they must pay for."""
    if stratum == "reed":
        groups = np.eye(layout.tube.max() + 1)[layout.tube]
        repeated = len(groups) > len(np.unique(layout.tube))
        spent = np.hstack([X, groups]) if repeated else X
        return int(len(X) - np.linalg.matrix_rank(spent))
    return spare_units(X, layout.unit(stratum))
