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
    n_heads, n_rows, _n_channels, n_y = rows.shape
    for i in range(n_rows):
        for c in range(n_y):
            best = 0
            n_whole = 0
            for h in range(n_heads):
                if rows[h, i, 0, c] > rows[best, i, 0, c]:
                    best = h
                if rows[h, i, 0, c] >= _WHOLE:
                    n_whole += 1
            a = rows[best, i, 0, c]
            out[i, 8, c] = np.nan
            if a <= 0.0:
                for k in range(8):
                    out[i, k, c] = 0.0
                out[i, 1, c] = np.nan
                continue
            if n_whole < 2:
                out[i, 0, c] = min(a, 1.0)
                for k in range(1, 5):
                    out[i, k, c] = rows[best, i, k, c] / a
                for k in range(5, 8):
                    out[i, k, c] = rows[best, i, k, c]
                continue
            total = 0.0
            for k in range(8):
                out[i, k, c] = 0.0
            first = np.nan
            for h in range(n_heads):
                cover = rows[h, i, 0, c]
                if cover < _WHOLE:
                    continue
                weight = cover / max(rows[h, i, 4, c], 1e-8)
                total += weight
                z = rows[h, i, 1, c] / cover
                if first != first:
                    first = z
                elif out[i, 8, c] != out[i, 8, c]:
                    out[i, 8, c] = first - z
                out[i, 1, c] += weight * z
                for k in range(2, 4):
                    out[i, k, c] += weight * rows[h, i, k, c] / cover
                for k in range(5, 8):
                    out[i, k, c] += weight * rows[h, i, k, c]
            for k in range(1, 8):
                out[i, k, c] /= total
            out[i, 4, c] = 1.0 / total
            out[i, 0, c] = 1.0


def fuse_rows(rows: list[Singles]) -> Singles:
    """Weigh heads by their variances, cell by cell; a cell one head saw only in part comes from the other.

    Parameters
    ----------
    rows
        One array per head, shape (n_rows, n_channels, n_y), integrals over cells as `grid_across`
        has them.

    Returns
    -------
    ndarray, shape (n_rows, len(FUSED), n_y)
    """
    stack = np.stack(rows)
    out = np.empty((stack.shape[1], len(FUSED), stack.shape[3]), dtype=np.float32)
    _fuse(stack, out)
    return out
