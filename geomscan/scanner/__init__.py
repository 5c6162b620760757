"""Sensor model and calibration file: rows to millimetres, covariance, validity, response."""

from geomscan.scanner.calibration import (
    Region,
    ScannerCalibration,
    Sheet,
    in_region,
    read_calibration,
    reflectance_factor,
    to_belt,
    write_calibration,
)
from geomscan.scanner.head import HeadModel
from geomscan.scanner.modes import common_modes, u_plane
from geomscan.scanner.response import Response

__all__ = [
    "HeadModel",
    "Region",
    "Response",
    "ScannerCalibration",
    "Sheet",
    "common_modes",
    "in_region",
    "read_calibration",
    "reflectance_factor",
    "to_belt",
    "u_plane",
    "write_calibration",
]
