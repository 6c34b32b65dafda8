"""One study on disk: open it, check it, start it. The only room that writes a study."""

from reedlab.study.adding import add_plan
from reedlab.study.bring.bring_in import bring_in
from reedlab.study.bring.brought import Brought
from reedlab.study.faults import Fault, Faults
from reedlab.study.folder import open_study
from reedlab.study.plans import Plan
from reedlab.study.pooling.pool import pool
from reedlab.study.pooling.pooled import Pooled
from reedlab.study.rebuilding import Rebuilt, rebuild
from reedlab.study.recording import Recorded, record_sheet
from reedlab.study.settings import BatchRecord, Settings, Stage, default_settings
from reedlab.study.study import Study
from reedlab.study.undoing import Undone, undo
from reedlab.study.writing import new_study, write_parquet, write_study

__all__ = [
    "BatchRecord",
    "Brought",
    "Fault",
    "Faults",
    "Plan",
    "Pooled",
    "Rebuilt",
    "Recorded",
    "Settings",
    "Stage",
    "Study",
    "Undone",
    "add_plan",
    "bring_in",
    "default_settings",
    "new_study",
    "open_study",
    "pool",
    "rebuild",
    "record_sheet",
    "undo",
    "write_parquet",
    "write_study",
]
