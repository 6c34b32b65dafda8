"""A study in its open form: everything that others need to check it, and nothing of who played."""

from reedlab.publish.package.data_package import Package, data_package

__all__ = ["Package", "data_package"]
