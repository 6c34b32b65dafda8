"""Processes that are killed while they save, for tests.

A fork of the test process does the work, tells each save that it was told is safe, and dies
by SIGKILL: at a given step of the file system, or whenever its parent decides.
"""

import os
import signal
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import pandas as pd

from reedlab.study import Study

#: So many trials of one stage and no more can be.
NIGHT = 900
#: Steps at which a process can die: each may be the last thing that it does.
STEPS = ((os, "fsync"), (Path, "replace"), (Path, "unlink"), (os, "open"))


def killed_at_step(step: int, work: Callable[[], object]) -> bool:
    """Do the work in a fork that kills itself at a step; say whether it came so far."""
    child = os.fork()
    if child == 0:
        _die_at(step)
        work()
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0
    return os.WIFSIGNALED(status)


def killed_after(parts: int, seconds: float, work: Callable[[], Iterable[object]]) -> int:
    """Do the work in a fork that is killed some time after so many parts of it were done.

    Returns how many parts it told done until it died.
    """
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            for _ in work():
                os.write(write, b".")
        finally:
            os._exit(0)
    os.close(write)
    told = sum(len(os.read(read, 1)) for _ in range(parts))
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    while part := os.read(read, 65536):
        told += len(part)
    os.close(read)
    return told


def in_forks(*works: Callable[[], object]) -> list[int]:
    """Do several works at once, each in a fork; return their exit codes."""
    children = []
    for work in works:
        child = os.fork()
        if child == 0:
            code = 1
            try:
                work()
                code = 0
            finally:
                os._exit(code)
        children.append(child)
    return [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]


def played(first: int, reed: str = "001", count: int = 1) -> pd.DataFrame:
    """Return measured numbers of new tests of one reed, numbered from the first on."""
    numbers = range(first, first + count)
    nights, trials = zip(*(divmod(number - 1, NIGHT) for number in numbers), strict=True)
    return pd.DataFrame(
        {
            "reed_id": reed,
            "session_id": "S1",
            "stage": [f"night {night}" for night in nights],
            "trial": [trial + 1 for trial in trials],
            "recording": [f"{reed}_{number}.wav" for number in numbers],
            "crow_hz": [300.0 + number % 100 for number in numbers],
        }
    )


def numbers(study: Study, reed: str = "001") -> list[int]:
    """Return the numbers of that reed's tests, as they stand."""
    tests = study.tables["tests"]
    own = tests[(tests["reed_id"] == reed) & tests["stage"].str.startswith("night ")]
    nights = own["stage"].str.removeprefix("night ").astype("int")
    return [int(number) for number in nights * NIGHT + own["trial"]]


def _die_at(step: int) -> None:
    left = [step]

    def deadly(call: Callable[..., object]) -> Callable[..., object]:
        def called(*args: object, **kwargs: object) -> object:
            left[0] -= 1
            if left[0] < 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return call(*args, **kwargs)

        return called

    for owner, name in STEPS:
        setattr(owner, name, deadly(getattr(owner, name)))
