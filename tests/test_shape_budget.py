"""Terms of a piece's budget against what they stand for."""

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from shape_study import uneven_mm

from geomscan.scanner.calibration import ScannerCalibration, read_calibration
from geomscan.scanner.modes import common_modes
from geomscan.shape.belt_zero import BeltZero
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


def zero_below_a_piece(
    rng: np.random.Generator, long_mm: float, wide_mm: float
) -> tuple[float, float]:
    """Belt zero below an oval piece on an uneven belt, less the belt there, and its u."""
    x = np.arange(0.0, 130.0 + long_mm, 0.5)[:, None]
    y = np.arange(-60.0 - 0.5 * wide_mm, 60.0 + 0.5 * wide_mm, 0.5)
    belt = uneven_mm(rng, x, y)
    on = ((x - 60.0 - 0.5 * long_mm) / long_mm) ** 2 + (y / wide_mm) ** 2 < 0.25
    stop = int((60.0 + long_mm + 6.0) / 0.5)
    rows = np.ones((stop, len(y), 9), dtype=np.float32)
    rows[:, :, 1] = (belt + rng.normal(0.0, 0.02, belt.shape) + 20.0 * on)[:stop]
    zero = BeltZero(len(y))
    zero.start(rows[:64, :, 1], rows[:64, :, 0])
    whole = np.empty(rows.shape[:2], dtype=np.float32)
    for first in range(0, stop, 48):
        zero.follow(rows[first : first + 48], whole[first : first + 48])
    cells = slice(112, len(y) - 112)
    free = cv2.dilate(on.astype(np.uint8), np.ones((17, 17), np.uint8)) == 0
    window = slice(20, stop)
    zero.sum_bare(whole[: stop - 30], free[: stop - 30])
    last = whole[stop - 30 :], free[stop - 30 : stop]
    found = zero.around(window, cells, first=window.start, last=last)
    level = found.level_mm + found.drift_mm[:, None]
    return float((level - belt[window, cells])[on[window, cells]].mean()), found.u_zero_mm


@pytest.mark.parametrize(("long_mm", "wide_mm"), [(40.0, 24.0), (120.0, 70.0)])
def test_u_of_belt_zero_is_its_scatter(long_mm: float, wide_mm: float) -> None:
    # scatter over 60 drawn belts; waves as long as the piece leave few independent patches, so
    # that both sides are known to 15 % or so
    found = [zero_below_a_piece(np.random.default_rng(k), long_mm, wide_mm) for k in range(60)]
    error, u = np.sqrt(np.square(found).mean(axis=0))
    assert u == pytest.approx(error, rel=0.3)
