"""One chunk of frames after another: the passes of `kernels` and `refine` put together."""

from typing import Any

import numpy as np
from numba import njit

from geomscan.laser_line.compiled import source_stamp
from geomscan.laser_line.flanks import fit_flanks, measure_span
from geomscan.laser_line.kernels import (
    background,
    brightest,
    gather,
    line_groups,
    rows_around,
    runner_up,
    straighten,
)
from geomscan.laser_line.lines import Quality
from geomscan.laser_line.refine import (
    GREY,
    KINDS,
    LIGHT,
    PEAK,
    ROW,
    SHIFT,
    TILE,
    WIDTH,
    F,
    M,
    Q,
    U,
    refine,
)

__all__ = ["RIVAL_FIELDS", "extract_chunk"]

_NO_LINE = np.uint8(Quality.NO_LINE)
_CLIPPED = np.uint8(Quality.CLIPPED)
_SECOND = np.uint8(Quality.SECOND_PEAK)
_BORDER = np.uint8(Quality.AT_BORDER)
_WIDE = np.uint8(Quality.WIDE)

#: columns of the table of rivals
RIVAL_FIELDS = (
    "line",
    "column",
    "row",
    "u",
    "light",
    "width",
    "height",
    "peak_grey",
    "height_of_brightest",
)

#: a runner-up lies at least this many widths and rows from the line
_APART_WIDTHS, _APART_ROWS = np.float32(3.5), np.float32(2.5)
#: a fainter runner-up than one that is flagged may still be the line
_CONSIDER, _CONSIDER_FROM = np.uint8(64), np.float32(0.35)
#: a line is wide from this many times the mean width of its tile on
_WIDE_FROM = np.float32(1.7)


@njit(nogil=True, fastmath=True, error_model="numpy")
def _judge(n: int, n_rows: int, limits: Any, noise: Any, w: Any, doubt: Any, quality: Any) -> None:
    """Doubt and quality of one tile; in the buffer, M holds the runner-up's grey value.

    Leaves the height that a line must have in SHIFT, and the line's height in Q.
    """
    top, z, min_width = np.float32(limits[1]), np.float32(limits[2]), np.float32(limits[3])
    ratio, last = np.float32(limits[4]), np.float32(n_rows - 1)
    per_electron, fixed = np.float32(1) / np.float32(noise[0]), np.float32(noise[1])
    black, none = np.float32(noise[2]), np.float32(0)
    skewed = (z * z - np.float32(1)) / np.float32(6) * per_electron
    for c in range(n):
        lit = w[c + GREY] - black
        shot = (lit if lit > none else none) * per_electron
        variance = shot + fixed
        least = z * np.sqrt(variance) + skewed * shot / variance
        w[c + SHIFT] = least
        height = w[c + PEAK] - w[c + GREY]
        w[c + Q] = height
        other = w[c + M] - w[c + GREY]
        share = other / (height if height > np.float32(0.5) else np.float32(0.5))
        share = share if other > least else none
        w[c + M] = share
    total, count = none, none
    for c in range(n):
        there = np.float32(1) if w[c + Q] > w[c + SHIFT] else none
        total += there * w[c + WIDTH]
        count += there
    mean = total / (count if count > none else np.float32(1))
    wide_from = _WIDE_FROM * (mean if count > none else np.float32(1e9))
    for c in range(n):
        width, row = w[c + WIDTH], w[c + ROW]
        margin = np.float32(2) * width
        border = (row < margin) | (row > last - margin)
        absent = (w[c + Q] < w[c + SHIFT]) | (width < min_width)
        flags = np.float32(_SECOND) if w[c + M] >= ratio else none
        flags += np.float32(_CONSIDER) if w[c + M] >= _CONSIDER_FROM * ratio else none
        flags += np.float32(_BORDER) if border else none
        flags += np.float32(_CLIPPED) if w[c + PEAK] >= top else none
        flags += np.float32(_WIDE) if width > wide_from else none
        w[c + F] = np.float32(_NO_LINE) if absent else flags
    for c in range(n):
        d = w[c + M] * np.float32(255) + np.float32(0.5)
        d = d if d < np.float32(255) else np.float32(255)
        doubt[c] = np.uint8(np.int32(d))
    for c in range(n):
        quality[c] = np.uint8(np.int32(w[c + F]))


@njit(nogil=True, error_model="numpy")
def _chunk(
    frames: Any,
    first: int,
    stop: int,
    index: Any,
    sums: Any,
    noise: Any,
    limits: Any,
    constants: Any,
    row_px: Any,
    u_px: Any,
    light: Any,
    width: Any,
    doubt: Any,
    quality: Any,
) -> Any:
    """Extract frames first to stop into the output arrays.

    Parameters
    ----------
    frames : (n_lines, n_rows, n_columns) uint8 or uint16
    index, sums : arrays of the row index's type and of one that holds eight pixels
    noise : (gain, fixed variance, black level)
    limits : (half window, top of the range, detection in standard deviations, least width, ratio
        from which a runner-up makes a column doubtful)
    constants : `BiweightConstants` as plain tuples
    row_px, u_px, light, width, doubt, quality : (n_lines, n_columns) outputs

    Returns
    -------
    (n, 9) float64
        Runners-up of doubtful columns, `RIVAL_FIELDS`, in the order of line and column.
    """
    _, n_rows, n_columns = frames.shape
    half, top = int(limits[0]), limits[1]
    least = np.float32(limits[2] * np.sqrt(noise[1]))
    group = 8 // frames.itemsize
    n_padded = (n_columns + group - 1) // group * group
    n_groups = n_padded // group
    n_tile_rows = (2 * half + 6) // 4 * 4
    best = np.empty((2, n_padded), frames.dtype)
    where = np.empty((2, n_padded), index.dtype)
    above, below = np.empty(n_padded, index.dtype), np.empty(n_padded, index.dtype)
    offset = np.empty(n_padded, index.dtype)
    apart = np.empty(n_padded, np.int32)
    lowest = np.empty(n_padded, frames.dtype)
    total, count = np.empty(n_padded, sums.dtype), np.empty(n_padded, np.uint8)
    grey = np.empty(n_padded, np.float32)
    sampled = (np.arange(8) * n_rows + n_rows // 2) // 8
    base = np.empty(n_groups, np.int32)
    alone, doubtful = np.empty(n_padded + 1, np.int32), np.empty(n_padded, np.int32)
    measured = np.empty((4, n_padded), np.float32)
    other, other_row = np.empty(n_padded, frames.dtype), np.empty(n_padded, index.dtype)
    second = np.empty((2, TILE), frames.dtype)
    at_second = np.empty((2, TILE), index.dtype)
    w = np.zeros(KINDS * TILE, np.float32)
    packed_tile = np.zeros((n_tile_rows, TILE // group), np.uint64)
    tile = packed_tile.view(frames.dtype)
    padded = np.empty((n_rows if n_padded > n_columns else 0, n_padded), frames.dtype)
    fitted = np.empty(4, np.float64)
    rivals = np.empty((64, 9), np.float64)
    n_rivals = 0
    for line in range(first, stop):
        frame = frames[line]
        if n_padded > n_columns:
            padded[:, :n_columns] = frame
            for r in range(n_rows):
                padded[r, n_columns:] = frame[r, n_columns - 1]
            frame = padded
        now = brightest(frame, best, where)
        peak, row = best[now], where[now]
        apart[:] = half
        rows_around(row, apart, n_rows, above, below)
        background(frame, sampled, above, below, noise, lowest, total, count, grey)
        n_alone = line_groups(row, group, half, n_tile_rows, n_rows, base, offset, alone)
        # what can't be a line needs no measuring
        n_kept = 0
        for j in range(n_alone):
            c = alone[j]
            alone[n_kept] = c
            n_kept += np.float32(peak[c]) - grey[c] > least
        n_alone = n_kept
        for a0 in range(0, n_alone, TILE):
            columns = alone[a0 : min(n_alone, a0 + TILE)]
            _measure_alone(
                frame, columns, row, peak, grey, half, n_tile_rows, noise, constants, tile, w
            )
            for j in range(columns.size):
                measured[0, a0 + j] = w[ROW + j]
                measured[1, a0 + j] = w[U + j]
                measured[2, a0 + j] = w[LIGHT + j]
                measured[3, a0 + j] = w[WIDTH + j]
        packed = frame.reshape(n_rows * n_padded).view(np.uint64)
        next_alone, n_doubtful = 0, 0
        for c0 in range(0, n_padded, TILE):
            n = min(TILE, n_padded - c0)
            _load(peak[c0 : c0 + n], grey[c0 : c0 + n], offset[c0 : c0 + n], w)
            g0 = c0 // group
            straighten(packed, n_groups, base[g0 : g0 + n // group], g0, n_tile_rows, packed_tile)
            refine(tile, n, n_tile_rows, half, noise, constants, w)
            _add_base(n, row[c0 : c0 + n], offset[c0 : c0 + n], w)
            while next_alone < n_alone and alone[next_alone] < c0 + n:
                j = alone[next_alone] - c0
                w[ROW + j] = measured[0, next_alone]
                w[U + j] = measured[1, next_alone]
                w[LIGHT + j] = measured[2, next_alone]
                w[WIDTH + j] = measured[3, next_alone]
                next_alone += 1
            _keep_apart(n, half, w, apart)
            rows_around(row[c0 : c0 + n], apart, n_rows, above, below)
            later = runner_up(frame, c0, above[:n], below[:n], second, at_second)
            other[c0 : c0 + n] = second[later][:n]
            other_row[c0 : c0 + n] = at_second[later][:n]
            w[M : M + n] = second[later][:n]
            n = min(n, n_columns - c0)
            q = quality[line][c0 : c0 + n]
            _judge(n, n_rows, limits, noise, w, doubt[line][c0 : c0 + n], q)
            row_px[line][c0 : c0 + n] = w[ROW : ROW + n]
            u_px[line][c0 : c0 + n] = w[U : U + n]
            light[line][c0 : c0 + n] = w[LIGHT : LIGHT + n]
            width[line][c0 : c0 + n] = w[WIDTH : WIDTH + n]
            for j in range(n):
                flags = q[j]
                if flags == 0:
                    continue
                q[j] = flags & ~_CONSIDER
                c = c0 + j
                found = False
                if flags == _NO_LINE:
                    found = True
                    fitted[:] = np.nan
                    doubt[line, c] = 0
                    # a bright speck may hide the line
                    if w[M + j] > 0 and w[Q + j] > w[SHIFT + j]:
                        flags |= _CONSIDER
                elif flags & (_BORDER | _CLIPPED):
                    found = fit_flanks(frame, c, int(row[c]), top, grey[c], noise, fitted)
                if not found and flags & (_CLIPPED | _WIDE):
                    found = measure_span(frame, c, int(row[c]), grey[c], u_px[line, c], fitted)
                if found:
                    row_px[line, c] = fitted[0]
                    u_px[line, c] = fitted[1]
                    light[line, c] = fitted[2]
                    width[line, c] = fitted[3]
                if flags & _CONSIDER:
                    doubtful[n_doubtful] = c
                    n_doubtful += 1
        while n_rivals + n_doubtful > rivals.shape[0]:
            more = np.empty((2 * rivals.shape[0], 9), np.float64)
            more[: rivals.shape[0]] = rivals
            rivals = more
        for a0 in range(0, n_doubtful, TILE):
            columns = doubtful[a0 : min(n_doubtful, a0 + TILE)]
            _measure_alone(
                frame, columns, other_row, other, grey, half, n_tile_rows, noise, constants, tile, w
            )
            for j in range(columns.size):
                c = columns[j]
                rivals[n_rivals, 0] = line
                rivals[n_rivals, 1] = c
                fitted[0], fitted[1] = w[ROW + j], w[U + j]
                fitted[2], fitted[3] = w[LIGHT + j], w[WIDTH + j]
                if other[c] >= top:
                    fit_flanks(frame, c, int(other_row[c]), top, grey[c], noise, fitted)
                rivals[n_rivals, 2:6] = fitted
                rivals[n_rivals, 6] = np.float32(other[c]) - grey[c]
                rivals[n_rivals, 7] = other[c]
                rivals[n_rivals, 8] = np.float32(peak[c]) - grey[c]
                n_rivals += 1
    return rivals[:n_rivals].copy()


@njit(nogil=True)
def _measure_alone(
    frame: Any,
    columns: Any,
    row: Any,
    peak: Any,
    grey: Any,
    half: int,
    n_tile_rows: int,
    noise: Any,
    constants: Any,
    tile: Any,
    w: Any,
) -> None:
    """Straighten and measure single columns into the buffer w."""
    n = columns.size
    gather(frame, columns, row, half, n_tile_rows, grey, tile)
    for j in range(n):
        w[PEAK + j] = peak[columns[j]]
        w[GREY + j] = grey[columns[j]]
        w[ROW + j] = half
    refine(tile, n, n_tile_rows, half, noise, constants, w)
    for j in range(n):
        w[ROW + j] += np.float32(row[columns[j]]) - np.float32(half)


@njit(nogil=True, fastmath=True)
def _load(peak: Any, grey: Any, offset: Any, w: Any) -> None:
    """Hand one tile's brightest pixels, background and first rows over."""
    for c in range(peak.size):
        w[c + PEAK] = np.float32(peak[c])
        w[c + GREY] = grey[c]
        w[c + ROW] = np.float32(offset[c])


@njit(nogil=True, fastmath=True)
def _add_base(n: int, row: Any, offset: Any, w: Any) -> None:
    """From rows in the cut to rows in the frame."""
    for c in range(n):
        w[c + ROW] += np.float32(row[c]) - np.float32(offset[c])


@njit(nogil=True, fastmath=True)
def _keep_apart(n: int, half: int, w: Any, apart: Any) -> None:
    """How many rows from the line a runner-up has to lie."""
    most = np.float32(half + 2)
    for c in range(n):
        rows = _APART_WIDTHS * w[c + WIDTH] + _APART_ROWS
        apart[c] = np.int32(rows if rows < most else most)


def _kept(stamp: str) -> Any:
    """Keep the compiled code on disk for as long as no source of this package changes."""

    @njit(nogil=True, cache=True)
    def extract_chunk(*arguments: Any) -> Any:
        assert stamp
        return _chunk(*arguments)

    return extract_chunk


#: compiled `_chunk`
extract_chunk = _kept(source_stamp())
