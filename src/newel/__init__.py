"""Newel: from a model and a bar to a proved program for a small mill with a rotary axis."""

__version__ = "0.1.0"
