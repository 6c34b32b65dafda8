"""The maker's questions, asked of a study and answered through the engine."""

from reedlab.analyse.drivers import Drivers, drivers

__all__ = ["Drivers", "drivers"]
