"""One study on disk: open it, check it, start it. The only room that writes a study."""

from reedlab.study.adding import add_plan
from reedlab.study.faults import Fault, Faults
from reedlab.study.folder import open_study
from reedlab.study.plans import Plan
from reedlab.study.recording import Recorded, record_sheet
from reedlab.study.settings import BatchRecord, Settings, Stage, default_settings
from reedlab.study.study import Study
from reedlab.study.writing import new_study, write_study

__all__ = [
    "BatchRecord",
    "Fault",
    "Faults",
    "Plan",
    "Recorded",
    "Settings",
    "Stage",
    "Study",
    "add_plan",
    "default_settings",
    "new_study",
    "open_study",
    "record_sheet",
    "write_study",
]
