"""What the seasons of the race came to: one row a setting, world and maker, kept as CSV.

The file says in its first line that it is invented. Rates are good reeds for 100 bench hours,
with six digits, so that the same race gives the same bytes.
"""

from pathlib import Path

import pandas as pd

from tests.bench.workshop.makers import MAKERS
from tests.bench.workshop.settings import Setting

KEPT = Path(__file__).parents[3] / "data" / "workshop_race.csv"
SETTING = ("kind", "tube_share", "agreement", "batch")
COLUMNS = (
    *SETTING,
    *("seed", "maker", "late_rate", "rate", "good_made", "good_stopped"),
    *("false_beliefs", "true_beliefs", "pieces"),
)
_LABEL = "# Invented: no reed of this file was made. Printed by: python -m tests.bench.workshop"


def read(path: Path = KEPT) -> pd.DataFrame:
    """Read kept outcomes, in the order of settings, worlds and makers.

    Raises
    ------
    ValueError
        If columns are missing.
    """
    outcomes = pd.read_csv(path, comment="#")
    missing = [name for name in COLUMNS if name not in outcomes]
    if missing:
        raise ValueError(f"{path} has no column {', '.join(missing)}: it holds no outcomes.")
    return _in_order(outcomes[[*COLUMNS]])


def write(outcomes: pd.DataFrame, path: Path) -> None:
    """Write outcomes in the order in which they are read."""
    text = _in_order(outcomes)[[*COLUMNS]].to_csv(index=False, float_format="%.6g")
    path.write_text(f"{_LABEL}\n{text}", encoding="utf-8")


def of(outcomes: pd.DataFrame, setting: Setting) -> pd.DataFrame:
    """Return the rows of one setting."""
    same = pd.Series(True, outcomes.index)
    for name, value in setting.columns.items():
        same &= outcomes[name] == value
    return outcomes[same]


def settings_in(outcomes: pd.DataFrame) -> list[Setting]:
    """Return the settings that outcomes have rows of."""
    keys = outcomes[[*SETTING]].drop_duplicates()
    return [Setting(**row) for row in keys.to_dict("records")]


def _in_order(outcomes: pd.DataFrame) -> pd.DataFrame:
    place = outcomes["maker"].map({maker: place for place, maker in enumerate(MAKERS)})
    keys = [*SETTING, "seed", "place"]
    ordered = outcomes.assign(place=place).sort_values(keys, ignore_index=True)
    return ordered.drop(columns="place")
