"""How well a response repeats itself, told beside what is found about it.

Readings of one reed at one stage by one player are repeats; those by other players
tell of player and repeat together. What the repeat takes up of the spread of the
readings, 0 to 1, is reckoned by reedlab.measure.agreement. A finding cannot be
steadier than the reading on which it rests.
"""

from dataclasses import dataclass

import pandas as pd

from reedlab.analyse.frame import gather
from reedlab.answer import counted, number_text, percent_text
from reedlab.errors import ModelError
from reedlab.schema import Response
from reedlab.study import Study

#: From this share on, more of the spread is the repeat's than the reeds'.
POOR = 0.5


@dataclass(frozen=True)
class Reliability:
    """How well a response repeats itself; made by :func:`reliability`.

    Attributes
    ----------
    sentence : str
        The finding, or what is not known.
    share, conf_low, conf_high : float
        What the repeat takes up of the spread of the readings, with its 95 % interval, 0
        to 1; missing where nothing was tried twice.
    n_units : int
        How many things were tried more than once: a reed counts for each stage and player.
    same_player : bool
        Whether the repeats are one player's own; else they are readings of several.
    """

    sentence: str
    share: float = float("nan")
    conf_low: float = float("nan")
    conf_high: float = float("nan")
    n_units: int = 0
    same_player: bool = False

    @property
    def poor(self) -> bool:
        """Whether at least half of the spread is a player's own repeat."""
        return self.same_player and self.share >= POOR


def reliability(study: Study, response: str) -> Reliability | None:
    """Tell how well a response repeats itself.

    Parameters
    ----------
    study : Study
    response : str
        A recorded response that is not a time.

    Returns
    -------
    Reliability or None
        None for what is recorded once a reed, such as kept or discarded.

    Raises
    ------
    CallError, RecordError, ModelError
        As :func:`reedlab.analyse.drivers`, if there is no reading at all.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> told = reliability(example_study("batch"), "rating_overall")
    >>> told.n_units, told.same_player
    (24, True)
    """
    asked = study.response(response)
    if asked.table != "tests":
        return None
    frame = gather(study, response, ())
    data, asked = frame.data, frame.response
    if "reed_id" not in data:
        return None
    stage = [key for key in ("stage",) if key in data]
    player = [key for key in ("player_id",) if key in data]
    own = _repeats(data, ["reed_id", *stage, *player])
    if len(own):
        return _judged(own, asked, same_player=True)
    other = _repeats(data, ["reed_id", *stage])
    where = " at one stage" if stage else ""
    unknown = (
        f"No player tried a reed twice{where}, so how well {asked.label} repeats itself is not "
        "known."
    )
    if other.empty:
        return Reliability(unknown)
    return _judged(other, asked, same_player=False, opening=f"{unknown} ")


def _repeats(data: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Rows whose thing was read more than once, with the thing's name as the column `thing`."""
    groups = data.groupby(keys, observed=True)
    names = pd.Series(groups.ngroup().to_numpy(), index=data.index)
    return data.assign(thing=names)[groups["reed_id"].transform("size").to_numpy() > 1]


def _judged(
    rows: pd.DataFrame, asked: Response, *, same_player: bool, opening: str = ""
) -> Reliability:
    """Ask for the agreement of the repeats; `rows` hold numbers, levels in words as ranks."""
    from reedlab.measure.agreement import agreement

    n = int(rows["thing"].nunique())
    several = same_player and "player_id" in rows and rows["player_id"].nunique() > 1
    kind = "nested" if several else "crossed"
    rater = "player_id" if several else None
    try:
        found = agreement(rows, asked.name, unit="thing", rater=rater, kind=kind)
        row = found.figure("repeat share")
    except ModelError:
        # All alike: there is no spread of which the repeat could take up a part.
        said = f"{asked.label}: what was read more than once does not differ ({_tried(rows)})."
        return Reliability(f"{opening}{said}", n_units=n, same_player=same_player)
    share, low, high = (float(row[name]) for name in ("estimate", "conf_low", "conf_high"))
    told = f"{percent_text(share)} (95 % {percent_text(low)} to {percent_text(high)})"
    times = f"{_tried(rows)}{_days(rows, same_player=same_player)}"
    if same_player:
        said = f"{asked.label}: the repeat is {told} of the spread of one player's readings"
    else:
        said = f"Player and repeat together are {told} of the spread of the readings"
    limit = ""
    if asked.kind == "continuous":
        value = number_text(float(found.figure("repeatability limit")["estimate"]))
        unit = f" {asked.unit}" if asked.unit else ""
        whose = "" if same_player else " by two players"
        limit = f", and two of one reed{whose} differ by less than {value}{unit} in 95 of 100"
    sentence = f"{opening}{said}{limit} ({times})."
    return Reliability(sentence, share, low, high, n, same_player)


def _tried(rows: pd.DataFrame) -> str:
    sizes, reeds = rows.groupby("thing").size(), rows["reed_id"].nunique()
    often = "twice" if (sizes == 2).all() else "more than once"
    if reeds == len(sizes):
        return f"{counted(reeds, 'reed')} tried {often}"
    return f"{counted(reeds, 'reed')}, {len(sizes)} times tried {often}"


def _days(rows: pd.DataFrame, *, same_player: bool) -> str:
    """Say where the change from one session to the next is in the repeat."""
    if not same_player or "session_id" not in rows:
        return ""
    apart = rows.groupby("thing")["session_id"].nunique().gt(1).any()
    return ", the change from session to session included" if apart else ""
