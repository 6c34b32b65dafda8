"""A study told to others: a handout for the studio, an open package for who checks."""

from reedlab.publish.handout import Handout, handout
from reedlab.publish.package import Package, data_package
from reedlab.study.whereabouts import data_hash

__all__ = ["Handout", "Package", "data_hash", "data_package", "handout"]
