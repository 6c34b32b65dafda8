"""The maker's questions, asked of a study and answered through the engine."""

from reedlab.analyse.across_makers import AcrossMakers, across_makers
from reedlab.analyse.adjusting import Adjusting, adjusting
from reedlab.analyse.break_in import BreakIn, break_in
from reedlab.analyse.diagnostics import (
    Collinearity,
    Influence,
    Residuals,
    collinearity,
    influence,
    residuals,
)
from reedlab.analyse.drift import Drift, drift
from reedlab.analyse.drivers import Drivers, drivers
from reedlab.analyse.keep_by_level import KeepRateByLevel
from reedlab.analyse.keep_rate import KeepRate, keep_rate
from reedlab.analyse.lasting import Lasting, lasting
from reedlab.analyse.looks import Looks, looks
from reedlab.analyse.made_once import MadeOnce, made_once
from reedlab.analyse.ratings import Ratings, ratings
from reedlab.analyse.recipe import Recipe, recipe
from reedlab.analyse.season import Season, season
from reedlab.analyse.sources import Sources, sources
from reedlab.analyse.stopping import StoppingRule, stopping_rule

__all__ = [
    "AcrossMakers",
    "Adjusting",
    "BreakIn",
    "Collinearity",
    "Drift",
    "Drivers",
    "Influence",
    "KeepRate",
    "KeepRateByLevel",
    "Lasting",
    "Looks",
    "MadeOnce",
    "Ratings",
    "Recipe",
    "Residuals",
    "Season",
    "Sources",
    "StoppingRule",
    "across_makers",
    "adjusting",
    "break_in",
    "collinearity",
    "drift",
    "drivers",
    "influence",
    "keep_rate",
    "lasting",
    "looks",
    "made_once",
    "ratings",
    "recipe",
    "residuals",
    "season",
    "sources",
    "stopping_rule",
]
