"""Laser lines of whole stacks of frames, frame after frame, on several threads."""

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from statistics import NormalDist
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.errors import InputError
from geomscan.laser_line.biweight import biweight_constants
from geomscan.laser_line.flanks import fit_flanks
from geomscan.laser_line.kernels import background, brightest, flatten, refine, runner_up
from geomscan.laser_line.lines import LaserLines, Quality
from geomscan.laser_line.noise import QUANTISATION_GREY2, NoiseModel
from geomscan.laser_line.settings import LineSettings

__all__ = ["extract_lines", "new_lines"]

_TILE = 256
_NO_LINE = int(Quality.NO_LINE)
_CLIPPED = int(Quality.CLIPPED)
_SECOND = int(Quality.SECOND_PEAK)
_BORDER = int(Quality.AT_BORDER)
_WIDE = int(Quality.WIDE)


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


@njit(nogil=True, cache=True, fastmath={"reassoc", "contract", "arcp", "nsz"})
def _extract_chunk(
    frames: Any,
    first: int,
    stop: int,
    index: Any,
    noise: Any,
    limits: Any,
    gain: Any,
    share: Any,
    x_over_spread: Any,
    shot: Any,
    flat: float,
    row_px: Any,
    u_px: Any,
    light: Any,
    width: Any,
    doubt: Any,
    quality: Any,
) -> None:
    """Extract frames first to stop into the output arrays."""
    _, n_rows, n_columns = frames.shape
    half, top, z, min_width, ratio = int(limits[0]), limits[1], limits[2], limits[3], limits[4]
    best = np.empty((2, n_columns), frames.dtype)
    where = np.empty((2, n_columns), index.dtype)
    second = np.empty((2, n_columns), frames.dtype)
    at_second = np.empty((2, n_columns), index.dtype)
    apart = np.empty(n_columns, index.dtype)
    buffers = np.empty((3, n_columns), np.float32)
    grey = np.empty(n_columns, np.float32)
    tile = np.empty((2 * half + 1, _TILE), frames.dtype)
    columns = np.empty(_TILE, np.int32)
    start = np.empty(_TILE, np.float32)
    peak = np.empty(_TILE, np.float32)
    work = np.empty((5, _TILE), np.float32)
    found = np.empty((4, _TILE), np.float32)
    fitted = np.empty(4, np.float64)
    for line in range(first, stop):
        frame = frames[line]
        now = brightest(frame, best, where)
        top_value, row = best[now], where[now]
        background(frame, row, half, noise, buffers[0], buffers[1], buffers[2], grey)
        for c0 in range(0, n_columns, _TILE):
            n = min(_TILE, n_columns - c0)
            for j in range(n):
                columns[j] = c0 + j
                start[j] = half
                peak[j] = top_value[c0 + j]
            flatten(frame, columns[:n], row[c0 : c0 + n], half, grey[c0 : c0 + n], tile)
            refine(
                tile,
                0,
                2 * half + 1,
                0,
                n,
                peak[:n],
                grey[c0 : c0 + n],
                half,
                noise,
                gain,
                share,
                x_over_spread,
                shot,
                flat,
                start[:n],
                work[:, :n],
                found[:, :n],
            )
            for j in range(n):
                row_px[line, c0 + j] = row[c0 + j] + start[j] - half
                u_px[line, c0 + j] = found[0, j]
                light[line, c0 + j] = found[1, j]
                width[line, c0 + j] = found[2, j]
                apart[c0 + j] = min(half, int(3.5 * found[2, j]) + 2)
        later = runner_up(frame, row, apart, second, at_second)
        rival = second[later]
        for c in range(n_columns):
            height = top_value[c] - grey[c]
            variance = max(grey[c] - noise[2], 0.0) / noise[0] + noise[1]
            skew = max(grey[c] - noise[2], 0.0) / (noise[0] * noise[0] * variance)
            least = z * math.sqrt(variance) + (z * z - 1) / 6 * skew
            other = rival[c] - grey[c]
            q = 0
            share_of = max(other, 0.0) / max(height, 0.5)
            if other > least and share_of >= ratio:
                q |= _SECOND
            doubt[line, c] = min(255, int(share_of * 255 + 0.5))
            reach = 2.0 * width[line, c]
            if row_px[line, c] < reach or row_px[line, c] > n_rows - 1 - reach:
                q |= _BORDER
            if top_value[c] >= top:
                q |= _CLIPPED
            if q & (_BORDER | _CLIPPED) and fit_flanks(
                frame, c, int(row[c]), top, grey[c], noise, fitted
            ):
                row_px[line, c] = fitted[0]
                u_px[line, c] = fitted[1]
                light[line, c] = fitted[2]
                width[line, c] = fitted[3]
            if height < least or width[line, c] < min_width:
                q = _NO_LINE
                doubt[line, c] = 0
                row_px[line, c] = np.nan
                u_px[line, c] = np.nan
                light[line, c] = np.nan
                width[line, c] = np.nan
            quality[line, c] = q


def extract_lines(
    frames: npt.NDArray[np.uint8] | npt.NDArray[np.uint16],
    *,
    noise: NoiseModel,
    settings: LineSettings,
    bit_depth: int,
    n_threads: int = 1,
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
    constants = biweight_constants()
    z = NormalDist().inv_cdf(1 - settings.false_line_rate / n_rows)
    half = min(settings.half_window_px, max(1, (n_rows - 1) // 2))
    limits = (
        float(half),
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

    def run(piece: tuple[int, int]) -> None:
        _extract_chunk(
            frames, *piece, index, measured, limits, constants.gain, constants.share,
            constants.x_over_spread, constants.shot, constants.flat, lines.row_px, lines.u_row_px,
            lines.reflectance, lines.width_px, lines.doubt, lines.quality,
        )  # fmt: skip

    pieces = _pieces(n_lines, n_threads)
    if n_threads == 1 or len(pieces) == 1:
        for piece in pieces:
            run(piece)
    else:
        with ThreadPoolExecutor(n_threads) as pool:
            list(pool.map(run, pieces))
    return lines


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
