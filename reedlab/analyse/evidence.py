"""How far a finding may be believed: the grade that travels with every effect.

randomised: the plan of every batch used assigned the factor's levels by chance, so a
difference is an effect. observed: the maker chose, so a difference is an association.
exploratory: of the factor's stratum so many factors were looked at, for the units
there are, that some are bound to look strong.
"""

from reedlab.analyse.frame import Frame
from reedlab.analyse.interactions import parts_of
from reedlab.schema import Factor
from reedlab.study import Study

#: Units for each factor of their stratum, below which a season record is only exploratory
#: (a rule of thumb, common practice, no source).
UNITS_PER_FACTOR = 5


def grade(study: Study, frame: Frame, factor: Factor) -> str:
    """Evidence grade of one factor's effect."""
    if _randomised(study, frame, factor):
        return "randomised"
    looked = sum(other.stratum == factor.stratum for other in frame.factors)
    if frame.units(factor.stratum) < UNITS_PER_FACTOR * looked:
        return "exploratory"
    return "observed"


def _randomised(study: Study, frame: Frame, factor: Factor) -> bool:
    parts = set(parts_of(factor.name, {f.name: f for f in study.settings.factors}))
    planned = {b.batch_id for b in study.settings.batches if parts <= set(b.randomised)}
    reeds = study.tables.get("reeds")
    if not planned or reeds is None or "batch_id" not in reeds or "reed_id" not in frame.data:
        return False
    batches = reeds.loc[reeds["reed_id"].isin(frame.data["reed_id"]), "batch_id"]
    return bool(batches.isin(planned).all())


#: An effect with a corrected p value below this is called one.
LEVEL = 0.05

CAUTIONS = {
    "observed": (
        "Levels were chosen, not assigned by chance: an effect marked observed is an "
        "association, and may belong to something that went along with it."
    ),
    "exploratory": (
        "Effects marked exploratory were picked out of many looks at few units: "
        "test them in a planned batch before believing them."
    ),
}
