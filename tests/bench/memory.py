"""The most memory that one side of a row takes: a process of its own does the work and tells.

``python -m tests.bench.memory ROW SIDE`` prints MB. What a process has held at most is read
from /proc where there is one: the system's own figure for a child begins with what its parent
held. Nothing heavy is imported here, for it would be counted.
"""

import resource
import subprocess
import sys
from contextlib import suppress
from pathlib import Path


def peak_mb(row: str, side: str) -> float:
    """Return the most memory, in MB, of a process that does the work of a side once."""
    command = [sys.executable, "-W", "ignore", "-m", "tests.bench.memory", row, side]
    home = Path(__file__).parents[2]
    told = subprocess.run(command, check=True, capture_output=True, text=True, cwd=home)
    return float(told.stdout.split()[-1])


def held_mb(process: int | str = "self") -> float:
    """Return the most that a process has held, in MB; of another one only where /proc is."""
    status = Path(f"/proc/{process}/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024


def _forget() -> None:
    """Let the mark of the most start from what is held now: making the data is no part of it."""
    with suppress(OSError):  # another system, or one that does not allow it
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def _main() -> None:
    from tests.bench.frame import Elsewhere
    from tests.bench.rows import row_named

    side = row_named(sys.argv[1]).side(sys.argv[2])
    run = side.prepare(side.at)
    _forget()
    told = run()
    print(told.held_mb if isinstance(told, Elsewhere) else held_mb())


if __name__ == "__main__":
    _main()
