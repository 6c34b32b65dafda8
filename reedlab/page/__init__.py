"""The bench page: recording tests inside a notebook, by hand, ear and microphone."""

from reedlab.page.bench import bench

__all__ = ["bench"]
