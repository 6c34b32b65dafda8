"""The one kind of result: what was asked, a table, a sentence, a picture, cautions.

An answer is frozen. Its sentence is derived from its table, so that the two
cannot disagree; nothing prints and nothing draws unless it is asked to. Stored
values are never rounded: only the text that a reader sees is.
"""

import html
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import pandas as pd

import reedlab
from reedlab.errors import ModelError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: As what a notebook keeps an answer, so that it can be asked again; and so many rows of it.
KEPT_TYPE = "application/vnd.reedlab.answer+json"
_MOST_KEPT = 50
#: Every column that a result table may have, with what it means. A test walks all
#: result tables of the package and fails on a column that is not listed here.
VOCABULARY = {
    "term": "the factor or term that the row speaks of",
    "level": "a level of the factor; or of a rating, that and higher ones; empty for the log odds",
    "contrast": "which change the estimate belongs to, e.g. '+0.05 mm' or 'B - A'",
    "estimate": "the estimate, in the unit given in the same row",
    "std_error": "standard error of the estimate",
    "df": "degrees of freedom of the estimate's t interval",
    "num_df": "numerator degrees of freedom of the term's test",
    "den_df": "denominator degrees of freedom of the term's test",
    "statistic": "the test statistic (F, t or likelihood ratio; the docstring says which)",
    "p_value": "p value, not corrected",
    "p_adjusted": "p value corrected for the number of terms looked at (Holm, or maxT)",
    "conf_low": "lower limit of the 95 % interval",
    "conf_high": "upper limit of the 95 % interval",
    "unit": "unit of estimate, std_error, conf_low and conf_high",
    "stratum": "the thing to which the level was given: lot, tube, reed, session or player",
    "n_units": "how many such things (of the row's stratum) the row rests on",
    "n_lots": "number of lots used",
    "n_tubes": "number of tubes used",
    "n_reeds": "number of reeds used",
    "n_tests": "number of tests used",
    "share": "share of the total variance, or of the term's variation that mixed_with takes up",
    "source": "source of variation",
    "kind": "type of the sums of squares (1, 2 or 3); or which measure a step is",
    "sum_sq": "sum of squares, in the square of the response's unit",
    "variance": "variance component, in the square of the unit",
    "evidence": "randomised, observed or exploratory",
    "file": "file in the study's folder, or recording",
    "row": "row number as a spreadsheet shows it (the header is row 1)",
    "column": "column of the file",
    "value": "the value as typed",
    "severity": "error (cannot be right) or warning (look at it)",
    "fault": "what is wrong; empty where nothing is",
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
    # What was recorded.
    "reed_id": "the reed, by its id or blind code",
    "session_id": "the occasion of testing",
    "stage": "point in the reed's life",
    "trial": "which try, from 1",
    "sentence": "what the measure says of the recording",
    "caution": "what must be known of the recording, in sentences",
    "step": "name of the step in the test protocol",
    "attempt": "which attempt in the recording, from 1",
    "part_s": "where the part of the step begins, quiet included; s from the beginning",
    "start_s": "where the sound begins; s from the beginning of the recording",
    "end_s": "where the sound ends; s from the beginning of the recording",
    "snr_db": "level of the attempt above the quiet around it, dB",
    # Crow.
    "settle_s": "when one pitch begins to stand; s from the beginning of the recording",
    "hold_s": "for how long it stands, s",
    "crow_hz": "pitch of the crow, Hz",
    "crow_note": "the note nearest to it",
    "note_cents": "crow above that note, cents",
    "crow_cents": "crow above the target, from its nearest edge; 0 inside; cents",
    "spread_cents": "unsteadiness of the pitch: half the width of its middle 68 %, cents",
    "settle_db": "level of the tone when it settles, dB re a full-scale sine",
    "single_pitch": "whether one pitch stands alone",
    "rattle_s": "when several pitches begin to sound; s from the beginning of the recording",
    "rattle_hz": "which pitches these are, Hz, as text",
    "confidence": "how far the pitch of the crow is to be trusted, 0 to 1",
    # Hairpin.
    "note": "the note asked for, or else the nearest",
    "hz": "pitch, Hz",
    "soft_db": "softest level that is held; dB re full scale, or SPL if calibrated",
    "loud_db": "loudest level; dB re full scale, or SPL if calibrated",
    "dynamic_range_db": "loudest minus softest, dB",
    "soft_dba": "soft_db, A-weighted",
    "loud_dba": "loud_db, A-weighted",
    "dynamic_range_dba": "dynamic_range_db, A-weighted",
    "delay_ms": "from the first breath to the beginning of the tone, ms",
    "attack_ms": "from the beginning of the tone until it stands, ms",
    "swell_evenness_db": "departure of the swell from one that only rises, RMS, dB; 0 is even",
    "fade_evenness_db": "departure of the fade from one that only falls, RMS, dB; 0 is even",
    "symmetry": "time of the rise over time of the fall",
    "drift_cents_per_10_db": "by how much the pitch rises while the level rises 10 dB, cents",
    "drift_conf_low": "lower limit of the 95 % interval of drift_cents_per_10_db",
    "drift_conf_high": "upper limit of the 95 % interval of drift_cents_per_10_db",
    "centroid_hz_per_10_db": "by how much centroid_hz rises while the level rises 10 dB, Hz",
    "odd_even_db": "power of the odd partials over that of the even ones, dB",
    "soft_above_noise_db": "softest level above the noise, dB",
    "noise_limited": "whether the noise may hide a softer tone",
    "gain_suspected": "whether the recorder seems to have changed its gain",
    # Slur.
    "number": "which transition of the line, from 1",
    "from_note": "the note that is left",
    "to_note": "the note that is reached",
    "at_s": "when; s from the beginning of the recording",
    "slur_gap_ms": "width of the dip in level at half its depth in dB, ms; the longest of a test",
    "dip_db": "depth of the dip below the softer of the two notes, dB",
    "change_ms": "from leaving the old note to staying on the new one, ms",
    "overshoot_cents": "how far the pitch first goes beyond the new note, cents",
    "foreign_note": "the note nearest to a pitch between that is neither; empty if there is none",
    "foreign_hz": "that pitch, Hz",
    "foreign_ms": "for how long it sounds, ms",
    "smoothness": "1 less the longest disturbance in tenths of a second; 0 to 1",
    # Low register.
    "found": "the note nearest to what sounds",
    "cents": "above the note in equal temperament, cents",
    "level_db": "level of the note, dB re a full-scale sine",
    "centroid_hz": "mean frequency of the partials weighted by power (brightness), Hz",
    "low_evenness_cents": "standard deviation of cents over the notes; 0 is even",
    # Agreement and blades.
    "rater": "who or what read: one, two ('A − B'), or all",
    "sd": "standard deviation, in the unit of the readings",
    "share_of_sd": "sd over the total sd; these do not add up to 1",
    "spread": "six standard deviations, in the unit of the readings",
    "mean_sq": "mean square, in the square of the unit",
    "blade": "up or down",
    "from_tip_mm": "distance from the tip, mm",
    "across_mm": "distance from the spine, mm; left is negative, seen from outside, tip up",
    "other_blade": "blade of the place that was taken from this one",
    "other_across_mm": "across_mm of that place",
    "least": "smallest difference that the gauge can tell there, in the unit of the row",
    "beyond": "whether the difference is larger than that",
    "n_readings": "number of readings",
    # An old sheet brought in.
    "becomes": "table.column of the record where a column of a sheet goes; empty: it stays out",
    "as_typed": "number of cells that came in as they were typed",
    "changed": "number of cells that came in changed",
    "not_recorded": "number of cells that say that nothing was recorded",
    "refused": "number of cells that cannot be right",
    "in_question": "number of cells that only the maker can read",
    "left_out": "number of cells that stay out",
    "outcome": "what became of the cell, row or column: any of the last six, in words",
    "after": "the cell as it stands in the record",
    "why": "why it was changed, refused or left out, or the question",
    # What is published.
    "contains": "what the file contains",
    "size_bytes": "size of the file, bytes",
    # Randomisation and many looks.
    "asked": "the question that tested it: name of the call, and what it was asked with",
    "response": "the response that was tested",
    "finding": "the effect in words, with unit, 95 % interval and number of units",
    "p_season": "p value adjusted for all tests of the record (Benjamini and Hochberg)",
    "stands": "whether p_season is 0.05 or less; if randomised, p_adjusted below 0.05",
    "times": "how often the question was asked while the record changed",
    # Ratings.
    # Stopping.
    "rule": "which reeds are stopped",
    "spared": "finished all the same, so that the rule can be judged",
    # Adjusting.
    "before": "mean of the tests before it was done, in the unit of the row",
    "plain_change": "mean change from before to after, whatever retesting alone brings",
    "plain_low": "lower limit of the 95 % interval of plain_change",
    "plain_high": "upper limit of the 95 % interval of plain_change",
    "n_pairs": "number of before and after pairs between which it was done",
    "n_untouched": "number of untouched pairs compared with",
    # Lasting.
    "quantity": "what the estimate is: median or hazard ratio",
    "time": "how long it lasted, in the unit of the data",
    "at_risk": "how many were still going on just before",
    "n_events": "how many ended then",
    "longest": "longest life on record, in the unit of the row; missing for hazard ratios",
    "n_worn_out": "how many of the reeds were worn out",
    # Drift and break-in.
    "moment": "mean time of the point's rows",
    "observed": "level of the point, in the unit of the row; of yes and no the share in percent",
    "average": "moving average up to the point, in the same unit",
    "limit_low": "lower limit of the chart at the point",
    "limit_high": "upper limit of the chart at the point",
    "outside": "whether the point lies outside its limits",
    "minutes": "minutes played",
    # Recipe.
    "part": "set (a factor) or expected (a response)",
    "tried": "levels tried",
    "tried_low": "lowest value tried",
    "tried_high": "highest value tried",
    "may_be_best": "levels that may be the best; of a recipe, whether it may be",
    "open": "whether it is not known to matter",
    "usual": "whether the recipe takes the usual level",
    "settled": "whether one level, or one step of a number, is left",
    # Several makers.
    "maker_id": "the maker whose reeds the row rests on",
    "new_low": "lower limit of the 95 % interval for the effect in a new maker's hand",
    "new_high": "upper limit of the 95 % interval for the effect in a new maker's hand",
    "sd_makers": "standard deviation of the effect between makers, in the unit of the row",
    "sd_low": "lower limit of the 95 % interval of sd_makers",
    "sd_high": "upper limit of the 95 % interval of sd_makers",
    "i_squared": "share of the spread of the makers' estimates that is not their own error, 0 to 1",
    "holds": "across makers, on average, by hand (one way), one maker's hand, or not shown",
    "n_makers": "number of makers used",
    "desirability": "how good the recipe is expected to be over all responses, 0 to 1",
}

#: Columns that are written as p values.
P_VALUES = ("p_value", "p_adjusted", "p_season")


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
    looked : str
        How many factors and responses of the study were looked at until then, in words.
    asked : mapping
        How to ask again: ``call`` (a function of :mod:`reedlab.analyse`), ``arguments`` (by
        name, as JSON holds them, without the study), ``not_plain`` (names of arguments that
        JSON cannot hold, as a table) and ``study`` (where it is found again). Of drivers that
        were weighed over a season, ``season`` lists its responses. Empty where the question is
        not asked of a study.
    """

    question: str
    table: pd.DataFrame
    cautions: tuple[str, ...] = ()
    rows_used: int = 0
    left_out: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=["file", "row", "fault"])
    )
    looked: str = ""
    asked: Mapping[str, Any] = field(default_factory=dict)

    @cached_property
    def sentence(self) -> str:
        """The finding in plain words, made from the table."""
        return self._say()

    def _say(self) -> str:
        raise NotImplementedError

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the finding; return the Axes."""
        raise ModelError(f"There is no picture for: {self.question}")

    @property
    def kept(self) -> dict[str, Any]:
        """What a notebook keeps of it as JSON: what was asked, sentence and table as read."""
        shown = rounded(self.table.head(_MOST_KEPT))
        cells = shown.astype("str").mask(shown.isna(), "")
        return {
            "question": self.question,
            "asked": dict(self.asked),
            "version": reedlab.__version__,
            "sentence": self.sentence,
            "table": {
                "columns": [str(name) for name in shown.columns],
                "rows": cells.to_numpy().tolist(),
                "all_rows": len(self.table),
            },
        }

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        """Keep it in the notebook that shows it, beside what the reader sees."""
        return {KEPT_TYPE: self.kept} if self.asked else {}

    def _repr_html_(self) -> str:
        cautions = "".join(f"<li>{html.escape(text)}</li>" for text in self.cautions)
        listed = f"<ul>{cautions}</ul>" if cautions else ""
        looked = f"<p><small>{html.escape(self.looked)}</small></p>" if self.looked else ""
        return (
            f"<p><b>{html.escape(self.question)}</b></p><p>{html.escape(self.sentence)}</p>"
            f"{rounded(self.table).to_html(index=False, na_rep='')}{listed}"
            f"{looked}"
        )


def rounded(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table as a reader sees it: numbers as short text, the rest as it is."""
    shown = table.copy()
    for name in shown.columns:
        if pd.api.types.is_float_dtype(shown[name]):
            style = p_text if name in P_VALUES else number_text
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
