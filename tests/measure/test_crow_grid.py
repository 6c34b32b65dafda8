"""Bias and spread of every number of a crow, over invented ones of all pitches, C2 to C6."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reedlab.demo.sound import Playing, Room, crow_sound
from reedlab.measure.crow import crow
from reedlab.measure.recording import Recording
from tests.demo.hearing import cents

#: What is changed, and the worst error of the pitch that is allowed, in cents.
KINDS = {
    "steady": ({}, 0.3),
    "vibrato of 30 cents": ({"playing": Playing(vibrato_cents=30)}, 1.5),
    "vibrato of 50 cents": ({"playing": Playing(vibrato_cents=50, vibrato_hz=6.3)}, 2.0),
    "unsteady": ({"playing": Playing(wobble_cents=5, wobble_db=1)}, 4.0),
    "drift of 20 cents": ({"playing": Playing(drift_cents=20)}, 1.0),
    "breathy": ({"playing": Playing(breath_db=-30)}, 3.0),
    "pink noise at 20 dB": ({"room": Room(snr_db=20)}, 0.5),
    "pink noise at 10 dB": ({"room": Room(snr_db=10)}, 2.0),
    "white noise at 10 dB": ({"room": Room(snr_db=10, colour="white")}, 2.0),
    "hum at 50 Hz": ({"room": Room(hum_db=-25)}, 0.5),
    "hum at 60 Hz": ({"room": Room(hum_db=-20, hum_hz=60.0)}, 0.5),
    "clipped": ({"room": Room(gain_db=24)}, 0.5),
    "settles late": ({"air_s": 2.0}, 0.3),
    "settles at once": ({"air_s": 0.2, "hold_s": 0.8}, 0.5),
    "soft": ({"settled_db": -50.0, "loud_db": -40.0}, 1.0),
    "rattles": ({"rattle_hz": (0.57, 1.0, 1.27, 1.63)}, 0.3),
}
#: Where the tone settles inside the breath it is found later and the breath is in its level.
IN_NOISE = ("breathy",)


def _errors(kind: str, count: int, seed: int) -> pd.DataFrame:
    """Return found minus true, one row a crow."""
    kwargs = dict(KINDS[kind][0])
    rng = np.random.default_rng(seed)
    rows = []
    for place in range(count):
        hz = 65.41 * 2 ** (4 * (place + rng.random()) / count)
        asked = dict(kwargs)
        if "rattle_hz" in asked:
            asked["rattle_hz"] = tuple(hz * ratio for ratio in asked["rattle_hz"])
        sound = crow_sound(place, pitch_hz=hz, **asked)
        truth = sound.truth
        found = crow(Recording(Path("x.wav"), sound.samples, sound.rate_hz)).table
        assert len(found) == 1, (kind, hz)
        row = found.iloc[0]
        middle = truth.settled_s + asked.get("hold_s", 2.0) / 2
        drift = asked.get("playing", Playing()).drift_cents * middle / sound.duration_s
        rows.append(
            {
                "pitch_cents": float(cents(row["crow_hz"], hz)) - drift,
                "settle_s": row["settle_s"] - truth.settled_s,
                "hold_s": row["hold_s"] - asked.get("hold_s", 2.0),
                "settle_db": row["settle_db"]
                - truth.settled_db
                - asked.get("room", Room()).gain_db,
                "spread_cents": row["spread_cents"],
                "rattle_s": row["rattle_s"] - (truth.broken_s or np.nan),
                "confidence": row["confidence"],
                "single_pitch": row["single_pitch"],
                "is_hum": bool(np.any(np.abs(hz - _hum_hz(asked)) < 0.01 * hz)),
                "rattle_right": bool(row["rattle_hz"]) == bool(truth.rattle_hz),
            }
        )
    return pd.DataFrame(rows)


def _hum_hz(asked: dict) -> np.ndarray:
    room = asked.get("room", Room())
    return np.array([1, 2, 3]) * (np.nan if room.hum_db is None else room.hum_hz)


def _check(kind: str, errors: pd.DataFrame) -> None:
    numbers = errors.drop(columns=["single_pitch", "rattle_right", "is_hum"])
    shown = numbers.agg(["mean", "std", "min", "max"]).round(3)
    print(f"\n{kind}, {len(errors)} crows: found minus true\n{shown.to_string(na_rep='')}")
    assert errors["pitch_cents"].abs().max() < KINDS[kind][1]
    assert errors["single_pitch"].all()
    assert errors["confidence"].min() > 0.5
    assert errors["rattle_right"].all()
    if any(word in kind for word in IN_NOISE):
        return
    # Where a partial of the hum is the pitch itself, hum and tone cannot be told apart in time.
    apart = errors[~errors["is_hum"]]
    assert len(apart) >= 0.8 * len(errors)
    # At 10 dB the tone is as loud as the noise where it settles.
    rough = kind == "unsteady" or "10 dB" in kind
    assert apart["settle_s"].abs().max() < (0.15 if rough else 0.05)
    assert apart["hold_s"].abs().max() < (0.2 if rough else 0.12)
    assert apart["settle_db"].abs().max() < (3.0 if rough else 1.0)
    if kind == "rattles":
        assert errors["rattle_s"].abs().max() < 0.1


@pytest.mark.parametrize("kind", KINDS)
def test_a_few_crows_of_every_kind(kind: str) -> None:
    _check(kind, _errors(kind, 2, 1))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_many_crows_of_every_kind(kind: str) -> None:
    _check(kind, _errors(kind, 40, 2))
