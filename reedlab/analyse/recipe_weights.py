"""How much each response counts, learnt from a rating or from what was kept.

The maker's own ear is asked what it listens to: the rating of a test (or the fate of a
reed) is explained by the desirabilities of what was measured on it, in the house's mixed
model. What a response's desirability adds to the rating is its weight; one that takes
away from it counts for nothing.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reedlab.analyse.frame import Frame, gather
from reedlab.analyse.recipe_surface import Surface
from reedlab.analyse.strata import layout
from reedlab.answer import counted, number_text
from reedlab.errors import ModelError
from reedlab.model import fit_mixed
from reedlab.model.design import quoted
from reedlab.study import Study


def learnt_weights(
    study: Study, surfaces: Sequence[Surface], judge: str
) -> tuple[dict[str, float], str]:
    """Learn the weights of responses from a rating or fate.

    Parameters
    ----------
    study : Study
    surfaces : sequence of Surface
        One a response.
    judge : str
        The response that judges the others.

    Returns
    -------
    weights : dict of str to float
        By response; their mean is 1.
    caution : str
        The weights with their intervals.

    Raises
    ------
    ModelError
        If the judge does not tell what it goes by.

    Notes
    -----
    Joined as a geometric mean with weights w, desirabilities d change the whole by w / d for
    a small step of d. So a response's weight is the slope of the judge on its desirability
    times the mean of the latter.
    """
    frame = gather(study, judge, [])
    goodness = {s.response.name: _desirability_of_rows(frame, s) for s in surfaces}
    data = frame.data.assign(**goodness).dropna(subset=[*goodness])
    label = frame.response.label
    chosen = layout(Frame(frame.response, (), data, frame.left_out, ()))
    right = " + ".join(map(quoted, [*chosen.blocks, *goodness]))
    try:
        fit = fit_mixed(f"{quoted(judge)} ~ {right}", data, chosen.groups, bounded=False)
    except ModelError as error:
        raise ModelError(f"{label} does not tell how much the responses count: {error}") from None
    means = fit.fixed.data[[*goodness]].mean().to_numpy()
    rows = np.array([np.eye(fit.fixed.X.shape[1])[fit.fixed.terms[name]][0] for name in goodness])
    sign = -1 if frame.response.direction == "lower" else 1
    found = fit.contrast(sign * rows * means[:, None])
    weights = found["estimate"].clip(lower=0).to_numpy()
    if not weights.sum() > 0:
        raise ModelError(
            f"{label} does not tell how much the responses count: it goes with none of them in the "
            "direction that is called better."
        )
    scale = weights.mean()
    words = [
        f"{surface.response.label} {number_text(weight / scale)} (95 % "
        f"{number_text(row.conf_low / scale)} to {number_text(row.conf_high / scale)})"
        for surface, weight, row in zip(surfaces, weights, found.itertuples(), strict=True)
    ]
    counts = counted(len(fit.fixed.data), "rating" if frame.response.kind != "binary" else "reed")
    told = f"Weights as {label} tells them, of {counts}: {'; '.join(words)}."
    return dict(zip(goodness, weights / scale, strict=True)), told


def _desirability_of_rows(frame: Frame, surface: Surface) -> pd.Series:
    """Desirability of what was measured at each row of the judge's; missing where nothing was."""
    if surface.response.table == frame.response.table:
        values = surface.frame.data[surface.response.name].reindex(frame.data.index)
    else:
        values = frame.data["reed_id"].map(surface.reeds)
    good = surface.desirability(values.to_numpy(dtype=float))
    return pd.Series(good, index=frame.data.index).where(values.notna())
