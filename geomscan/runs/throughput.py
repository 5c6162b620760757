"""From frames in memory to finished profiles: lines a second, and the wait after a last line.

Belt and pieces are drawn into the workload's frames; the calibration is built in: a flat map of
0.2 mm a column and 0.4 mm a row, one head looking along the belt at 37°.
"""

import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geomscan.laser_line.extract import extract_lines
from geomscan.laser_line.noise import NoiseModel
from geomscan.laser_line.settings import LineSettings
from geomscan.mass.density import TissueDensity
from geomscan.runs.ahead import ahead
from geomscan.runs.chain import MeasuredPiece, find_pieces, measure_found, measure_piece
from geomscan.runs.scan import BLOCKS_AHEAD
from geomscan.runs.settings import Settings
from geomscan.runs.workload import (
    ELECTRONS_PER_GREY,
    N_COLUMNS,
    N_ROWS,
    READ_NOISE_GREY,
    Workload,
    draw_frames,
    wandering_lines,
)
from geomscan.scanner.calibration import Region, ScannerCalibration, Sheet
from geomscan.scanner.head import HeadModel
from geomscan.shape.finder import PieceFinder
from geomscan.shape.from_scanner import rows_to_mm
from geomscan.shape.geometry import BeltLines, HeadGeometry, HeadLines, ShapeGeometry
from geomscan.shape.piece_map import PieceMap

__all__ = ["Throughput", "measure_throughput"]

Frames = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]

PIECE_LINES, GAP_LINES = 400, 60
PITCH_MM, COLUMN_MM, ROW_MM = 0.5, 0.2, 0.4
BELT_ROW = 108.0
BLOCK, LAST_BLOCK = 64, 8  #: lines handed over at once: for throughput, and live
_DENSITY = TissueDensity(lean_kg_m3=1060.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Throughput:
    """Figures of one run."""

    lines_per_s: float  #: frames in memory to profiles, two cores
    latency_ms: npt.NDArray[np.float64]  #: to the profile, one thread, a value a piece
    pieces_lines_per_s: float  #: frames in memory to pieces: no tissue, mass or profile
    pieces_latency_ms: npt.NDArray[np.float64]  #: to the piece
    n_pieces: int


def measure_throughput(*, n_lines: int = 2000, n_rounds: int = 3) -> Throughput:
    """Measure the whole chain on drawn frames.

    Latency is the computing time from the hand-over of the eight lines that complete a piece to
    its finished profile: the laser line of these lines, their millimetres, the piece, its tissue,
    mass and profile at 0°.
    """
    frames = draw_frames(_with_pieces(n_lines))
    _waits(frames[: PIECE_LINES + 4 * GAP_LINES])  # compile
    to_profiles: list[float] = []
    to_pieces: list[float] = []
    n_pieces = 0
    for _ in range(n_rounds):
        for rates, run in ((to_profiles, _measured_pieces), (to_pieces, _pieces)):
            begin = time.perf_counter()
            n_pieces = sum(1 for _ in run(frames))
            rates.append(n_lines / (time.perf_counter() - begin))
    waits_ms = 1e3 * np.array(_waits(frames))
    return Throughput(
        lines_per_s=float(np.median(to_profiles)), latency_ms=waits_ms[:, 1],
        pieces_lines_per_s=float(np.median(to_pieces)), pieces_latency_ms=waits_ms[:, 0],
        n_pieces=n_pieces,
    )  # fmt: skip


def _with_pieces(n_lines: int) -> Workload:
    """Draw half ellipsoids in two lanes, one lane half a piece behind the other."""
    whole = wandering_lines(n_lines)
    line, column = np.arange(n_lines)[:, None], np.arange(N_COLUMNS)[None, :]
    height_mm = np.zeros((n_lines, N_COLUMNS))
    period = PIECE_LINES + GAP_LINES
    for lane, tall_mm, behind in ((0.27, 28.0, 0.0), (0.73, 24.0, period / 2)):
        for middle in np.arange(behind + GAP_LINES + PIECE_LINES / 2, n_lines, period):
            along = (line - middle) / (PIECE_LINES / 2)
            across = (column - lane * N_COLUMNS) / (50.0 / COLUMN_MM)
            dome = tall_mm * np.sqrt(np.clip(1 - along**2 - across**2, 0, None))
            height_mm = np.maximum(height_mm, dome)
    row = (BELT_ROW - height_mm / ROW_MM).astype(np.float32)
    far = np.abs(whole.second_row_px - row) > 5 * whole.sigma_px + 3
    return replace(
        whole, row_px=row, second_row_px=np.where(far, whole.second_row_px, np.float32(np.nan))
    )


def _blocks(frames: Frames, n_block: int) -> Iterator[tuple[BeltLines, dict[str, HeadLines]]]:
    """Lines in millimetres, block by block."""
    calibration = _flat_scanner()
    noise = NoiseModel(electrons_per_grey=ELECTRONS_PER_GREY, read_noise_grey=READ_NOISE_GREY)
    settings, last = LineSettings(), None
    for start in range(0, len(frames), n_block):
        last = extract_lines(
            frames[start : start + n_block], noise=noise, settings=settings, bit_depth=8,
            before=last,
        )  # fmt: skip
        in_mm = rows_to_mm(
            calibration, "a", last.row_px, first_column=0, u_row_px=last.u_row_px,
            reflectance=last.reflectance, line_width_px=last.width_px,
        )  # fmt: skip
        e_mm = PITCH_MM * np.arange(start, start + len(in_mm.y_mm), dtype=np.float64)
        yield BeltLines(e_mm=e_mm), {"a": in_mm}


def _pieces(frames: Frames) -> Iterator[PieceMap]:
    """Run all frames through as a recording is: the extraction goes ahead."""
    blocks = ahead(_blocks(frames, BLOCK), BLOCKS_AHEAD)
    return find_pieces(PieceFinder(_flat_geometry(), Settings().shape), blocks)


def _measured_pieces(frames: Frames) -> Iterator[MeasuredPiece]:
    return measure_found(_pieces(frames), Settings(), _DENSITY)


def _waits(frames: Frames) -> list[tuple[float, float]]:
    """Seconds from the hand-over of a block that completes a piece to the piece and its profile."""
    finder = PieceFinder(_flat_geometry(), Settings().shape)
    waits: list[tuple[float, float]] = []
    begin = time.perf_counter()
    for belt, heads in _blocks(frames, LAST_BLOCK):
        pieces = finder.push(belt, heads)
        found = time.perf_counter() - begin
        for piece in pieces:
            measure_piece(piece, Settings(), _DENSITY)
            waits.append((found, time.perf_counter() - begin))
        begin = time.perf_counter()
    return waits


def _flat_scanner() -> ScannerCalibration:
    """Build the calibration in: rows and columns are millimetres up to a factor."""
    size = (N_COLUMNS, N_ROWS)
    half = N_COLUMNS / 2
    middle_row = (N_ROWS - 1) / 2
    homography = np.array(
        [
            [COLUMN_MM * half, 0.0, 0.0],
            [0.0, -ROW_MM * half, ROW_MM * (BELT_ROW - middle_row)],
            [0.0, 0.0, 1.0],
        ]
    )
    head = HeadModel(
        name="a", laser="main", sensor_size=size, homography=homography, distortion=np.zeros(5)
    )
    edge = np.array([-205.0, 205.0])
    return ScannerCalibration(
        heads={"a": head},
        sheets={"main": Sheet(laser="main", tilt_deg=0, skew_deg=0, u_tilt_deg=0, u_skew_deg=0)},
        mm_per_count=PITCH_MM,
        u_mm_per_count=0.0,
        parameter_names=(),
        parameters=np.empty(0),
        covariance=np.empty((0, 0)),
        regions={"a": Region(y_mm=edge, low_mm=np.zeros(2), high_mm=np.full(2, 60.0))},
    )


def _flat_geometry() -> ShapeGeometry:
    head = HeadGeometry(fan_mm=(0.0, 900.0), viewpoint_mm=(640.0, 0.0, 850.0))
    return ShapeGeometry(
        heads={"a": head}, y_first_mm=-205.0, y_last_mm=205.0, mm_per_count=PITCH_MM
    )
