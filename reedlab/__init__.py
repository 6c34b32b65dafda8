"""reedlab: bench work on double reeds turned into evidence.

Everything below is loaded when it is first asked for, so that a command which
needs only the record does not wait for the statistics.
"""

from importlib import import_module
from typing import Any

__version__ = "0.8.0"

_HOME = {
    "Factor": "reedlab.schema",
    "Response": "reedlab.schema",
    "ReedlabError": "reedlab.errors",
    "open_study": "reedlab.study",
    "new_study": "reedlab.study",
    "pool": "reedlab.study",
    "bench": "reedlab.page",
}
_ROOMS = (
    *("schema", "study", "model", "plan", "measure", "analyse", "publish", "page"),
    *("charts", "demo"),
)

__all__ = [*_HOME, *_ROOMS]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    if name in _ROOMS:
        return import_module(f"reedlab.{name}")
    raise AttributeError(f"module 'reedlab' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*globals(), *__all__]
