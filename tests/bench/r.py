"""R at hand: a process that has loaded lme4 and pbkrtest and answers one line after another.

So loading R and its libraries is no part of what is timed. The memory is that of R.
"""

import atexit
import subprocess

from tests.bench.frame import OF_R, Elsewhere, Run
from tests.bench.memory import held_mb

#: What a side needs that asks R.
NEEDS = (f"{OF_R}lme4", f"{OF_R}pbkrtest")
_LOOP = """
suppressPackageStartupMessages({{library(lme4); library(pbkrtest)}})
{prepared}
cat("ready\\n"); flush(stdout())
lines <- file("stdin", "r")
while (length(line <- readLines(lines, 1))) {{
  found <- suppressWarnings(suppressMessages(answer(as.numeric(line))))
  cat(format(found, digits = 15), "\\n"); flush(stdout())
}}
"""


def asked(prepared: str, number: int) -> Run:
    """Start R on a text that defines `answer(n)`; each run asks it for a number's answer.

    Parameters
    ----------
    prepared : str
        R: makes the data, untimed, and the function `answer`, which returns numbers.
    number : int

    Returns
    -------
    callable
        Returns :class:`Elsewhere` with the numbers as a list.
    """
    command = ["Rscript", "--vanilla", "-e", _LOOP.format(prepared=prepared)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    atexit.register(process.kill)
    if process.stdin is None or process.stdout is None:
        raise RuntimeError("R was started without pipes.")
    process.stdout.readline()  # what it says once all is loaded

    def run() -> object:
        process.stdin.write(f"{number}\n")
        process.stdin.flush()
        found = [float(word) for word in process.stdout.readline().split()]
        if not found:
            raise RuntimeError("R gave no answer; what it said stands above.")
        return Elsewhere(held_mb(process.pid), found)

    return run
