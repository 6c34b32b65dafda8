"""The invented season's days: who played when, in which weather, and which reeds were due."""

from datetime import datetime, time, timedelta

import numpy as np
import pandas as pd

from reedlab.demo.cane import FIRST_DAY, GROUP_DAYS
from reedlab.demo.truth import STAGES

PLAYERS = ("P1", "P2", "P3")

#: Days from the first test of a reed to the test of each stage.
_AFTER = np.array([int(stage.removeprefix("day ")) - 1 for stage in STAGES])
_FIRST_PLAYS = (0.5, 0.3, 0.2)  # how often each of the players has the first session of a day
_SECOND = 0.4  # chance that another player tries the same reeds in the evening
_WET = (66, 96)  # days of the wet month


def sessions(rng: np.random.Generator, groups: int) -> pd.DataFrame:
    """Return every session that could be held, in order of time.

    Parameters
    ----------
    rng : numpy.random.Generator
    groups : int
        How many groups of reeds begin their break-in.

    Returns
    -------
    DataFrame
        Columns of the sessions table without its id, and the numbers `session`,
        `player` and `day`.

    Examples
    --------
    >>> sorted(sessions(np.random.default_rng(1), 24)["player_id"].unique())
    ['P1', 'P2', 'P3']
    """
    days = np.unique(GROUP_DAYS * np.arange(groups)[:, None] + _AFTER)
    n = len(days)
    player = rng.choice(len(PLAYERS), n, p=_FIRST_PLAYS)
    other = (player + rng.integers(1, len(PLAYERS), n)) % len(PLAYERS)
    again = rng.random(n) < _SECOND
    wet = (days >= _WET[0]) & (days < _WET[1])
    humidity = 42 + 22 * wet + 4.5 * rng.standard_normal(n)
    warmth = 19.5 + 3 * days / days[-1] + 0.9 * rng.standard_normal(n)
    minute = 600 + 15 * rng.integers(0, 8, n)
    day = pd.DataFrame({"day": days, "player": player, "minute": minute})
    day = day.assign(relative_humidity_pct=humidity, temperature_c=warmth)
    evening = day.assign(player=other, minute=minute + 480)[again]
    held = pd.concat([day, evening], ignore_index=True).sort_values(["day", "minute"])
    held = held.reset_index(drop=True)
    held["relative_humidity_pct"] = (
        held["relative_humidity_pct"] + rng.standard_normal(len(held))
    ).round()
    held["temperature_c"] = (held["temperature_c"] + 0.4 * rng.standard_normal(len(held))).round(1)
    held["started_at"] = [
        datetime.combine(FIRST_DAY, time()) + timedelta(days=int(on), minutes=int(at))
        for on, at in zip(held["day"], held["minute"], strict=True)
    ]
    return held.assign(
        player_id=np.array(PLAYERS)[held["player"]],
        instrument_id="I1",
        bocal="B1",
        room="R1",
        a4_hz=440.0,
        session=np.arange(len(held)),
    )


def due(rng: np.random.Generator, made: pd.DataFrame, held: pd.DataFrame) -> pd.DataFrame:
    """Return the layout of all tests that could be made, in the order of playing.

    Parameters
    ----------
    rng : numpy.random.Generator
    made : DataFrame
        Reeds with their numbers `reed`, `tube`, `lot`, `group`, and the factors.
    held : DataFrame
        As :func:`sessions` returns it.

    Returns
    -------
    DataFrame
        One row a test: numbers of lot, tube, reed, session, player and stage, factors.
    """
    turns = [
        made.assign(stage=stage, day=GROUP_DAYS * made["group"] + after)
        for stage, after in enumerate(_AFTER)
    ]
    columns = ["day", "session", "player", "relative_humidity_pct", "temperature_c"]
    layout = pd.concat(turns).merge(held[columns], on="day")
    layout["turn"] = rng.random(len(layout))
    return layout.sort_values(["session", "turn"], ignore_index=True)
