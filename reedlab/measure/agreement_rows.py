"""The rows that tell how well readings agree: SDs, limits, shares, classes, kappas.

One function for each way of looking: all raters together, each rater against its own
repeats, raters in pairs. Each returns rows with term, rater, estimate, conf_low,
conf_high, unit and n_units, and cautions. The engine is loaded where it is used: to
measure a recording needs none of it.
"""

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.answer import counted
from reedlab.errors import ModelError, listed, unknown_name
from reedlab.measure.readings import Readings

if TYPE_CHECKING:
    from reedlab.model.kappa import Kappa
    from reedlab.model.repeatability import Repeatability

COLUMNS = ("term", "rater", "estimate", "conf_low", "conf_high", "unit", "n_units")
#: ISO 5725-6: two readings differ by less in 95 of 100; 1.96 x root 2 = 2.77, rounded there.
LIMIT = 2.8
#: Classes that a gauge can tell apart: root 2, rounded, times the ratio of SDs. The factor is the
#: one in use in manufacturing (from memory, no source).
CLASSES = 1.41
#: With more raters than this they are not compared in pairs.
MANY = 6
#: So many things left out are named, the rest counted.
SHOWN = 8
ALL = "all"
KAPPA = {
    "none": "kappa",
    "linear": "kappa, linear weights",
    "squared": "kappa, squared weights",
}

Rows = tuple[list[tuple], list[str]]


def together_rows(readings: Readings, found: "Repeatability", enough: float) -> Rows:
    """All raters together: SDs, limits, shares and classes."""
    unit, n = readings.measured_in, readings.data["unit"].nunique()
    quantities = {name: row.to_numpy() for name, row in found.quantities.iterrows()}
    several = "raters" in quantities
    rows: list[tuple] = []

    def add(term: str, values: np.ndarray, unit: str = "") -> None:
        rows.append((term, ALL, *values, unit, n))

    if "repeat" in quantities:
        add("repeatability SD", np.sqrt(quantities["repeat"]), unit)
        add("repeatability limit", LIMIT * np.sqrt(quantities["repeat"]), unit)
    if several:
        add(f"SD between {readings.rater}s", np.sqrt(quantities["raters"]), unit)
        add("reproducibility SD", np.sqrt(quantities["gauge"]), unit)
        add("reproducibility limit", LIMIT * np.sqrt(quantities["gauge"]), unit)
    if "unit" in quantities:
        add(f"SD between {readings.unit}s", np.sqrt(quantities["unit"]), unit)
        add("total SD", np.sqrt(quantities["total"]), unit)
        share = quantities["gauge share"]
        add("gauge share of variance", share)
        add("gauge share of SD", np.sqrt(share))
        classes = _classes(share)
        add("distinct classes", np.floor(classes))
        add("distinct classes, unrounded", classes)
    if "repeat share" in quantities:
        add("repeat share", quantities["repeat share"])
        add("tries to average", tries(quantities["repeat share"], enough))
    return rows, _component_cautions(readings, found)


def own_rows(readings: Readings, enough: float) -> Rows:
    """Each rater against its own repeats."""
    from reedlab.model.repeatability import repeatability

    rows: list[tuple] = []
    cautions: list[str] = []
    if len(readings.raters) == 1 or not readings.repeated:
        return rows, cautions
    for rater, data in readings.scores.groupby("rater", sort=False, observed=True):
        n = data["unit"].nunique()
        try:
            found = repeatability(data, "unit", None, "value").quantities
        except ModelError as error:
            cautions.append(f"{rater}: {error}")
            continue
        repeat, share = found.loc["repeat"].to_numpy(), found.loc["repeat share"].to_numpy()
        rows.append(("repeatability SD", rater, *np.sqrt(repeat), readings.measured_in, n))
        rows.append(("repeat share", rater, *share, "", n))
        rows.append(("tries to average", rater, *tries(share, enough), "", n))
    return rows, cautions


def correlation_rows(readings: Readings) -> Rows:
    """Intraclass correlations of raters who read the same units."""
    from reedlab.model.agreement import intraclass

    if len(readings.raters) == 1 or readings.kind == "nested":
        return [], []
    cells = readings.scores.groupby(["unit", "rater"], observed=True)
    means = cells["value"].mean().reset_index()
    complete = int((means["unit"].value_counts() == len(readings.raters)).sum())
    if complete < 2:
        return [], [
            f"No intraclass correlation: {counted(complete, readings.unit)} "
            f"{'was' if complete == 1 else 'were'} read by every {readings.rater}; it needs two at "
            "least."
        ]
    try:
        with np.errstate(divide="ignore", invalid="ignore"):
            found = intraclass(means, "unit", "rater", "value")
    except ModelError as error:
        words = str(error).replace("'unit'", readings.unit).replace("'rater'", readings.rater)
        return [], [f"No intraclass correlation: {words}"]
    said = []
    if len(found.left_out):
        said.append(
            f"Intraclass correlations rest on the {found.n_targets} {readings.unit}s that every "
            f"{readings.rater} read; {len(found.left_out)} left out: "
            f"{_few(tuple(found.left_out['target']))}."
        )
    if readings.repeated:
        said.append(
            f"Intraclass correlations are of each {readings.rater}'s mean over its repeats."
        )
    table = found.table.replace([np.inf, -np.inf], np.nan)
    rows = [
        (row["term"], ALL, row["estimate"], row["conf_low"], row["conf_high"], "", found.n_targets)
        for row in table.to_dict("records")
    ]
    return rows, said


def limit_rows(readings: Readings) -> Rows:
    """Limits of agreement of raters in pairs."""
    from reedlab.model.limits import agreement_limits

    rows: list[tuple] = []
    pairs, cautions = _pairs(readings)
    for first, second in pairs:
        try:
            found = agreement_limits(readings.data, "unit", "rater", "value", first, second)
        except ModelError as error:
            cautions.append(str(error))
            continue
        who, n = f"{first} − {second}", len(found.differences)
        for row in found.table.itertuples():
            figures = (row.estimate, row.conf_low, row.conf_high)
            rows.append((row.term, who, *figures, readings.measured_in, n))
        cautions += found.cautions
        if found.left_out:
            cautions.append(
                f"{first} and {second}: {len(found.left_out)} left out, read by one of them "
                f"only: {_few(found.left_out)}."
            )
    return rows, cautions


def kappa_rows(readings: Readings) -> Rows:
    """Kappas: all raters, raters in pairs, each rater with its own repeat.

    Between raters the first reading of each counts, and the second only beside it.
    """
    from reedlab.model.kappa import WEIGHTS, cohen_kappa, fleiss_kappa

    place = readings.data.groupby(["unit", "rater"], observed=True).cumcount()
    first, second = readings.data[place == 0], readings.data[place == 1]
    pairs, cautions = _pairs(readings)
    rows: list[tuple] = []

    def add(term: str, who: object, found: "Kappa") -> None:
        # What differs from 0 in the last digits of the computer is 0.
        figures = (round(x, 12) + 0.0 for x in (found.estimate, found.conf_low, found.conf_high))
        rows.append((term, who, *figures, "", found.n_units))
        cautions.extend(f"{who}: {text}" for text in found.cautions)
        if found.left_out:
            cautions.append(
                f"{who}: {len(found.left_out)} left out, not rated by both or all: "
                f"{_few(found.left_out)}."
            )

    if len(readings.raters) > 1:
        if readings.repeated:
            cautions.append(f"Kappa between {readings.rater}s is that of their first ratings.")
        try:
            add("Fleiss's kappa", ALL, fleiss_kappa(first, "unit", "value"))
        except ModelError as error:
            cautions.append(f"No Fleiss's kappa: {error}")
    by_rater = {who: data.set_index("unit")["value"] for who, data in first.groupby("rater")}
    again = {who: data.set_index("unit")["value"] for who, data in second.groupby("rater")}
    asked: list[tuple] = [(f"{a} and {b}", by_rater[a], by_rater[b]) for a, b in pairs]
    asked += [
        (who, by_rater[who][by_rater[who].index.isin(repeat.index)], repeat)
        for who, repeat in again.items()
    ]
    for who, one, other in asked:
        for weights in WEIGHTS if readings.kind == "ordered" else WEIGHTS[:1]:
            try:
                found = cohen_kappa(one, other, readings.levels, weights)
            except ModelError as error:
                cautions.append(f"{who}: {error}")
                break
            add(KAPPA[weights], who, found)
    return rows, cautions


def tries(share: np.ndarray, enough: float) -> np.ndarray:
    """How many tries to average so that the repeat is at most `enough` of the spread.

    Examples
    --------
    >>> tries(np.array([0.4, 0.05, 1.0]), 0.2)
    array([ 3.,  1., nan])
    """
    with np.errstate(divide="ignore"):
        needed = share * (1 - enough) / (enough * (1 - share))
    # A hair above a whole number is rounding, and no reason for one more try.
    needed = np.maximum(np.ceil(needed - 1e-9), 1)
    return np.where(np.isfinite(needed), needed, np.nan)


def _few(names: tuple) -> str:
    """Name some, and count the rest."""
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return f"{listed(names[:SHOWN])}{more}"


def _classes(share: np.ndarray) -> np.ndarray:
    """Distinct classes from the gauge's share of the variance; its limits change places."""
    with np.errstate(divide="ignore"):
        classes = CLASSES * np.sqrt((1 - share) / share)
    classes = np.where(np.isfinite(classes), classes, np.nan)
    return classes[[0, 2, 1]]


def _pairs(readings: Readings) -> tuple[list[tuple], list[str]]:
    raters = readings.raters
    if readings.kind == "nested":
        return [], []
    if len(raters) > MANY:
        return [], [f"{len(raters)} {readings.rater}s are too many to compare in pairs here."]
    return list(combinations(raters, 2)), []


def _component_cautions(readings: Readings, found: "Repeatability") -> list[str]:
    said = []
    for source, value in found.held.items():
        name = source.replace("unit", readings.unit).replace("rater", readings.rater)
        figure = f" ({value:.3g})" if value < 0 else ""
        said.append(
            f"The component of {name} comes out at zero or below{figure} and is taken as zero: "
            "the others account for its spread."
        )
    if found.method == "restricted likelihood":
        said.append(
            "Not every cell has the same number of readings: components are by restricted "
            "likelihood, from all readings."
        )
    if "rest" in set(found.sources["source"]):
        said.append(
            f"No {readings.unit} was read twice by the same {readings.rater}: the repeat cannot "
            "be told from the rest. Read some of them again if it should."
        )
    if found.layout == "nested":
        said.append(
            f"Each {readings.rater} read {readings.unit}s of its own: what differs between their "
            f"{readings.unit}s is in the spread between {readings.rater}s."
        )
    n = len(readings.raters)
    if 1 < n <= 3:
        said.append(f"Only {n} {readings.rater}s: the spread between them is hardly known.")
    return said + _step_caution(readings, found)


def _step_caution(readings: Readings, found: "Repeatability") -> list[str]:
    """Say where the steps of the gauge are as coarse as what it repeats."""
    if readings.kind == "ordered" or "repeat" not in found.quantities.index:
        return []
    sd = float(np.sqrt(found.quantities["estimate"]["repeat"]))
    apart = np.diff(np.sort(readings.data["value"].unique()))
    step = float(apart[apart > 1e-9 * np.abs(readings.data["value"]).max()].min(initial=np.inf))
    unit = f" {readings.measured_in}" if readings.measured_in else ""
    if sd == 0:
        return [
            "All repeats are the same to the last digit: the steps of the gauge hide how well it "
            "repeats itself, and no share or class is to be trusted."
        ]
    if np.isfinite(step) and step > 2 * sd:
        return [
            f"Readings come in steps of {step:.3g}{unit}, more than twice the repeatability SD: "
            "rounding decides much of it."
        ]
    return []


def as_table(rows: list[tuple]) -> pd.DataFrame:
    """Rows as a table with its columns."""
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    figures = ["estimate", "conf_low", "conf_high"]
    return table.assign(rater=table["rater"].map(str), **table[figures].astype(float))


def figure(table: pd.DataFrame, term: str, rater: str = ALL) -> pd.Series:
    """Return the one row of a term and a rater."""
    rows = table[(table["term"] == term) & (table["rater"] == rater)]
    if rows.empty:
        known = table["term"] + " (" + table["rater"] + ")"
        raise unknown_name("figure", f"{term} ({rater})", known)
    return rows.iloc[0]
