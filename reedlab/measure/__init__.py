"""From recordings and gauges to numbers that can be trusted."""

from reedlab.measure.agreement import Agreement, agreement
from reedlab.measure.blades import Blades, blades, blades_by_reed
from reedlab.measure.crow import Crow, crow
from reedlab.measure.files import Measured, measure_files
from reedlab.measure.hairpin import Hairpin, hairpin
from reedlab.measure.recording import Recording, read_recording
from reedlab.measure.register import Register, register
from reedlab.measure.slur import Slur, slur
from reedlab.measure.whole_test import WholeTest, whole_test

__all__ = [
    "Agreement",
    "Blades",
    "Crow",
    "Hairpin",
    "Measured",
    "Recording",
    "Register",
    "Slur",
    "WholeTest",
    "agreement",
    "blades",
    "blades_by_reed",
    "crow",
    "hairpin",
    "measure_files",
    "read_recording",
    "register",
    "slur",
    "whole_test",
]
