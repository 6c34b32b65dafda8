"""The statistical engine: formulas and arrays in, tests and intervals out.

It knows nothing of reeds, and imports nothing of the other rooms.
"""

from reedlab.model.across import Across, Textbook, across, textbook
from reedlab.model.agreement import Agreement, intraclass
from reedlab.model.classical import fixed_anova
from reedlab.model.firth import FirthFit, fit_firth
from reedlab.model.hazard import CoxFit, fit_cox
from reedlab.model.inflation import variance_inflation
from reedlab.model.kappa import Kappa, cohen_kappa, fleiss_kappa
from reedlab.model.limits import AgreementLimits, agreement_limits
from reedlab.model.link import LinkFit, fit_ordinal
from reedlab.model.link_groups import GroupedLinkFit, fit_link_groups
from reedlab.model.link_mixed import LinkMixedFit, fit_link_mixed
from reedlab.model.mixed import MixedFit, fit_mixed
from reedlab.model.paired import PairedDifference, paired_difference
from reedlab.model.proportion import Proportion, proportion
from reedlab.model.questions import LinearFit
from reedlab.model.randomisation import Randomisation, randomisation
from reedlab.model.repeatability import Repeatability, repeatability
from reedlab.model.shares import variance_shares
from reedlab.model.shuffles import Shuffles
from reedlab.model.survival import SurvivalCurve, survival_curve
from reedlab.model.verification import Verification, begg_greenes

__all__ = [
    "Across",
    "Agreement",
    "AgreementLimits",
    "CoxFit",
    "FirthFit",
    "GroupedLinkFit",
    "Kappa",
    "LinearFit",
    "LinkFit",
    "LinkMixedFit",
    "MixedFit",
    "PairedDifference",
    "Proportion",
    "Randomisation",
    "Repeatability",
    "Shuffles",
    "SurvivalCurve",
    "Textbook",
    "Verification",
    "across",
    "agreement_limits",
    "begg_greenes",
    "cohen_kappa",
    "fit_cox",
    "fit_firth",
    "fit_link_groups",
    "fit_link_mixed",
    "fit_mixed",
    "fit_ordinal",
    "fixed_anova",
    "fleiss_kappa",
    "intraclass",
    "paired_difference",
    "proportion",
    "randomisation",
    "repeatability",
    "survival_curve",
    "textbook",
    "variance_inflation",
    "variance_shares",
]
