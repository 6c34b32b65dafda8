"""How much of the spread of readings is the thing read, who reads it, and the repeat.

Variance components of units read by raters, each perhaps several times: by the mean
squares where the layout is balanced, by restricted likelihood where it is not.
Components are in the square of the readings' unit. A component that comes out below
zero is held at zero, and that is said.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import chi2, qmc
from scipy.stats import f as f_distribution

from reedlab.errors import ModelError, unknown_name
from reedlab.model.mean_squares import (
    INTERACTION,
    RATER,
    REPEAT,
    REST,
    UNIT,
    Squares,
    layout_squares,
)
from reedlab.model.mixed import MixedFit, fit_mixed
from reedlab.model.questions import LinearFit
from reedlab.model.shares import variance_shares

#: Which components make up each quantity. Where nothing is read twice by one rater the rest
#: holds repeat and interaction, and what one rater repeats is not known.
SUMS = {
    "repeat": (REPEAT,),
    "raters": (RATER, INTERACTION),
    "gauge": (RATER, INTERACTION, REPEAT, REST),
    "unit": (UNIT,),
    "total": (UNIT, RATER, INTERACTION, REPEAT, REST),
}
#: Shares, as a part and the rest: the gauge in all there is, the repeat in one rater's spread.
SHARES = {
    "gauge share": (SUMS["gauge"], SUMS["unit"]),
    "repeat share": (SUMS["repeat"], (UNIT, INTERACTION)),
}
#: Points of the Sobol sequence for generalised intervals, less the first.
POINTS = 2**13


@dataclass(frozen=True)
class Repeatability:
    """Variance components of repeated readings; made by :func:`repeatability`.

    Attributes
    ----------
    layout : str
        ``"crossed"``, ``"nested"`` (each rater has units of its own), ``"units"`` (one rater)
        or ``"raters"`` (one unit).
    method : str
        Mean squares or restricted likelihood, in words.
    sources : DataFrame
        ``source, variance, share`` of the total; the variance is held at zero or above.
    anova : DataFrame
        ``source, df, sum_sq, mean_sq, statistic`` (F), ``num_df, den_df, p_value``; empty for
        restricted likelihood.
    quantities : DataFrame
        Index ``repeat, raters`` (between raters, interaction included), ``gauge`` (both
        together), ``unit, total`` as variances, then ``gauge share`` of the total and
        ``repeat share`` of one rater's spread, 0 to 1; columns ``estimate, conf_low,
        conf_high`` (95 %). What the layout cannot tell is not there.
    held : dict of str to float
        Sources whose variance is held at zero, with the estimate below zero from the mean
        squares; restricted likelihood has none below and gives 0.
    """

    layout: str
    method: str
    sources: pd.DataFrame
    anova: pd.DataFrame
    quantities: pd.DataFrame
    held: dict[str, float]


def repeatability(
    data: pd.DataFrame,
    unit: str,
    rater: str | None,
    value: str,
    *,
    nested: bool = False,
    pooled: bool = False,
) -> Repeatability:
    """Estimate the variance components of repeated readings.

    Parameters
    ----------
    data : DataFrame
        One row a reading, without gaps; rows of one unit and rater are repeats.
    unit, value : str
        Columns: the thing read and the number.
    rater : str or None
        Column: who or what read it; None for one rater.
    nested : bool
        Each rater has units of its own, even if the names recur.
    pooled : bool
        Take the interaction of unit and rater into the repeat.

    Returns
    -------
    Repeatability

    Raises
    ------
    CallError
        For a column that is not there.
    ModelError
        If nothing is read twice, or all readings are the same.

    Notes
    -----
    Crossed, u units by o raters by r repeats, mean squares U, O, I and E: unit (U-I)/(or),
    rater (O-I)/(ur), interaction (I-E)/r, repeat E. One way with unequal groups: the
    divisor is (N - sum(n^2)/N)/(k-1). Intervals are generalised ones (percentiles over
    df x mean square / chi-square, at the points of a Sobol sequence, so that they are the
    same every time); for restricted likelihood Satterthwaite's, and the profile's for the
    gauge share. With two or three raters the spread between raters is hardly known: its
    upper limit says so.

    References
    ----------
    Searle, Casella & McCulloch (1992), Variance Components, chapters 3 and 4; Hamada &
    Weerahandi (2000), Journal of Quality Technology 32, 241-253 (generalised intervals);
    Satterthwaite (1946), Biometrics Bulletin 2, 110-114. Validated against Houf & Berman
    (1988), Davies' paste strength and Montgomery's purity.

    Examples
    --------
    >>> data = pd.DataFrame({"reed": list("aabbcc"), "mm": [0.50, 0.52, 0.61, 0.61, 0.55, 0.57]})
    >>> float(repeatability(data, "reed", None, "mm").quantities.estimate["repeat"].round(6))
    0.000133
    """
    for name in (unit, value, *([rater] if rater else [])):
        if name not in data.columns:
            raise unknown_name("column", name, map(str, data.columns))
    table = _coded(data, unit, rater, value, nested)
    if len(table) < 2:
        raise ModelError("There is one reading only: nothing is read twice.")
    if np.ptp(table["value"]) == 0:
        raise ModelError(
            f"All {len(table)} readings are {table['value'].iloc[0]:g}: agreement cannot be told "
            "from a gauge that always says the same."
        )
    layout = _layout(table, nested)
    squares = layout_squares(table, layout, pooled)
    if squares is None:
        return _by_likelihood(table, layout, pooled)
    return _by_mean_squares(squares, layout)


def _coded(
    data: pd.DataFrame, unit: str, rater: str | None, value: str, nested: bool
) -> pd.DataFrame:
    names = [rater] if rater and nested else []
    who = data.groupby(rater, observed=True).ngroup() if rater else 0
    return pd.DataFrame(
        {
            UNIT: data.groupby([*names, unit], observed=True).ngroup(),
            RATER: who,
            "value": data[value].astype(float),
        }
    )


def _layout(table: pd.DataFrame, nested: bool) -> str:
    if table[RATER].nunique() == 1:
        return "units"
    if nested:
        return "nested"
    return "raters" if table[UNIT].nunique() == 1 else "crossed"


def _by_mean_squares(squares: Squares, layout: str) -> Repeatability:
    found = squares.solve @ squares.mean_sq
    # A difference of equal mean squares is zero up to rounding, and no negative component.
    found[np.abs(found) < 1e-12 * np.abs(squares.mean_sq).max()] = 0
    variances = dict(zip(squares.sources, np.maximum(found, 0), strict=True))
    # The first point of the sequence is the corner, where chi-square is zero.
    points = qmc.Sobol(len(squares.df), scramble=False).random(POINTS)[1:]
    drawn = squares.df * squares.mean_sq / chi2.ppf(points, squares.df)
    draws = dict(zip(squares.sources, (drawn @ squares.solve.T).T, strict=True))
    limits = {name: tuple(np.quantile(value, [0.025, 0.975])) for name, value in _quantities(draws)}
    return Repeatability(
        layout=layout,
        method="mean squares",
        sources=_sources(variances),
        anova=_anova(squares),
        quantities=_table(variances, limits),
        held={name: float(v) for name, v in zip(squares.sources, found, strict=True) if v < 0},
    )


def _quantities(
    variances: Mapping[str, np.ndarray | float],
) -> Iterable[tuple[str, np.ndarray]]:
    """Sums and shares of components, each where the layout has what it is made of.

    A sum below zero is taken as zero, and not each of its parts: for components that are
    truly zero the interval of their sum would else begin above it too often.
    """

    def total(parts: Sequence[str]) -> np.ndarray:
        there = [variances[part] for part in parts if part in variances]
        return np.maximum(sum(there, np.float64(0)), 0)

    own = {"raters": RATER, "repeat": REPEAT, "unit": UNIT}
    for name, parts in SUMS.items():
        if own.get(name, "") in (*variances, ""):
            yield name, total(parts)
    for name, (part, rest) in SHARES.items():
        if UNIT in variances and (name == "gauge share" or REPEAT in variances):
            yield name, total(part) / (total(part) + total(rest))


def _sources(variances: Mapping[str, float]) -> pd.DataFrame:
    table = pd.DataFrame({"source": list(variances), "variance": list(variances.values())})
    return table.assign(share=table["variance"] / table["variance"].sum())


def _anova(squares: Squares) -> pd.DataFrame:
    mean_sq, df = squares.mean_sq, squares.df
    tested = np.array([row != line for row, line in enumerate(squares.against)])
    against = np.array(squares.against)
    with np.errstate(divide="ignore", invalid="ignore"):
        F = np.where(tested & (mean_sq[against] > 0), mean_sq / mean_sq[against], np.nan)
    return pd.DataFrame(
        {
            "source": squares.lines,
            "df": df,
            "sum_sq": squares.sum_sq,
            "mean_sq": mean_sq,
            "statistic": F,
            "num_df": df,
            "den_df": np.where(tested, df[against], np.nan),
            "p_value": f_distribution.sf(F, df, df[against]),
        }
    )


def _table(variances: Mapping[str, float], limits: Mapping[str, tuple[float, ...]]) -> pd.DataFrame:
    rows = {}
    for name, value in _quantities(variances):
        low, high = limits.get(name, (np.nan, np.nan))
        # With very few readings a component held at zero can take the estimate past a limit.
        rows[name] = float(value), np.minimum(low, value), np.maximum(high, value)
    return pd.DataFrame.from_dict(
        rows, orient="index", columns=["estimate", "conf_low", "conf_high"]
    ).rename_axis("quantity")


def _by_likelihood(table: pd.DataFrame, layout: str, pooled: bool) -> Repeatability:
    repeated = bool(table.duplicated([UNIT, RATER]).any())
    groups = [UNIT, RATER]
    if layout == "crossed" and repeated and not pooled:
        groups.append(f"{UNIT}:{RATER}")
    if repeated and (table.groupby([UNIT, RATER])["value"].agg(np.ptp) == 0).all():
        raise ModelError(
            "All repeats are the same to the last digit, and the layout has gaps: how well the "
            "gauge repeats itself is hidden by its steps."
        )
    try:
        fit = fit_mixed("value ~ 1", table, groups)
    except ModelError as error:
        raise ModelError(f"With these gaps the readings cannot be split up. {error}") from error
    names = dict(zip(groups, (UNIT, RATER, INTERACTION), strict=False))
    last = REPEAT if repeated else REST
    variances = {names.get(name, last): v for name, v in fit.variances.items()}
    return Repeatability(
        layout=layout,
        method="restricted likelihood",
        sources=_sources(variances),
        anova=pd.DataFrame(columns=["source", "df", "sum_sq", "mean_sq", "statistic", "p_value"]),
        quantities=_table(variances, _likelihood_limits(fit, variances)),
        held={name: 0.0 for name, v in variances.items() if v == 0},
    )


def _likelihood_limits(
    fit: LinearFit, variances: Mapping[str, float]
) -> dict[str, tuple[float, float]]:
    """Satterthwaite's limits of sums of components, the profile's of the gauge share."""
    if not isinstance(fit, MixedFit):
        return {}
    order = list(variances)
    # The engine keeps the residual first.
    covariance = np.linalg.inv(fit.fits.moments.expected[0]) * fit.scale**4
    covariance = np.roll(np.roll(covariance, -1, axis=0), -1, axis=1)
    limits = {}
    for name, parts in SUMS.items():
        weight = np.array([source in parts for source in order], dtype=float)
        value = weight @ np.array([variances[source] for source in order])
        if value > 0:
            df = 2 * value**2 / (weight @ covariance @ weight)
            with np.errstate(divide="ignore", over="ignore"):
                low, high = value * df / chi2.ppf([0.975, 0.025], df)
            limits[name] = (low, high if np.isfinite(high) else np.nan)
    shares = variance_shares(fit).set_index("source")
    ends = (1 - float(shares[end][UNIT]) for end in ("conf_high", "conf_low"))
    # Rounding can take a share of nothing below it.
    low, high = np.clip([*ends], 0, 1)
    limits["gauge share"] = (low, high)
    return limits
