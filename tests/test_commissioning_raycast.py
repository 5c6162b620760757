"""Calibration and verification on ray-cast recordings of an independent program, truth known."""

import json
from pathlib import Path

import pytest

from geomscan.commissioning.calibrate import Evidence, calibrate
from geomscan.commissioning.verify import verify
from geomscan.recording.block import read_block
from geomscan.recording.recording import open_recording
from geomscan.scanner import ScannerCalibration

RAYCAST = Path(__file__).parents[1].parent / "shared" / "raycast"

pytestmark = [
    pytest.mark.real_data,
    pytest.mark.slow,
    pytest.mark.skipif(not RAYCAST.is_dir(), reason="the ray-cast recordings are not here"),
]


@pytest.fixture(scope="module")
def made() -> tuple[ScannerCalibration, Evidence]:
    recordings = [open_recording(RAYCAST / f"block{i}") for i in range(5)]
    return calibrate(recordings, read_block(RAYCAST / "staircase.toml"))


def test_scanner_constants(made: tuple[ScannerCalibration, Evidence]) -> None:
    """Reference: truth.json. Belt to 0.02 %, angles to 0.03°, rows to 1.2 × their noise."""
    truth = json.loads((RAYCAST / "truth.json").read_text())
    own = made[0]
    sheet = own.sheets["main"]
    assert own.mm_per_count == pytest.approx(truth["mm_per_count"], rel=2e-4)
    assert abs(sheet.tilt_deg - truth["tilt_deg"]) < 0.03
    assert abs(sheet.skew_deg - truth["skew_deg"]) < 0.03
    assert abs(sheet.tilt_deg - truth["tilt_deg"]) < 3 * sheet.u_tilt_deg
    assert abs(sheet.skew_deg - truth["skew_deg"]) < 3 * sheet.u_skew_deg
    for figures in own.figures["heads"].values():
        assert figures["row_rms_px"] < 1.2 * figures["row_noise_px"]


def test_second_block(made: tuple[ScannerCalibration, Evidence]) -> None:
    """Reference: the second block, exact by construction: heights 0.010, widths, length 0.06 mm."""
    found = verify(
        [open_recording(RAYCAST / "check_block")],
        made[0],
        read_block(RAYCAST / "second-block.toml"),
    )
    assert max(abs(step.error_mm) for step in found.steps) < 0.010
    assert max(abs(width.error_mm) for width in found.widths) < 0.060
    assert found.length_mm == pytest.approx(100.0, abs=0.06)
    assert found.passed


def test_bare_belt_is_flat(made: tuple[ScannerCalibration, Evidence]) -> None:
    """Reference: the belt was a plane when it was rendered."""
    found = verify([open_recording(RAYCAST / "bare")], made[0], None)
    for flat in found.flatness:
        assert abs(flat.mean_mm) < 0.005
        assert flat.rms_mm < 0.010
