"""Every constant of the invented workshop that is no matter of its kind, with its source.

Where no source is named the value is an assumption: made up, and measured by nobody. What
the demo studies assume already (`reedlab.demo.truth`, `season`) is taken from there. Work is
in minutes, pitch in cents, range in dB, lengths in mm.
"""

from dataclasses import replace

from reedlab.demo.season import CANE_MINUTES, MINUTES
from reedlab.demo.truth import LEVELS, STAGES, TRUTH
from reedlab.schema import FACTORS as USUAL_FACTORS
from reedlab.schema import Factor

_BY_NAME = {factor.name: factor for factor in USUAL_FACTORS}

#: What the maker may set reed by reed, and what is tried of it; and how reeds are made usually.
#: Gouges of 1.20 to 1.27 mm, blades cut 28.5 mm above wire 1, bevels up to 9.5 mm and soaking
#: from 2 hours to overnight stand on players' and teaching pages; the spans are assumptions.
FACTORS: tuple[Factor, ...] = (
    replace(_BY_NAME["gouge_centre_mm"], levels=(1.20, 1.28, 1.36)),
    replace(_BY_NAME["blade_length_mm"], levels=(26.5, 28.0, 29.5)),
    replace(_BY_NAME["bevel_mm"], levels=(4.0, 6.5, 9.0)),
    replace(_BY_NAME["soak_min"], levels=(120.0, 420.0, 720.0)),
    replace(_BY_NAME["shape"], levels=LEVELS["shape"]),
    replace(_BY_NAME["wire_tension"], levels=LEVELS["wire_tension"]),
)
USUAL: dict[str, str | float] = {
    "gouge_centre_mm": 1.25,
    "blade_length_mm": 28.5,
    "bevel_mm": 6.0,
    "soak_min": 180.0,
    "shape": "narrow",
    "wire_tension": "normal",
}

#: Work on a reed: the knife and the bench until its first test (the cane apart), then scraping
#: and playing in until each later test, the test included; as in the demo season.
TEST_MINUTES = 10.0
MAKE_MINUTES = CANE_MINUTES + MINUTES[0] - TEST_MINUTES
STAGE_MINUTES = (TEST_MINUTES, MINUTES[1] - MINUTES[0], MINUTES[2] - MINUTES[1])
#: What measuring (crow, hairpin) and writing down adds to a test that is only played.
MEASURING_MINUTES = 4.0
#: An evening's planning or reckoning, whoever does it.
DESK_MINUTES = 20.0
#: About nine hours a week at the bench.
SEASON_HOURS = 480.0
#: Share of pieces that split at the knife: half of what `reedlab.plan` allows for beforehand.
BREAKAGE = 0.05

#: Cane: lots as they are bought, two at first and one more after each of nine parts of the year.
FIRST_LOTS, LATER_LOTS, PARTS = 2, 8, 9
TUBES_A_LOT, PIECES = 10, 4

#: Share of a reed's own lasting variance that its lot makes; the tube's share is of the rest.
LOT_SHARE = 0.1
#: Of what a tube does to crow and range, what goes with its stiffness (correlation). Hard cane
#: is said to crow sharper and to have the wider range (one informal trial, unblinded).
STIFF_TO_CROW, STIFF_TO_RANGE = 0.7, 0.5
#: How well readings tell stiffness (correlation): bending better than density or hardness, as
#: Gangl, Hofmann & Mayer (2016) found for clarinet reeds' ease; the sizes are assumptions.
FLEX_TELLS, DENSITY_TELLS, HARDNESS_TELLS = 0.8, 0.6, 0.5

#: The lasting spread of reeds of one recipe: that of the demo bench, tests and days taken off.
_LASTING = sum(TRUTH.shares[source] for source in ("lot", "tube", "reed")) ** 0.5
CROW_SD = TRUTH.traits["crow_cents"].spread * _LASTING
RANGE_SD = TRUTH.traits["dynamic_range_db"].spread * _LASTING
#: What the player feels and no measure says, in the log odds of `reedlab.demo.truth.Verdict`.
TASTE_SD = 1.5
#: How far a reed of day 1 and day 3 is from what it becomes, as a share of the lasting spread
#: (wetting and drying change cane for good: Akahoshi & Obataya, Wood Science and Technology;
#: the sizes are assumptions).
BREAK_IN = (0.8, 0.4, 0.0)

#: Relative humidity of the room through the year, %: its mean, half its swing, a day's spread.
HUMIDITY_MEAN, HUMIDITY_SWING, HUMIDITY_DAY = 45.0, 12.0, 5.0
HUMIDITY_PER_10 = TRUTH.effect("crow_cents", "relative_humidity_pct")

#: Standard deviation of ratings between reeds of the usual recipe, in steps of 1 to 5.
RATING_SD = 0.9
#: The last verdict rests on a week of playing: its noise, as a share of one rating's.
VERDICT_NOISE = 0.5
#: Of every four reeds made as usual one is good (the trade's own word, and the demo season's).
USUAL_GOOD = 0.25
#: The usual reed's crow is off its target by so many cents, sharp or flat.
USUAL_OFF = (15.0, 30.0)

LAST = len(STAGES) - 1
