"""Rows seen by several heads made one."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["FUSED", "fuse_rows"]

#: Channels of fused rows: cover 0 to 1 and, for the rest, means over the covered part; `gap` is the
#: first head's height less the second's where both saw the whole cell, else NaN.
FUSED = ("cover", "height", "reflectance", "width", "variance", "unlit", "bound", "glare", "gap")

Singles = npt.NDArray[np.float32]
_WHOLE = 0.97


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _take(rows, out):  # type: ignore[no-untyped-def]
    """One head's integrals to means over the covered part."""
    n_rows, _, n_y = rows.shape
    one = np.float32(1.0)
    for i in range(n_rows):
        for c in range(n_y):
            cover = rows[i, 0, c]
            inverse = one / cover if cover > 0.0 else np.float32(0.0)
            out[i, c, 0] = min(max(cover, np.float32(0.0)), one)
            out[i, c, 1] = rows[i, 1, c] * inverse if cover > 0.0 else np.nan
            out[i, c, 2] = rows[i, 2, c] * inverse
            out[i, c, 3] = rows[i, 3, c] * inverse
            out[i, c, 4] = rows[i, 4, c] * inverse
            out[i, c, 5] = rows[i, 5, c]
            out[i, c, 6] = rows[i, 6, c]
            out[i, c, 7] = rows[i, 7, c]
            out[i, c, 8] = np.nan


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _add(rows, out):  # type: ignore[no-untyped-def]
    """Join one more head to what the heads before it made."""
    n_rows, _, n_y = rows.shape
    one = np.float32(1.0)
    least = np.float32(1e-8)
    for i in range(n_rows):
        for c in range(n_y):
            cover = rows[i, 0, c]
            before = out[i, c, 0]
            if cover <= 0.0 or (cover < _WHOLE and cover <= before) or (before >= _WHOLE > cover):
                continue
            inverse = one / cover
            z = rows[i, 1, c] * inverse
            more = before < _WHOLE
            if not more:
                # what stands for ground that this head saw unlit yields to what the other saw lit
                lit, lit_before = cover - rows[i, 5, c], before - out[i, c, 5]
                if min(lit, lit_before) < _WHOLE:
                    if lit <= lit_before:
                        continue
                    more = True
            if more:  # this head saw more of the cell: it alone counts
                out[i, c, 0] = min(cover, one)
                out[i, c, 1] = z
                out[i, c, 2] = rows[i, 2, c] * inverse
                out[i, c, 3] = rows[i, 3, c] * inverse
                out[i, c, 4] = rows[i, 4, c] * inverse
                out[i, c, 5] = rows[i, 5, c]
                out[i, c, 6] = rows[i, 6, c]
                out[i, c, 7] = rows[i, 7, c]
                continue
            old = max(out[i, c, 4], least)
            new = max(rows[i, 4, c] * inverse, least)
            p = old / (old + new)  # weight of the new head: the smaller variance weighs more
            q = one - p
            if out[i, c, 8] != out[i, c, 8]:
                out[i, c, 8] = out[i, c, 1] - z
            out[i, c, 1] = q * out[i, c, 1] + p * z
            # light weighs by itself: a head that loses a steep surface fades out and leaves no step
            # of reflectance where it stops seeing
            dim, light = out[i, c, 2], rows[i, 2, c] * inverse
            if dim + light > 0:
                out[i, c, 2] = (dim * dim + light * light) / (dim + light)
            out[i, c, 3] = q * out[i, c, 3] + p * rows[i, 3, c] * inverse
            out[i, c, 4] = p * new
            out[i, c, 5] = q * out[i, c, 5] + p * rows[i, 5, c]
            out[i, c, 6] = q * out[i, c, 6] + p * rows[i, 6, c]
            out[i, c, 7] = q * out[i, c, 7] + p * rows[i, 7, c]
            out[i, c, 0] = one


def fuse_rows(rows: Sequence[Singles], out: Singles) -> None:
    """Weigh heads by their variances, cell by cell; where one saw a cell in part the other counts.

    Parameters
    ----------
    rows
        One array per head, shape (n_rows, n_channels, n_y), integrals over cells as `grid_across`
        has them.
    out
        Filled, shape (n_rows, n_y, len(FUSED)).
    """
    _take(rows[0], out)
    for head in rows[1:]:
        _add(head, out)
