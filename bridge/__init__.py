"""Calibrate an analogue multitrack tape recorder: levels in, deviations out, every trim logged."""

__version__ = "0.1.0"
