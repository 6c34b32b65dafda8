"""Invented hairpins of known truth, measured: how far each number is off, by condition.

Pitches, levels, times, drift and brightness are drawn anew for each sound; the truth is what
the sound was made from, and for A-weighted levels the standard's weights of its partials.
"""

from pathlib import Path

import numpy as np
import pandas as pd

from reedlab.demo.sound import Playing, Room, Sound, hairpin_sound
from reedlab.demo.sound_truth import HairpinTruth
from reedlab.demo.sound_voice import partials, tilt_for_centroid
from reedlab.measure.hairpin import hairpin
from reedlab.measure.levels import a_weighting_db
from reedlab.schema import note_hz
from tests.measure import degrade

NOTES = ("B♭1", "C3", "F4")
CONDITIONS = ("60 dB", "40 dB", "25 dB", "hum", "8 kHz", "M4A")
ROOMS = {"40 dB": Room(40), "25 dB": Room(25), "hum": Room(60, hum_db=-50.0)}
NUMBERS = (
    "soft_db",
    "loud_db",
    "dynamic_range_db",
    "soft_dba",
    "loud_dba",
    "dynamic_range_dba",
    "delay_ms",
    "attack_ms",
    "symmetry",
    "drift_cents_per_10_db",
    "centroid_hz_per_10_db",
    "cents",
)


def drawn(seed: int, note: str, condition: str, playing: Playing | None = None) -> Sound:
    """Return a hairpin whose truth is drawn."""
    rng = np.random.default_rng([seed, NOTES.index(note)])
    return hairpin_sound(
        seed,
        note=note,
        error_cents=rng.uniform(-20, 20),
        soft_db=rng.uniform(-38, -30),
        loud_db=rng.uniform(-16, -8),
        rise_s=rng.uniform(1.5, 3.5),
        fall_s=rng.uniform(1.5, 3.5),
        attack_ms=rng.uniform(30, 120),
        breath_ms=rng.uniform(100, 300),
        cents_per_10_db=rng.uniform(-8, 8),
        centroid_rise_hz=rng.uniform(10, 30),
        playing=playing or Playing(),
        room=ROOMS.get(condition, Room(60)),
    )


def written(sound: Sound, condition: str, folder: Path) -> Path:
    """Write a sound as its condition says."""
    if condition == "8 kHz":
        return degrade.wav_8_khz(sound.samples, sound.rate_hz, folder / "h.wav")
    if condition == "M4A":
        return degrade.m4a(sound.samples, sound.rate_hz, folder / "h.m4a")
    return sound.write(folder / "h.wav")


def true_numbers(truth: HairpinTruth) -> dict[str, float]:
    """Return what should be measured."""
    centroids = np.array([truth.centroid_soft_hz, truth.centroid_loud_hz])
    weights = [_a_weight_db(truth.hz, tilt) for tilt in tilt_for_centroid(truth.hz, centroids)]
    levels = {
        "soft_db": truth.soft_db,
        "loud_db": truth.loud_db,
        "soft_dba": truth.soft_db + weights[0],
        "loud_dba": truth.loud_db + weights[1],
    }
    spanned = truth.loud_db - truth.soft_db
    return levels | {
        "dynamic_range_db": spanned,
        "dynamic_range_dba": levels["loud_dba"] - levels["soft_dba"],
        "delay_ms": 1000 * (truth.tone_s - truth.breath_s),
        "attack_ms": truth.attack_ms,
        "symmetry": (truth.peak_s - truth.spoken_s) / (truth.fallen_s - truth.peak_s),
        "drift_cents_per_10_db": truth.cents_per_10_db,
        "centroid_hz_per_10_db": 10 * float(np.diff(centroids)[0]) / spanned,
        # The loud part, within 10 dB of the top, is what the pitch is taken from: its median
        # level is 5 dB below.
        "cents": 1200 * np.log2(truth.hz / note_hz(truth.note))
        + truth.cents_per_10_db * (spanned - 5) / 10,
    }


def errors(seeds: range, folder: Path, conditions: tuple[str, ...] = CONDITIONS) -> pd.DataFrame:
    """Return measured minus true, one row a sound."""
    rows = []
    for condition in conditions:
        for note in NOTES:
            for seed in seeds:
                sound = drawn(seed, note, condition)
                found = hairpin(written(sound, condition, folder)).table.iloc[0].to_dict()
                found["cents"] = 1200 * np.log2(found["hz"] / note_hz(note))
                truth = true_numbers(sound.truth)
                off = {name: found[name] - truth[name] for name in NUMBERS}
                rows.append({"condition": condition, "note": note, "seed": seed, **off})
    return pd.DataFrame(rows)


def bias_and_spread(off: pd.DataFrame) -> pd.DataFrame:
    """Return the mean error and its standard deviation of each number, by condition."""
    grouped = off.groupby("condition", sort=False)[[*NUMBERS]]
    bias, spread = grouped.mean().T, grouped.std().T
    return pd.concat({"bias": bias, "spread": spread}, axis=1).swaplevel(axis=1)[
        list(dict.fromkeys(off["condition"]))
    ]


def _a_weight_db(hz: float, tilt_db: float) -> float:
    each = partials(hz, float(tilt_db))
    power = each[:, 1] ** 2
    weighted = power * 10 ** (a_weighting_db(each[:, 0]) / 10)
    return float(10 * np.log10(weighted.sum() / power.sum()))
