"""From frames to certificate on the shipped recordings, whose scene is known."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from geomscan.commissioning.calibrate import Evidence, calibrate, recompute
from geomscan.commissioning.joint import fit_passes
from geomscan.commissioning.passes import Passes
from geomscan.commissioning.verify import Limits, Verification, judge, verify
from geomscan.errors import CalibrationError, InputError
from geomscan.files import shipped_folder
from geomscan.recording.block import read_block
from geomscan.recording.recording import Recording, open_recording
from geomscan.report.certificate import Check, certificate_page, refusal_page
from geomscan.scanner import ScannerCalibration, read_calibration, write_calibration

SAMPLES, BLOCKS = shipped_folder("sample_images"), shipped_folder("calibration")
STAIRCASE, OTHER = read_block(BLOCKS / "staircase.toml"), read_block(BLOCKS / "check-block.toml")

# the scene files beside the recordings: [encoder] mm_per_count, [lasers.main] tilt, skew, source
MM_PER_COUNT, TILT_DEG, SKEW_DEG, SOURCE_MM = 0.0497, 0.8, -0.6, (6.0, 900.0)


@pytest.fixture(scope="module")
def recordings() -> Iterator[list[Recording]]:
    opened = [open_recording(SAMPLES / f"pass-{i}") for i in (1, 2, 3)]
    yield opened
    for recording in opened:
        recording.close()


@pytest.fixture(scope="module")
def made(recordings: list[Recording]) -> tuple[ScannerCalibration, Evidence]:
    return calibrate(recordings, STAIRCASE)


@pytest.fixture(scope="module")
def checked(made: tuple[ScannerCalibration, Evidence]) -> Verification:
    with open_recording(SAMPLES / "check") as recording:
        return verify([recording], made[0], OTHER)


def test_the_scene_comes_back(made: tuple[ScannerCalibration, Evidence]) -> None:
    """Reference: the scene that the recordings were made from; within k = 3, and fine enough."""
    own = made[0]
    assert abs(own.mm_per_count / MM_PER_COUNT - 1) < 2e-4
    assert abs(own.mm_per_count - MM_PER_COUNT) < 3 * own.u_mm_per_count
    sheet = own.sheets["main"]
    assert abs(sheet.tilt_deg - TILT_DEG) < 3 * sheet.u_tilt_deg
    assert abs(sheet.skew_deg - SKEW_DEG) < 3 * sheet.u_skew_deg
    assert sheet.u_tilt_deg < 0.05
    for figures in own.figures["heads"].values():
        assert figures["row_rms_px"] < 1.2 * figures["row_noise_px"]


def test_cameras_stand_where_the_scene_put_them(made: tuple[ScannerCalibration, Evidence]) -> None:
    """Reference: the scene: head a 1000 mm away at 38° upstream, b 1020 mm at 35.5° downstream."""
    eye = made[0].heads["a"].centre_mm
    assert eye is not None
    assert np.hypot(eye[0], eye[2]) == pytest.approx(1000, rel=0.06)
    assert np.degrees(np.arctan2(eye[0], eye[2])) == pytest.approx(38, abs=2)
    other = made[0].heads["b"].centre_mm
    assert other is not None
    assert other[0] < 0 < eye[0]


def test_another_block_is_measured_true(checked: Verification) -> None:
    """Reference: the other block's certificate; heights to 0.01, widths and length to 0.06 mm."""
    found = checked
    assert len(found.steps) == 2 * 3
    assert len(found.widths) == 2 * 4
    assert max(abs(step.error_mm) for step in found.steps) < 0.010
    assert max(abs(width.error_mm) for width in found.widths) < 0.060
    assert found.length_mm is not None
    assert found.certified_length_mm is not None
    assert abs(found.length_mm - found.certified_length_mm) < 0.060
    assert max(abs(step.e_n) for step in found.steps) <= 1
    assert found.passed
    tight = judge(found, OTHER, Limits(height_error_mm=1e-6))
    assert "more than 1e-06 mm" in tight[0]
    assert not judge(found, OTHER, Limits(height_error_mm=0.01, width_error_mm=0.06))


def test_it_can_be_recomputed_from_its_own_file(
    made: tuple[ScannerCalibration, Evidence], tmp_path: Path
) -> None:
    """Parameters are pushed off before: the file's observations bring them back."""
    write_calibration(made[0], tmp_path / "scanner.json")
    own = read_calibration(tmp_path / "scanner.json")
    u = np.sqrt(np.diag(own.covariance))
    values, vectors = np.linalg.eigh(own.covariance)
    drawn = np.random.default_rng(4).normal(size=u.size)
    push = vectors @ (np.sqrt(np.maximum(values, 0)) * drawn)
    assert np.max(np.abs(push) / u) > 1
    pushed = replace(own, parameters=own.parameters + push)
    again = recompute(pushed)
    # rounding of the stored observations and the fit's own stop are far below u
    assert np.max(np.abs(again.values - made[0].parameters) / u) < 0.05
    assert np.sqrt(np.diag(again.covariance)) == pytest.approx(u, rel=0.01)
    with pytest.raises(InputError, match="no observations"):
        recompute(replace(own, observations={}))


def test_the_certificate_says_it_all(
    made: tuple[ScannerCalibration, Evidence], checked: Verification
) -> None:
    check = Check(name="height residual, rms mm", found=0.002, limit=0.001)
    page = certificate_page(
        *made, checks=[check], previous=made[0], as_found=checked, as_left=checked
    )
    for text in (
        "not met", "S-5-120", "7.0 °C", "turned end for end", "Uncertainty budget", "combined u",
        "As found, as left", "lock out", "One more pass",
        made[0].origin["passes"][0]["sha256"][:16],
    ):  # fmt: skip
        assert text in page
    assert "<script" not in page
    assert "http" not in page.split("<body>")[1]


def test_a_refusal_page_names_the_fault() -> None:
    page = refusal_page(
        "pass-2: belt slip <b>", block=STAIRCASE, recordings=["pass-1"], pictures={"p": np.eye(8)}
    )
    assert "pass-2: belt slip &lt;b&gt;" in page
    assert "No calibration file was written" in page


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "message"),
    [
        ("slip", r"^pass-2: belt slip: .* counted [+](2\.0|1\.9)\d ± 0\.0\d %"),
        ("rows", r"^pass-2: the camera of head a moved .* the bare belt stands [+]0\.40 rows off"),
        # three passes and two heads don't tell which of them moved sideways
        ("columns", "the camera of head [ab] moved"),
        ("step", "wrong block: .* height"),
        ("across", "wrong block: .* across"),
        ("mirrored", "the block file is mirrored"),
        ("seat", "pass-2: "),
    ],
)
def test_spoiled_input_is_named(
    made: tuple[ScannerCalibration, Evidence], fault: str, message: str
) -> None:
    passes, block = made[1].passes, STAIRCASE
    lines, found = dict(passes.lines), dict(passes.found)
    if fault == "slip":
        for h in (0, 1):
            lines[h, 1] = replace(lines[h, 1], travel=1.02 * lines[h, 1].travel)
    elif fault == "rows":
        lines[0, 1] = replace(
            lines[0, 1], row_px=lines[0, 1].row_px + 0.4, seen_px=lines[0, 1].seen_px + 0.4
        )
        found[0, 1] = replace(found[0, 1], belt_row_px=found[0, 1].belt_row_px + 0.4)
    elif fault == "columns":
        # frames are read again by column, so that they move the other way round
        lines[0, 1] = replace(lines[0, 1], column_px=lines[0, 1].column_px + 2.0)
    elif fault == "seat":
        for h in (0, 1):
            on_block = np.abs(found[h, 1].rise_px) > 5
            up = np.sign(np.nanmedian(found[h, 1].rise_px[on_block]))
            lines[h, 1] = replace(
                lines[h, 1], row_px=lines[h, 1].row_px + np.where(on_block, up * 0.5, 0)
            )
    else:
        points = [list(p) for p in block.points]
        for p in points:
            if fault == "step" and p[1] == 30:
                p[1] = 30.5
            if fault == "across" and p[0] == 48:
                p[0] = 48.5
        if fault == "mirrored":
            points = [[120 - a, h] for a, h in points[::-1]]
        block = block.model_copy(update={"points": tuple((a, h) for a, h in points)})
    spoiled = Passes(
        names=passes.names, heads=passes.heads, recordings=passes.recordings, lines=lines,
        found=found, matches=passes.matches,
    )  # fmt: skip
    if fault == "mirrored":
        with pytest.raises(CalibrationError, match=message):
            calibrate(passes.recordings, block)
        return
    with pytest.raises(CalibrationError, match=message):
        fit_passes(spoiled, block)


def test_observations_are_plain_numbers(made: tuple[ScannerCalibration, Evidence]) -> None:
    text = json.dumps(made[0].observations, allow_nan=False)
    assert len(text) > 1000
