"""What can this batch show, and how many tubes would it take?

Power is the chance that an effect of a given size is found by the test that
`analyse.drivers` will make, at the 5 % level; 0 to 1. Effects are in the unit of the
response: the difference between the two levels of a factor, of more levels between the
first and the last. It is reckoned before a batch is made; afterwards the interval of
the estimate says more.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.answer import Answer, counted
from reedlab.errors import CallError
from reedlab.plan.strength import words
from reedlab.plan.strength.rows import Layout, Rows, coarse, fates, rows_of
from reedlab.plan.strength.variance import read_variances
from reedlab.schema import is_number
from reedlab.study.plans import records

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.plan.strength.judging import Counted, Reckoned
    from reedlab.plan.strength.table import More

FEWEST_SIMULATIONS = 100
#: What reeds' variances are assumed to be where none are given: invented, total 1.
ASSUMED = {"tube": 0.4, "reed": 0.6}
#: stratum, levels, lots and sessions of a layout.
LAYOUT_DEFAULTS = ("reed", 2, 1, 1)


@dataclass(frozen=True)
class Power(Answer):
    """What a batch can show; made by :func:`power`.

    Attributes
    ----------
    table : DataFrame
        One row a term. For an effect: ``term, stratum, effect, power`` (0 to 1),
        ``mc_error`` (its Monte-Carlo standard error; 0 where it is exact),
        ``smallest_effect`` (found with 80 % power), ``needed`` (how many of
        ``needed_unit`` give 80 % power, missing if too many), ``num_df, den_df`` (0: cannot
        be judged), ``n_units`` of the stratum, ``n_lots, n_tubes, n_reeds, n_tests``,
        ``method``. For keep rates: ``keep_low, keep_high`` (0 to 1) in place of the effect
        and no degrees of freedom. With a pilot's variances also ``conf_low, conf_high``: the
        power at the limits of the share of the term's units.
    """

    rows: Rows | None = None
    more: "More | None" = None
    layout: Layout | None = None
    variance: Mapping[str, float] = field(default_factory=dict)
    tests: "Mapping[str, Reckoned | Counted]" = field(default_factory=dict)
    seed: int = 1

    def _say(self) -> str:
        labels = self.rows.labels if self.rows and not self.layout else {}
        if "keep_low" in self.table:
            return words.of_keeping(self.table, labels)
        most = self.more.most if self.more else 1
        if self.layout is not None:
            return words.of_layout(records(self.table)[0], self.layout.levels, most)
        return words.of_batch(self.table, labels, most)

    @cached_property
    def lines(self) -> pd.DataFrame:
        """What :meth:`plot` draws: power against tubes, effects, or times as many reeds."""
        from reedlab.plan.strength.lines import lines_of

        return lines_of(self)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the power of a layout against the number of tubes, of a batch against the effect.

        For keep rates it is drawn against how many times as many reeds are made.
        """
        from reedlab.plan.strength.lines import draw

        return draw(self, ax)


def power(
    batch: Any = None,
    *,
    tubes: int | None = None,
    reeds_per_tube: int | None = None,
    stratum: str = "reed",
    effect: float | None = None,
    keep_rates: Sequence[float] | None = None,
    variance: Any = None,
    levels: int = 2,
    lots: int = 1,
    sessions: int = 1,
    simulations: int | None = None,
    seed: int = 1,
) -> Power:
    """Tell what a batch, or a number of tubes and reeds, can show.

    Parameters
    ----------
    batch : Batch, optional
        What `design_batch` returned; every factor and interaction gets a row.
    tubes, reeds_per_tube : int, optional
        A layout instead, with one factor whose levels are dealt out in turn.
    stratum : {"lot", "tube", "reed", "session"}
        What the factor's levels are given to.
    effect : float
        The difference worth finding, in the response's unit: between two levels, of more
        between the first and the last with the others in the middle; of a number between
        its lowest and its highest level. For an interaction, the change of the one
        factor's difference from end to end of the other; for a bend, how far the middle
        lies off the straight line between the ends.
    keep_rates : (float, float), optional
        In place of `effect`: shares of reeds kept at the two ends, 0 to 1.
    variance : mapping or Answer, optional
        Variances of "lot", "tube", "reed", "session", "test" in the square of the
        response's unit, or the answer of `sources` to an earlier study. What is not named
        counts as 0. Left out: tube 0.4 and reed 0.6, so that effects are in standard
        deviations of a reed drawn at random.
    levels, lots, sessions : int
        Of a layout: levels of the factor, lots that the tubes are spread over, sessions in
        which every reed is tested.
    simulations : int, optional
        Simulate so many batches (100 or more) even where the power is known exactly.
    seed : int
        Of the simulation.

    Returns
    -------
    Power

    Raises
    ------
    CallError
        For what does not fit, and for a factor that nothing is left to judge.

    Notes
    -----
    The test is that of `drivers`: Kenward and Roger's with the tube variance free to go
    negative. Where columns fall into the error strata without remainder it is the
    classical F test, and power follows from the noncentral F distribution; elsewhere
    20,000 batches are simulated (`method` says which). Variances combine as they reach a
    factor's error. With r reeds per tube and s sessions the mean of a tube varies by
    tube + (reed + test / s) / r; the difference of two reeds of a tube by twice
    reed + test / s; a session, over n reeds, by session + test / n. Differences between
    sessions drop out of all but the last, every reed being tested in each. Lots and
    sessions fewer than five are blocks.

    For keep rates a hidden normal quantity of variance 1, with the lots' and tubes' shares
    of `variance`, decides; each level moves its threshold. The trap: with a quarter
    kept, 24 reeds say little about keep rates.

    References
    ----------
    Noncentral F: Cohen (1988), Statistical power analysis for the behavioral sciences,
    chapter 8. Kenward & Roger (1997), Biometrics 53, 983-997. Checked against statsmodels
    and pingouin in tests/plan.

    Examples
    --------
    >>> found = power(tubes=8, reeds_per_tube=3, stratum="tube", effect=1.0)
    >>> print(found.sentence)
    A difference of 1 between two levels given to tubes would be found in 34 of 100 such batches
    (8 tubes, 24 reeds; 6 error degrees of freedom); 8 of 10 needs a difference of 1.8 or 21 tubes.
    """
    # The engine is loaded when it is needed: a plan can be made and printed without it.
    from reedlab.plan.strength import table as tables

    _check(effect, keep_rates, simulations)
    variances = read_variances(ASSUMED if variance is None else variance)
    layout = _layout(batch, tubes, reeds_per_tube, (stratum, levels, lots, sessions))
    rows = rows_of(batch) if layout is None else layout.rows()
    notes: tuple[str, ...] = ()
    if keep_rates is not None:
        rows, left_out = fates(rows)
        notes = (*left_out, *coarse(rows))
        if not rows.terms:
            raise CallError(
                "A reed is kept or not once for all, not in each session; ask for a factor given "
                "to lots, tubes or reeds, or for an effect in place of keep_rates."
            )
    more = tables.more_of(rows, layout)
    unjudged = tables.unjudged(rows, layout, more)
    tests: Mapping[str, Reckoned | Counted] = {}
    if keep_rates is None:
        size = float(effect or 0)
        table, tests = tables.effects_table(rows, more, variances, size, simulations, seed)
    else:
        rates = (float(keep_rates[0]), float(keep_rates[1]))
        table = tables.rates_table(rows, more, variances, rates, simulations, seed)
    return Power(
        question="What can this batch show?",
        table=table,
        cautions=(*variances.cautions, *notes, *_cautions(batch, rows, table, unjudged)),
        rows_used=len(rows.data),
        rows=rows,
        more=more,
        layout=layout,
        variance=variances.values,
        tests=tests,
        seed=seed,
    )


def _check(
    effect: float | None, keep_rates: Sequence[float] | None, simulations: int | None
) -> None:
    """Look at what does not depend on the batch; tell all faults at once."""
    faults = []
    if (effect is None) == (keep_rates is None):
        said = "neither effect nor keep_rates" if effect is None else "both effect and keep_rates"
        faults.append(
            f"power() was given {said}; give effect (a difference in the response's unit) or "
            "keep_rates (two shares of reeds kept)."
        )
    if effect is not None and not (is_number(effect) and 0 < effect < np.inf):
        faults.append(
            f"effect is {effect!r}; give the size of the difference worth finding, above 0."
        )
    if keep_rates is not None:
        rates = list(keep_rates) if isinstance(keep_rates, Sequence) else []
        if len(rates) != 2 or not all(is_number(rate) and 0 < rate < 1 for rate in rates):
            faults.append(
                f"keep_rates is {keep_rates!r}; give two shares between 0 and 1, such as "
                "(0.25, 0.5)."
            )
        elif rates[0] == rates[1]:
            faults.append(f"keep_rates are both {rates[0]}; give two that differ.")
    whole = isinstance(simulations, int | np.integer) and not isinstance(simulations, bool)
    if simulations is not None and not (whole and simulations >= FEWEST_SIMULATIONS):
        faults.append(
            f"simulations is {simulations!r}; give a whole number of {FEWEST_SIMULATIONS} or more "
            "(20000 give half a percent), or leave it out."
        )
    if faults:
        raise CallError("\n".join(faults))


def _layout(
    batch: Any, tubes: int | None, reeds_per_tube: int | None, rest: tuple[str, int, int, int]
) -> Layout | None:
    """Read the layout; None if there is a batch."""
    given = {"tubes": tubes, "reeds_per_tube": reeds_per_tube}
    if batch is None:
        missing = [name for name, value in given.items() if value is None]
        if missing:
            raise CallError(
                f"power() was not told {' and '.join(missing)}; give a batch, or tubes and "
                "reeds_per_tube."
            )
        return Layout(tubes, reeds_per_tube, *rest)  # type: ignore[arg-type]
    named = zip(("stratum", "levels", "lots", "sessions"), rest, LAYOUT_DEFAULTS, strict=True)
    also = [name for name, value in given.items() if value is not None]
    also += [name for name, value, default in named if value != default]
    if also:
        raise CallError(f"The batch says {', '.join(also)} itself; leave that out beside it.")
    return None


def _cautions(
    batch: Any, rows: Rows, table: pd.DataFrame, unjudged: Mapping[str, str]
) -> Iterator[str]:
    earlier = len(batch.earlier) if batch is not None else 0
    if earlier and rows.count("reed") == len(batch.table):
        yield (
            f"The {counted(earlier, 'reed')} of earlier batches are not counted here, for they "
            "were not tested in these sessions; judged together with them, this batch shows more."
        )
    elif earlier:
        yield f"The {counted(earlier, 'reed')} of earlier batches are counted with these."
    for name, why in unjudged.items():
        yield f"{rows.labels[name]} cannot be judged by this batch: {why}; drivers() leaves it out."
    if "den_df" in table:
        yield from words.few_df(table, rows.labels if len(table) > 1 else {})
    if len(table) > 1:
        yield words.MANY_TERMS
