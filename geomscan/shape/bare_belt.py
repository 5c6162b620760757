"""Bare belt summed in strips of rows as they arrive, so that little is left to do at a piece's end.

Sums are of cells that were seen nearly whole, lie near the level and have no product near them.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.rows import RowStore

__all__ = ["PATCH", "BareBelt", "BareRows", "BareSums"]

_STRIP_ROWS = 10
PATCH = 40  # cells along and across of a patch, of a piece's scale
#: What is summed by strip and column: cells, heights, rows from the strip's first one on, heights
#: times rows, rows squared.
_N_SUMS = 5

Singles = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


# Sums may be added up in any order: eight at a time is as exact as one by one.
@njit(nogil=True, cache=True, fastmath={"contract", "nsz", "reassoc"})
def _add(whole, free, level, drift, gate, first, sums):  # type: ignore[no-untyped-def]
    """Add rows to the sums of a strip; first: the first one's number in the strip."""
    n_x, n_y = whole.shape
    none = np.float32(0.0)
    count, z = np.empty(n_y, dtype=np.float32), np.empty(n_y, dtype=np.float32)
    for i in range(n_x):
        row = np.float32(first + i)
        for c in range(n_y):
            z[c] = whole[i, c] - level[c]
        for c in range(n_y):
            count[c] = np.float32(free[i, c])
        for c in range(n_y):
            count[c] = count[c] if abs(z[c] - drift) < gate else none
        for c in range(n_y):
            z[c] = whole[i, c] if count[c] > none else none
        for c in range(n_y):
            sums[0, c] += count[c]
        for c in range(n_y):
            sums[1, c] += z[c]
        for c in range(n_y):
            sums[2, c] += count[c] * row
        for c in range(n_y):
            sums[3, c] += z[c] * row
        for c in range(n_y):
            sums[4, c] += count[c] * row * row


@njit(nogil=True, cache=True)
def _gather(strips, first, start, level, columns, patches):  # type: ignore[no-untyped-def]
    """Sum strips by columns and by patches, of which only whole ones count.

    first, start: the first row, the first column; columns, patches: as in `BareSums`.
    """
    n_y = columns.shape[1]
    sums = np.zeros((5, n_y))  # over the strips of a patch
    n, total, rows, moment, square = sums
    for s in range(len(strips)):
        before = float(first + s * _STRIP_ROWS)
        for c in range(n_y):
            n[c] += strips[s, 0, start + c]
            total[c] += strips[s, 1, start + c]
        for c in range(n_y):
            rows[c] += strips[s, 2, start + c] + before * strips[s, 0, start + c]
        for c in range(n_y):
            moment[c] += strips[s, 3, start + c] + before * strips[s, 1, start + c]
        for c in range(n_y):
            twice = 2.0 * strips[s, 2, start + c] + before * strips[s, 0, start + c]
            square[c] += strips[s, 4, start + c] + before * twice
        a, after = divmod(first + s * _STRIP_ROWS, PATCH)
        if after + _STRIP_ROWS < PATCH and s + 1 < len(strips):
            continue
        for c in range(n_y):
            total[c] -= n[c] * level[start + c]
            columns[0, c] += n[c]
            columns[1, c] += total[c]
            columns[2, c] += rows[c]
            columns[3, c] += moment[c] - rows[c] * level[start + c]
            columns[4, c] += square[c]
        for c in range(patches.shape[2] * PATCH if a < patches.shape[1] else 0):
            b = c // PATCH
            patches[0, a, b] += n[c]
            patches[1, a, b] += total[c]
            patches[2, a, b] += rows[c]
            patches[3, a, b] += n[c] * c
        sums[:] = 0.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BareRows:
    """Rows to be summed.

    whole: heights of cells that were seen nearly whole, NaN for others, (n_rows, n_y); free: True
    where no product is near, of the same shape; level_mm, (n_y,), and drift_mm: of the belt;
    gate_mm: height off it up to which a cell is bare.
    """

    whole: Singles
    free: Bools
    level_mm: Floats
    drift_mm: float
    gate_mm: float

    def add_to(self, strips: Callable[[int], Singles], first: int) -> None:
        """Add the rows to strips' sums; first: number of the first one, from strip 0 on."""
        level = self.level_mm.astype(np.float32)
        drift, gate = np.float32(self.drift_mm), np.float32(self.gate_mm)
        at = 0
        while at < len(self.whole):
            strip, row = divmod(first + at, _STRIP_ROWS)
            part = slice(at, at + _STRIP_ROWS - row)
            _add(self.whole[part], self.free[part], level, drift, gate, row, strips(strip))
            at = part.stop


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BareSums:
    """Sums of what bare cells of a window stand above the belt's level.

    columns, (5, n_y): cells, heights, rows, heights times rows, rows squared; patches,
    (4, n, m), of 40 x 40 cells each: cells, heights, rows, columns. Rows count from row
    `first` on, which is followed by n_rows rows in all, columns from the window's first one.
    """

    columns: Floats
    patches: Floats
    first: int
    n_rows: int


class BareBelt:
    """Sums of bare belt by strips of rows and columns of cells.

    Parameters
    ----------
    n_y
        Cells across.
    """

    def __init__(self, n_y: int) -> None:
        self._n_y = n_y
        self.restart(0)

    def restart(self, row: int) -> None:
        """Forget all sums and begin anew with a row."""
        self._strips = RowStore((_N_SUMS, self._n_y), np.float32)
        self._first = row  # of strip 0
        self.n_rows = row  #: rows summed, or left out before that one

    def add(self, rows: BareRows) -> None:
        """Sum the next rows."""
        rows.add_to(self._strip, self.n_rows - self._first)
        self.n_rows += len(rows.whole)

    def _strip(self, number: int) -> Singles:
        if number == self._strips.stop:
            self._strips.extend(1)[:] = 0.0
        strip: Singles = self._strips.window(number, number + 1)[0]
        return strip

    def around(self, rows: slice, cells: slice, level_mm: Floats, last: BareRows) -> BareSums:
        """Give sums over a window, which begins and ends with a strip or with the last rows.

        last: those of the rows, none or more, that were not summed yet.
        """
        begin = max((rows.start - self._first) // _STRIP_ROWS, self._strips.first)
        end = min(-(-(rows.stop - self._first) // _STRIP_ROWS), self._strips.stop)
        strips = self._strips.window(begin, end)
        origin = self._first + begin * _STRIP_ROWS
        summed = min(self._first + end * _STRIP_ROWS, self.n_rows)
        n_rows, n_y = summed + len(last.whole) - origin, cells.stop - cells.start
        columns = np.zeros((_N_SUMS, n_y))
        patches = np.zeros((4, n_rows // PATCH, n_y // PATCH))
        _gather(strips, 0, cells.start, level_mm, columns, patches)
        begun = (summed - origin) // _STRIP_ROWS
        n_strips = -(-n_rows // _STRIP_ROWS) - begun
        rest = np.zeros((n_strips, _N_SUMS, self._n_y), dtype=np.float32)
        last.add_to(lambda strip: rest[strip - begun], summed - origin)
        _gather(rest, begun * _STRIP_ROWS, cells.start, level_mm, columns, patches)
        return BareSums(columns=columns, patches=patches, first=origin, n_rows=n_rows)

    def drop_before(self, row: int) -> None:
        """Forget strips that lie wholly before a row."""
        self._strips.drop_before((row - self._first) // _STRIP_ROWS)
