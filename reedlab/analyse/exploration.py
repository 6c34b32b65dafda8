"""What stands of a season's findings, given how many tests were looked at.

Within a question p values are corrected by Holm's method, so that one null question of
twenty calls any effect by chance. A season asks many questions. Over all tests of its
record Benjamini and Hochberg's method holds the share of false ones among the findings
that stand at 5 %, on average. A finding that its own question calls an effect, but that
does not stand, is graded exploratory. Randomised comparisons were planned before anybody
looked: they are apart, and stand or fall within their question.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.analyse.evidence import CAUTIONS
from reedlab.model.comparisons import holm

if TYPE_CHECKING:
    from reedlab.analyse.drivers import Drivers

#: Share of false ones allowed among the findings that stand; and Holm's level in a question.
LEVEL = 0.05


def weighed(tests: pd.DataFrame) -> pd.DataFrame:
    """Adjust p values over a season, and grade again what does not stand.

    Parameters
    ----------
    tests : DataFrame
        A row a test: ``question`` (tests of one question share it), ``p_value`` (none is
        missing) and ``evidence``.

    Returns
    -------
    DataFrame
        With ``p_season`` (missing for randomised comparisons), ``stands``, and ``evidence``
        for the season.

    References
    ----------
    Benjamini & Hochberg (1995), J. R. Statist. Soc. B 57, 289-300; Holm (1979),
    Scandinavian Journal of Statistics 6, 65-70.

    Examples
    --------
    >>> tests = pd.DataFrame({"question": ["crow", "crow", "attack"], "evidence": "observed",
    ...     "p_value": [0.001, 0.4, 0.04]})
    >>> weighed(tests)[["p_season", "stands", "evidence"]].round(3).values.tolist()
    [[0.003, True, 'observed'], [0.4, False, 'observed'], [0.06, False, 'exploratory']]
    """
    from scipy.stats import false_discovery_control

    if tests.empty:
        return tests.assign(p_season=pd.Series(dtype=float), stands=pd.Series(dtype=bool))
    called = tests.groupby("question")["p_value"].transform(lambda p: holm(p.to_numpy())) < LEVEL
    planned = tests["evidence"] == "randomised"
    p_season = pd.Series(np.nan, tests.index)
    p_season[~planned] = false_discovery_control(tests.loc[~planned, "p_value"].to_numpy())
    stands = (p_season <= LEVEL).where(~planned, called)
    fallen = called & ~stands & (tests["evidence"] == "observed")
    evidence = tests["evidence"].mask(fallen, "exploratory")
    return tests.assign(p_season=p_season, stands=stands, evidence=evidence)


def over_season(found: Mapping[str, "Drivers"]) -> dict[str, "Drivers"]:
    """Give the drivers of each response their p values over the season's record.

    Each table gets ``p_season`` after ``p_adjusted``, and its grades for the season.
    """
    if not found:
        return {}
    apart = [
        answer.table.drop_duplicates("term").assign(question=name) for name, answer in found.items()
    ]
    tests = weighed(pd.concat(apart, ignore_index=True))
    return {
        name: replace(
            _weighed_answer(answer, tests[tests["question"] == name].set_index("term")),
            asked={**answer.asked, "season": [*found]},
        )
        for name, answer in found.items()
    }


def _weighed_answer(answer: "Drivers", tests: pd.DataFrame) -> "Drivers":
    terms = answer.table["term"]
    table = answer.table.assign(evidence=terms.map(tests["evidence"]))
    table.insert(
        list(table.columns).index("p_adjusted") + 1, "p_season", terms.map(tests["p_season"])
    )
    cautions = answer.cautions
    if (table["evidence"] == "exploratory").any() and CAUTIONS["exploratory"] not in cautions:
        cautions = (CAUTIONS["exploratory"], *cautions)
    return replace(answer, table=table, cautions=cautions)
