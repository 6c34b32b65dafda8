"""Run the race, or print a race that was kept: ``python -m tests.bench.workshop``.

Worlds are numbered and shared out over the cores. With `--keep` outcomes are added to
a CSV, and seasons that stand there are not played again; `--from` prints such a file.
"""

import argparse
from pathlib import Path

from reedlab.demo.workshop import KINDS
from tests.bench.workshop.handiwork import BATCH
from tests.bench.workshop.makers import MAKERS
from tests.bench.workshop.outcomes import KEPT, read
from tests.bench.workshop.quoting import quote
from tests.bench.workshop.running import run
from tests.bench.workshop.settings import FIRST_WORLD, SENSITIVITY, setting
from tests.bench.workshop.telling import report


def main(arguments: list[str] | None = None) -> None:
    """Play or read what is asked for and print its figures."""
    asked = _asked(arguments)
    if asked.quote:
        quote(read(KEPT))
        return
    if asked.source:
        outcomes = read(asked.source)
    else:
        one = setting(asked.kind, asked.tube_share, asked.agreement, asked.batch)
        settings = [changed for _, changed in SENSITIVITY] if asked.sensitivity else [one]
        worlds = range(asked.first, asked.first + asked.worlds)
        outcomes = run(settings, worlds, asked.makers, asked.keep)
    print(report(outcomes))


def _asked(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.workshop", description=__doc__)
    add = parser.add_argument
    add("--worlds", type=int, default=200)
    add("--first", type=int, default=FIRST_WORLD, help="number of the first world")
    add("--kind", choices=[*KINDS], default="ordinary")
    add("--makers", nargs="+", choices=[*MAKERS], default=[*MAKERS])
    add("--batch", type=int, default=BATCH, help="reeds in a batch")
    add("--tube-share", type=float, help="of the lasting variance within a lot, 0 to 1")
    add("--agreement", type=float, help="of a player's ratings of one reed, 0 to 1")
    add("--sensitivity", action="store_true", help="change these three one by one")
    add("--keep", type=Path, metavar="FILE", help="a CSV to go on from and to add outcomes to")
    add("--from", dest="source", type=Path, metavar="FILE", help="print kept outcomes")
    add("--quote", action="store_true", help="put the kept race's figures into the texts")
    return parser.parse_args(arguments)


if __name__ == "__main__":
    main()
