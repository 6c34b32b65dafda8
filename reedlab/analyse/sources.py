"""How much of the variation is lot, tube, reed, session, player?"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.analyse.frame import Frame, gather
from reedlab.analyse.looked import with_asked
from reedlab.analyse.strata import NAMES, random_keys
from reedlab.analyse.words import share_with_interval
from reedlab.answer import Answer, counted
from reedlab.errors import ModelError
from reedlab.model import fit_link_mixed, fit_mixed
from reedlab.model.design import quoted
from reedlab.model.link_mixed import LOGISTIC
from reedlab.model.shares import variance_shares
from reedlab.schema import FEW
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLUMNS = ("source", "variance", "share", "conf_low", "conf_high", "n_units", "n_tubes", "n_reeds")


@dataclass(frozen=True)
class Sources(Answer):
    """Where the variation of a response comes from; made by :func:`sources`.

    Attributes
    ----------
    table : DataFrame
        ``source`` (lot, tube, reed, session, player, and the rest), ``variance`` in the
        square of the response's unit, ``share`` of the total with ``conf_low`` and
        ``conf_high`` (95 %, 0 to 1), ``n_units`` of the source, ``n_tubes, n_reeds``.
    """

    frame: Frame | None = None

    def _say(self) -> str:
        parts = [
            f"{row['source']} {share_with_interval(row)}, {row['n_units']} of them"
            for row in self.table.to_dict("records")
        ]
        label = self.frame.response.label if self.frame else "the response"
        return f"Of the variance of {label}: {'; '.join(parts)}."

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the shares with their intervals."""
        from reedlab.charts import shares

        labels = [f"{row['source']} ({row['n_units']})" for row in self.table.to_dict("records")]
        return shares(self.table, labels, "the variance", ax)


@with_asked
def sources(study: Study, response: str) -> Sources:
    """Split the variance of a response by what the rows belong to.

    Parameters
    ----------
    study : Study
    response : str
        A recorded response: continuous, ordinal (levels as evenly spaced scores), or
        binary (the tubes' share on the latent logistic scale).

    Returns
    -------
    Sources

    Raises
    ------
    CallError
        For a name that is not recorded, or a time.
    RecordError
        If rows stand twice.
    ModelError
        If rows repeat in no lot, tube, reed, session or player.

    Notes
    -----
    Restricted maximum likelihood with every source a random term; the stages of the
    break-in are taken out first. What the factors do is not: it lies in the source of
    its stratum. Intervals profile the restricted likelihood.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> sources(example_study("batch"), "crow_cents").table["source"].tolist()
    ['lot', 'tube', 'reed', 'session', 'test']
    """
    frame = gather(study, response, [])
    keys, cautions = random_keys(frame.data, list(NAMES))
    if not keys:
        raise ModelError(
            f"{frame.response.label}: no lot, tube, reed, session or player has more than one "
            "row, so its share cannot be told from the rest."
        )
    table = (_latent if frame.response.kind == "binary" else _components)(frame, keys)
    few = [
        f"Only {counted(n, source)}: that share is hardly known."
        for source, n in zip(table["source"], table["n_units"], strict=True)
        if n < FEW
    ]
    return Sources(
        question=f"Where does the variation of {frame.response.label} come from?",
        table=table.assign(n_tubes=frame.units("tube"), n_reeds=frame.units("reed"))[[*COLUMNS]],
        cautions=(*few, *cautions, *frame.cautions),
        rows_used=len(frame.data),
        left_out=frame.left_out,
        frame=frame,
    )


def _components(frame: Frame, keys: Sequence[str]) -> pd.DataFrame:
    stages = "stage" in frame.data and frame.data["stage"].nunique() > 1
    name = quoted(frame.response.name)
    fit = fit_mixed(f"{name} ~ {'stage' if stages else '1'}", frame.data, keys)
    table = variance_shares(fit)
    counts = [*(frame.data[key].nunique() for key in keys), len(frame.data)]
    rest = "reed" if "reed_id" in frame.data and frame.units("reed") == len(frame.data) else "test"
    return table.assign(source=[*(NAMES[key] for key in keys), rest], n_units=counts)


def _latent(frame: Frame, keys: Sequence[str]) -> pd.DataFrame:
    """The tubes' share of kept or discarded, on the scale of the log odds."""
    key = "tube_id" if "tube_id" in keys else keys[0]
    fit = fit_link_mixed(f"{quoted(frame.response.name)} ~ 1", frame.data, key)
    row = fit.share.iloc[0]
    share, low, high = (float(row[column]) for column in ("share", "conf_low", "conf_high"))
    counts = [frame.data[key].nunique(), len(frame.data)]
    return pd.DataFrame(
        {
            "source": [NAMES[key], "reed"],
            "variance": [fit.sd**2, LOGISTIC],
            "share": [share, 1 - share],
            "conf_low": [low, 1 - high],
            "conf_high": [high, 1 - low],
            "n_units": counts,
        }
    )
