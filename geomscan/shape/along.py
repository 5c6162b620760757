"""Gridded lines onto the rows of the belt grid, as the belt travels.

Neighbouring lines are joined by straight pieces along x in every cell column and integrated over
the rows. x = e + z·tan(tilt) + y·tan(skew): a leaning sheet leaves the belt in front of a wall
unlit, which is treated like any other shadow of the light. A line that does not advance beyond the
farthest one so far sees belt that was seen before and is left out.

Lines and rows are held channel by channel: neighbouring cells that fall into the same rows are done
together, as vectors.
"""

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["HeadRows"]

Singles = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

_STEP_MM = 3.0
_UNSEEN = -1e9  # place of a cell that a line did not see
# in place of a row: a cell that no line saw, and one with a wall in it
_NOTHING, _WALL = -(2**31) + 1, -(2**31) + 2


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _place(e, line, square, shift, tan_tilt, x_edge, scale, x, z, whole):  # type: ignore[no-untyped-def]
    """Where along the belt the content of each cell lies (in rows), and its height."""
    cover, content = line[0], line[1]
    for c in range(cover.size):
        a = cover[c]
        seen = a >= np.float32(0.02)
        height = content[c] / (a if seen else np.float32(1.0))
        z[c] = height
        # a cell that a wall cuts holds some of each; then its square exceeds the mean's by far
        whole[c] = (height < np.float32(0.5)) | (square[c] < np.float32(1.1) * height * content[c])
        x[c] = (e + shift[c] + height * tan_tilt - x_edge) * scale if seen else 2.0 * _UNSEEN


@njit(nogil=True, cache=True)
def _join_wall(x0, x1, up, pitch, old, new, c, first_row, rows):  # type: ignore[no-untyped-def]
    """Integrate one cell between two lines, old up to the wall's edge and new from there.

    The wall faces away from the leaning light: upright between the two sheets of light, half a
    pitch before the nearer side of what stands higher.
    """
    n_ring, n_channels, _ = rows.shape
    low, high = min(x0, x1), max(x0, x1)
    edge = x1 - 0.5 * pitch if up else x0 + 0.5 * pitch
    edge = min(max(edge, low), high)
    for row in range(max(int(low), first_row), int(high) + 1):
        a, b = max(low, float(row)), min(high, row + 1.0)
        if b <= a:
            continue
        below = min(max(edge - a, 0.0), b - a)
        above = b - a - below
        p, q = (below, above) if x1 >= x0 else (-above, -below)
        for k in range(n_channels):
            rows[row % n_ring, k, c] += np.float32(p) * old[k, c] + np.float32(q) * new[k, c]


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _extents(  # type: ignore[no-untyped-def]
    x0s, z0s, whole0, x1s, z1s, whole1, pitch, tan_tilt, first_row, ends, inverse, first, last
):
    """Where each cell's piece between two lines begins and ends, in rows from first_row on."""
    for c in range(x0s.size):
        x0, x1 = x0s[c], x1s[c]
        seen0, seen1 = x0 > _UNSEEN, x1 > _UNSEEN
        # what one line sees begins or ends between the two: its cover grows or falls
        x0 = x0 if seen0 else x1 - pitch
        x1 = x1 if seen1 else x0 + pitch
        u0, u1 = np.float32(x0 - first_row), np.float32(x1 - first_row)
        length = abs(u1 - u0)
        ends[0, c], ends[1, c] = u0, u1
        inverse[c] = np.float32(1.0) / max(length, np.float32(1e-6))
        last[c] = np.int32(max(u0, u1))
        row = np.int32(min(u0, u1))
        first[c] = row if seen0 | seen1 else _NOTHING
    for c in range(x0s.size):
        step = z1s[c] - z0s[c]
        seen = x0s[c] > _UNSEEN and x1s[c] > _UNSEEN
        if seen and abs(step) > _STEP_MM and step * tan_tilt > 0.0 and whole0[c] and whole1[c]:
            first[c] = _WALL


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _weigh(u0s, u1s, inverse, row, p, q):  # type: ignore[no-untyped-def]
    """Give what the line before and the line after count in a row."""
    begin, end = np.float32(row), np.float32(row + 1)
    half, none = np.float32(0.5), np.float32(0.0)
    for c in range(p.size):
        u0, u1 = u0s[c], u1s[c]
        low = min(u0, u1)
        a, b = max(low, begin), min(max(u0, u1), end)
        length = max(b - a, none)
        far = length * (half * (a + b) - low) * inverse[c]
        near = length - far
        # where heights run backwards the line before is the far end, and counts negative
        p[c] = near if u1 >= u0 else -far
        q[c] = far if u1 >= u0 else -near


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _join(  # type: ignore[no-untyped-def]
    x0s, z0s, whole0, old, x1s, z1s, whole1, new, pitch, tan_tilt, first_row, scratch, rows
):
    """Integrate between two lines into the ring of rows."""
    n_ring, n_channels, n_y = rows.shape
    numbers, first, last, _ = scratch
    ends, inverse, weights = numbers[0:2], numbers[2], numbers[3:5]
    _extents(
        x0s, z0s, whole0, x1s, z1s, whole1, pitch, tan_tilt, first_row, ends, inverse, first, last
    )  # fmt: skip
    c = 0
    while c < n_y:
        begin, end = first[c], last[c]
        stop = c + 1
        if begin == _WALL:
            _join_wall(x0s[c], x1s[c], z1s[c] > z0s[c], pitch, old, new, c, first_row, rows)
        elif begin != _NOTHING:
            most = end - begin + 1  # rows that a run may reach over beyond its first
            while stop < n_y and first[stop] > _WALL:
                low, high = min(begin, first[stop]), max(end, last[stop])
                if high - low > most:
                    break
                begin, end = low, high
                stop += 1
            p, q = weights[0][c:stop], weights[1][c:stop]
            for row in range(max(begin, 0), end + 1):
                _weigh(ends[0][c:stop], ends[1][c:stop], inverse[c:stop], row, p, q)
                sums = rows[(first_row + row) % n_ring]
                for k in range(n_channels):
                    before, after, total = old[k][c:stop], new[k][c:stop], sums[k][c:stop]
                    for j in range(total.size):
                        total[j] += p[j] * before[j] + q[j] * after[j]
        c = stop


@njit(nogil=True, cache=True)
def _mend(before, line, after, square_before, square, square_after, odd):  # type: ignore[no-untyped-def]
    """Replace what only one line saw between two that agree: glints and lost columns."""
    n_channels, n_y = line.shape
    enough, half = np.float32(0.9), np.float32(0.5)
    cover0, height0 = before[0], before[1]
    cover, height = line[0], line[1]
    cover1, height1 = after[0], after[1]
    n_odd = 0
    for c in range(n_y):
        z0 = height0[c] / max(cover0[c], enough)
        z1 = height1[c] / max(cover1[c], enough)
        apart = abs(z1 - z0)
        off = abs(height[c] / max(cover[c], enough) - half * (z0 + z1))
        off = off if cover[c] >= enough else np.float32(1e3)
        both = (cover0[c] >= enough) & (cover1[c] >= enough) & (apart < np.float32(_STEP_MM))
        odd[c] = both & (off > np.float32(1.0) + np.float32(1.5) * apart)
        n_odd += odd[c]
    if n_odd == 0:
        return
    for c in range(n_y):
        if odd[c]:
            for k in range(n_channels):
                line[k, c] = half * (before[k, c] / cover0[c] + after[k, c] / cover1[c])
            line[7, c] = 1.0
            square[c] = half * (square_before[c] / cover0[c] + square_after[c] / cover1[c])


@njit(nogil=True, cache=True)
def _join_all(  # type: ignore[no-untyped-def]
    first, stop, joined, e, lines, squares, x, z, whole, shift, tan_tilt, x_edge, scale, first_row,
    scratch, rows,
):  # fmt: skip
    """Join lines first to stop - 1 each to the one before; joined: the first has one."""
    for i in range(first, stop):
        if i > 0 and joined and i + 1 < len(e):
            _mend(
                lines[i - 1], lines[i], lines[i + 1], squares[i - 1], squares[i], squares[i + 1],
                scratch[3],
            )  # fmt: skip
        _place(e[i], lines[i], squares[i], shift, tan_tilt, x_edge, scale, x[i], z[i], whole[i])
        if i > 0 and joined:
            _join(
                x[i - 1], z[i - 1], whole[i - 1], lines[i - 1], x[i], z[i], whole[i], lines[i],
                (e[i] - e[i - 1]) * scale, tan_tilt, first_row, scratch, rows,
            )  # fmt: skip
        joined = True


class HeadRows:
    """Rows of the belt grid as one head sees them, filled as lines arrive.

    Parameters
    ----------
    n_y, n_channels
        Cells across and channels of a line.
    shift_mm
        y·tan(skew) at each cell, shape (n_y,).
    tan_tilt
        Lean of the sheet.
    x_edge_mm
        Lower edge of row 0.
    n_ring
        Rows held; the caller takes them before they are needed again.
    """

    def __init__(
        self, *, n_y: int, n_channels: int, shift_mm: Floats, tan_tilt: float, x_edge_mm: float,
        cell_mm: float, n_ring: int,
    ) -> None:  # fmt: skip
        self._rows = np.zeros((n_ring, n_channels, n_y), dtype=np.float32)
        self._shift = shift_mm
        self._tan_tilt = tan_tilt
        self._x_edge = x_edge_mm
        self._scale = 1.0 / cell_mm
        self._first_row = 0
        # the line joined last and the one that waits for its successor, in front of new ones
        self._n_kept = 0
        self._joined = False
        self._e = np.empty(0)
        self._lines = np.empty((0, n_channels, n_y), dtype=np.float32)
        self._squares = np.empty((0, n_y), dtype=np.float32)
        self._x = np.empty((0, n_y))
        self._z = np.empty((0, n_y))
        self._whole = np.empty((0, n_y), dtype=bool)
        self._scratch = (
            np.empty((5, n_y), np.float32), np.empty(n_y, np.int32), np.empty(n_y, np.int32),
            np.empty(n_y, bool),
        )  # fmt: skip

    def add(self, e_mm: Floats, lines: Singles, squares: Singles) -> None:
        """Take lines that advance; each is joined when the one after it is known.

        Parameters
        ----------
        e_mm, lines, squares
            Belt travel, shape (n,), and what `grid_across` gives.
        """
        n = self._n_kept + len(e_mm)
        if n > len(self._e):
            self._make_room(n)
        k = self._n_kept
        self._e[k:n], self._lines[k:n], self._squares[k:n] = e_mm, lines, squares
        self._run(n, stop=n - 1)
        keep = min(n, 2)
        for held in (self._e, self._lines, self._squares, self._x, self._z, self._whole):
            held[:keep] = held[n - keep : n].copy()
        self._n_kept = keep

    def break_off(self) -> None:
        """Join the last line and forget it: nothing joins it to the next one."""
        self._run(self._n_kept, stop=self._n_kept)
        self._n_kept = 0
        self._joined = False

    def _run(self, n: int, *, stop: int) -> None:
        first = 1 if self._joined else 0
        if stop > first:
            _join_all(
                first, stop, self._joined, self._e[:n], self._lines, self._squares, self._x,
                self._z, self._whole, self._shift, self._tan_tilt, self._x_edge, self._scale,
                self._first_row, self._scratch, self._rows,
            )  # fmt: skip
            self._joined = True

    def _make_room(self, n: int) -> None:
        k = self._n_kept
        for name in ("_e", "_lines", "_squares", "_x", "_z", "_whole"):
            old = getattr(self, name)
            new = np.empty((n, *old.shape[1:]), old.dtype)
            new[:k] = old[:k]
            setattr(self, name, new)

    def take(self, first: int, stop: int) -> list[Singles]:
        """Give views of rows first to stop - 1, in one or two parts; `clear` frees them.

        Each has shape (n_rows, n_channels, n_y).
        """
        n = len(self._rows)
        a, b = first % n, (stop - 1) % n + 1
        if a < b:
            return [self._rows[a:b]]
        return [self._rows[a:], self._rows[:b]]

    def clear(self, first: int, stop: int) -> None:
        """Empty rows first to stop - 1; later lines no longer reach them."""
        for part in self.take(first, stop):
            part[:] = 0.0
        self._first_row = max(self._first_row, stop)
