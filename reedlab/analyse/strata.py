"""Which variation judges which factor: the random and the blocking terms of a model.

A factor given to a tube is judged by the variation between tubes, one given to a
reed by that between reeds of a tube, one of the occasion by that between sessions.
So each stratum in which rows repeat is a random term. Lots, sessions and players
that are too few to estimate a variance from are blocks instead: their differences
are taken out. The stage of the break-in is always a block, for reeds change; so are the
makers of a pool, for what differs between makers may be anything.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.analyse.frame import Frame
from reedlab.errors import ModelError
from reedlab.schema import FEW, STRATA, STRATUM_KEY, Factor

#: Words for the keys.
NAMES = {
    "maker_id": "maker",
    "lot_id": "lot",
    "tube_id": "tube",
    "reed_id": "reed",
    "session_id": "session",
    "player_id": "player",
}


@dataclass(frozen=True)
class Layout:
    """The error structure of one question.

    Attributes
    ----------
    groups : tuple of str
        Key columns that are random terms.
    blocks : tuple of str
        Columns whose differences are taken out as fixed terms.
    cautions : tuple of str
    """

    groups: tuple[str, ...]
    blocks: tuple[str, ...]
    cautions: tuple[str, ...] = ()


def random_keys(data: pd.DataFrame, keys: Sequence[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Keys in which rows repeat, without those that split the rows like another; cautions."""
    chosen: dict[str, np.ndarray] = {}
    cautions = []
    for key in keys:
        codes = pd.factorize(data[key])[0] if key in data else np.zeros(len(data), dtype=int)
        levels = codes.max() + 1
        twin = next((k for k, other in chosen.items() if np.array_equal(codes, other)), None)
        if twin:
            cautions.append(
                f"Every {NAMES[twin]} has one {NAMES[key]} only: variation between "
                f"{NAMES[twin]}s and between {NAMES[key]}s cannot be told apart; "
                f"'{NAMES[twin]}' stands for both."
            )
        elif levels == len(data) and key == "tube_id":
            cautions.append(
                "Every tube gave one row only: variation between tubes and between reeds "
                "cannot be told apart, and tubes are the units."
            )
        elif 1 < levels < len(data):
            chosen[key] = codes
    return tuple(chosen), tuple(cautions)


def layout(frame: Frame) -> Layout:
    """Choose random terms and blocks for the factors of a frame."""
    asked = {STRATUM_KEY[factor.stratum] for factor in frame.factors}
    groups, cautions = random_keys(frame.data, list(NAMES))
    few = [
        key
        for key in groups
        if key in ("lot_id", "session_id", "player_id")
        and key not in asked
        and frame.data[key].nunique() < FEW
    ]
    if "maker_id" in groups:
        few.append("maker_id")
        cautions = (*cautions, _makers(frame))
    groups = tuple(key for key in groups if key not in few)
    blocks = [*few]
    if "stage" in frame.data and frame.data["stage"].nunique() > 1:
        blocks.append("stage")
    blocks, entangled = _told_apart(frame.data, blocks)
    return Layout(groups, tuple(blocks), (*cautions, *entangled))


def _makers(frame: Frame) -> str:
    return (
        f"The reeds are {frame.data['maker_id'].nunique()} makers': differences between makers are "
        "taken out, but an effect is taken to be the same in every hand. across_makers says "
        "whether it is, and what a new maker may expect."
    )


def _told_apart(data: pd.DataFrame, blocks: list[str]) -> tuple[list[str], list[str]]:
    """Leave out blocks that the finer ones contain (a player with own sessions); cautions."""
    kept: list[str] = []
    cautions = []
    matrix = np.ones((len(data), 1))
    for block in sorted(blocks, key=lambda name: -data[name].nunique()):
        columns = pd.get_dummies(data[block], drop_first=True).to_numpy(dtype=float)
        wider = np.hstack([matrix, columns])
        added = np.linalg.matrix_rank(wider) - np.linalg.matrix_rank(matrix)
        if added == columns.shape[1]:
            kept.append(block)
            matrix = wider
        elif added:
            cautions.append(
                f"{NAMES.get(block, block)} and {' and '.join(NAMES.get(k, k) for k in kept)} "
                f"changed together in part: differences between {NAMES.get(block, block)}s are "
                "not taken out."
            )
    return kept, cautions


def judged(frame: Frame) -> tuple[Frame, Layout]:
    """Leave out factors that no variation is left to judge; lay out the error of the others.

    Raises
    ------
    ModelError
        If no factor remains; the message gives every reason.
    """
    while True:
        chosen = layout(frame)
        able = judgeable(frame, chosen)
        # Without a factor of theirs, few sessions turn from a random term into blocks.
        if len(able.factors) == len(frame.factors):
            return able, chosen
        frame = able


def judgeable(frame: Frame, chosen: Layout) -> Frame:
    """Leave out factors that no variation of a given layout is left to judge.

    At each stratum the units must outnumber the coefficients that are constant within
    units. The factors declared last give way first.

    Raises
    ------
    ModelError
        If no factor remains; the message gives every reason.
    """
    names = [*STRATUM_KEY.values(), *chosen.blocks, *(f.name for f in frame.factors)]
    codes = {name: pd.factorize(frame.data[name])[0] for name in names if name in frame.data}
    for stratum in STRATA:
        key = STRATUM_KEY[stratum]
        while key in frame.data:
            here = [f for f in frame.factors if f.stratum == stratum]
            if not here or _spare(frame, chosen, key, codes) >= 1:
                break
            frame = frame.without(here[-1], _why(frame, here, stratum))
    if not frame.factors:
        raise none_left(frame)
    return frame


def none_left(frame: Frame) -> ModelError:
    """Build the error for a question without a factor: every reason, or that none was named."""
    reasons = dict.fromkeys(frame.cautions) or ["None is asked for, or none is recorded."]
    return ModelError("\n".join(["No factor can be examined.", *reasons]))


def _spare(frame: Frame, chosen: Layout, key: str, codes: Mapping[str, np.ndarray]) -> int:
    """Units of a key beyond the independent columns that are constant within them."""
    _, first, unit = np.unique(codes[key], return_index=True, return_inverse=True)
    columns = [np.ones((len(first), 1))]
    for name in (*chosen.blocks, *(f.name for f in frame.factors)):
        level = codes[name][first]
        if np.array_equal(level[unit], codes[name]):
            columns.append(_coded(frame.data[name].iloc[first], level))
    matrix = np.hstack(columns)
    return len(first) - int(np.linalg.matrix_rank(matrix / np.abs(matrix).max(axis=0)))


def _coded(values: pd.Series, codes: np.ndarray) -> np.ndarray:
    """Columns of one factor: a number around its mean, levels against the first."""
    if pd.api.types.is_numeric_dtype(values):
        centred = values.to_numpy(dtype=float) - float(values.mean())
        return centred[:, None] if np.any(centred) else np.empty((len(values), 0))
    return (codes[:, None] == np.unique(codes)[None, 1:]).astype(float)


def _why(frame: Frame, here: list[Factor], stratum: str) -> str:
    factor, units = here[-1], frame.units(stratum)
    if factor.kind == "categorical" and frame.data[factor.name].nunique() >= units:
        return (
            f"{factor.label} takes a different level on every {stratum} ({units} {stratum}s): "
            "its effect cannot be told from theirs; not examined."
        )
    count = "1 factor" if len(here) == 1 else f"{len(here)} factors"
    return (
        f"{factor.label}: {units} {stratum}s are too few to judge {count} of that stratum; "
        "not examined. Ask for fewer by name."
    )
