"""The one kind of result: what was asked, a table, a sentence, a picture, cautions.

An answer is frozen. Its sentence is derived from its table, so that the two
cannot disagree; nothing prints and nothing draws unless it is asked to. Stored
values are never rounded: only the text that a reader sees is.
"""

import html
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.errors import ModelError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Every column that a result table may have, with what it means. A test walks all
#: result tables of the package and fails on a column that is not listed here.
VOCABULARY = {
    "term": "the factor or term that the row speaks of",
    "level": "a level of the factor",
    "contrast": "which change the estimate belongs to, e.g. '+0.05 mm' or 'B - A'",
    "estimate": "the estimate, in the unit given in the same row",
    "std_error": "standard error of the estimate",
    "df": "degrees of freedom of the estimate's t interval",
    "num_df": "numerator degrees of freedom of the term's test",
    "den_df": "denominator degrees of freedom of the term's test",
    "statistic": "the test statistic (F, t or likelihood ratio; the docstring says which)",
    "p_value": "p value, not corrected",
    "p_adjusted": "p value corrected for the number of terms looked at (Holm)",
    "conf_low": "lower limit of the 95 % interval",
    "conf_high": "upper limit of the 95 % interval",
    "unit": "unit of estimate, std_error, conf_low and conf_high",
    "stratum": "the thing to which the level was given: lot, tube, reed or session",
    "n_units": "how many such things (of the row's stratum) the row rests on",
    "n_lots": "number of lots used",
    "n_tubes": "number of tubes used",
    "n_reeds": "number of reeds used",
    "n_tests": "number of tests used",
    "share": "share of the total variance, or of the term's variation that mixed_with takes up",
    "source": "source of variation",
    "kind": "type of the sums of squares: 1, 2 or 3",
    "sum_sq": "sum of squares, in the square of the response's unit",
    "variance": "variance component, in the square of the unit",
    "evidence": "randomised, observed or exploratory",
    "file": "file in the study's folder",
    "row": "row number as a spreadsheet shows it (the header is row 1)",
    "column": "column of the file",
    "value": "the value as typed",
    "severity": "error (cannot be right) or warning (look at it)",
    "fault": "what is wrong",
    "remedy": "what would be right",
    "tube_left_out": "the tube that was left out of the refit",
    "estimate_all": "the estimate with every tube in",
    "change": "change of the estimate, in its unit",
    "r_squared": "share of this factor's variation that the other factors explain",
    "inflation": "variance inflation factor, 1 / (1 - r_squared)",
    "fitted": "fitted value, random effects included",
    "residual": "observed minus fitted",
    "place": "place in the order of making, from 1",
    "tube_id": "the tube of cane",
    "lot_id": "the lot of the tube",
    "piece": "piece of those that the tube still yields, from 1",
    "spare_pieces": "pieces of the tube that are kept for breakage",
    "shuffled_among": "tubes with the same words could change places",
    "recipe": "number of the recipe in standard order",
    "block": "block of the recipe",
    "effect": "the difference asked about, in the response's unit",
    "power": "chance that the effect is found at the 5 % level, 0 to 1",
    "mc_error": "Monte-Carlo standard error of power; 0 where it is exact",
    "smallest_effect": "effect that is found with a power of 0.8",
    "needed": "how many of needed_unit give a power of 0.8; missing if too many",
    "needed_unit": "what there would have to be more of",
    "keep_low": "share of reeds kept at one end, 0 to 1",
    "keep_high": "share of reeds kept at the other end, 0 to 1",
    "method": "how the row was reckoned",
    "efficiency": "share of the term's information that the other terms leave it, 0 to 1",
    "relative_efficiency": "how many times the information of the other batch",
    "std_error_other": "std_error of the other batch",
    "power_other": "power of the other batch",
    "mixed_with": "the other term that a term is mixed up with",
    "correlation": "correlation of the two, or the largest canonical one, -1 to 1",
    "mixed_with_other": "mixed_with of the other batch",
    "correlation_other": "correlation of the other batch",
}


@dataclass(frozen=True)
class Answer:
    """What every question returns.

    Attributes
    ----------
    question : str
        What was asked, in words.
    table : pandas.DataFrame
        The finding, tidy, one row a thing; columns from :data:`VOCABULARY`.
    cautions : tuple of str
        What the reader must know before using the finding.
    left_out : pandas.DataFrame
        Rows of the record that were not used: file, row and the fault.
    rows_used : int
        How many rows of the record the finding rests on.
    """

    question: str
    table: pd.DataFrame
    cautions: tuple[str, ...] = ()
    rows_used: int = 0
    left_out: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=["file", "row", "fault"])
    )

    @cached_property
    def sentence(self) -> str:
        """The finding in plain words, made from the table."""
        return self._say()

    def _say(self) -> str:
        raise NotImplementedError

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the finding; return the Axes."""
        raise ModelError(f"There is no picture for: {self.question}")

    def _repr_html_(self) -> str:
        cautions = "".join(f"<li>{html.escape(text)}</li>" for text in self.cautions)
        listed = f"<ul>{cautions}</ul>" if cautions else ""
        return (
            f"<p><b>{html.escape(self.question)}</b></p><p>{html.escape(self.sentence)}</p>"
            f"{rounded(self.table).to_html(index=False, na_rep='')}{listed}"
        )


def rounded(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table as a reader sees it: numbers as short text, the rest as it is."""
    shown = table.copy()
    for name in shown.columns:
        if pd.api.types.is_float_dtype(shown[name]):
            style = p_text if name in ("p_value", "p_adjusted") else number_text
            shown[name] = [style(value) for value in shown[name]]
    return shown


def number_text(value: float, digits: int = 3) -> str:
    """Write a number with so many significant digits and a real minus sign.

    Examples
    --------
    >>> number_text(-13.9721), number_text(0.05), number_text(1234.5)
    ('−14', '0.05', '1234')
    """
    if pd.isna(value):
        return ""
    text = f"{value:.{digits}g}"
    if "e" in text or abs(value) >= 10**digits:
        text = f"{value:.0f}" if 1 <= abs(value) < 1e7 else text
    return text.replace("-", "−")


def p_text(value: float) -> str:
    """Write a p value: three decimals, and never zero.

    Examples
    --------
    >>> p_text(0.0312), p_text(0.00002)
    ('0.031', '< 0.001')
    """
    if pd.isna(value):
        return ""
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def counted(count: float, noun: str) -> str:
    """Write a count with its noun.

    Examples
    --------
    >>> counted(1, "reed"), counted(24, "reed")
    ('1 reed', '24 reeds')
    """
    return f"{count:.0f} {noun}" if count == 1 else f"{count:.0f} {noun}s"


def percent_text(share: float) -> str:
    """Write a share of 0 to 1 in whole percent; an unknown one as a question mark.

    Examples
    --------
    >>> percent_text(0.284), percent_text(float("nan"))
    ('28 %', '?')
    """
    return "?" if pd.isna(share) else f"{share:.0%}".replace("%", " %")
