"""Gridded lines onto the rows of the belt grid, as the belt travels.

Neighbouring lines are joined by straight pieces along x in every cell column and integrated over
the rows. x = e + z·tan(tilt) + y·tan(skew): a leaning sheet leaves the belt in front of a wall
unlit, which is treated like any other shadow of the light. A line that does not advance beyond the
farthest one so far sees belt that was seen before and is left out.
"""

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["HeadRows"]

Singles = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

_STEP_MM = 3.0
_UNSEEN = -1e9  # place of a cell that a line did not see


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _place(e, line, square, shift, tan_tilt, x_edge, scale, x, z, whole):  # type: ignore[no-untyped-def]
    """Where along the belt the content of each cell lies (in rows), and its height."""
    for c in range(line.shape[0]):
        a = line[c, 0]
        if a < 0.02:
            x[c] = 2.0 * _UNSEEN
            continue
        height = line[c, 1] / a
        z[c] = height
        # a cell that a wall cuts holds some of each; then its square exceeds the mean's by far
        whole[c] = height < 0.5 or square[c] < 1.1 * height * line[c, 1]
        x[c] = (e + shift[c] + height * tan_tilt - x_edge) * scale


@njit(nogil=True, cache=True)
def _join_wall(x0, x1, edge, old, new, c, first_row, rows):  # type: ignore[no-untyped-def]
    """Integrate one cell between two lines, old up to the edge and new from there."""
    n_ring, _, n_channels = rows.shape
    low, high = min(x0, x1), max(x0, x1)
    edge = min(max(edge, low), high)
    for row in range(max(int(low), first_row), int(high) + 1):
        a = max(low, float(row))
        b = min(high, row + 1.0)
        if b <= a:
            continue
        below = min(max(edge - a, 0.0), b - a)
        above = b - a - below
        p, q = (below, above) if x1 >= x0 else (-above, -below)
        for k in range(n_channels):
            rows[row % n_ring, c, k] += np.float32(p) * old[c, k] + np.float32(q) * new[c, k]


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _join(x0s, z0s, whole0, old, x1s, z1s, whole1, new, pitch, tan_tilt, first_row, rows):  # type: ignore[no-untyped-def]
    """Integrate between two lines into the ring of rows."""
    n_ring, n_y, _ = rows.shape
    for c in range(n_y):
        x0 = x0s[c]
        x1 = x1s[c]
        step = 0.0
        if x0 < _UNSEEN:
            if x1 < _UNSEEN:
                continue
            # what is seen begins somewhere between the lines: its cover grows from one to the next
            x0 = x1 - pitch
        elif x1 < _UNSEEN:
            x1 = x0 + pitch
        else:
            step = z1s[c] - z0s[c]
        if abs(step) > _STEP_MM and step * tan_tilt > 0.0 and whole0[c] and whole1[c]:
            # a wall that faces away from the leaning light: upright between the two sheets of
            # light, half a pitch before the nearer side of what stands higher
            edge = x1 - 0.5 * pitch if step > 0.0 else x0 + 0.5 * pitch
            _join_wall(x0, x1, edge, old, new, c, first_row, rows)
            continue
        low = min(x0, x1)
        high = max(x0, x1)
        inverse = 1.0 / (high - low) if high > low else 0.0
        turned = x1 < x0
        # eight channels, written out: so they are added as one vector
        a0, a1, a2, a3 = old[c, 0], old[c, 1], old[c, 2], old[c, 3]
        a4, a5, a6, a7 = old[c, 4], old[c, 5], old[c, 6], old[c, 7]
        b0, b1, b2, b3 = new[c, 0], new[c, 1], new[c, 2], new[c, 3]
        b4, b5, b6, b7 = new[c, 4], new[c, 5], new[c, 6], new[c, 7]
        row = max(int(low), first_row)
        r = row % n_ring
        while row <= int(high):
            a = max(low, float(row))
            b = min(high, row + 1.0)
            length = b - a
            t = (0.5 * (a + b) - low) * inverse
            q = np.float32(length * t)
            p = np.float32(length) - q
            if turned:
                p, q = -q, -p
            cell = rows[np.uintp(r), np.uintp(c)]
            cell[0] += p * a0 + q * b0
            cell[1] += p * a1 + q * b1
            cell[2] += p * a2 + q * b2
            cell[3] += p * a3 + q * b3
            cell[4] += p * a4 + q * b4
            cell[5] += p * a5 + q * b5
            cell[6] += p * a6 + q * b6
            cell[7] += p * a7 + q * b7
            row += 1
            r = r + 1 if r + 1 < n_ring else 0


@njit(nogil=True, cache=True)
def _mend(before, line, after, square_before, square, square_after):  # type: ignore[no-untyped-def]
    """Replace what only one line saw between two that agree: glints and lost columns."""
    n_y, n_channels = line.shape
    for c in range(n_y):
        a0 = before[c, 0]
        a1 = after[c, 0]
        if a0 < 0.9 or a1 < 0.9:
            continue
        z0 = before[c, 1] / a0
        z1 = after[c, 1] / a1
        apart = abs(z1 - z0)
        a = line[c, 0]
        off = 1e3 if a < 0.9 else abs(line[c, 1] / a - 0.5 * (z0 + z1))
        if off > 1.0 + 1.5 * apart and apart < _STEP_MM:
            for k in range(n_channels):
                line[c, k] = 0.5 * (before[c, k] / a0 + after[c, k] / a1)
            line[c, 7] = 1.0
            square[c] = 0.5 * (square_before[c] / a0 + square_after[c] / a1)


@njit(nogil=True, cache=True)
def _join_all(  # type: ignore[no-untyped-def]
    first, stop, joined, e, lines, squares, x, z, whole, shift, tan_tilt, x_edge, scale, first_row,
    rows,
):  # fmt: skip
    """Join lines first to stop - 1 each to the one before; joined: the first has one."""
    for i in range(first, stop):
        if i > 0 and joined and i + 1 < len(e):
            _mend(lines[i - 1], lines[i], lines[i + 1], squares[i - 1], squares[i], squares[i + 1])
        _place(e[i], lines[i], squares[i], shift, tan_tilt, x_edge, scale, x[i], z[i], whole[i])
        if i > 0 and joined:
            _join(
                x[i - 1], z[i - 1], whole[i - 1], lines[i - 1], x[i], z[i], whole[i], lines[i],
                (e[i] - e[i - 1]) * scale,
                tan_tilt, first_row, rows,
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
        self._rows = np.zeros((n_ring, n_y, n_channels), dtype=np.float32)
        self._shift = shift_mm
        self._tan_tilt = tan_tilt
        self._x_edge = x_edge_mm
        self._scale = 1.0 / cell_mm
        self._first_row = 0
        # the line joined last and the one that waits for its successor, in front of new ones
        self._n_kept = 0
        self._joined = False
        self._e = np.empty(0)
        self._lines = np.empty((0, n_y, n_channels), dtype=np.float32)
        self._squares = np.empty((0, n_y), dtype=np.float32)
        self._x = np.empty((0, n_y))
        self._z = np.empty((0, n_y))
        self._whole = np.empty((0, n_y), dtype=bool)

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
                self._first_row,
                self._rows,
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
        """Give views of rows first to stop - 1, in one or two parts; `clear` frees them."""
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
