"""Ray-cast recordings with known truth, by an independent program: frames to pieces."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geomscan.laser_line.extract import extract_lines
from geomscan.laser_line.noise import NoiseModel
from geomscan.laser_line.settings import LineSettings
from geomscan.recording.block import read_block
from geomscan.recording.recording import open_recording
from geomscan.scanner.calibration import ScannerCalibration
from geomscan.shape.finder import PieceFinder
from geomscan.shape.from_scanner import belt_lines, lines_to_mm, shape_geometry
from geomscan.shape.piece_map import PieceMap
from geomscan.shape.settings import ShapeSettings

FOLDER = Path(__file__).parents[1].parent / "shared" / "raycast"
pytestmark = [
    pytest.mark.slow,
    pytest.mark.real_data,
    pytest.mark.skipif(not FOLDER.is_dir(), reason="the ray-cast recordings are not here"),
]


@pytest.fixture(scope="module")
def calibration() -> ScannerCalibration:
    from geomscan.commissioning.calibrate import calibrate

    passes = [open_recording(FOLDER / f"block{i}") for i in range(5)]
    return calibrate(passes, read_block(FOLDER / "staircase.toml"))[0]


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return dict(json.loads((FOLDER / "truth.json").read_text()))


def measure(calibration: ScannerCalibration, name: str, heads: list[str]) -> list[PieceMap]:
    recording = open_recording(FOLDER / name)
    noise = NoiseModel(electrons_per_grey=40.0, read_noise_grey=0.4)
    finder = PieceFinder(
        shape_geometry(calibration, heads, first_count=float(recording.lines.count[0])),
        ShapeSettings(), recording.manifest.belt.lanes,
    )  # fmt: skip
    pieces = []
    for blocks in zip(*(recording.blocks(head) for head in heads), strict=True):
        lines = {}
        for head, (_, frames) in zip(heads, blocks, strict=True):
            axes = recording.head(head).line_axes()
            found = extract_lines(frames, noise=noise, settings=LineSettings(), bit_depth=8)
            lines[head] = lines_to_mm(
                calibration, head, found, first_column=axes[2], first_row=axes[3]
            )
        first, frames = blocks[0]
        belt = belt_lines(
            recording.lines, first, first + len(frames), mm_per_count=calibration.mm_per_count
        )
        pieces += finder.push(belt, lines)
    return sorted(pieces + finder.finish(), key=lambda p: p.piece)


@pytest.mark.parametrize(
    ("name", "heads", "limits"),
    [
        # cap 90/30, box, cap 120/18, hemisphere in the order of their leading edges: box first
        ("shapes", ["a", "b"], [0.003, 0.001, 0.001, 0.001]),
        ("shapes", ["a"], [0.006, 0.006, 0.001, 0.03]),
        ("shapes", ["b"], [0.006, 0.006, 0.001, 0.03]),
        ("fillets", ["a", "b"], [0.002] * 6),
        ("fillets", ["a"], [0.006] * 6),
        ("fillets", ["b"], [0.006] * 6),
    ],
)
def test_volume_and_running_volume(
    calibration: ScannerCalibration, truth: dict[str, Any], name: str,
    heads: list[str], limits: list[float],
) -> None:  # fmt: skip
    pieces = measure(calibration, name, heads)
    expected = sorted(truth[name], key=lambda t: t["x0_belt_mm"])
    assert len(pieces) == len(expected)
    for piece, known, limit in zip(pieces, expected, limits, strict=True):
        volume = piece.cell_volume_mm3.sum() / 1000.0
        assert volume == pytest.approx(known["volume_cm3"], rel=limit)
        u = np.sqrt(sum(((t.delta_mm * piece.cover).sum() * 0.25e-3) ** 2 for t in piece.terms))
        assert abs(volume - known["volume_cm3"]) < 3.0 * u
        # no needle at the rim, where cells are covered in part or filled
        assert np.nanmax(piece.thickness_mm) == pytest.approx(known["height_mm"], abs=0.2)
        if len(heads) == 2:
            assert piece.x0_mm == pytest.approx(known["x0_belt_mm"], abs=0.6)
            rows = piece.cell_volume_mm3.sum(axis=1) / 1000.0
            edges = piece.x_first_mm + piece.cell_mm * (np.arange(len(rows) + 1) - 0.5)
            s = np.array(known["cum_0"]["s_mm"])
            running = np.interp(piece.x0_mm + s, edges, np.concatenate([[0.0], np.cumsum(rows)]))
            off = np.abs(running - np.array(known["cum_0"]["cm3"])).max()
            assert off < 0.004 * known["volume_cm3"]
