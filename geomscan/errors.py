"""Every error geomscan raises on purpose.

GeomscanError
├── InputError        an argument or a file breaks its contract            (exit 2)
└── CalibrationError  well-formed data, but nothing trustworthy came out   (exit 1)
"""

__all__ = ["CalibrationError", "GeomscanError", "InputError"]


class GeomscanError(Exception):
    """Base class: catching it catches all of them and nothing else."""


class InputError(GeomscanError, ValueError):
    """An argument or a file breaks its contract (shape, unit, range, version)."""


class CalibrationError(GeomscanError, RuntimeError):
    """Well-formed data, but no trustworthy calibration came out of them."""
