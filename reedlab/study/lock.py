"""Who may write a study: one at a time, and nobody where it is read-only.

The lock is the file ``.lock`` in the study's folder, held by the operating system for as
long as a call reads, checks and writes; a process that dies gives it back. While it is held
it says by whom, for those who wait in vain. A thread may take it again inside itself.
"""

import os
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Concatenate, ParamSpec, TypeVar

from reedlab.errors import RecordError
from reedlab.study.descriptor import DESCRIPTOR, table_files
from reedlab.study.intent import finish_pending

if TYPE_CHECKING:
    from reedlab.study.study import Study

LOCK = ".lock"
#: How long to wait for others; the largest import holds the lock for some seconds.
TIMEOUT_S = 20.0
#: How often to look. Who writes row after row lets go for a millisecond in between.
POLL_S = 0.005

Asked = ParamSpec("Asked")
Given = TypeVar("Given")


def one_at_a_time(
    call: Callable[Concatenate["Study", Asked], Given],
) -> Callable[Concatenate["Study", Asked], Given]:
    """Let a call that writes a study hold its lock from the first look to the last word."""

    @wraps(call)
    def held(study: "Study", /, *args: Asked.args, **kwargs: Asked.kwargs) -> Given:
        if study.read_only:
            raise RecordError(f"Nothing can be written to {study.folder}: {study.read_only}.")
        with alone(study.folder):
            return call(study, *args, **kwargs)

    return held


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Hold the lock of a study, once a save that was cut off is finished.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    RecordError
        If the folder cannot be written, or somebody else holds the lock for too long.

    Examples
    --------
    >>> import tempfile
    >>> home = Path(tempfile.mkdtemp())
    >>> with alone(home), alone(home):
    ...     "process" in (home / LOCK).read_text()
    True
    """
    from filelock import FileLock, Timeout

    if not folder.is_dir():
        raise RecordError(f"{folder} is gone.")
    reason = write_protected(folder)
    if reason:
        raise RecordError(f"Nothing can be written to {folder}: {reason}.")
    path = folder.resolve() / LOCK
    lock = FileLock(path, is_singleton=True)
    try:
        lock.acquire(timeout=TIMEOUT_S, poll_interval=POLL_S)
    except Timeout:
        raise RecordError(
            f"Another program is writing to {folder} ({_holder(path)}), and {TIMEOUT_S:g} s of "
            "waiting did not help; nothing was written. Try again when it is done, or close it."
        ) from None
    except OSError as error:
        raise RecordError(f"{path} cannot be locked: {error.strerror}.") from None
    outermost = lock.lock_counter == 1
    try:
        if outermost:
            now = f"{datetime.now():%Y-%m-%d %H:%M:%S}"
            _sign(path, f"process {os.getpid()} on {socket.gethostname()}, since {now}")
            finish_pending(folder)
        yield
    finally:
        if outermost:
            _sign(path, "")
        lock.release()


def write_protected(folder: Path) -> str:
    """Say why nothing can be written to a study; empty if it can.

    A file that its owner has protected is not replaced behind his back.

    Examples
    --------
    >>> import tempfile
    >>> write_protected(Path(tempfile.mkdtemp()))
    ''
    """
    if not os.access(folder, os.W_OK | os.X_OK):
        return "the folder is read-only"
    for file in (DESCRIPTOR, *table_files(folder)):
        if (folder / file).exists() and not os.access(folder / file, os.W_OK):
            return f"{file} is write-protected"
    return ""


def _sign(path: Path, text: str) -> None:
    # Where a locked file cannot be written by its holder either, he stays unnamed.
    with suppress(OSError):
        path.write_text(text, "utf-8")


def _holder(path: Path) -> str:
    with suppress(OSError, UnicodeDecodeError):
        return path.read_text("utf-8").strip() or "it does not say which"
    return "it does not say which"
