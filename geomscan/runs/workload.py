"""Frames to measure speed on: drawn with noise, in memory, always the same for the same seed."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["Workload", "draw_frames", "wandering_lines"]

#: the workload's camera
ELECTRONS_PER_GREY = 40.0
READ_NOISE_GREY = 0.4
BACKGROUND_GREY = 4.0
N_ROWS = 128
N_COLUMNS = 2048


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Workload:
    """What is drawn into every column; arrays of shape (n_lines, n_columns), float32.

    row_px and sigma_px describe the line, peak_grey its height over the background, second_row_px
    the row of a second peak (NaN = none) and second_grey its height.
    """

    row_px: npt.NDArray[np.float32]
    sigma_px: npt.NDArray[np.float32]
    peak_grey: npt.NDArray[np.float32]
    second_row_px: npt.NDArray[np.float32]
    second_grey: npt.NDArray[np.float32]


def wandering_lines(
    n_lines: int, *, n_columns: int = N_COLUMNS, n_rows: int = N_ROWS, seed: int = 20260302
) -> Workload:
    """Lines that wander over rows 10 to n_rows - 14, from column to column and line to line.

    3 % of the columns are bright (1.2 % clip at 8 bit), 1 % dark, 2 % have a second peak of 0.6 to
    1.6 times the line's height, at least 5 sigma + 3 rows away.
    """
    rng = np.random.default_rng(seed)
    column = np.linspace(0, 2 * np.pi, n_columns, dtype=np.float32)
    line = np.arange(n_lines, dtype=np.float32)[:, None]
    wave = np.zeros((n_lines, n_columns), np.float32)
    for turns, height in ((1, 0.5), (3, 0.3), (7, 0.2)):
        phase = np.float32(rng.uniform(0, 2 * np.pi))
        wave += np.float32(height) * np.sin(
            turns * column + phase + line * np.float32(0.013 * turns)
        )
    shape = (n_lines, n_columns)
    sigma = np.float32(2.25) + np.float32(0.75) * np.sin(2 * column + line * np.float32(0.031))
    texture = rng.gamma(16, 1 / 16, shape).astype(np.float32)
    peak = (
        np.float32(75) + np.float32(35) * np.sin(5 * column + line * np.float32(0.017))
    ) * texture
    peak = np.clip(peak, 8, 150)
    kind = rng.random(shape, np.float32)
    bright = kind < 0.03
    clipped = kind < 0.012
    peak[clipped] = rng.uniform(265, 800, int(clipped.sum()))
    peak[bright & ~clipped] = rng.uniform(150, 240, int((bright & ~clipped).sum()))
    dark = (kind >= 0.03) & (kind < 0.04)
    peak[dark] = rng.uniform(0, 6, int(dark.sum()))
    row = np.float32((n_rows - 4) / 2) + np.float32((n_rows - 24) / 2) * wave
    second_row = np.full(shape, np.nan, np.float32)
    second_grey = np.zeros(shape, np.float32)
    double = (kind >= 0.04) & (kind < 0.06)
    at = rng.uniform(6, n_rows - 7, int(double.sum())).astype(np.float32)
    apart = 5 * sigma[double] + 3
    below = np.where(row[double] - apart > 6, row[double] - apart, row[double] + apart)
    at = np.where(np.abs(at - row[double]) < apart, below, at)
    second_row[double] = at
    second_grey[double] = peak[double] * rng.uniform(0.6, 1.6, at.size)
    return Workload(
        row_px=row,
        sigma_px=np.broadcast_to(sigma, shape).astype(np.float32),
        peak_grey=peak,
        second_row_px=second_row,
        second_grey=second_grey,
    )


@njit(nogil=True, cache=True)
def _draw(
    row_px: Any,
    sigma_px: Any,
    peak_grey: Any,
    second_row: Any,
    second_grey: Any,
    gain: float,
    read: float,
    background: float,
    top: float,
    noise: Any,
    shifts: Any,
    frames: Any,
) -> None:
    n_lines, n_rows, n_columns = frames.shape
    mean = np.empty((n_rows, n_columns), np.float32)
    for line in range(n_lines):
        mean[:] = background
        for peak in range(2):
            at = row_px if peak == 0 else second_row
            grey = peak_grey if peak == 0 else second_grey
            for c in range(n_columns):
                y = at[line, c]
                if not np.isfinite(y) or grey[line, c] <= 0:
                    continue
                s = sigma_px[line, c]
                first = max(0, int(y - 5 * s))
                stop = min(n_rows, int(y + 5 * s) + 2)
                scale = grey[line, c] * s * math.sqrt(math.pi / 2)
                below = math.erf((first - 0.5 - y) / (s * math.sqrt(2.0)))
                for r in range(first, stop):
                    above = math.erf((r + 0.5 - y) / (s * math.sqrt(2.0)))
                    mean[r, c] += scale * (above - below)
                    below = above
        for r in range(n_rows):
            shift = shifts[line, r]
            pixels, level, deviates = frames[line, r], mean[r], noise[shift : shift + n_columns]
            for c in range(n_columns):
                m = level[c]
                grey_now = m + deviates[c] * np.sqrt(m / gain + read * read)
                pixels[c] = min(max(grey_now + np.float32(0.5), np.float32(0)), np.float32(top))


def draw_frames(
    workload: Workload,
    *,
    n_rows: int = N_ROWS,
    bit_depth: int = 8,
    seed: int = 1,
) -> npt.NDArray[np.uint8] | npt.NDArray[np.uint16]:
    """Draw pixel-integrated Gaussian lines with shot and read noise.

    At more than 8 bits grey levels are finer: gain, noise and background are the same in electrons.

    Returns
    -------
    (n_lines, n_rows, n_columns) uint8, or uint16 for more than 8 bits
    """
    n_lines, n_columns = workload.row_px.shape
    finer = 2.0 ** (bit_depth - 8)
    rng = np.random.default_rng(seed)
    # noise is drawn once and used at shifting places: half a billion normal deviates take long
    noise = rng.standard_normal(1 << 20, np.float32)
    shifts = rng.integers(0, noise.size - n_columns, (n_lines, n_rows))
    frames = np.empty((n_lines, n_rows, n_columns), np.uint8 if bit_depth == 8 else np.uint16)
    _draw(
        workload.row_px,
        workload.sigma_px,
        workload.peak_grey * np.float32(finer),
        workload.second_row_px,
        workload.second_grey * np.float32(finer),
        ELECTRONS_PER_GREY / finer,
        READ_NOISE_GREY * finer,
        BACKGROUND_GREY * finer,
        2.0**bit_depth - 1,
        noise,
        shifts,
        frames,
    )
    return frames
