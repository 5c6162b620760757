"""Gridded lines onto the rows of the belt grid, as the belt travels.

Neighbouring lines are joined by straight pieces along x in every cell column and integrated over
the rows. x = e + z·tan(tilt) + y·tan(skew): a leaning sheet leaves the belt in front of a wall
unlit, which is treated like any other shadow of the light. A line that does not advance beyond the
farthest one so far sees belt that was seen before and is left out.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["HeadRows"]

Singles = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

_STEP_MM = 3.0


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _place(e, line, square, shift, tan_tilt, x_edge, scale, x, z):  # type: ignore[no-untyped-def]
    """Where along the belt the content of each cell lies (in rows), and its height; NaN unseen."""
    for c in range(line.shape[0]):
        a = line[c, 0]
        if a < 0.02:
            x[c] = np.nan
            continue
        height = line[c, 1] / a
        # material in a cell that a wall cuts leans with the height it stands at, not with the mean
        stands = square[c] / line[c, 1] if height > 0.5 else height
        z[c] = height
        x[c] = (e + shift[c] + stands * tan_tilt - x_edge) * scale


@njit(nogil=True, cache=True)
def _join(x0s, z0s, old, x1s, z1s, new, pitch, tan_tilt, first_row, rows):  # type: ignore[no-untyped-def]
    """Integrate between two lines into the ring of rows."""
    n_ring, n_y, n_channels = rows.shape
    for c in range(n_y):
        x0 = x0s[c]
        x1 = x1s[c]
        if not (x0 == x0 and x1 == x1):  # noqa: PLR0124 - NaN
            continue
        step = z1s[c] - z0s[c]
        sign = np.float32(1.0)
        low = x0
        high = x1
        if x1 < x0:
            sign = np.float32(-1.0)
            low = x1
            high = x0
        inverse = 1.0 / (high - low) if high > low else 0.0
        # a wall that faces away from the leaning light: upright between the two sheets of light,
        # half a pitch before the nearer side of what stands higher
        wall = abs(step) > _STEP_MM and step * tan_tilt > 0.0
        edge = 0.0
        if wall:
            # x of the higher side's sheet, half-way back to the other sheet
            edge = x1 - 0.5 * pitch if step > 0.0 else x0 + 0.5 * pitch
            edge = min(max(edge, low), high)
        first = int(low)
        last = int(high)
        for row in range(max(first, first_row), last + 1):
            a = max(low, float(row))
            b = min(high, row + 1.0)
            length = b - a
            if length <= 0.0:
                continue
            t = (0.5 * (a + b) - low) * inverse
            if sign < 0.0:
                t = 1.0 - t
            if wall:
                part0 = min(max(edge - a, 0.0), length)  # the part that belongs to the side of x0
                if sign < 0.0:
                    part0 = length - part0
                t = 1.0 - part0 / length
            p1 = np.float32(length * t) * sign
            p0 = np.float32(length) * sign - p1
            ring = row % n_ring
            for k in range(n_channels):
                rows[ring, c, k] += p0 * old[c, k] + p1 * new[c, k]


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


@dataclass(slots=True, eq=False)
class _Line:
    """A gridded line with where its cells lie along the belt (rows) and how high."""

    e_mm: float
    cells: Singles
    square: Singles
    x: Floats
    z: Floats


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
        self._old: _Line | None = None  # joined
        self._new: _Line | None = None  # waits for the line after it
        self._first_row = 0

    def add(self, e_mm: float, line: Singles, square: Singles) -> None:
        """Take one more line, further along than the one before; it is joined with the next."""
        if self._new is not None:
            if self._old is not None:
                _mend(
                    self._old.cells, self._new.cells, line,
                    self._old.square, self._new.square, square,
                )  # fmt: skip
            self._join()
        self._new = _Line(e_mm, line, square, np.empty(len(square)), np.empty(len(square)))

    def break_off(self) -> None:
        """Join the last line and forget it: nothing joins it to the next one."""
        if self._new is not None:
            self._join()
        self._old = self._new = None

    def _join(self) -> None:
        new = self._new
        if new is None:
            return
        _place(
            new.e_mm, new.cells, new.square, self._shift, self._tan_tilt, self._x_edge,
            self._scale, new.x, new.z,
        )  # fmt: skip
        if self._old is not None:
            old = self._old
            _join(
                old.x, old.z, old.cells, new.x, new.z, new.cells,
                (new.e_mm - old.e_mm) * self._scale, self._tan_tilt, self._first_row, self._rows,
            )  # fmt: skip
        self._old = new

    def take(self, first: int, stop: int) -> Singles:
        """Hand out rows first to stop - 1 and clear them; later lines no longer reach them."""
        index = np.arange(first, stop) % len(self._rows)
        rows = self._rows[index]
        self._rows[index] = 0.0
        self._first_row = max(self._first_row, stop)
        return rows
