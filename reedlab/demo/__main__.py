"""Write the invented studies: ``python -m reedlab.demo FOLDER``."""

import sys
from pathlib import Path

from reedlab.demo import simulate_batch, simulate_season


def main(folder: str) -> None:
    """Write `demo_batch` and `demo_season` into a folder, where neither may be yet."""
    simulate_batch().write(Path(folder) / "demo_batch")
    simulate_season().write(Path(folder) / "demo_season")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("Say where to: python -m reedlab.demo FOLDER")
    main(sys.argv[1])
