"""Laser lines of whole stacks of frames, frame after frame, on several threads."""

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from statistics import NormalDist
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.laser_line.biweight import biweight_constants
from geomscan.laser_line.choose import choose_peaks
from geomscan.laser_line.compiled import announced
from geomscan.laser_line.frame import extract_chunk
from geomscan.laser_line.lines import LaserLines
from geomscan.laser_line.noise import QUANTISATION_GREY2, NoiseModel
from geomscan.laser_line.settings import LineSettings
from geomscan.laser_line.tail import fit_tails, tail_side

__all__ = ["extract_lines", "new_lines"]

Result = TypeVar("Result")


def new_lines(n_lines: int, n_columns: int) -> LaserLines:
    """Make room for the laser lines of n_lines frames; pass it as `out` to use it again."""
    shape = (n_lines, n_columns)
    return LaserLines(
        row_px=np.empty(shape, np.float32),
        u_row_px=np.empty(shape, np.float32),
        reflectance=np.empty(shape, np.float32),
        width_px=np.empty(shape, np.float32),
        doubt=np.empty(shape, np.uint8),
        quality=np.empty(shape, np.uint8),
    )


def extract_lines(
    frames: npt.NDArray[np.uint8] | npt.NDArray[np.uint16],
    *,
    noise: NoiseModel,
    settings: LineSettings,
    bit_depth: int,
    n_threads: int = 1,
    before: LaserLines | None = None,
    out: LaserLines | None = None,
) -> LaserLines:
    """Measure the laser line of every column of every frame.

    Parameters
    ----------
    frames : (n_lines, n_rows, n_columns) uint8 or uint16, C-contiguous
        Rows are height; values right-aligned. Not copied.
    noise : NoiseModel
    settings : LineSettings
    bit_depth : int
        8 to 16: the top of the range, 2^bit_depth - 1, is taken for clipped.
    n_threads : int
        Threads that share the frames; each takes runs of neighbouring frames.
    before : LaserLines, optional
        Laser lines of the frames just before these, for the choice between peaks.
    out : LaserLines, optional
        Arrays from `new_lines` to fill instead of new ones.

    Returns
    -------
    LaserLines
        Arrays of shape (n_lines, n_columns).

    Raises
    ------
    InputError
        If shape, type, order, bit depth or number of threads are not as said above.
    """
    frames = _checked(frames, bit_depth, n_threads)
    n_lines, n_rows, n_columns = frames.shape
    lines = out if out is not None else new_lines(n_lines, n_columns)
    if lines.row_px.shape != (n_lines, n_columns):
        msg = f"out: expected arrays of shape {(n_lines, n_columns)}, got {lines.row_px.shape}"
        raise InputError(msg)
    index = np.zeros(1, np.uint8 if n_rows <= 256 and frames.dtype == np.uint8 else np.uint16)
    sums = np.zeros(1, np.uint16 if frames.dtype == np.uint8 else np.uint32)
    z = NormalDist().inv_cdf(1 - settings.false_line_rate / n_rows)
    limits = (
        float(settings.half_window_px),
        float(2**bit_depth - 1),
        z,
        settings.min_width_px,
        settings.second_peak_ratio,
    )
    measured = (
        noise.electrons_per_grey,
        noise.read_noise_grey**2 + QUANTISATION_GREY2,
        noise.black_level_grey,
    )
    *polynomials, flat = biweight_constants()
    constants = (*(tuple(coefficients) for coefficients in polynomials), np.float32(flat))

    def run(piece: tuple[int, int]) -> npt.NDArray[np.float64]:
        rivals: npt.NDArray[np.float64] = extract_chunk(
            frames, *piece, index, sums, measured, limits, constants, lines.row_px, lines.u_row_px,
            lines.reflectance, lines.width_px, lines.doubt, lines.quality,
        )  # fmt: skip
        return rivals

    pieces = _pieces(n_lines, n_threads)
    with announced(f"the extraction of {frames.dtype} frames", "extract_chunk"):
        rivals = _share_out(run, pieces, n_threads)
    if settings.choose_peaks and n_lines > 0:
        _choose(lines, np.concatenate(rivals), limits, n_rows, before)
    if settings.model == "tail" and n_lines > 0:
        side = {"larger": 1, "smaller": -1}.get(settings.tail_side) or tail_side(
            frames, lines.row_px, lines.quality, 8
        )

        def run_tails(piece: tuple[int, int]) -> None:
            fit_tails(
                frames, *piece, side, limits[1], measured, lines.row_px, lines.u_row_px,
                lines.reflectance, lines.width_px, lines.quality,
            )  # fmt: skip

        with announced("the tail model", "fit_tails"):
            _share_out(run_tails, pieces, n_threads)
    return lines


def _choose(
    lines: LaserLines,
    rivals: npt.NDArray[np.float64],
    limits: tuple[float, ...],
    n_rows: int,
    before: LaserLines | None,
) -> None:
    """Choose between peaks, with the rows of the last lines before these in mind."""
    n_columns = lines.row_px.shape[1]
    last_row = np.full(n_columns, np.nan, np.float32)
    last_age = np.zeros(n_columns, np.int32)
    if before is not None and before.row_px.size:
        last_row[:] = before.row_px[-1]
    choose_peaks(
        rivals, limits[4], limits[3], limits[1], n_rows, last_row, last_age, lines.row_px,
        lines.u_row_px, lines.reflectance, lines.width_px, lines.doubt, lines.quality,
    )  # fmt: skip


def _share_out(
    run: Callable[[tuple[int, int]], Result], pieces: Sequence[tuple[int, int]], n_threads: int
) -> list[Result]:
    """Run the pieces on several threads; results in the order of the pieces."""
    if n_threads == 1 or len(pieces) == 1:
        return [run(piece) for piece in pieces]
    with ThreadPoolExecutor(n_threads) as pool:
        return list(pool.map(run, pieces))


def _pieces(n_lines: int, n_threads: int) -> Sequence[tuple[int, int]]:
    """Cut the lines into runs of up to 50, at least one a thread."""
    size = max(1, min(50, math.ceil(n_lines / n_threads)))
    return [(first, min(n_lines, first + size)) for first in range(0, n_lines, size)]


def _checked(frames: Any, bit_depth: int, n_threads: int) -> Any:
    if (
        not isinstance(frames, np.ndarray)
        or frames.ndim != 3
        or frames.dtype not in (np.uint8, np.uint16)
    ):
        found = f"{getattr(frames, 'dtype', type(frames).__name__)} {getattr(frames, 'shape', '')}"
        msg = f"frames: expected uint8 or uint16 of shape (n_lines, n_rows, n_columns), got {found}"
        raise InputError(msg)
    if min(frames.shape[1:]) < 1 or frames.shape[1] < 5:
        msg = f"frames: expected at least 5 rows and 1 column, got {frames.shape[1:]}"
        raise InputError(msg)
    if not 8 <= bit_depth <= 8 * frames.dtype.itemsize:
        most = 8 * frames.dtype.itemsize
        msg = f"bit_depth: expected 8 to {most} for {frames.dtype}, got {bit_depth}"
        raise InputError(msg)
    if n_threads < 1:
        msg = f"n_threads: expected 1 or more, got {n_threads}"
        raise InputError(msg)
    if not frames.flags.c_contiguous:
        msg = "frames: expected a C-contiguous stack (rows are height), got a strided view"
        raise InputError(msg)
    return frames
