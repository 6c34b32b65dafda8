"""The curve of a break-in, fitted, and the table of what it says.

Rows are tests with the minutes played before them. The curve is that of the mean reed;
reeds, tubes, lots, sessions and players that repeat are random terms (few players are
held). It is told from the fewest minutes, as the middle reed had them at its first test,
to the most that three reeds reached.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from reedlab.analyse.frame import Frame, gather
from reedlab.analyse.joined import sound_cells
from reedlab.analyse.strata import NAMES, random_keys
from reedlab.answer import counted, number_text
from reedlab.errors import CallError, ModelError
from reedlab.model import LinearFit, fit_mixed
from reedlab.model.comparisons import holm
from reedlab.model.design import quoted
from reedlab.model.spline import NaturalSpline, natural_spline
from reedlab.schema import FEW
from reedlab.study import Study

#: The column of the record; and how the columns of the curve begin.
MINUTES, CURVE = "minutes_played", "curve "
#: Fewer reeds tested at different minutes tell nothing of others.
FEWEST_REEDS = 3
#: With fewer error degrees of freedom no change is judged.
FEWEST_DF = 2
#: Minutes by which the change is told, where they lie within the record.
MARKS = (60.0, 120.0)
#: Share of the standard deviation from test to test within which the curve has settled.
NEAR = 0.5
#: Places at which the curve is told, draws of it, and their seed.
PLACES, DRAWS, SEED = 120, 4000, 20260302
#: Degrees of freedom of a curve, and the share of the range without a test that parts clusters.
MOST_DEGREES, GAP = 3, 0.15
#: A stretch without a test is told of if it is this share of the minutes.
BRIDGED = 0.25
COLUMNS = (
    *("term", "contrast", "estimate", "std_error", "df", "conf_low", "conf_high", "unit"),
    *("num_df", "den_df", "statistic", "p_value", "p_adjusted", "n_reeds", "n_tests", "evidence"),
)


def played(study: Study, response: str) -> Frame:
    """Gather the tests of a response with the minutes played before them."""
    asked = study.response(response)
    if asked.table != "tests" or asked.kind == "binary":
        what = "is a yes or no" if asked.table == "tests" else f"is recorded in {asked.table}"
        raise CallError(
            f"{asked.label} {what}; a break-in is told of a number or rating recorded with each "
            "test."
        )
    tests = study.tables["tests"]
    file = study.sheets["tests"].file
    if MINUTES not in tests or tests[MINUTES].isna().all():
        raise CallError(
            f"{MINUTES} is not recorded in {file}, so nobody knows how long the reeds had been "
            "played before each test."
        )
    frame = gather(study, response, [])
    minutes = sound_cells(study, "tests")[MINUTES].reindex(frame.data.index)
    lost = frame.data.index[minutes.isna()]
    fault = pd.DataFrame({"file": file, "row": lost, "fault": f"{MINUTES} not recorded"})
    left_out = pd.concat([frame.left_out, fault], ignore_index=True)
    data = frame.data.assign(**{MINUTES: minutes.astype(float)}).drop(index=lost)
    _require_change(asked.label, data, response)
    return replace(frame, data=data, left_out=left_out.sort_values("row", ignore_index=True))


def _require_change(label: str, data: pd.DataFrame, response: str) -> None:
    reeds = data.groupby("reed_id")[MINUTES].nunique()
    if (reeds > 1).sum() < FEWEST_REEDS:
        raise ModelError(
            f"{label}: {counted((reeds > 1).sum(), 'reed')} of {len(reeds)} tested at different "
            f"minutes of playing; a break-in is a change within reeds, and takes {FEWEST_REEDS} "
            "of them at least."
        )
    if data[response].nunique() < 2:
        raise ModelError(
            f"{label} is the same ({data[response].iloc[0]:g}) in all {len(data)} tests: nothing "
            "changes."
        )


def fitted_curve(frame: Frame) -> tuple[LinearFit, NaturalSpline, tuple[str, ...]]:
    """Fit the curve of the mean reed."""
    data = frame.data
    keys, notes = random_keys(data, list(NAMES))
    few = [k for k in keys if k in ("maker_id", "lot_id", "player_id") and data[k].nunique() < FEW]
    blocks = [key for key in few if key == "player_id"]
    spline = natural_spline(_warped(data[MINUTES]), _degrees(data[MINUTES]))
    columns = spline.columns(_warped(data[MINUTES]))
    named = {f"{CURVE}{i + 1}": columns[:, i] for i in range(spline.df)}
    terms = " + ".join(map(quoted, [*blocks, *named]))
    formula = f"{quoted(frame.response.name)} ~ {terms}"
    groups = [key for key in keys if key not in few]
    try:
        fit = fit_mixed(formula, data.assign(**named), groups, bounded=False)
    except ModelError as error:
        raise ModelError(f"{frame.response.label}: no curve can be fitted. {error}") from None
    bridged = [
        f"No test lies between {low:g} and {high:g} minutes: the curve only bridges them."
        for low, high in _gaps(data[MINUTES])
        if high - low > BRIDGED * np.ptp(data[MINUTES])
    ]
    return fit, spline, (*notes, *bridged)


def _warped(minutes: pd.Series | np.ndarray) -> np.ndarray:
    """Square root of the minutes, for reeds change fast at first."""
    return np.sqrt(np.asarray(minutes, dtype=float))


def _degrees(minutes: pd.Series) -> int:
    """Degrees of freedom of the curve: fewer where tests stand in few clusters of minutes."""
    clusters = len(_gaps(minutes)) + 1
    return MOST_DEGREES if clusters == 1 else min(MOST_DEGREES, clusters - 1)


def _gaps(minutes: pd.Series) -> list[tuple[float, float]]:
    """Stretches without a test that are wide beside the whole range of minutes."""
    values = np.unique(minutes)
    steps = np.diff(_warped(values))
    wide = np.flatnonzero(steps > GAP * steps.sum())
    return [(float(values[i]), float(values[i + 1])) for i in wide]


def break_in_rows(
    frame: Frame, fit: LinearFit, spline: NaturalSpline
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Make the table of changes and the curve."""
    data = frame.data
    first, last = _span(data)
    places = np.unique([*np.linspace(first, last, PLACES), *(m for m in MARKS if first < m < last)])
    rows = _curve_rows(fit, spline, places)
    curve = fit.contrast(rows)[["estimate", "conf_low", "conf_high"]]
    curve.insert(0, "minutes", places)
    until = [last, *(mark for mark in MARKS if first < mark < last)]
    changes = fit.contrast(np.array([rows[np.searchsorted(places, m)] - rows[0] for m in until]))
    whole = f"{number_text(first)} to {number_text(last)} minutes"
    marks = [f"{number_text(first)} to {number_text(mark)} minutes" for mark in until[1:]]
    names = [f"by {number_text(mark)} minutes" for mark in until[1:]]
    table = changes.assign(term=["break-in", *names], contrast=[whole, *marks], num_df=1)
    table = table.assign(den_df=table["df"], unit=frame.response.unit)
    table = _with_whole_test(table, fit, frame.response.label)
    table = pd.concat([table, _settled(frame, fit, places, rows)], ignore_index=True)
    tested = table["p_value"].notna()
    table.loc[tested, "p_adjusted"] = holm(table.loc[tested, "p_value"].to_numpy())
    table = table.assign(n_reeds=frame.units("reed"), n_tests=len(data), evidence="observed")
    return table[[*COLUMNS]], curve


def _span(data: pd.DataFrame) -> tuple[float, float]:
    """From the middle reed's first test to the most minutes that three reeds reached."""
    reeds = data.groupby("reed_id")[MINUTES]
    first, most = float(reeds.min().median()), reeds.max().nlargest(FEWEST_REEDS).min()
    return first, float(max(most, first + 1))


def _curve_rows(fit: LinearFit, spline: NaturalSpline, minutes: np.ndarray) -> np.ndarray:
    """Combinations of coefficients that give the mean reed at these minutes."""
    middle = fit.fixed.rows(fit.fixed.grid_for(())).mean(axis=0)
    rows = np.repeat(middle[None], len(minutes), axis=0)
    rows[:, _columns(fit)] = spline.columns(_warped(minutes))
    return rows


def _columns(fit: LinearFit) -> np.ndarray:
    places = np.arange(fit.fixed.X.shape[1])
    parts = [places[part] for term, part in fit.fixed.terms.items() if term.startswith(CURVE)]
    return np.concatenate(parts)


def _with_whole_test(table: pd.DataFrame, fit: LinearFit, label: str) -> pd.DataFrame:
    """Put the F test of the whole curve into the first row."""
    from scipy.stats import f as f_distribution

    F, num_df, den_df = fit.test(np.eye(fit.fixed.X.shape[1])[_columns(fit)])
    if not den_df >= FEWEST_DF:
        raise ModelError(
            f"{label}: too few sessions differ in the minutes played before them to judge a change "
            "by; test reeds after other minutes, on more days."
        )
    values = [num_df, den_df, F, float(f_distribution.sf(F, num_df, den_df))]
    table.loc[0, ["num_df", "den_df", "statistic", "p_value"]] = values
    return table


def _settled(frame: Frame, fit: LinearFit, places: np.ndarray, rows: np.ndarray) -> pd.DataFrame:
    """From how many minutes on the curve stays near its end, with the middle of its draws."""
    margin = NEAR * float(np.sqrt(max(fit.variances["residual"], 0.0)))
    own = _columns(fit)
    away = (rows - rows[-1])[:, own]
    values, vectors = np.linalg.eigh(fit.covariance()[np.ix_(own, own)])
    root = vectors * np.sqrt(np.maximum(values, 0))
    drawn = np.random.default_rng(SEED).standard_normal((DRAWS, len(own))) @ root.T
    curves = (fit.coefficients[own] + drawn) @ away.T
    low, high = np.quantile(_settle_times(curves, places, margin), [0.025, 0.975])
    time = _settle_times((fit.coefficients[own] @ away.T)[None], places, margin)[0]
    unit = f" {frame.response.unit}" if frame.response.unit else ""
    return pd.DataFrame(
        {
            "term": ["settled"],
            "contrast": [f"within {number_text(margin, 2)}{unit} of its end"],
            "estimate": [time],
            "conf_low": [low],
            "conf_high": [high],
            "unit": ["minutes"],
        }
    )


def _settle_times(away: np.ndarray, places: np.ndarray, margin: float) -> np.ndarray:
    """First place from which each curve (B, T), told from its end, stays within the margin."""
    outside = np.abs(away) > margin
    after = outside.shape[1] - np.argmax(outside[:, ::-1], axis=1)
    return places[np.where(outside.any(axis=1), after, 0)]
