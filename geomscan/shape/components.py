"""Connected regions of a mask whose rows arrive one after the other."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.rows import RowStore

__all__ = ["Component", "Components"]

#: Cells this near to each other belong together: single lost cells don't cut a piece.
_REACH = 2

Labels = npt.NDArray[np.int32]
Singles = npt.NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, slots=True)
class Component:
    """One region: its label, its rows and cells (first to last), its size and greatest height."""

    label: int
    first_row: int
    last_row: int
    first_cell: int
    last_cell: int
    n_cells: int
    height_mm: float


@njit(nogil=True, cache=True)
def _root(parent, a):  # type: ignore[no-untyped-def]
    while parent[a] != a:
        parent[a] = parent[parent[a]]
        a = parent[a]
    return a


@njit(nogil=True, cache=True)
def _merge(parent, box, height, a, b):  # type: ignore[no-untyped-def]
    a = _root(parent, a)
    b = _root(parent, b)
    if a == b:
        return a
    if box[b, 0] < box[a, 0]:
        a, b = b, a
    parent[b] = a
    box[a, 0] = min(box[a, 0], box[b, 0])
    box[a, 1] = max(box[a, 1], box[b, 1])
    box[a, 2] = min(box[a, 2], box[b, 2])
    box[a, 3] = max(box[a, 3], box[b, 3])
    box[a, 4] += box[b, 4]
    height[a] = max(height[a], height[b])
    return a


@njit(nogil=True, cache=True)
def _label(mask, above, first_row, parent, box, height, free, n_free, labels):  # type: ignore[no-untyped-def]
    """Label rows of a mask, joining cells within _REACH; labels begins with the rows before."""
    n_rows, n_y = mask.shape
    for i in range(n_rows):
        at = i + _REACH
        current = 0
        last = -10
        for c in range(n_y):
            labels[at, c] = 0
            if not mask[i, c]:
                continue
            if current == 0 or c - last > _REACH:
                current = 0
            label = current
            begin = max(c - _REACH, 0)
            if label > 0:
                label = _root(parent, label)
                begin = last + _REACH + 1  # what lies before was joined to the last cell
            for back in range(1, _REACH + 1):
                for k in range(begin, min(c + _REACH + 1, n_y)):
                    other = labels[at - back, k]
                    if other > 0:
                        if label == 0:
                            label = _root(parent, other)
                        elif parent[other] != label:
                            label = _merge(parent, box, height, label, other)
            if label == 0:
                if n_free == 0:
                    return -1
                n_free -= 1
                label = free[n_free]
                parent[label] = label
                box[label, 0] = first_row + i
                box[label, 1] = first_row + i
                box[label, 2] = c
                box[label, 3] = c
                box[label, 4] = 0
                height[label] = 0.0
            labels[at, c] = label
            box[label, 1] = first_row + i
            box[label, 2] = min(box[label, 2], c)
            box[label, 3] = max(box[label, 3], c)
            box[label, 4] += 1
            if above[i, c] > height[label]:
                height[label] = above[i, c]
            current = label
            last = c
    return n_free


@njit(nogil=True, cache=True)
def _flatten(labels, low, high, parent):  # type: ignore[no-untyped-def]
    for i in range(labels.shape[0]):
        for c in range(low, high):
            label = labels[i, c]
            if label > 0 and parent[label] != label:
                labels[i, c] = _root(parent, label)


class Components:
    """Labels of the cells of all open regions, with the regions' extents.

    Parameters
    ----------
    n_y
        Cells across.
    """

    def __init__(self, n_y: int) -> None:
        self._n = 1 << 10
        self._parent = np.zeros(self._n, dtype=np.int32)
        self._box = np.zeros((self._n, 5), dtype=np.int64)
        self._height = np.zeros(self._n, dtype=np.float32)
        self._free = np.arange(self._n - 1, 0, -1, dtype=np.int32)
        self._n_free = self._n - 1
        self._recent = np.zeros((_REACH, n_y), dtype=np.int32)
        self.labels = RowStore((n_y,), np.int32)

    def add(self, mask: npt.NDArray[np.bool_], above_mm: Singles) -> None:
        """Label the next rows; shapes (n_rows, n_y)."""
        rows = np.empty((_REACH + len(mask), mask.shape[1]), dtype=np.int32)
        rows[:_REACH] = self._recent
        first = self.labels.stop
        before = self._n_free
        parent, box, height = self._parent.copy(), self._box.copy(), self._height.copy()
        n_free = _label(mask, above_mm, first, parent, box, height, self._free, before, rows)
        if n_free < 0:  # more regions than ever seen: make room and do the rows again
            self._grow()
            self.add(mask, above_mm)
            return
        self._parent, self._box, self._height, self._n_free = parent, box, height, n_free
        self.labels.append(rows[_REACH:])
        self._recent = rows[-_REACH:].copy()

    def open(self) -> list[Component]:
        """All regions that have not been closed."""
        used = np.ones(self._n, dtype=bool)
        used[self._free[: self._n_free]] = False
        used[0] = False
        ids = np.flatnonzero(used)
        roots = ids[self._parent[ids] == ids]
        return [
            Component(
                label=int(r),
                first_row=int(self._box[r, 0]),
                last_row=int(self._box[r, 1]),
                first_cell=int(self._box[r, 2]),
                last_cell=int(self._box[r, 3]),
                n_cells=int(self._box[r, 4]),
                height_mm=float(self._height[r]),
            )
            for r in roots
        ]

    def window(self, first: int, stop: int, cells: slice) -> Labels:
        """Rows of labels of some cells across, each with the label of its whole region."""
        view: Labels = self.labels.window(first, stop)
        _flatten(view, cells.start, cells.stop, self._parent)
        return view[:, cells]

    def close(self, component: Component, *, as_product: bool = False) -> None:
        """Forget a region; its cells become unlabelled, or -1 where they go on to be product."""
        first = max(component.first_row, self.labels.first)
        cells = slice(component.first_cell, component.last_cell + 1)
        view = self.window(first, component.last_row + 1, cells)
        view[view == component.label] = -1 if as_product else 0
        _flatten(self._recent, 0, self._recent.shape[1], self._parent)
        self._recent[self._recent == component.label] = 0
        used = np.ones(self._n, dtype=bool)
        used[self._free[: self._n_free]] = False
        used[0] = False
        ids = np.flatnonzero(used)
        roots = np.array([self._find(int(k)) for k in ids], dtype=np.int64)
        gone = ids[roots == component.label]
        self._free[self._n_free : self._n_free + len(gone)] = gone
        self._n_free += len(gone)

    def _find(self, label: int) -> int:
        while self._parent[label] != label:
            label = int(self._parent[label])
        return label

    def _grow(self) -> None:
        n = self._n * 2
        for name in ("_parent", "_height"):
            old = getattr(self, name)
            setattr(self, name, np.concatenate([old, np.zeros(self._n, old.dtype)]))
        self._box = np.concatenate([self._box, np.zeros((self._n, 5), np.int64)])
        free = np.empty(n - 1, dtype=np.int32)
        free[: self._n_free] = self._free[: self._n_free]
        free[self._n_free : self._n_free + self._n] = np.arange(n - 1, self._n - 1, -1)
        self._n_free += self._n
        self._free = free
        self._n = n
