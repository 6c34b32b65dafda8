"""The statistical engine: formulas and arrays in, tests and intervals out.

It knows nothing of reeds, and imports nothing of the other rooms.
"""

from reedlab.model.firth import FirthFit, fit_firth
from reedlab.model.mixed import MixedFit, fit_mixed

__all__ = ["FirthFit", "MixedFit", "fit_firth", "fit_mixed"]
