"""The main job on the shipped recordings: calibrate, verify, measure, compare with the truth."""

import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.calibrate import calibrate
from geomscan.commissioning.verify import Verification, verify
from geomscan.errors import InputError
from geomscan.files import new_folder, plain, shipped_folder
from geomscan.recording.block import read_block
from geomscan.recording.recording import open_recording
from geomscan.report.certificate import certificate_page
from geomscan.results.reader import Results, read_profiles, read_results
from geomscan.runs.measure import MeasureOptions, measure
from geomscan.scanner.calibration import ScannerCalibration, write_calibration

__all__ = ["DemoSummary", "run_demo"]

PASSES = ("pass-1", "pass-2", "pass-3")
ANGLES_DEG = (0.0, 45.0)
MARK = "demo.json"


@dataclass(frozen=True, kw_only=True, slots=True)
class DemoSummary:
    """What the demo found, and how far from the simulated truth."""

    out: Path
    lines: tuple[str, ...]
    figures: dict[str, Any]


def run_demo(out: Path) -> DemoSummary:
    """Run the demo into a folder; one that an earlier demo made is replaced.

    Raises
    ------
    InputError
        If the folder exists and is not an earlier demo's.
    """
    started = time.perf_counter()
    if out.exists() and not (out / MARK).is_file():
        msg = f"{out}: exists and is no earlier demo's folder: name another one with --out"
        raise InputError(msg)
    samples, blocks = shipped_folder("sample_images"), shipped_folder("calibration")
    with new_folder(out, replace=True) as folder:
        calibration = _calibrate(samples, blocks, folder / "scanner.json")
        check = verify(
            [open_recording(samples / "check")],
            calibration,
            read_block(blocks / "check-block.toml"),
        )
        measure(
            samples / "pieces",
            folder / "pieces",
            calibration=folder / "scanner.json",
            settings=samples / "settings.toml",
            options=MeasureOptions(angles_deg=ANGLES_DEG),
        )
        truth = json.loads((samples / "pieces" / "truth.json").read_text(encoding="utf-8"))
        figures = _compare(folder / "pieces", truth, calibration, check)
        figures["seconds"] = time.perf_counter() - started
        lines = _lines(figures, out)
        text = json.dumps({"simulated": True, **plain(figures)}, indent=1) + "\n"
        (folder / MARK).write_text(text, encoding="utf-8")
    return DemoSummary(out=out, lines=lines, figures=figures)


def _calibrate(samples: Path, blocks: Path, path: Path) -> ScannerCalibration:
    recordings = [open_recording(samples / name) for name in PASSES]
    calibration, evidence = calibrate(recordings, read_block(blocks / "staircase.toml"))
    write_calibration(calibration, path)
    page = certificate_page(calibration, evidence)
    path.with_suffix(".html").write_text(page, encoding="utf-8")
    return calibration


def _compare(
    folder: Path, truth: dict[str, Any], calibration: ScannerCalibration, check: Verification
) -> dict[str, Any]:
    """Everything the summary says, as numbers."""
    results = read_results(folder)
    pairs = _pairs(results, truth)
    return {
        "passes": len(PASSES),
        "mm_per_count": calibration.mm_per_count,
        "mm_per_count_error_percent": 100 * (calibration.mm_per_count / truth["mm_per_count"] - 1),
        "tilt_error_deg": calibration.tilt_deg - truth["tilt_deg"],
        "skew_error_deg": calibration.skew_deg - truth["skew_deg"],
        "check_passed": check.passed,
        "check_height_error_mm": max(abs(step.error_mm) for step in check.steps),
        "check_width_error_mm": max(abs(width.error_mm) for width in check.widths),
        "n_pieces": len(results.pieces),
        "n_true_pieces": len(truth["pieces"]),
        "volume_error_percent": [
            100 * (found["volume_cm3"] / true["volume_cm3"] - 1) for found, true in pairs
        ],
        "u_volume_percent": [100 * f["u_volume_cm3"] / f["volume_cm3"] for f, _ in pairs],
        "mass_g": [found["mass_g"] for found, _ in pairs],
        "u_mass_g": [found["u_mass_g"] for found, _ in pairs],
        "lane": [found["lane"] for found, _ in pairs],
        "fat_area_error": [
            found["fat_area_fraction"] - true["fat_area_fraction"] for found, true in pairs
        ],
        "running_volume_error_percent": {
            f"{angle:g}": _running_error(read_profiles(folder), pairs, angle)
            for angle in ANGLES_DEG
        },
    }


def _pairs(results: Results, truth: dict[str, Any]) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Each true piece with the found one nearest to its leading edge and place across."""
    pairs = []
    for true in truth["pieces"]:
        found = min(
            results.pieces,
            key=lambda row: (
                abs(row["x0_mm"] - true["x0_belt_mm"]) + abs(row["y_mm"] - true["y_mm"])
            ),
        )
        pairs.append((found, true))
    return pairs


def _running_error(
    table: dict[str, npt.NDArray[np.float64]],
    pairs: list[tuple[dict[str, Any], dict[str, Any]]],
    angle: float,
) -> float:
    """Greatest error of the running volume, in percent of its piece, counted from s."""
    errors = []
    for found, true in pairs:
        chosen = (table["piece"] == found["piece"]) & (table["angle_deg"] == angle)
        running = true[f"cum_{angle:g}"]
        at = np.interp(running["s_mm"], table["s_mm"][chosen], table["cumulative_cm3"][chosen])
        errors.append(np.max(np.abs(at - running["cm3"])) / true["volume_cm3"])
    return float(100 * max(errors))


def _lines(figures: dict[str, Any], out: Path) -> tuple[str, ...]:
    """Ten lines for people."""
    volume = np.array(figures["volume_error_percent"])
    u_volume = np.array(figures["u_volume_percent"])
    mass, u_mass = np.array(figures["mass_g"]), np.array(figures["u_mass_g"])
    lane = np.array(figures["lane"])
    running = figures["running_volume_error_percent"]
    return (
        "geomscan demo: a line that portions turkey breast and trout; recordings are simulated.",
        f"1. calibrated on {figures['passes']} passes of a five-step block: "
        f"{figures['mm_per_count']:.6f} mm per count "
        f"({figures['mm_per_count_error_percent']:+.3f} % from the truth), "
        f"tilt {figures['tilt_error_deg']:+.3f}°, "
        f"skew {figures['skew_error_deg']:+.3f}°",
        f"2. verified on a second block: {'passed' if figures['check_passed'] else 'NOT passed'}, "
        f"heights within {figures['check_height_error_mm']:.4f} mm, "
        f"widths within {figures['check_width_error_mm']:.3f} mm of its certificate",
        f"3. found {figures['n_pieces']} pieces ({figures['n_true_pieces']} are there), "
        f"{np.sum(lane == 1)} in lane 1, {np.sum(lane == 2)} in lane 2",
        f"4. volume: within {np.abs(volume).max():.2f} % of the truth "
        f"(mean {volume.mean():+.2f} %), claimed u {np.median(u_volume):.2f} %",
        f"5. mass, at the density of settings.toml: {mass.min():.1f} to {mass.max():.1f} g, "
        f"u {np.median(u_mass):.1f} g each; not a legal weighing",
        f"6. fat share of the plan area: within {np.abs(figures['fat_area_error']).max():.3f} "
        "of the truth",
        f"7. running volume from the leading edge: within {running['0']:.2f} % of the piece at 0°, "
        f"{running['45']:.2f} % at 45°",
        f"8. {figures['seconds']:.0f} s from frames to pages; maps, profiles and planner documents "
        f"lie in {out}/pieces",
        f"9. open {out}/pieces/report.html and {out}/scanner.html; "
        "then README.md says how to go on with your own scans",
    )
