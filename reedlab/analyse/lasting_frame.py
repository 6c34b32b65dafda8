"""How long each reed lasted, joined to the factors of its lot, tube and making."""

from collections.abc import Sequence
from dataclasses import replace

from reedlab.analyse.frame import Frame, gather
from reedlab.analyse.lasting_rows import TIME, WORN_OUT, Lives
from reedlab.schema import Response
from reedlab.study import Study


def with_lives(study: Study, lives: Lives) -> Study:
    """Return the study with these lives as a response, so that factors can be joined to them."""
    # The column is the only numeric one of the life table; for days it is filled with days.
    life = study.tables["life"].assign(**{TIME: lives.data["lasted"]})
    response = Response(TIME, unit=lives.scale, table="life", label="how long reeds last")
    settings = replace(study.settings, responses=[response])
    return replace(study, settings=settings, tables={**study.tables, "life": life})


def gathered(study: Study, lives: Lives, factors: Sequence[str] | None) -> Frame:
    """Join factors to the lives; `study` is that of :func:`with_lives`."""
    frame = gather(study, TIME, factors)
    worn_out = lives.data[WORN_OUT].reindex(frame.data.index)
    known = lives.data.index
    return replace(
        frame,
        data=frame.data.assign(**{WORN_OUT: worn_out}),
        left_out=frame.left_out[frame.left_out["row"].isin(known)],
    )
