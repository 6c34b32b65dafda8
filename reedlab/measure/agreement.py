"""Do gauge, phone and ear repeat themselves well enough for the question?

The same things are read again, by the same and by other players, gauges or phones;
the spread of the readings is split into the things, the raters and the repeat. SDs
and limits are in the unit of the readings, shares from 0 to 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from numbers import Real
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.answer import Answer
from reedlab.errors import CallError, ModelError, unknown_name
from reedlab.measure.agreement_rows import (
    ALL,
    Rows,
    as_table,
    correlation_rows,
    figure,
    kappa_rows,
    limit_rows,
    own_rows,
    together_rows,
)
from reedlab.measure.agreement_text import say_agreement
from reedlab.measure.readings import Readings, each, gather_readings
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Said with every repeat that a player judges.
BLIND = (
    "A repeat tells of the ear only if it was blind and taken up afresh: reed out of the mouth or "
    "off the gauge, in an order that the player did not know."
)


@dataclass(frozen=True)
class Agreement(Answer):
    """How well readings repeat themselves; made by :func:`agreement`.

    Attributes
    ----------
    table : DataFrame
        One figure a row: ``term``, ``rater`` ("all", one rater, or two: "A − B"),
        ``estimate, conf_low, conf_high`` (95 %), ``unit``, ``n_units``. The terms:
        repeatability SD (one rater, one thing, again) and repeatability limit (2.8 SD: two
        readings differ by less in 95 of 100); SD between players; reproducibility SD and
        limit (other player and repeat together); SD between reeds; total SD; gauge share of
        variance and of SD; distinct classes (1.41 times the SD between reeds over the
        reproducibility SD, rounded down); repeat share of one rater's spread; tries to
        average so that it falls to `enough`; intraclass correlations; for two raters mean
        difference, lower and upper limit; kappas.
    sources : DataFrame
        ``source, variance, sd, share, share_of_sd, spread`` (6 SD); empty for categories.
    anova : DataFrame
        ``source, df, sum_sq, mean_sq, statistic, num_df, den_df, p_value`` of a balanced
        layout.
    method : str
        Mean squares or restricted likelihood.
    """

    sources: pd.DataFrame = field(default_factory=pd.DataFrame)
    anova: pd.DataFrame = field(default_factory=pd.DataFrame)
    method: str = ""
    enough: float = 0.2
    readings: Readings | None = None

    def figure(self, term: str, rater: str = ALL) -> pd.Series:
        """Return the row of a term: estimate, conf_low, conf_high, unit, n_units."""
        return figure(self.table, term, rater)

    @property
    def _read(self) -> Readings:
        if self.readings is None:
            raise CallError("This answer was made without its readings.")
        return self.readings

    def _say(self) -> str:
        return say_agreement(self.table, self._read, self.enough)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw every reading by the thing read, repeats joined, raters told apart."""
        from reedlab.measure.agreement_pictures import draw_readings

        return draw_readings(self._read, ax)

    def plot_difference(
        self, first: object = None, second: object = None, ax: "Axes | None" = None
    ) -> "Axes":
        """Draw the difference of two raters against their mean, with limits of agreement.

        Parameters
        ----------
        first, second
            Two raters; may be left out where there are two only.
        """
        from reedlab.measure.agreement_pictures import draw_difference
        from reedlab.model.limits import agreement_limits

        read = self._read
        if read.kind not in ("crossed", "nested"):
            raise CallError("Limits of agreement are for numbers, not for levels or categories.")
        if first is None and second is None and len(read.raters) == 2:
            first, second = read.raters
        for who in (first, second):
            if who not in read.raters:
                raise unknown_name(read.rater, who, read.raters)
        found = agreement_limits(read.data, "unit", "rater", "value", first, second)
        return draw_difference(found, f"{first} − {second}", read, ax)


def agreement(
    data: pd.DataFrame | Study,
    value: str,
    *,
    unit: str = "reed_id",
    rater: str | None = "player_id",
    kind: str = "auto",
    levels: Sequence = (),
    pooled: bool = False,
    enough: float = 0.2,
) -> Agreement:
    """Tell how well readings or ratings repeat themselves, and how far raters agree.

    Parameters
    ----------
    data : DataFrame or Study
        One row a reading; rows of one unit and one rater are repeats, in their order. Of a
        study the tests are taken: trials of a reed at one stage are repeats, and the player
        is the session's. Where they come from several sessions, a caution says so.
    value : str
        Column of the reading; of a study a response or a number of its tests.
    unit : str
        Column of what was read: reed, or place on a reed.
    rater : str or None
        Column of who or what read it: player, gauge, phone. None for one alone.
    kind : {"auto", "crossed", "nested", "ordered", "category"}
        Crossed: numbers, raters read the same units. Nested: each rater has units of its
        own, even if names recur. Ordered: levels in an order, such as a rating of 1 to 5.
        Category: without order. Auto takes a study's response as declared, numbers as
        crossed or nested by who read what, and an ordered categorical column as ordered.
    levels : sequence, optional
        Of ordered values, from the lowest to the highest; needed where they are words.
    pooled : bool
        Take the interaction of unit and rater into the repeat.
    enough : float
        Largest share of one rater's spread that the repeat may have, 0 to 1, for the
        number of tries to average.

    Returns
    -------
    Agreement
        See its attributes for every term of the table.

    Raises
    ------
    CallError
        For a column or kind that is not there, words without levels, or `enough` outside
        0 to 1.
    RecordError
        For values that are no numbers or not among the levels, names that differ by a
        space or capital only, or tests recorded twice.
    ModelError
        If nothing was read twice or by two raters, or all readings are the same.

    Notes
    -----
    Two things go by the name of reproducibility: here, as in ISO 5725, its SD holds the
    repeat too; the spread between raters alone (interaction included) is "SD between
    players". The gauge share of SD compares SDs, which do not add up to one: 30 % of the
    SD is 9 % of the variance. Ordered levels are also taken as evenly spaced numbers (or as
    the numbers they are) for SDs and shares. Kappa with squared weights is about the
    intraclass correlation of absolute agreement (Fleiss & Cohen 1973).

    References
    ----------
    ISO 5725-2 and 5725-6 (repeatability and reproducibility; the factor 2.8 is 1.96 times
    root 2, rounded); Bland & Altman (1986), Lancet 327, 307-310; McGraw & Wong (1996),
    Psychological Methods 1, 30-46; Cohen (1968), Psychological Bulletin 70, 213-220;
    Fleiss (1971), Psychological Bulletin 76, 378-382; Fleiss & Cohen (1973), Educational
    and Psychological Measurement 33, 613-619. Validated against the figures of
    tests/measure/test_agreement.py.

    Examples
    --------
    >>> data = pd.DataFrame({
    ...     "reed_id": list("aabbccdd") * 2, "player_id": ["P"] * 8 + ["Q"] * 8,
    ...     "crow_hz": [331, 333, 340, 341, 352, 349, 345, 344,
    ...                 334, 332, 343, 345, 351, 354, 344, 346],
    ... })
    >>> found = agreement(data, "crow_hz")
    >>> round(float(found.figure("repeatability limit")["estimate"]), 1)
    4.2
    """
    if not isinstance(enough, Real) or not 0 < enough < 1:
        raise CallError(f"enough is {enough!r}; it is a share between 0 and 1, such as 0.2.")
    readings = gather_readings(data, value, unit, rater, kind, levels)
    parts, sources, anova, method = _figures(readings, pooled, enough)
    rows = [row for found, _ in parts for row in found]
    if not rows:
        said = each(text for _, texts in parts for text in texts)
        nothing = f"No {readings.unit} is rated twice or by two {readings.rater}s."
        raise ModelError(" ".join(said) or nothing)
    cautions = [text for _, said in parts for text in said]
    if readings.kind == "ordered":
        cautions.append(f"{readings.label}: for SDs and shares its levels count as numbers.")
    if readings.rater == "player":
        cautions.append(BLIND)
    return Agreement(
        question=f"How well does {readings.label} repeat itself, and who agrees with whom?",
        table=as_table(rows),
        cautions=tuple(each([*readings.cautions, *cautions])),
        rows_used=len(readings.data),
        left_out=readings.left_out,
        sources=sources,
        anova=anova,
        method=method,
        enough=enough,
        readings=readings,
    )


def _figures(
    readings: Readings, pooled: bool, enough: float
) -> tuple[list[Rows], pd.DataFrame, pd.DataFrame, str]:
    """Every way of looking that suits the kind, then the sources behind them."""
    from reedlab.model.repeatability import repeatability

    if readings.kind == "category":
        return [kappa_rows(readings)], pd.DataFrame(), pd.DataFrame(), ""
    rater = "rater" if len(readings.raters) > 1 else None
    nested = readings.kind == "nested"
    kappas = [kappa_rows(readings)] if readings.kind == "ordered" else []
    try:
        found = repeatability(readings.scores, "unit", rater, "value", nested=nested, pooled=pooled)
    except ModelError as error:
        # Levels that do not vary leave no variance to split; their kappas may still stand.
        if not kappas:
            raise
        return [*kappas, ([], [str(error)])], pd.DataFrame(), pd.DataFrame(), ""
    parts = [
        together_rows(readings, found, enough),
        own_rows(readings, enough),
        correlation_rows(readings),
        *kappas,
    ]
    if not kappas:
        parts.append(limit_rows(readings))
    sd = found.sources["variance"] ** 0.5
    whole = found.sources["variance"].sum() ** 0.5
    sources = found.sources.assign(
        source=_in_words(found.sources["source"], readings),
        sd=sd,
        share_of_sd=sd / whole,
        spread=6 * sd,
    )
    columns = ["source", "variance", "sd", "share", "share_of_sd", "spread"]
    anova = found.anova.assign(source=_in_words(found.anova["source"], readings))
    return parts, sources[columns], anova, found.method


def _in_words(sources: pd.Series, readings: Readings) -> pd.Series:
    named = {"unit": readings.unit, "rater": readings.rater}
    return sources.map(lambda text: " ".join(named.get(word, word) for word in text.split()))
