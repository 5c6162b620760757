"""Rows seen by several heads made one."""

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["FUSED", "fuse_rows"]

#: Channels of fused rows: cover 0 to 1 and, for the rest, means over the covered part; `gap` is the
#: first head's height less the second's where both saw the whole cell, else NaN.
FUSED = ("cover", "height", "reflectance", "width", "variance", "unlit", "bound", "glare", "gap")

Singles = npt.NDArray[np.float32]
_WHOLE = 0.97


@njit(nogil=True, cache=True)
def _fuse(rows, out):  # type: ignore[no-untyped-def]
    n_heads, n_rows, n_y, _n_channels = rows.shape
    for i in range(n_rows):
        for c in range(n_y):
            best = 0
            n_whole = 0
            for h in range(n_heads):
                if rows[h, i, c, 0] > rows[best, i, c, 0]:
                    best = h
                if rows[h, i, c, 0] >= _WHOLE:
                    n_whole += 1
            a = rows[best, i, c, 0]
            out[i, c, 8] = np.nan
            if a <= 0.0:
                for k in range(8):
                    out[i, c, k] = 0.0
                out[i, c, 1] = np.nan
                continue
            if n_whole < 2:
                out[i, c, 0] = min(a, 1.0)
                for k in range(1, 5):
                    out[i, c, k] = rows[best, i, c, k] / a
                for k in range(5, 8):
                    out[i, c, k] = rows[best, i, c, k]
                continue
            total = 0.0
            for k in range(8):
                out[i, c, k] = 0.0
            first = np.nan
            for h in range(n_heads):
                cover = rows[h, i, c, 0]
                if cover < _WHOLE:
                    continue
                weight = cover / max(rows[h, i, c, 4], 1e-8)
                total += weight
                z = rows[h, i, c, 1] / cover
                if first != first:
                    first = z
                elif out[i, c, 8] != out[i, c, 8]:
                    out[i, c, 8] = first - z
                out[i, c, 1] += weight * z
                for k in range(2, 4):
                    out[i, c, k] += weight * rows[h, i, c, k] / cover
                for k in range(5, 8):
                    out[i, c, k] += weight * rows[h, i, c, k]
            for k in range(1, 8):
                out[i, c, k] /= total
            out[i, c, 4] = 1.0 / total
            out[i, c, 0] = 1.0


def fuse_rows(rows: list[Singles]) -> Singles:
    """Weigh heads by their variances, cell by cell; a cell one head saw only in part comes from the other.

    Parameters
    ----------
    rows
        One array per head, shape (n_rows, n_y, n_channels), integrals over cells as `grid_across`
        has them.

    Returns
    -------
    ndarray, shape (n_rows, n_y, len(FUSED))
    """
    stack = np.stack(rows)
    out = np.empty((stack.shape[1], stack.shape[2], len(FUSED)), dtype=np.float32)
    _fuse(stack, out)
    return out
