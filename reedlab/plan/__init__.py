"""Before the knife: designs, cane, order and blinding, power, bench sheets."""

from reedlab.plan.aliases import Aliases, aliases
from reedlab.plan.asked import asked_factor
from reedlab.plan.batch import Batch
from reedlab.plan.bench.sheets import write_sheets
from reedlab.plan.classical.defining import block_terms, defining_words, resolution_of
from reedlab.plan.classical.fractions import fractional_factorial, full_factorial
from reedlab.plan.classical.lay_out import lay_out
from reedlab.plan.classical.recipes import Recipes
from reedlab.plan.classical.screening import definitive_screening, plackett_burman
from reedlab.plan.classical.surfaces import box_behnken, central_composite
from reedlab.plan.compare import Comparison
from reedlab.plan.design import design_batch
from reedlab.plan.on_hand import cane_on_hand, last_batch, next_name, read_batch
from reedlab.plan.request import Forbidden
from reedlab.plan.spare import Sparing, spare
from reedlab.plan.strength.power import Power, power

__all__ = [
    "Aliases",
    "Batch",
    "Comparison",
    "Forbidden",
    "Power",
    "Recipes",
    "Sparing",
    "aliases",
    "asked_factor",
    "block_terms",
    "box_behnken",
    "cane_on_hand",
    "central_composite",
    "defining_words",
    "definitive_screening",
    "design_batch",
    "fractional_factorial",
    "full_factorial",
    "last_batch",
    "lay_out",
    "next_name",
    "plackett_burman",
    "power",
    "read_batch",
    "resolution_of",
    "spare",
    "write_sheets",
]
