"""One season of one world in the hands of one maker, and what the judge says of it.

Minutes are bench minutes. A good reed is one that is truly good and was finished; it counts
for the last third as far as the work on it was done there, so that nobody gains by reeds that
were begun before.
"""

from contextlib import suppress
from dataclasses import asdict, dataclass

import pandas as pd

from reedlab.demo.workshop import Hidden, SeasonOverError, open_workshop
from tests.bench.workshop.handiwork import BATCH
from tests.bench.workshop.makers import MAKERS

#: The last third of the season, from this share of its minutes on.
LATE = 2 / 3


@dataclass(frozen=True)
class Outcome:
    """What a maker did with a season.

    Attributes
    ----------
    late_rate, rate : float
        Good reeds for 100 bench hours, in the last third and over all.
    good_stopped : int
        Good reeds that were thrown away before they were finished; of `good_made`.
    false_beliefs, true_beliefs : int
        Factors acted on at the end that do nothing, and that do something. A level that is
        settled on because it seems better is acted on, though it be the usual one; who goes
        on as usual without a finding acts on nothing.
    """

    kind: str
    seed: int
    maker: str
    late_rate: float
    rate: float
    made: int
    finished: int
    good_made: int
    good_stopped: int
    false_beliefs: int
    true_beliefs: int
    pieces: int
    minutes: float


def play(
    kind: str, seed: int, maker: str, batch: int = BATCH, **changed: float
) -> dict[str, object]:
    """Let a maker work a season and judge it; the same arguments give the same outcome.

    `changed` are hours, tube_share, agreement, as :func:`open_workshop` takes them.
    """
    shop, hidden = open_workshop(kind, seed, **changed)
    worker = MAKERS[maker](seed, hidden if maker == "oracle" else None)
    worker.batch = batch
    with suppress(SeasonOverError):
        worker.work(shop)
    reeds = hidden.table
    is_good = reeds["good"].astype(bool)
    finished, stopped = (reeds["ended"] == how for how in ("finished", "stopped"))
    good = reeds.loc[finished & is_good, "reed_id"]
    hours = shop.season_minutes / 60
    late = late_shares(hidden, LATE * shop.season_minutes)
    outcome = Outcome(
        kind,
        seed,
        maker,
        late_rate=100 * float(late.reindex(good).sum()) / (hours * (1 - LATE)),
        rate=100 * len(good) / hours,
        made=len(reeds),
        finished=int(finished.sum()),
        good_made=int(is_good.sum()),
        good_stopped=int((stopped & is_good).sum()),
        false_beliefs=len(worker.beliefs - hidden.matters),
        true_beliefs=len(worker.beliefs & hidden.matters),
        pieces=shop.pieces_used,
        minutes=shop.minutes_spent,
    )
    return asdict(outcome)


def late_shares(hidden: Hidden, since: float) -> pd.Series:
    """Share of the work on each reed that was done after a minute of the season, by reed_id."""
    work = hidden.work
    after = (work["until"] - since).clip(lower=0).clip(upper=work["minutes"])
    total = work.groupby("reed_id")["minutes"].sum()
    return after.groupby(work["reed_id"]).sum() / total
