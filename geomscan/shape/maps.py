"""Room for maps: taking fresh memory page by page takes longer than what is computed in it."""

import math

import numpy as np
import numpy.typing as npt

__all__ = ["Maps", "Room"]

Singles = npt.NDArray[np.float32]

_LEAST_CELLS = 120_000  # a fillet on 0.5 mm cells: room for it is made once


def _empty(size: int) -> Singles:
    return np.empty(size, dtype=np.float32)


class Maps:
    """Hands out maps of one shape, cut from one block.

    Parameters
    ----------
    n, shape
        Number and shape of the maps.
    block
        Memory to cut them from, flat; taken anew where it is absent or too small.
    """

    def __init__(self, n: int, shape: tuple[int, ...], block: Singles | None = None) -> None:
        size = n * math.prod(shape)
        if block is None or len(block) < size:
            block = _empty(size)
        self._maps = block[:size].reshape(n, *shape)
        self._n_taken = 0
        self._back: list[Singles] = []

    def take(self, value: float | None = None) -> Singles:
        """Give the next map, filled with a value or as it comes."""
        if self._back:
            taken = self._back.pop()
        else:
            taken = self._maps[self._n_taken]
            self._n_taken += 1
        if value is not None:
            taken.fill(value)
        return taken

    def give_back(self, *maps: Singles) -> None:
        """Take back what is needed no more; it is given first, for it lies in fast memory."""
        self._back += maps

    def take_together(self, n: int) -> Singles:
        """Give the next n maps as one array."""
        taken: Singles = self._maps[self._n_taken : self._n_taken + n]
        self._n_taken += n
        return taken


class Room:
    """Memory made ready while a piece passes, so that none has to be taken when it has passed."""

    def __init__(self) -> None:
        self._scratch = _empty(0)
        self._kept = _empty(0)
        self._size = 0  # room for one like the last piece: the next one often is

    def prepare(self, n_cells: int, *, n_scratch: int, n_kept: int) -> None:
        """Make sure of room for a piece that has grown to this many cells."""
        if len(self._scratch) < n_scratch * n_cells:
            self._scratch = _empty(n_scratch * max(int(1.3 * n_cells), _LEAST_CELLS))
            self._scratch.fill(0.0)
        if len(self._kept) < n_kept * n_cells:
            self._kept = _empty(max(self._size, int(1.5 * n_kept * n_cells)))
            self._kept.fill(0.0)

    def scratch(self, n: int, shape: tuple[int, ...]) -> Maps:
        """Give maps that are free again at the next call."""
        if len(self._scratch) < n * math.prod(shape):
            self._scratch = _empty(n * math.prod(shape))
        return Maps(n, shape, self._scratch)

    def keep(self, n: int, shape: tuple[int, ...]) -> Maps:
        """Give maps that will be handed on."""
        block, self._kept = self._kept, _empty(0)
        self._size = int(1.25 * n * math.prod(shape))
        return Maps(n, shape, block)
