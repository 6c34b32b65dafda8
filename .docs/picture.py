"""Draw the README's picture: an answer on the invented season. `python .docs/picture.py`."""

from pathlib import Path

import matplotlib as mpl

import reedlab

FILE = Path(__file__).with_name("answer.png")


def draw(file: Path) -> str:
    """Write the picture; return the sentence that belongs to it."""
    study = reedlab.open_study(Path(__file__).parents[1] / "data" / "demo_season")
    found = reedlab.analyse.drivers(study, "crow_cents")
    axes = found.plot_factor("gouge_centre_mm")
    axes.figure.text(0.99, 0.95, "invented data", ha="right")
    axes.figure.savefig(file, dpi=100, metadata={"Software": None})
    return found.sentence


if __name__ == "__main__":
    mpl.use("Agg")
    draw(FILE)
