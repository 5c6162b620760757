"""Compiled passes over one frame: brightest pixel, background, biweight rows, runner-up.

Two rules make these loops vector code: every inner loop runs along the columns over slices of
rows, never over an index range of a whole array, and the running maximum goes from one buffer to
another ("ping-pong"): written in place it needs byte-masked stores, eight times slower on AVX2.
"""

from typing import Any

import numpy as np
from numba import njit

__all__ = ["background", "brightest", "flatten", "refine", "runner_up"]

#: columns that share a background estimate
BLOCK = 32


@njit(nogil=True, cache=True)
def brightest(frame: Any, best: Any, where: Any) -> Any:
    """Find the brightest pixel of every column; the first of equals.

    Parameters
    ----------
    frame : (n_rows, n_columns) uint8 or uint16
    best, where : (2, n_columns) buffers of the frame's type and of the row index's type

    Returns
    -------
    int
        Which of the two buffers holds the result.
    """
    n_rows, n_columns = frame.shape
    best[0][:] = frame[0]
    where[0][:] = 0
    now = 0
    row = 1
    while row + 4 <= n_rows:
        old, new = best[now], best[1 - now]
        old_row, new_row = where[now], where[1 - now]
        p0, p1, p2, p3 = frame[row], frame[row + 1], frame[row + 2], frame[row + 3]
        i0 = where.dtype.type(row)
        i1 = where.dtype.type(row + 1)
        i2 = where.dtype.type(row + 2)
        i3 = where.dtype.type(row + 3)
        for c in range(n_columns):
            b, i = old[c], old_row[c]
            i = i0 if p0[c] > b else i
            b = max(p0[c], b)
            i = i1 if p1[c] > b else i
            b = max(p1[c], b)
            i = i2 if p2[c] > b else i
            b = max(p2[c], b)
            i = i3 if p3[c] > b else i
            b = max(p3[c], b)
            new[c] = b
            new_row[c] = i
        now = 1 - now
        row += 4
    while row < n_rows:
        old, new = best[now], best[1 - now]
        old_row, new_row = where[now], where[1 - now]
        p0 = frame[row]
        i0 = where.dtype.type(row)
        for c in range(n_columns):
            new_row[c] = i0 if p0[c] > old[c] else old_row[c]
            new[c] = max(p0[c], old[c])
        now = 1 - now
        row += 1
    return now


@njit(nogil=True, cache=True, fastmath=True)
def background(
    frame: Any, where: Any, half: int, noise: Any, lowest: Any, total: Any, count: Any, out: Any
) -> None:
    """Grey level away from the line, one value for `BLOCK` columns from three blocks' pixels.

    About 16 rows are sampled; what stands out (a second peak) counts no more than its column's
    darkest sample and 8 standard deviations of noise.

    Parameters
    ----------
    frame : (n_rows, n_columns)
    where : (n_columns,) row of the line
    half : rows on each side of it that are left out
    noise : (gain, fixed variance, black level) in grey levels
    lowest, total, count : (n_columns,) float32 buffers
    out : (n_columns,) float32
    """
    n_rows, n_columns = frame.shape
    step = max(1, n_rows // 16)
    lowest[:] = np.float32(1e9)
    total[:] = np.float32(0)
    count[:] = np.float32(0)
    reach = np.float32(half)
    for row in range(step // 2, n_rows, step):
        p, at = frame[row], np.float32(row)
        for c in range(n_columns):
            away = abs(np.float32(where[c]) - at) > reach
            lowest[c] = min(lowest[c], np.float32(p[c])) if away else lowest[c]
    gain, fixed, black = np.float32(noise[0]), np.float32(noise[1]), np.float32(noise[2])
    for c in range(n_columns):
        grey = lowest[c]
        lowest[c] = grey + np.float32(8) * np.sqrt(max(grey - black, np.float32(0)) / gain + fixed)
    for row in range(step // 2, n_rows, step):
        p, at = frame[row], np.float32(row)
        for c in range(n_columns):
            away = abs(np.float32(where[c]) - at) > reach
            total[c] += min(lowest[c], np.float32(p[c])) if away else np.float32(0)
            count[c] += np.float32(1) if away else np.float32(0)
    n_blocks = (n_columns + BLOCK - 1) // BLOCK
    for block in range(n_blocks):
        first = max(0, (block - 1) * BLOCK)
        stop = min(n_columns, (block + 2) * BLOCK)
        t, n = total[first:stop].sum(), count[first:stop].sum()
        mean = t / n if n > 0 else black
        out[block * BLOCK : min(n_columns, (block + 1) * BLOCK)] = mean


@njit(nogil=True, cache=True)
def flatten(frame: Any, columns: Any, rows: Any, reach: int, grey: Any, tile: Any) -> None:
    """Copy the rows around each column's line into a tile whose middle row is `rows`.

    Rows beyond the frame are filled with the background.

    Parameters
    ----------
    frame : (n_rows, n_columns)
    columns, rows : (n,) columns to copy, and the rows of their lines
    grey : (n,) background
    tile : (2 reach + 1, >= n) of the frame's type
    """
    n_rows = frame.shape[0]
    n = columns.size
    for k in range(2 * reach + 1):
        line = tile[k]
        for j in range(n):
            row = np.int64(rows[j]) + k - reach
            inside = 0 <= row < n_rows
            line[j] = (
                frame[row, columns[j]] if inside else tile.dtype.type(grey[j] + np.float32(0.5))
            )


@njit(nogil=True, cache=True, fastmath=True)
def _polynomial(coefficients: Any, x: Any) -> Any:
    value = coefficients[0]
    for k in range(1, coefficients.size):
        value = value * x + coefficients[k]
    return value


@njit(nogil=True, cache=True, fastmath=True)
def _moments(
    pixels: Any,
    first: int,
    n_rows: int,
    c0: int,
    c1: int,
    start: Any,
    grey: Any,
    reach: Any,
    half: Any,
    work: Any,
) -> None:
    """Sum v inside ±half, and w v, w d v inside ±reach[c], into work[0..2]; d from start[c]."""
    s, m, f = work[0], work[1], work[2]
    s[:] = np.float32(0)
    m[:] = np.float32(0)
    f[:] = np.float32(0)
    for k in range(n_rows):
        p, at = pixels[first + k][c0:c1], np.float32(k)
        for c in range(p.size):
            d = at - start[c]
            v = np.float32(p[c]) - grey[c]
            t = np.float32(1) - d * d * reach[c]
            w = max(t, np.float32(0))
            wv = w * w * v
            s[c] += v if abs(d) <= half else np.float32(0)
            m[c] += wv
            f[c] += wv * d


@njit(nogil=True, cache=True, fastmath=True)
def _weigh(
    pixels: Any,
    first: int,
    n_rows: int,
    c0: int,
    c1: int,
    start: Any,
    grey: Any,
    reach: Any,
    work: Any,
) -> None:
    """Sum w v, w d v, w d² v inside ±reach[c] into work[1..3]; `reach` holds 1/R²."""
    m, f, q = work[1], work[2], work[3]
    m[:] = np.float32(0)
    f[:] = np.float32(0)
    q[:] = np.float32(0)
    for k in range(n_rows):
        p, at = pixels[first + k][c0:c1], np.float32(k)
        for c in range(p.size):
            d = at - start[c]
            v = np.float32(p[c]) - grey[c]
            t = np.float32(1) - d * d * reach[c]
            w = max(t, np.float32(0))
            wv = w * w * v
            wvd = wv * d
            m[c] += wv
            f[c] += wvd
            q[c] += wvd * d


@njit(nogil=True, cache=True, fastmath=True)
def refine(
    pixels: Any,
    first: int,
    n_rows: int,
    c0: int,
    c1: int,
    peak: Any,
    grey: Any,
    half: int,
    noise: Any,
    gain: Any,
    share: Any,
    x_over_spread: Any,
    shot: Any,
    flat: Any,
    start: Any,
    work: Any,
    out: Any,
) -> None:
    """Biweight rows of columns c0 to c1 of `pixels`, looked for in n_rows rows from `first`.

    Parameters
    ----------
    pixels : (>= first + n_rows, >= c1) frame or tile
    peak, grey : (n,) brightest pixel and background
    start : (n,) row of the brightest pixel from `first`; ends as the biweight row
    work : (5, n) float32
    out : (4, n) float32: u of the row, light, standard deviation, weight reach R
    """
    n = c1 - c0
    s, m, f, q, reach = work[0], work[1], work[2], work[3], work[4]
    u, light, sigma, r = out[0], out[1], out[2], out[3]
    widest = np.float32(half)
    reach[:] = np.float32(1) / (widest * widest)
    _moments(pixels, first, n_rows, c0, c1, start, grey, reach, widest, work)
    for c in range(n):
        height = max(peak[c] - grey[c], np.float32(0.25))
        light[c] = s[c]
        width = s[c] / (height * np.float32(2.5066))
        width = min(max(width, np.float32(0.7)), np.float32(0.33) * widest)
        x = width * width * reach[c]
        shift = _polynomial(gain, x) * f[c] / max(m[c], np.float32(0.25))
        start[c] += min(max(shift, -width), width)
        sigma[c] = width
    for step in range(2):
        for c in range(n):
            r[c] = min(np.float32(2.8) * sigma[c], widest)
            reach[c] = np.float32(1) / (r[c] * r[c])
        _weigh(pixels, first, n_rows, c0, c1, start, grey, reach, work)
        for c in range(n):
            total = max(m[c], np.float32(0.25))
            spread = min(max(q[c] / total * reach[c], np.float32(0.003)), np.float32(0.1112))
            x_seen = spread * _polynomial(x_over_spread, spread)
            x = sigma[c] * sigma[c] * reach[c]
            shift = _polynomial(gain, x) * f[c] / total
            start[c] += min(max(shift, -sigma[c]), sigma[c])
            q[c] = x_seen
            if step == 0:
                wide = r[c] * np.sqrt(x_seen)
                sigma[c] = max(np.float32(0.7), min(sigma[c], wide * np.float32(1.15)))
    per_electron, fixed, black = (
        np.float32(1) / np.float32(noise[0]),
        np.float32(noise[1]),
        np.float32(noise[2]),
    )
    for c in range(n):
        x = q[c]
        seen = max(m[c], np.float32(0.25)) / _polynomial(share, x)
        sigma[c] = r[c] * np.sqrt(x)
        response = seen * _polynomial(share, x) / _polynomial(gain, x)
        dark = max(grey[c] - black, np.float32(0)) * per_electron + fixed
        variance = _polynomial(shot, x) * sigma[c] * sigma[c] * per_electron / seen
        variance += dark * np.float32(flat) * r[c] * r[c] * r[c] / (response * response)
        u[c] = np.sqrt(variance)


@njit(nogil=True, cache=True)
def runner_up(frame: Any, where: Any, apart: Any, best: Any, second: Any) -> Any:
    """Find the brightest pixel further than `apart` rows from `where`, as `brightest` does.

    Parameters
    ----------
    frame : (n_rows, n_columns)
    where, apart : (n_columns,) of the row index's type
    best, second : (2, n_columns) buffers of the frame's type and of the row index's type

    Returns
    -------
    int
        Which of the two buffers holds the result.
    """
    n_rows, n_columns = frame.shape
    best[0][:] = 0
    second[0][:] = 0
    now = 0
    nothing = best.dtype.type(0)
    for row in range(n_rows):
        old, new = best[now], best[1 - now]
        old_row, new_row = second[now], second[1 - now]
        p, i = frame[row], second.dtype.type(row)
        for c in range(n_columns):
            away = second.dtype.type(max(i, where[c]) - min(i, where[c]))
            v = p[c] if away > apart[c] else nothing
            new_row[c] = i if v > old[c] else old_row[c]
            new[c] = max(v, old[c])
        now = 1 - now
    return now
