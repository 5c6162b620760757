"""Calibrate a laser-line scanner over a belt; turn its recordings into volume and mass profiles."""

__all__ = ["__version__"]

__version__ = "0.2.0"
