"""Compiled passes over one frame: brightest pixel, background, straightening, runner-up.

Rules that make these loops vector code: every inner loop runs along the columns over slices of
rows, never over an index range of a whole array; several rows are taken at a time, so that the
running result is loaded and stored once for all of them; it goes from one buffer to another
("ping-pong"): written in place it needs byte-masked stores, eight times slower on AVX2; and a
pixel is loaded before it is decided whether it counts: a load inside a branch must be masked too,
sixteen times slower on AVX2.
"""

from typing import Any

import numpy as np
from numba import njit

__all__ = [
    "BLOCK",
    "background",
    "brightest",
    "gather",
    "line_groups",
    "rows_around",
    "runner_up",
    "straighten",
]

#: columns that share a background estimate
BLOCK = 32


@njit(nogil=True)
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


@njit(nogil=True)
def runner_up(frame: Any, c0: int, above: Any, below: Any, best: Any, second: Any) -> Any:
    """Find the brightest pixel outside the rows `above` to `below`, from column c0 on.

    Every other row is looked at: a line that is worth following is wider than one row.

    Parameters
    ----------
    frame : (n_rows, n_columns)
    above, below : (n,) of the row index's type: the rows from above to below are left out
    best, second : (2, >= n) buffers of the frame's type and of the row index's type

    Returns
    -------
    int
        Which of the two buffers holds the result.
    """
    n_rows, n = frame.shape[0], above.size
    best[0][:n] = 0
    second[0][:n] = 0
    now = 0
    nothing = best.dtype.type(0)
    row = 0
    while row < n_rows:
        last = n_rows - 1
        r1, r2, r3 = min(row + 2, last), min(row + 4, last), min(row + 6, last)
        old, new = best[now], best[1 - now]
        old_row, new_row = second[now], second[1 - now]
        p0, p1 = frame[row][c0 : c0 + n], frame[r1][c0 : c0 + n]
        p2, p3 = frame[r2][c0 : c0 + n], frame[r3][c0 : c0 + n]
        i0, i1 = second.dtype.type(row), second.dtype.type(r1)
        i2, i3 = second.dtype.type(r2), second.dtype.type(r3)
        for c in range(n):
            b, i, a, z = old[c], old_row[c], above[c], below[c]
            v = p0[c]
            v = v if (i0 < a) | (i0 > z) else nothing
            i = i0 if v > b else i
            b = max(v, b)
            v = p1[c]
            v = v if (i1 < a) | (i1 > z) else nothing
            i = i1 if v > b else i
            b = max(v, b)
            v = p2[c]
            v = v if (i2 < a) | (i2 > z) else nothing
            i = i2 if v > b else i
            b = max(v, b)
            v = p3[c]
            v = v if (i3 < a) | (i3 > z) else nothing
            i = i3 if v > b else i
            b = max(v, b)
            new[c] = b
            new_row[c] = i
        now = 1 - now
        row += 8
    return now


@njit(nogil=True)
def _lowest(frame: Any, rows: Any, above: Any, below: Any, most: Any, lowest: Any) -> None:
    """Darkest of four rows' pixels outside above to below, and of what `lowest` holds."""
    p0, p1, p2, p3 = frame[rows[0]], frame[rows[1]], frame[rows[2]], frame[rows[3]]
    i0, i1 = above.dtype.type(rows[0]), above.dtype.type(rows[1])
    i2, i3 = above.dtype.type(rows[2]), above.dtype.type(rows[3])
    for c in range(lowest.size):
        a, z = above[c], below[c]
        v0, v1, v2, v3 = p0[c], p1[c], p2[c], p3[c]
        v0 = v0 if (i0 < a) | (i0 > z) else most
        v1 = v1 if (i1 < a) | (i1 > z) else most
        v2 = v2 if (i2 < a) | (i2 > z) else most
        v3 = v3 if (i3 < a) | (i3 > z) else most
        lowest[c] = min(min(min(v0, v1), min(v2, v3)), lowest[c])


@njit(nogil=True)
def _total(frame: Any, rows: Any, above: Any, below: Any, cap: Any, total: Any, count: Any) -> None:
    """Add four rows' pixels outside above to below, each no more than `cap`."""
    p0, p1, p2, p3 = frame[rows[0]], frame[rows[1]], frame[rows[2]], frame[rows[3]]
    i0, i1 = above.dtype.type(rows[0]), above.dtype.type(rows[1])
    i2, i3 = above.dtype.type(rows[2]), above.dtype.type(rows[3])
    none, one, no = cap.dtype.type(0), np.uint8(1), np.uint8(0)
    kind = total.dtype.type
    for c in range(cap.size):
        a, z, most = above[c], below[c], cap[c]
        v0, v1, v2, v3 = min(p0[c], most), min(p1[c], most), min(p2[c], most), min(p3[c], most)
        v0 = v0 if (i0 < a) | (i0 > z) else none
        v1 = v1 if (i1 < a) | (i1 > z) else none
        v2 = v2 if (i2 < a) | (i2 > z) else none
        v3 = v3 if (i3 < a) | (i3 > z) else none
        total[c] += kind(v0) + kind(v1) + kind(v2) + kind(v3)
    for c in range(cap.size):
        a, z = above[c], below[c]
        n0 = one if (i0 < a) | (i0 > z) else no
        n1 = one if (i1 < a) | (i1 > z) else no
        n2 = one if (i2 < a) | (i2 > z) else no
        n3 = one if (i3 < a) | (i3 > z) else no
        count[c] += n0 + n1 + n2 + n3


@njit(nogil=True, fastmath=True, error_model="numpy")
def background(
    frame: Any,
    rows: Any,
    above: Any,
    below: Any,
    noise: Any,
    lowest: Any,
    total: Any,
    count: Any,
    out: Any,
) -> None:
    """Grey level away from the line, one value for `BLOCK` columns from three blocks' pixels.

    What stands out of the sampled rows (a second peak) counts no more than its column's darkest
    sample and 8 standard deviations of noise.

    Parameters
    ----------
    frame : (n_rows, n_columns)
    rows : (8,) rows to sample
    above, below : (n_columns,) of the row index's type: the rows from above to below are left out
    noise : (gain, fixed variance, black level) in grey levels
    lowest : (n_columns,) buffer of the frame's type
    total, count : (n_columns,) buffers, of a type that holds eight pixels, and uint8
    out : (n_columns,) float32
    """
    n_columns = frame.shape[1]
    most = lowest.dtype.type(np.iinfo(lowest.dtype).max)
    lowest[:] = most
    _lowest(frame, rows[:4], above, below, most, lowest)
    _lowest(frame, rows[4:], above, below, most, lowest)
    gain, fixed = np.float32(1) / np.float32(noise[0]), np.float32(noise[1])
    black, top = np.float32(noise[2]), np.float32(most)
    for c in range(n_columns):
        grey = np.float32(lowest[c])
        above_black = grey - black if grey > black else np.float32(0)
        cap = grey + np.float32(8) * np.sqrt(above_black * gain + fixed)
        lowest[c] = lowest.dtype.type(np.int32(cap if cap < top else top))
    total[:] = 0
    count[:] = 0
    _total(frame, rows[:4], above, below, lowest, total, count)
    _total(frame, rows[4:], above, below, lowest, total, count)
    n_blocks = (n_columns + BLOCK - 1) // BLOCK
    t0, n0, t1, n1 = 0.0, 0.0, 0.0, 0.0
    for block in range(n_blocks + 1):
        t2, n2 = 0.0, 0.0
        if block < n_blocks:
            stop = min(n_columns, (block + 1) * BLOCK)
            t2 = float(total[block * BLOCK : stop].sum())
            n2 = float(count[block * BLOCK : stop].sum())
        if block > 0:
            n = n0 + n1 + n2
            mean = (t0 + t1 + t2) / n if n > 0 else float(black)
            out[(block - 1) * BLOCK : min(n_columns, block * BLOCK)] = np.float32(mean)
        t0, n0, t1, n1 = t1, n1, t2, n2


@njit(nogil=True)
def line_groups(
    row: Any,
    group: int,
    half: Any,
    n_tile_rows: int,
    n_rows: int,
    base: Any,
    offset: Any,
    alone: Any,
) -> int:
    """Where to cut each group of columns out of the frame; columns that don't fit in go alone.

    Parameters
    ----------
    row : (n_columns,) row of the line
    group : columns a group
    half, n_tile_rows : rows on each side of the line that are needed, and rows of the cut
    n_rows : rows of the frame
    base : (n_columns // group,) int32, filled with the first row of each group's cut
    offset : (n_columns,) of the row index's type, filled with the line's row in the cut
    alone : (n_columns + 1,) int32, filled with the columns that need a cut of their own

    Returns
    -------
    int
        Number of columns in `alone`.
    """
    half = np.int32(half)
    last_base = np.int32(n_rows - n_tile_rows)
    slack = np.int32(n_tile_rows - 2 * half - 1)
    least, most = _extremes(row, group)
    # the line's rows must lie in first + half to first + half + slack
    for g in range(base.size):
        low, high = np.int32(least[g]) - half, np.int32(most[g]) - half
        wanted = max(np.int32(0), min((low + high - slack) // 2, last_base))
        base[g] = wanted if (wanted <= low) & (high <= wanted + slack) else np.int32(-1)
    n = 0
    first = np.int32(0)
    for g in range(base.size):
        c0 = np.uint32(g * group)
        if base[g] >= 0:
            first = base[g]
            for j in range(group):
                c = c0 + np.uint32(j)
                offset[c] = row[c] - first
            continue
        first = _base_for_most(row, c0, group, half, slack, last_base, first)
        base[g] = first
        for j in range(group):
            c = c0 + np.uint32(j)
            fits = _fits(row[c], first + half, slack)
            offset[c] = row[c] - first if fits else half
            alone[n] = c
            n += not fits
    return n


@njit(nogil=True)
def _extremes(row: Any, group: int) -> Any:
    """Give the least and greatest row of each group of columns, halving the groups as it goes."""
    least, most = row, row
    while group > 1:
        n = least.size // 2
        lower, higher = np.empty(n, row.dtype), np.empty(n, row.dtype)
        for g in range(n):
            lower[g] = min(least[2 * g], least[2 * g + 1])
            higher[g] = max(most[2 * g], most[2 * g + 1])
        least, most = lower, higher
        group //= 2
    return least, most


@njit(nogil=True)
def _base_for_most(
    row: Any, c0: Any, group: Any, half: Any, slack: Any, last_base: Any, neighbour: Any
) -> Any:
    """First row of the cut that suits most of a group's columns; the neighbour's if it does."""
    best, best_first = 0, neighbour
    for tried in range(-1, group):
        first = neighbour
        if tried >= 0:
            low = np.int32(row[c0 + np.uint32(tried)]) - half
            first = max(np.int32(0), min(low - slack // np.int32(2), last_base))
        n = 0
        for j in range(group):
            n += _fits(row[c0 + np.uint32(j)], first + half, slack)
        if n > best:
            best, best_first = n, first
        if best >= group - 2:
            break
    return best_first


@njit(nogil=True)
def _fits(row: Any, first: Any, slack: Any) -> Any:
    """Whether row lies in first to first + slack; one comparison, as negative numbers wrap."""
    return np.uint32(np.int32(row) - first) <= np.uint32(slack)


@njit(nogil=True)
def straighten(
    packed: Any, stride: int, base: Any, group: int, n_tile_rows: int, tile: Any
) -> None:
    """Copy n_tile_rows (a multiple of 4) rows from `base` on, eight bytes at a time.

    Parameters
    ----------
    packed : (frame rows * stride,) uint64 view of the frame, from its first group on
    stride : groups a row of the frame
    base : (n,) first row of each group
    group : number of the first of them in the frame
    tile : (>= n_tile_rows, >= n) uint64
    """
    s = np.uint64(stride)
    for k in range(0, n_tile_rows, 4):
        a, b, c, d = tile[k], tile[k + 1], tile[k + 2], tile[k + 3]
        for g in range(base.size):
            at = np.uint64(base[g] + k) * s + np.uint64(group + g)
            a[g] = packed[at]
            b[g] = packed[at + s]
            c[g] = packed[at + s + s]
            d[g] = packed[at + s + s + s]


@njit(nogil=True)
def gather(
    frame: Any, columns: Any, row: Any, half: int, n_tile_rows: int, grey: Any, tile: Any
) -> None:
    """Copy the rows around the lines of single columns, which come to lie in row `half`.

    Rows beyond the frame are filled with the background.

    Parameters
    ----------
    frame : (frame rows, n_columns)
    columns : (n,) int32
    row, grey : (n_columns,) row of each column's line, and background
    tile : (>= n_tile_rows, >= n) of the frame's type
    """
    last = frame.shape[0] - 1
    for k in range(n_tile_rows):
        line = tile[k]
        for j in range(columns.size):
            c = np.uint32(columns[j])
            wanted = np.int64(row[c]) + k - half
            inside = min(max(wanted, 0), last)
            v = frame[np.uint32(inside), c]
            line[j] = v if inside == wanted else tile.dtype.type(grey[c] + np.float32(0.5))


@njit(nogil=True, fastmath=True, error_model="numpy")
def rows_around(row: Any, apart: Any, n_rows: int, above: Any, below: Any) -> None:
    """Rows row - apart and row + apart, inside the frame; apart is an array or one number."""
    last = n_rows - 1
    for c in range(row.size):
        i, a = np.int32(row[c]), np.int32(apart[c])
        above[c] = max(i - a, 0)
        below[c] = min(i + a, last)
