"""Invented studies whose truth is known: a planned batch, a season, a studio of makers.

Nobody made or played these reeds. The same seed gives the same study.
"""

from reedlab.demo.batch import simulate_batch
from reedlab.demo.example import example_study
from reedlab.demo.record import Demo
from reedlab.demo.season import simulate_season
from reedlab.demo.studio import example_studio, simulate_studio
from reedlab.demo.truth import TRUTH, Truth

__all__ = [
    "TRUTH",
    "Demo",
    "Truth",
    "example_studio",
    "example_study",
    "simulate_batch",
    "simulate_season",
    "simulate_studio",
]
