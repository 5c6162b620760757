"""Terms of a piece's budget against what they stand for."""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from geomscan.scanner.calibration import ScannerCalibration, read_calibration
from geomscan.scanner.modes import common_modes
from geomscan.shape.budget import CalibrationErrors
from geomscan.shape.from_scanner import shape_geometry


def gain_of_a_prism(
    calibration: ScannerCalibration, head: str, y_mm: float, z_mm: float
) -> npt.NDArray[np.float64]:
    """Thickness that a prism of 10 x 1 mm ground gains when its corners are displaced, by mode."""
    half = 5.0
    top = common_modes(calibration, head, y_mm, z_mm)[:, 2]
    belt = common_modes(calibration, head, y_mm, 0.0)[:, 2]
    left, right = (
        common_modes(calibration, head, y_mm + dy, 0.5 * z_mm)[:, 1] for dy in (-half, half)
    )
    back = common_modes(calibration, head, y_mm, 0.0, x_mm=0.0)[:, 0]
    front = common_modes(calibration, head, y_mm, 0.0, x_mm=1.0)[:, 0]
    return np.asarray(top - belt + z_mm * ((right - left) / (2 * half) + front - back))


@pytest.mark.parametrize("heads", ["ab", "a", "b"])
def test_calibration_terms_say_what_the_calibration_says(heads: str) -> None:
    # the faces of a small prism moved by the scanner's own modes; all within the covered region
    calibration = read_calibration(Path(__file__).parent / "references" / "scanner-1.json")
    errors = CalibrationErrors(shape_geometry(calibration, list(heads)).heads)
    for y in (-100.0, -40.0, 0.0, 60.0, 120.0):
        for z in (10.0, 20.0, 35.0):
            gain = np.mean([gain_of_a_prism(calibration, head, y, z) for head in heads], axis=0)
            assert errors.u_mm(y, z) == pytest.approx(np.sqrt(np.square(gain).sum()), rel=0.1)
