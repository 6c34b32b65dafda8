"""What should the next recipe be, how sure are we, and which batch would settle it?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.analyse.evidence import CAUTIONS, LEVEL
from reedlab.analyse.looked import looked
from reedlab.analyse.recipe_rows import best_ranges, expected_rows, is_narrowed, recipe_table
from reedlab.analyse.recipe_search import Search, chosen_recipe, mattering, search
from reedlab.analyse.recipe_space import Space
from reedlab.analyse.recipe_surface import Surface
from reedlab.analyse.recipe_text import joined, recipe_cautions, recipe_sentence
from reedlab.analyse.recipe_weighed import fitted, weighed
from reedlab.analyse.recipe_weights import learnt_weights
from reedlab.answer import Answer
from reedlab.errors import CallError, unknown_name
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.plan import Batch


@dataclass(frozen=True)
class Recipe(Answer):
    """What to set, and how sure that is; made by :func:`recipe`.

    Attributes
    ----------
    table : DataFrame
        First the factors (``part`` "set"): ``estimate`` of a number or ``level`` to set,
        ``conf_low`` to ``conf_high`` or ``may_be_best``, what may be best; ``tried_low,
        tried_high`` or ``tried``; ``p_adjusted`` (that no response depends on it), ``open``
        (it is not known to matter), ``settled``, ``evidence``. Then the responses (``part``
        "expected"): ``estimate``, the mean of reeds of that recipe, with its 95 % interval; of
        kept in percent.
    space : Space
    surfaces : tuple of Surface
        One a response.
    found : Search
    level : Series
        The recipe, by factor.
    cane : DataFrame or None
        The study's cane on hand.
    next_id : str
        A name that no batch of the study has.
    """

    space: Space | None = None
    surfaces: tuple[Surface, ...] = ()
    found: Search | None = None
    level: pd.Series = field(default_factory=lambda: pd.Series(dtype=object))
    cane: pd.DataFrame | None = None
    next_id: str = "B1"

    @cached_property
    def recipes(self) -> pd.DataFrame:
        """Every candidate within what was made: its levels, desirability, may_be_best.

        The most desirable comes first.
        """
        found = self.searched
        table = found.grid.table.assign(
            desirability=found.desirability, may_be_best=found.may_be_best
        )[found.grid.inside]
        return table.sort_values("desirability", ascending=False, kind="stable", ignore_index=True)

    @property
    def settled(self) -> tuple[str, ...]:
        """Factors of which one level, or one step of a number, is left."""
        return self._where("settled", True)

    @property
    def matters(self) -> tuple[str, ...]:
        """Factors of which it is beyond chance that a response depends on them: they are set."""
        return self._where("open", False)

    @property
    def narrowed(self) -> tuple[str, ...]:
        """Factors of which part of what was tried is known not to be best."""
        space, ranges = self.searched_space, best_ranges(self.searched_space, self.searched)
        return tuple(f.name for f in space.factors if is_narrowed(space, f, ranges[f.name]))

    def predict(self, **levels: str | float) -> pd.DataFrame:
        """Tell what is expected of reeds of another recipe.

        Parameters
        ----------
        **levels
            Levels by the name of their factor; the others are those of the recipe.

        Returns
        -------
        DataFrame
            One row a response: ``term``, ``estimate`` (of kept in percent), ``conf_low``,
            ``conf_high``, ``unit``.

        Raises
        ------
        CallError
            For a level or combination beyond what was made.
        """
        row = self.searched_space.checked(levels, self.level)
        return expected_rows(self.surfaces, row).drop(columns="part")

    def next_batch(
        self, cane: pd.DataFrame | None = None, reeds: int = 24, *, seed: int = 1
    ) -> "Batch":
        """Plan the batch that would settle what is open.

        Parameters
        ----------
        cane : DataFrame, optional
            The tubes to make it from; left out, the study's cane on hand.
        reeds : int
        seed : int
            The same seed gives the same batch.

        Returns
        -------
        Batch
            Over the factors that are not settled, within what may be best; numbers that are
            set reed by reed at three levels, so that a bend is seen. Laid out for the best
            recipe.

        Raises
        ------
        CallError
            If everything is settled, there is no cane, or it does not suffice.
        """
        from reedlab.analyse.recipe_batch import plan_next

        return plan_next(self, cane, reeds, seed)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw for each factor what was tried, what may be best, and the recipe."""
        from reedlab.analyse.recipe_pictures import draw_recipe

        return draw_recipe(
            self.table, self.searched_space, best_ranges(self.searched_space, self.searched), ax
        )

    def plot_response(self, name: str, ax: "Axes | None" = None) -> "Axes":
        """Draw what is expected of one response as each factor is changed by itself."""
        from reedlab.analyse.recipe_pictures import draw_response

        for surface in self.surfaces:
            if surface.response.name == name:
                return draw_response(surface, self.searched_space, self.level, ax)
        known = [surface.response.name for surface in self.surfaces]
        raise unknown_name("response in this recipe", name, known)

    def _where(self, column: str, value: bool) -> tuple[str, ...]:
        rows = self.table[self.table["part"] == "set"]
        return tuple(rows.loc[rows[column].astype(bool) == value, "term"])

    @property
    def searched_space(self) -> Space:
        """The factors that are set and what was tried of them."""
        if self.space is None:
            raise CallError("This recipe was made without its factors.")
        return self.space

    @property
    def searched(self) -> Search:
        """The candidates and what became of them."""
        if self.found is None:
            raise CallError("This recipe was made without its candidates.")
        return self.found

    def _say(self) -> str:
        return recipe_sentence(self.table, self.searched_space.factors, self.surfaces)


@looked
def recipe(
    study: Study,
    responses: Sequence[str] | None = None,
    factors: Sequence[str] | None = None,
    *,
    usual: Mapping[str, str | float] | None = None,
    weights: Mapping[str, float] | str | None = None,
    seed: int = 1,
) -> Recipe:
    """Find what matters and which recipes may be the best, and choose one of them.

    Parameters
    ----------
    study : Study
    responses : sequence of str, optional
        What the reeds are to be good at; left out, all that are recorded and have a
        direction.
    factors : sequence of str, optional
        What may be set; left out, what is set reed by reed, and of tubes and lots what
        has levels to set. Other recorded factors are held at their average.
    usual : mapping of str to level, optional
        How reeds are usually made, by factor, in bench units; left out, as most of the
        recorded ones were. What is not known to matter stays so.
    weights : mapping of str to float, or str, optional
        How much each response counts; 1 where nothing is said. The name of a rating or of
        what was kept lets that say how much each counts (the cautions tell it).
    seed : int
        The same seed gives the same answer.

    Returns
    -------
    Recipe

    Raises
    ------
    CallError
        For names that are not recorded, responses without a direction, wrong weights, a
        usual level that was never tried.
    RecordError
        If rows stand twice.
    ModelError
        If nothing can be set, or no response can be modelled.

    Notes
    -----
    Responses are weighed by desirability: each runs from 0, where it is of no use, to 1,
    averaged over the reeds that one recipe makes, for these scatter; their weighted
    geometric mean is to be as large as possible. The limits are those of the reeds recorded
    (the cautions name them). Means are those of new reeds of typical tubes at the last stage
    of the tests: a recipe aims at finished reeds.

    A factor matters if the responses together depend on it beyond chance: one test over all
    responses of its line, its bend and its planned pairs, at 5 % corrected by Holm for the
    number of factors. What matters is set to the level that is expected to be the most
    desirable of those that may be best; all else stays as usual.

    A recipe may be the best unless another is better beyond chance, at 95 % over all
    comparisons at once. So the set holds the true best in at least 95 of 100 studies
    (tests/analyse/test_calibration_recipe.py measures it), and in 95 of 100 studies in which
    nothing matters, nothing is narrowed, and nothing is said to matter.

    References
    ----------
    Derringer & Suich (1980), Journal of Quality Technology 12, 214-219; McKeon (1974),
    Biometrika 61, 381-383; Peterson (2004), Journal of Quality Technology 36, 139-153;
    Peterson, Cahya & del Castillo (2002), Biometrics 58, 422-431; Hsu (1984), Annals of
    Statistics 12, 1136-1144.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> found = recipe(example_study("season"), ["dynamic_range_db"])
    >>> found.matters
    ('shape',)
    """
    asked = weighed(study, responses, weights)
    space, surfaces, cautions = fitted(
        study, [*asked], factors, usual or {}, named=responses is not None
    )
    if isinstance(weights, str):
        asked, told = learnt_weights(study, surfaces, weights)
        cautions = (*cautions, told)
    shares = [asked[surface.response.name] for surface in surfaces]
    tests = mattering(space, surfaces)
    found = search(space, surfaces, shares, [*tests.index], seed)
    ranges = best_ranges(space, found)
    matters = {name: ranges[name] for name in tests.index[tests["p_adjusted"] < LEVEL]}
    level = chosen_recipe(space, surfaces, shares, found, matters, seed)
    table = recipe_table(study, space, surfaces, ranges, tests, level)
    left_out = pd.concat([surface.frame.left_out for surface in surfaces], ignore_index=True)
    cane, next_id = _on_hand(study)
    labels = joined([surface.response.label for surface in surfaces])
    graded = tuple(CAUTIONS[g] for g in CAUTIONS if (table["evidence"] == g).any())
    return Recipe(
        question=f"Which recipe is best for {labels}?",
        table=table,
        cautions=(*graded, *recipe_cautions(space, surfaces, found.fixed), *cautions),
        rows_used=max(len(surface.frame.data) for surface in surfaces),
        left_out=left_out.drop_duplicates(ignore_index=True),
        space=space,
        surfaces=surfaces,
        found=found,
        level=level,
        cane=cane,
        next_id=next_id,
    )


def _on_hand(study: Study) -> tuple[pd.DataFrame | None, str]:
    from reedlab.plan import cane_on_hand, next_name

    try:
        return cane_on_hand(study), next_name(study)
    except CallError:
        return None, next_name(study)
