"""How players use the scale, and whether they put the same reeds in the same order.

Ranks within a player do not depend on how high or how far that player rates. What is
ranked is a reed at a stage, several trials of one player averaged. A reed's place is its
mean ridit: the share of the same player's ratings at that stage that lie below it, half
of its equals included, 0 to 1.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from reedlab.analyse.frame import Frame
from reedlab.answer import counted, number_text, p_text
from reedlab.errors import ModelError
from reedlab.model.concordance import FEWEST, kendall_w, ridits

#: With more players than this they are not compared in pairs.
MANY = 6
ALL = "all players"
W, CORRELATION = "Kendall's W", "rank correlation"
AGREEMENT = ("term", "rater", "estimate", "statistic", "df", "p_value", "n_units", "n_reeds")


@dataclass(frozen=True)
class Players:
    """What the players of one response have in common; made by :func:`compare_players`.

    Attributes
    ----------
    players : DataFrame
        One row a player: ``rater, n_tests, level`` (the told cut), ``observed`` (share of
        ratings at least so high, %), ``estimate`` (mean ridit among all ratings, 0 to 1).
    agreement : DataFrame
        ``term`` (rank correlation: 1 the same order, 0 without relation; and Kendall's W, which
        without relation is about one over the number of players), ``rater`` (two players, or
        all), ``estimate, statistic`` (Friedman's chi-square), ``df, p_value`` (of random
        orders), ``n_reeds`` and ``n_units`` (a reed counts for each stage) that all of these
        players rated.
    reeds : DataFrame
        ``reed_id``, ``stage`` if there are several, ``estimate`` (mean ridit within players),
        ``n_tests``; the highest first.
    cautions : tuple of str
    """

    players: pd.DataFrame
    agreement: pd.DataFrame
    reeds: pd.DataFrame
    cautions: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """Whether players put the reeds in the same order; empty where it is not known."""
        rows = self.agreement[self.agreement["term"] == CORRELATION].dropna(subset="estimate")
        if rows.empty:
            return ""
        W_of = self.agreement[self.agreement["term"] == W].set_index("rater")["estimate"]
        together = rows[rows["rater"] == ALL]
        told = [
            f"{row['rater']} {number_text(row['estimate'], 2)} (Kendall's W "
            f"{number_text(W_of[row['rater']], 2)}, {counted(row['n_reeds'], 'reed')}, "
            f"p {_is(p_text(row['p_value']))})"
            for row in (together if len(together) else rows.head(3)).to_dict("records")
        ]
        return (
            "Do players put the same reeds in the same order (rank correlation, 1 the same, 0 no "
            f"relation)? {'; '.join(told)}."
        )


def compare_players(frame: Frame, cut: float, cut_name: str) -> Players:
    """Compare players by the ranks that each gives; `cut` is the level whose share is told."""
    name, data = frame.response.name, frame.data
    who = data["player_id"] if "player_id" in data else pd.Series("all", index=data.index)
    data = data.assign(rater=who.astype(str))
    players = data.assign(ridit=ridits(data[name])).groupby("rater", sort=True)
    table = pd.DataFrame(
        {
            "n_tests": players.size(),
            "level": cut_name,
            "observed": players[name].agg(lambda values: 100 * (values >= cut).mean()),
            "estimate": players["ridit"].mean(),
        }
    ).reset_index()
    if "reed_id" not in data:
        return Players(table, pd.DataFrame(columns=AGREEMENT), pd.DataFrame(), ())
    agreement = _agreement(data, name)
    return Players(table, agreement, _reeds(data, name), _cautions(data, agreement))


def _things(data: pd.DataFrame) -> list[str]:
    return ["reed_id", "stage"] if "stage" in data else ["reed_id"]


def _agreement(data: pd.DataFrame, name: str) -> pd.DataFrame:
    wide = data.pivot_table(
        index=_things(data), columns="rater", values=name, aggfunc="mean", observed=True
    )
    who = [*wide.columns]
    asked = {} if len(who) < 3 else {ALL: who}
    if len(who) <= MANY:
        asked |= {f"{a} and {b}": [a, b] for a, b in combinations(who, 2)}
    rows = []
    for label, raters in asked.items():
        common = wide[raters].dropna()
        if len(common) < FEWEST:
            continue
        try:
            found = kendall_w(common)
        except ModelError:
            continue  # each of them gave these reeds one value only
        reeds = common.index.get_level_values("reed_id").nunique()
        figures = (found.statistic, len(common) - 1, found.p_value, len(common), reeds)
        rows.append((CORRELATION, label, found.correlation, *figures))
        rows.append((W, label, found.estimate, *figures))
    return pd.DataFrame(rows, columns=[*AGREEMENT])


def _reeds(data: pd.DataFrame, name: str) -> pd.DataFrame:
    """Mean ridit of each reed at each stage, within the player's own ratings at that stage."""
    things = _things(data)
    own = data.groupby(["rater", *things[1:]], observed=True)[name]
    table = data.assign(estimate=own.transform(lambda values: ridits(values).to_numpy()))
    found = table.groupby(things, observed=True)["estimate"].agg(["mean", "size"]).reset_index()
    found = found.rename(columns={"mean": "estimate", "size": "n_tests"})
    if found.get("stage", pd.Series(["one"])).nunique() == 1:
        found = found.drop(columns="stage", errors="ignore")
    return found.sort_values("estimate", ascending=False, kind="stable", ignore_index=True)


def _cautions(data: pd.DataFrame, agreement: pd.DataFrame) -> tuple[str, ...]:
    raters = [*np.unique(data["rater"])]
    if "player_id" not in data:
        return ("No player is recorded: whose ears these ratings are is not known.",)
    if len(raters) == 1:
        return (
            f"One player only ({raters[0]}): what is found holds for this player's ears, and how "
            "far others agree is not known.",
        )
    if agreement.empty:
        things = data.groupby("rater")[["reed_id"]].agg(set)["reed_id"]
        shared = any(things[a] & things[b] for a, b in combinations(raters, 2))
        why = (
            f"Players have too few reeds in common ({FEWEST} at one stage, not all rated alike)"
            if shared
            else "Players rated different reeds"
        )
        return (
            f"{why}: whether they agree is not known, and a reed's place is that among the same "
            "player's reeds only.",
        )
    return ()


def _is(p: str) -> str:
    return p if p.startswith("<") else f"= {p}"
