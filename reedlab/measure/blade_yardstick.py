"""The arithmetic of blades: the gauge's repeatability, differences held against it, a smooth.

The yardstick is what means of repeated readings differ by when nothing does, in 95 of
100. Lengths are in mm.
"""

import numpy as np
import pandas as pd

from reedlab.answer import counted
from reedlab.measure.blade_grid import BLADES, PLACE

COLUMNS = (
    "contrast",
    *PLACE,
    "other_blade",
    "other_across_mm",
    "estimate",
    "std_error",
    "df",
    "conf_low",
    "conf_high",
    "least",
    "beyond",
    "unit",
)
#: ISO 5725-6: two single readings differ by less in 95 of 100.
LIMIT = 2.8
#: A smoothing spline needs so many places.
SMOOTH = 5
#: Rounding of sums is no difference, mm.
ROUNDING = 1e-9


def pooled_repeatability(data: pd.DataFrame) -> tuple[float, int]:
    """SD of repeats pooled over the places, and its degrees of freedom."""
    within = data["thickness_mm"] - data.groupby(PLACE)["thickness_mm"].transform("mean")
    df = len(data) - data.groupby(PLACE).ngroups
    return (float(np.sqrt((within**2).sum() / df)), df) if df else (np.nan, 0)


def judged(pairs: pd.DataFrame, sd: float, df: int, resolution_mm: float | None) -> pd.DataFrame:
    """Differences with their intervals, held against the yardstick."""
    from scipy.stats import t

    # Repeats that never differ show the step of the gauge, and not how well it repeats.
    known = df > 0 and sd > ROUNDING
    estimate = pairs["estimate_one"] - pairs["estimate_other"]
    std_error = (sd if known else np.nan) * np.sqrt(1 / pairs["n_one"] + 1 / pairs["n_other"])
    reach = (t.ppf(0.975, df) if known else np.nan) * std_error
    least = np.fmax(reach, np.nan if resolution_mm is None else resolution_mm)
    table = pairs.assign(
        estimate=estimate,
        std_error=std_error,
        df=df if known else np.nan,
        conf_low=estimate - reach,
        conf_high=estimate + reach,
        least=least,
        beyond=estimate.abs() > least + ROUNDING,
        unit="mm",
    )
    return table[[*COLUMNS]]


def gauge_table(sd: float, df: int) -> pd.DataFrame:
    """Repeatability SD and limit with chi-square intervals; empty without repeats."""
    from scipy.stats import chi2

    columns = ["term", "estimate", "conf_low", "conf_high", "df", "unit"]
    if not df:
        return pd.DataFrame(columns=columns)
    low, high = sd * np.sqrt(df / chi2.ppf([0.975, 0.025], df))
    rows = [
        ("repeatability SD", sd, low, high, df, "mm"),
        ("repeatability limit", LIMIT * sd, LIMIT * low, LIMIT * high, df, "mm"),
    ]
    return pd.DataFrame(rows, columns=columns)


def spine_smooth(thickness: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Smooth along the spine of each blade, every half millimetre."""
    from scipy.interpolate import make_smoothing_spline

    rows, few = [], []
    for blade in BLADES:
        spine = thickness[(thickness["blade"] == blade) & (thickness["across_mm"] == 0)]
        if len(spine) < SMOOTH:
            few.append(
                f"Only {counted(len(spine), 'place')} {'was' if len(spine) == 1 else 'were'} read "
                f"on the spine of the {blade} blade: no smooth is drawn through fewer than "
                f"{SMOOTH}."
            )
            continue
        x = spine["from_tip_mm"].to_numpy()
        spline = make_smoothing_spline(
            x, spine["estimate"].to_numpy(), w=spine["n_readings"].to_numpy(dtype=float)
        )
        at = np.append(np.arange(x[0], x[-1], 0.5), x[-1])
        rows.append(pd.DataFrame({"blade": blade, "from_tip_mm": at, "fitted": spline(at)}))
    columns = ["blade", "from_tip_mm", "fitted"]
    return (pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=columns)), few
