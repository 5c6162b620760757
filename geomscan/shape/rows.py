"""Rows of the belt grid kept in memory: appended at one end, dropped at the other."""

from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["RowStore"]


_LEAST_ROWS = 2048  # for pieces of some 500 mm on 0.5 mm cells; what isn't reached costs nothing


class RowStore:
    """A growing window over rows numbered from 0; memory follows the rows held, not the rows seen.

    Parameters
    ----------
    shape
        Shape of one row.
    dtype
        Type of its elements.
    """

    def __init__(self, shape: tuple[int, ...], dtype: npt.DTypeLike) -> None:
        self._data = np.empty((_LEAST_ROWS, *shape), dtype=dtype)
        self._begin = 0  # index of the first held row in _data
        self._end = 0
        self.first = 0  #: number of the first row held

    @property
    def stop(self) -> int:
        """Number of the row after the last one held."""
        return self.first + self._end - self._begin

    def append(self, rows: npt.NDArray[Any]) -> None:
        """Add rows behind the last one."""
        self.extend(len(rows))[:] = rows

    def extend(self, n: int) -> npt.NDArray[Any]:
        """Add n rows behind the last one and hand them out to be filled."""
        n_held = self._end - self._begin
        if self._end + n > len(self._data):
            n_room = max(4 * (n_held + n), _LEAST_ROWS) if 2 * (n_held + n) > len(self._data) else 0
            grown = (
                np.empty((n_room, *self._data.shape[1:]), self._data.dtype)
                if n_room
                else self._data
            )
            # numpy copies overlapping ranges of one array safely
            grown[:n_held] = self._data[self._begin : self._end]
            self._data = grown
            self._begin, self._end = 0, n_held
        self._end += n
        return self._data[self._end - n : self._end]

    def window(self, first: int, stop: int) -> npt.NDArray[Any]:
        """View rows first to stop - 1, which must be held."""
        start = self._begin + first - self.first
        return self._data[start : start + stop - first]

    def drop_before(self, row: int) -> None:
        """Forget all rows before `row`."""
        n = min(max(row - self.first, 0), self._end - self._begin)
        self._begin += n
        self.first += n
