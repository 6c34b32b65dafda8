"""Invented seasons for the charts of a drift: whose points are known, straight from arrays."""

import numpy as np
import pandas as pd

from reedlab.analyse.drift_frame import DAYS, MOMENT, POINT, SPAN, Dated
from reedlab.analyse.frame import Frame
from reedlab.schema import Response
from tests.analyse.build import reeds_of

START = pd.Timestamp("2026-03-02")
CROW = Response("crow", unit="cents")
KEPT = Response("kept", "binary", table="reeds")
#: Shares of the variance of a steady season, by what rows share.
SHARES = {"tube_id": 0.38, "reed_id": 0.22, "session_id": 0.12, "residual": 0.28}


def reeds_in_turn(rng, reeds=96, tubes=30):
    """A row a reed: five begun every six days, tubes nearly used up one after the other."""
    turn = np.arange(reeds) * tubes / reeds + rng.normal(0, 1.5, reeds)
    tube = np.clip(np.round(turn), 0, tubes - 1).astype(int)
    day = 6 * (np.arange(reeds) // 5) + rng.integers(0, 6, reeds)
    return pd.DataFrame(
        {
            "reed_id": [f"R{i + 1:03}" for i in range(reeds)],
            "tube_id": [f"T{i + 1:02}" for i in tube],
            "day": day,
        }
    )


def trials_in_turn(rng, reeds=60, tubes=20):
    """A row a test: each reed on its first, third and seventh day, a quarter of them missed."""
    made = reeds_in_turn(rng, reeds, tubes)
    begun = 6 * (np.arange(reeds) // 5)
    parts = [made.assign(day=begun + after, stage=f"day {after + 1}") for after in (0, 2, 6)]
    rows = pd.concat(parts, ignore_index=True)
    rows = rows[rng.random(len(rows)) < 0.75].sort_values("day", kind="stable")
    return rows.assign(session_id="S" + rows["day"].astype(str)).reset_index(drop=True)


def varied(rng, rows, shares=SHARES):
    """Normal values of unit variance, of which rows of one thing share the things' part."""
    values = np.zeros(len(rows))
    for name, variance in shares.items():
        code = np.arange(len(rows)) if name == "residual" else pd.factorize(rows[name])[0]
        values += np.sqrt(variance) * rng.standard_normal(code.max() + 1)[code]
    return values


def as_dated(rows, response, days_a_point):
    """The rows as the charts take them, a point every so many days."""
    number = rows["day"] // days_a_point
    data = rows.drop(columns="day").assign(
        **{
            MOMENT: START + pd.to_timedelta(rows["day"], unit="D"),
            DAYS: rows["day"].astype(float),
            SPAN: (rows["day"] // 30).astype(str),
            POINT: "P" + number.astype(str).str.zfill(3),
        }
    )
    empty = pd.DataFrame(columns=["file", "row", "fault"])
    frame = Frame(response, (), data, empty, ())
    return Dated(frame, tuple(sorted(data[POINT].unique())), "point", ())


def made_in_turn(reeds=48, per_tube=3, days=3):
    """Reeds made one after the other, a crow recorded once a reed."""
    rows = reeds_of(reeds // per_tube, per_tube)
    rng = np.random.default_rng(7)
    rows["made_on"] = pd.Timestamp("2026-01-05") + pd.to_timedelta(
        days * np.arange(reeds) // per_tube * per_tube, unit="D"
    )
    between = np.repeat(rng.normal(0, 6, reeds // per_tube), per_tube)
    rows["crow"] = np.round(between + rng.normal(0, 8, reeds), 1)
    rows["fate"] = np.where(rng.random(reeds) < 0.3, "kept", "discarded")
    return rows


def many_sessions(sessions=12, reeds=12, seed=5):
    """Every reed tested in a few sessions, a week apart, with humidity and temperature."""
    rng = np.random.default_rng(seed)
    rows = reeds_of(reeds // 3, 3)
    parts = []
    for number in range(sessions):
        part = rows.sample(6, random_state=number).sort_index()
        parts.append(
            part.assign(
                session_id=f"S{number + 1:02}",
                stage="day 1",
                trial=number + 1,
                player_id="P1",
                started_at=pd.Timestamp("2026-03-02 10:00") + pd.Timedelta(days=7 * number),
                relative_humidity_pct=float(rng.integers(35, 65)),
                temperature_c=float(rng.integers(17, 23)),
                minutes_played=15.0 + 10 * number,
            )
        )
    rows = pd.concat(parts, ignore_index=True)
    return rows.assign(crow=np.round(rng.normal(0, 9, len(rows)), 1))
