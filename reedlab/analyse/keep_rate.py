"""How many of the reeds are kept?"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, overload

import pandas as pd

from reedlab.analyse.joined import require_unique_keys
from reedlab.analyse.keep_by_level import KeepRateByLevel, by_level
from reedlab.analyse.looked import with_asked
from reedlab.analyse.words import share_with_interval
from reedlab.answer import Answer
from reedlab.errors import CallError, ModelError
from reedlab.model.proportion import proportion
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class KeepRate(Answer):
    """The share of decided reeds that were kept; made by :func:`keep_rate`.

    Attributes
    ----------
    table : DataFrame
        One row: ``share`` with ``conf_low`` and ``conf_high`` (Wilson, 95 %, 0 to 1),
        ``n_units`` decided reeds, ``n_tubes``.
    """

    def _say(self) -> str:
        row = self.table.iloc[0]
        decided = int(row["n_units"])
        kept = round(row["share"] * decided)
        return f"{kept} of {decided} decided reeds kept: {share_with_interval(row)}."

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the share with its interval."""
        from reedlab.charts import shares

        return shares(self.table, ["kept"], f"{self.table['n_units'].iloc[0]} decided reeds", ax)


@overload
def keep_rate(study: Study) -> KeepRate: ...
@overload
def keep_rate(study: Study, by: str, factors: Sequence[str] | None = None) -> KeepRateByLevel: ...
@with_asked
def keep_rate(
    study: Study, by: str | None = None, factors: Sequence[str] | None = None
) -> KeepRate | KeepRateByLevel:
    """Tell the keep rate with its Wilson interval (1927), of all reeds or by level.

    Parameters
    ----------
    study : Study
    by : str, optional
        A factor: the share kept at each of its levels, adjusted for the other factors, with
        an interval that knows that reeds of a tube go together.
    factors : sequence of str, optional
        What is adjusted for; left out, all that the study declares and records.

    Returns
    -------
    KeepRate or KeepRateByLevel

    Raises
    ------
    CallError
        If no fate is recorded at all, or there is no such factor.
    RecordError
        If a reed stands twice.
    ModelError
        If no reed is decided yet; by level, if none or all were kept.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> keep_rate(example_study("batch")).table["n_units"].tolist()
    [24]
    >>> keep_rate(example_study("batch"), by="shape").table["level"].tolist()
    ['narrow', 'wide']
    """
    reeds = study.tables.get("reeds")
    if reeds is None or "kept" not in reeds:
        raise CallError("No reed's fate is recorded: the table reeds needs the column 'fate'.")
    require_unique_keys(study, "reeds")
    decided = reeds[reeds["kept"].notna()]
    if decided.empty:
        raise ModelError("No reed is kept or discarded yet.")
    if by is not None:
        return by_level(study, by, factors)
    kept = int(decided["kept"].sum())
    rate = proportion(kept, len(decided))
    undecided = reeds.index[reeds["kept"].isna()]
    tubes = decided["tube_id"].nunique() if "tube_id" in decided else 0
    table = pd.DataFrame(
        {
            "share": [rate.estimate],
            "conf_low": [rate.conf_low],
            "conf_high": [rate.conf_high],
            "n_units": [len(decided)],
            "n_tubes": [tubes],
        }
    )
    left_out = pd.DataFrame(
        {
            "file": study.sheets["reeds"].file,
            "row": undecided,
            "fault": "neither kept nor discarded",
        }
    )
    cautions = (
        "The interval takes reeds as independent; reeds of a tube share their cane, so the rate "
        "of a new season may lie outside it.",
    )
    return KeepRate("How many reeds are kept?", table, cautions, len(decided), left_out)
