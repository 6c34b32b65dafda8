"""What a row of the benchmark is: one task, and the ways to do it.

A row is data: what is done, at which four sizes, and by whom. How it is timed stands in
timing.py, how much memory it takes in memory.py. Seconds are those of the clock.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from shutil import which
from subprocess import run
from tempfile import TemporaryDirectory

#: Does the work once; what it returns is compared between sides where they should agree.
Run = Callable[[], object]
#: How a need of a side is written that is a package of R.
OF_R = "R package "


@dataclass(frozen=True)
class Elsewhere:
    """What a run returns that let another process work.

    Attributes
    ----------
    held_mb : float
        The most that the process has held.
    answer : object, optional
        What our own process would have returned.
    """

    held_mb: float
    answer: object = None


@dataclass(frozen=True)
class Side:
    """One way to do the task of a row.

    Attributes
    ----------
    name : str
    prepare : callable
        From a size to what does the work. Imports and data are made here, untimed.
    sizes : tuple of int
        Four, growing.
    at : int
        The size at which sides are compared.
    needs : tuple of str
        Modules that must be there, or packages of R (``"R package lme4"``); a side that lacks one
        is left out and named.
    """

    name: str
    prepare: Callable[[int], Run]
    sizes: tuple[int, int, int, int]
    at: int
    needs: tuple[str, ...] = ()

    @property
    def missing(self) -> tuple[str, ...]:
        """What it needs and is not there."""
        return tuple(name for name in self.needs if not _is_there(name))


@dataclass(frozen=True)
class Row:
    """One task, and the ways to do it.

    Attributes
    ----------
    name : str
    task : str
        What is done, in words, for the table's reader.
    counts : str
        What a size counts.
    ours : Side
    others : tuple of Side
    each : bool
        Whether sides may do different numbers of equal pieces, so that times are compared for
        one piece; else for the whole at the size compared.
    agree : callable, optional
        Raises AssertionError unless what our side and another returned at the compared size is
        the same; for sides whose results can be set side by side.
    """

    name: str
    task: str
    counts: str
    ours: Side
    others: tuple[Side, ...]
    each: bool = False
    agree: Callable[[object, object], None] | None = None

    @property
    def sides(self) -> tuple[Side, ...]:
        """Ours, and the others that can run here."""
        return (self.ours, *(side for side in self.others if not side.missing))

    def side(self, name: str) -> Side:
        """Return the side of a name."""
        return next(side for side in (self.ours, *self.others) if side.name == name)


def home(row: str) -> Path:
    """Return a folder for a row's files, which goes when the program ends."""
    folder = Path(_temporary().name) / row
    folder.mkdir(exist_ok=True)
    return folder


@cache
def _temporary() -> TemporaryDirectory:
    return TemporaryDirectory()


@cache
def _is_there(name: str) -> bool:
    if not name.startswith(OF_R):
        return find_spec(name) is not None
    if not which("Rscript"):
        return False
    asked = f"cat(nzchar(system.file(package = '{name.removeprefix(OF_R)}')))"
    told = run(["Rscript", "-e", asked], capture_output=True, text=True, check=False)
    return told.stdout == "TRUE"
