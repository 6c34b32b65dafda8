"""How long each reed lasted, joined to the factors of its lot, tube and making."""

from collections.abc import Sequence
from dataclasses import replace

from reedlab.analyse.frame import Frame, gather_values
from reedlab.analyse.lasting_rows import TIME, WORN_OUT, Lives
from reedlab.schema import Response
from reedlab.study import Study


def gathered(study: Study, lives: Lives, factors: Sequence[str] | None) -> Frame:
    """Join factors to the lives."""
    # The column is the only numeric one of the life table; for days it is filled with days.
    response = Response(TIME, unit=lives.scale, table="life", label="how long reeds last")
    frame = gather_values(study, response, lives.data["lasted"], factors)
    worn_out = lives.data[WORN_OUT].reindex(frame.data.index)
    known = lives.data.index
    return replace(
        frame,
        data=frame.data.assign(**{WORN_OUT: worn_out}),
        left_out=frame.left_out[frame.left_out["row"].isin(known)],
    )
