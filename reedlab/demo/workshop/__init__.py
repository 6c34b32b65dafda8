"""An invented workshop whose truth only the judge knows: to see what a way of working is worth.

A maker sees :class:`Workshop` alone: cane, recipes, tests, stopping, finishing, each paid in
bench minutes and cane. :class:`Hidden` is the other side, for the judge and for a maker who
is allowed to know everything. The same kind and seed give the same cane, weather and luck,
whatever is done: a piece of cane made by the same recipe is the same reed in every hand.
"""

from reedlab.demo.workshop.hidden import Hidden
from reedlab.demo.workshop.kinds import KINDS, Kind
from reedlab.demo.workshop.opening import open_workshop
from reedlab.demo.workshop.shop import SeasonOverError, Workshop

__all__ = ["KINDS", "Hidden", "Kind", "SeasonOverError", "Workshop", "open_workshop"]
