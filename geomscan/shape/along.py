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


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _join(e0, old, e1, new, shift, tan_tilt, x_edge, cell, first_row, rows):  # type: ignore[no-untyped-def]
    """Integrate between two lines into the ring of rows; row 0 begins at x_edge."""
    n_ring, n_channels, n_y = rows.shape
    scale = 1.0 / cell
    for c in range(n_y):
        a0 = old[0, c]
        a1 = new[0, c]
        if a0 < 0.02 or a1 < 0.02:
            continue
        z0 = old[1, c] / a0
        z1 = new[1, c] / a1
        # material in a cell that a wall cuts leans with the height it stands at, not with the mean
        q0 = old[8, c] / (z0 * a0) if z0 > 0.5 else z0
        q1 = new[8, c] / (z1 * a1) if z1 > 0.5 else z1
        x0 = (e0 + shift[c] + q0 * tan_tilt - x_edge) * scale
        x1 = (e1 + shift[c] + q1 * tan_tilt - x_edge) * scale
        step = z1 - z0
        sign = 1.0
        if x1 < x0:
            sign = -1.0
        low = min(x0, x1)
        high = max(x0, x1)
        inverse = 1.0 / (high - low) if high > low else 0.0
        # a wall that faces away from the leaning light: upright between the two sheets of light
        wall = abs(step) > _STEP_MM and step * tan_tilt > 0.0
        edge = 0.0
        if wall:
            edge = (0.5 * (e0 + e1) + shift[c] + max(q0, q1) * tan_tilt - x_edge) * scale
            edge = min(max(edge, low), high)
        for row in range(int(np.floor(low)), int(np.floor(high)) + 1):
            if row < first_row:
                continue
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
            out = rows[row % n_ring]
            length *= sign
            p0 = length * (1.0 - t)
            p1 = length * t
            for k in range(n_channels):
                out[k, c] += p0 * old[k, c] + p1 * new[k, c]


@njit(nogil=True, cache=True)
def _mend(before, line, after):  # type: ignore[no-untyped-def]
    """Replace what only one line saw between two that agree: glints and lost columns."""
    n_channels, n_y = line.shape
    for c in range(n_y):
        a0 = before[0, c]
        a1 = after[0, c]
        if a0 < 0.9 or a1 < 0.9:
            continue
        z0 = before[1, c] / a0
        z1 = after[1, c] / a1
        apart = abs(z1 - z0)
        a = line[0, c]
        off = 1e3 if a < 0.9 else abs(line[1, c] / a - 0.5 * (z0 + z1))
        if off > 1.0 + 1.5 * apart and apart < _STEP_MM:
            for k in range(n_channels):
                line[k, c] = 0.5 * (before[k, c] / a0 + after[k, c] / a1)
            line[7, c] = 1.0


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
        self._cell = cell_mm
        self._old: Singles | None = None  # joined
        self._new: Singles | None = None  # waits for the line after it
        self._e_old = 0.0
        self._e_new = 0.0
        self._first_row = 0

    def add(self, e_mm: float, line: Singles) -> None:
        """Take one more line, further along than the one before; it is joined with the next."""
        if self._new is not None:
            if self._old is not None:
                _mend(self._old, self._new, line)
            self._join()
        self._new = line
        self._e_new = e_mm

    def break_off(self) -> None:
        """Join the last line and forget it: nothing joins it to the next one."""
        if self._new is not None:
            self._join()
        self._old = self._new = None

    def _join(self) -> None:
        if self._old is not None:
            _join(
                self._e_old, self._old, self._e_new, self._new, self._shift, self._tan_tilt,
                self._x_edge, self._cell, self._first_row, self._rows,
            )  # fmt: skip
        self._old = self._new
        self._e_old = self._e_new

    def take(self, first: int, stop: int) -> Singles:
        """Hand out rows first to stop - 1 and clear them; later lines no longer reach them."""
        index = np.arange(first, stop) % len(self._rows)
        rows = self._rows[index]
        self._rows[index] = 0.0
        self._first_row = max(self._first_row, stop)
        return rows
