"""A hairpin in words, from its table."""

from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from reedlab.answer import number_text

#: A drift that is surely smaller than this is none, cents per 10 dB.
STEADY_CENTS = 1.0
#: A change of brightness below this is not told, Hz per 10 dB.
LEAST_BRIGHTER_HZ = 5.0


def said(table: pd.DataFrame, *, calibrated: bool) -> str:
    """Return one sentence an attempt, and one on their ranges if there are several.

    Examples
    --------
    >>> row = dict.fromkeys(["delay_ms", "centroid_hz_per_10_db"], float("nan"))
    >>> row |= dict(attempt=1, note="C3", soft_db=-34.0, loud_db=-15.6, dynamic_range_db=18.4)
    >>> row |= dict(dynamic_range_dba=17.9, attack_ms=55.0, noise_limited=False)
    >>> row |= dict(gain_suspected=False, drift_cents_per_10_db=-6.0, drift_conf_low=-7.0)
    >>> said(pd.DataFrame([row | dict(drift_conf_high=-5.0)]), calibrated=False)
    ... # doctest: +NORMALIZE_WHITESPACE
    'C3: 18.4 dB from the softest to the loudest (A-weighted 17.9), attack 55 ms; goes flat
    6 cents (5 to 7) per 10 dB as it gets louder.'
    """
    rows = table.to_dict("records")
    sentences = [
        (f"Attempt {row['attempt']}, " if len(rows) > 1 else "") + _one(row, calibrated=calibrated)
        for row in rows
    ]
    if len(rows) > 1:
        least, most = table["dynamic_range_db"].min(), table["dynamic_range_db"].max()
        sentences.append(f"The range of {len(rows)} attempts is {least:.1f} to {most:.1f} dB.")
    return " ".join(sentences)


def _one(row: Mapping[Any, Any], *, calibrated: bool) -> str:
    levels = f"{row['soft_db']:.1f} to {row['loud_db']:.1f} dB, " if calibrated else ""
    least = "at least " if row["noise_limited"] else ""
    first = (
        f"{row['note']}: {levels}{least}{row['dynamic_range_db']:.1f} dB from the softest to the "
        f"loudest (A-weighted {row['dynamic_range_dba']:.1f})"
    )
    if not pd.isna(row["delay_ms"]):
        first += f", speaks after {row['delay_ms']:.0f} ms"
    if not pd.isna(row["attack_ms"]):
        first += f", attack {row['attack_ms']:.0f} ms"
    doubt = ""
    if row["gain_suspected"]:
        doubt = " Do not believe the range: the recorder seems to have changed its gain."
    return f"{'; '.join([first, *_bending(row)])}.{doubt}"


def _bending(row: Mapping[Any, Any]) -> Iterator[str]:
    slope, low, high = (
        row[name] for name in ("drift_cents_per_10_db", "drift_conf_low", "drift_conf_high")
    )
    if pd.isna(slope):
        return
    near, far = sorted((abs(low), abs(high)))
    if low < 0 < high and far < STEADY_CENTS:
        yield f"keeps its pitch (to {STEADY_CENTS:g} cent per 10 dB)"
    elif low < 0 < high:
        yield (
            f"no drift of pitch with loudness is shown ({_signed(low)} to {_signed(high)} cents "
            "per 10 dB)"
        )
    else:
        yield (
            f"goes {'sharp' if slope > 0 else 'flat'} {number_text(abs(slope), 2)} cents "
            f"({number_text(near, 2)} to {number_text(far, 2)}) per 10 dB as it gets louder"
        )
    bright = row["centroid_hz_per_10_db"]
    if abs(bright) >= LEAST_BRIGHTER_HZ:
        yield f"gets {'brighter' if bright > 0 else 'darker'} by {abs(bright):.0f} Hz per 10 dB"


def _signed(value: float) -> str:
    return "0.0" if abs(value) < 0.05 else f"{value:+.1f}".replace("-", "−")
