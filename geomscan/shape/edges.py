"""The rim of a piece: share of each cell that it covers, and its outline's extents.

Along each row and each column of cells the flank is carried on outwards in a straight line until
the volume found in the outermost cells is used up (a wall stands there) or the line meets the belt
(the flank runs out). Rows speak for the rim where it faces along them, columns elsewhere.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.maps import Maps

__all__ = ["N_RIM_MAPS", "Rim", "find_rim"]

N_RIM_MAPS = 9

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_INSIDE = 2  # cells from the first one above threshold to the flank's reference
_OUTSIDE = 8  # cells looked at beyond it
_U_OUTLINE = 0.4  # standard uncertainty of an end read off the outline, cells
_MISFIT = 0.02  # cells, rms: below it all laws fit alike
_U_TIP = 0.15  # the same followed back from the sections behind it


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Rim:
    """Cover of each cell, (n_x, n_y), and the outline's extents in cells from the map's edges.

    toe_mm is the height at which the rim ends: 0 where the flank meets the belt; NaN off the rim.
    """

    cover: Floats
    toe_mm: Floats
    first_x: float
    u_first_x: float
    last_x: float
    first_y: float
    last_y: float


@njit(nogil=True, cache=True)
def _reach(h, allowed, i, c, end, outward, noise_mm):  # type: ignore[no-untyped-def]
    """Length of the rim beyond the inner side of its reference cell, and the height it ends at.

    i: first cell above threshold; end: the run's other end; outward: -1 or +1 along axis 0;
    noise_mm: standard deviation of a bare cell.
    """
    n = h.shape[0]
    depth = min(_INSIDE, abs(end - i) // 2)
    k = i - outward * depth
    deeper = min(2, abs(end - k))
    slope = 0.0
    if deeper > 0:
        slope = (h[k - outward * deeper, c] - h[k, c]) / deeper
    slope = max(slope, 0.0)
    volume = 0.0
    m = k
    for _ in range(depth + 1 + _OUTSIDE):
        if m < 0 or m >= n or not allowed[m, c]:
            break
        volume += h[m, c]
        m += outward
    top = h[k, c] + 0.5 * slope
    if top <= 0.0:
        return k, 1.0, 0.0
    if slope < 1e-3 * top:
        return k, volume / top, top
    left = top * top - 2.0 * slope * volume
    toe = np.sqrt(max(left, 0.0))
    # the volume is known to the noise of its cells; a toe is the root of what is left of it
    noise_sum = noise_mm * np.sqrt(depth + 1.0 + _OUTSIDE)
    if toe < max(4.0 * noise_mm + 0.1, 0.15 * top, np.sqrt(6.0 * slope * noise_sum)):
        return k, top / slope, 0.0
    return k, (top - toe) / slope, toe


@njit(nogil=True, cache=True)
def _along(h, core, allowed, noise_mm, cover, toe, low, high):  # type: ignore[no-untyped-def]
    """Cover from runs along axis 0; low, high: where each line of cells begins and ends."""
    n, width = h.shape
    for c in range(width):
        low[c] = np.inf
        high[c] = -np.inf
        i = 0
        while i < n:
            if not core[i, c]:
                i += 1
                continue
            first = i
            while i < n and core[i, c]:
                i += 1
            last = i - 1
            k0, reach0, toe0 = _reach(h, allowed, first, c, last, -1, noise_mm)
            k1, reach1, toe1 = _reach(h, allowed, last, c, first, 1, noise_mm)
            begin = max(k0 + 1.0 - min(reach0, k0 - first + 1.0 + _OUTSIDE), 0.0)
            end = min(k1 + min(reach1, last - k1 + 1.0 + _OUTSIDE), float(n))
            low[c] = min(low[c], begin)
            high[c] = max(high[c], end)
            for j in range(int(np.floor(begin)), min(int(np.floor(end)), n - 1) + 1):
                share = min(end, j + 1.0) - max(begin, float(j))
                if share > 0.0 and allowed[j, c]:
                    cover[j, c] = min(cover[j, c] + share, 1.0)
            a = min(max(int(np.floor(begin)), 0), n - 1)
            b = min(max(int(np.floor(end)), 0), n - 1)
            toe[a, c] = toe0
            toe[b, c] = toe1


@njit(nogil=True, cache=True)
def _choose(h, core, cover_x, cover_y, toe_x, toe_y, cover, toe, along, across):  # type: ignore[no-untyped-def]
    """Take rows or columns, whichever the rim faces more nearly; sum the sections."""
    n_x, n_y = core.shape
    reach = 4
    for i in range(n_x):
        for c in range(n_y):
            a = cover_x[i, c]
            b = cover_y[i, c]
            toe[i, c] = np.nan
            if a == b and toe_x[i, c] != toe_x[i, c] and toe_y[i, c] != toe_y[i, c]:
                cover[i, c] = a
                if a > 0.0:
                    along[i] += h[i, c]
                    across[c] += h[i, c]
                continue
            gx = 0
            gy = 0
            for di in range(-reach, reach + 1):
                for dc in range(-reach, reach + 1):
                    p = i + di
                    q = c + dc
                    if 0 <= p < n_x and 0 <= q < n_y and core[p, q]:
                        gx += di
                        gy += dc
            if abs(gx) >= abs(gy):
                cover[i, c] = a
                toe[i, c] = toe_x[i, c]
            else:
                cover[i, c] = b
                toe[i, c] = toe_y[i, c]
            if cover[i, c] > 0.0:
                along[i] += h[i, c]
                across[c] += h[i, c]


def find_rim(
    height_mm: Floats, core: Bools, allowed: Bools, *, noise_mm: float, maps: Maps | None = None
) -> Rim:
    """Cover and outline of a piece from its heights.

    Parameters
    ----------
    height_mm
        Mean height over each whole cell, (n_x, n_y).
    core
        Cells that stand above the detection threshold.
    allowed
        False where another piece lies.
    noise_mm
        Standard deviation of a bare cell.
    maps
        Room for N_RIM_MAPS maps.
    """
    import cv2

    n_x, n_y = height_mm.shape
    maps = maps or Maps(N_RIM_MAPS, (n_x, n_y))
    turned = (n_y, n_x)
    cover_x, cover_y, cover = maps.take(0.0), maps.take(0.0).reshape(turned), maps.take()
    toe_x, toe_y, toe = maps.take(np.nan), maps.take(np.nan).reshape(turned), maps.take()
    height_turned, cover_back, toe_back = maps.take().reshape(turned), maps.take(), maps.take()
    low_x, high_x, low_y, high_y = np.empty(n_y), np.empty(n_y), np.empty(n_x), np.empty(n_x)
    _along(height_mm, core, allowed, noise_mm, cover_x, toe_x, low_x, high_x)
    masks = [cv2.transpose(mask.view(np.uint8)).view(bool) for mask in (core, allowed)]
    cv2.transpose(height_mm, dst=height_turned)
    _along(height_turned, masks[0], masks[1], noise_mm, cover_y, toe_y, low_y, high_y)
    cv2.transpose(cover_y, dst=cover_back)
    cv2.transpose(toe_y, dst=toe_back)
    along, across = np.zeros(n_x), np.zeros(n_y)
    _choose(height_mm, core, cover_x, cover_back, toe_x, toe_back, cover, toe, along, across)
    first_x, u_first_x = _tip(along, _end(low_x))
    return Rim(
        cover=cover, toe_mm=toe,
        first_x=first_x, u_first_x=u_first_x,
        last_x=n_x - _tip(along[::-1], n_x + _end(-high_x))[0],
        first_y=_tip(across, _end(low_y))[0],
        last_y=n_y - _tip(across[::-1], n_y + _end(-high_y))[0],
    )  # fmt: skip


def _tip(section: Floats, outline: float) -> tuple[float, float]:
    """Where a piece begins, carried on from its cross-sections behind the tip.

    The outermost tenths of a millimetre of a steep rim are dark and narrow, and no line may have
    hit them. Behind them the section grows with the distance from the tip as d (a flank that meets
    the belt upright, or a corner) to d^1.5 (one that comes down at an angle). The law between them
    is followed back to where the section vanishes, unless another one fits plainly better; how far
    the laws lie apart says how sure the tip is.
    """
    start = int(outline) + 2
    stop = min(start + 10, start + max(int(0.12 * len(section)), 5), len(section))
    area = section[start:stop]
    if len(area) < 5 or np.any(np.diff(area) <= 0.0) or area[0] <= 0.0:
        return outline, _U_OUTLINE
    if area[0] > 0.6 * area[-1]:
        return outline, _U_OUTLINE  # a front that stands square
    x = np.arange(start, stop) + 0.5
    tips, misfits = {}, {}
    for power in (1.0, 1.25, 1.5):
        root = area ** (1.0 / power)
        root = root / root[-1]
        design = np.stack([np.ones_like(root), root, root**2], axis=1)
        terms, *_ = np.linalg.lstsq(design, x, rcond=None)
        tips[power] = float(terms[0])
        misfits[power] = float(np.sqrt(np.mean(np.square(design @ terms - x))))
    found, u = tips[1.25], abs(tips[1.5] - tips[1.0]) / np.sqrt(12.0)
    best = min(misfits, key=lambda power: misfits[power])
    if misfits[1.25] > _MISFIT and misfits[best] < 0.5 * misfits[1.25]:
        found, u = tips[best], _U_TIP
    elif misfits[best] > 4.0 * _MISFIT:  # no law holds: between the outline and what they say
        found, u = 0.5 * (found + outline), 0.5 * abs(found - outline)
    if outline - 3.0 < found < outline + 1.0:
        return found, max(_U_TIP, float(u), 0.3 * abs(found - outline))
    return outline, _U_OUTLINE


def _end(edge: Floats) -> float:
    """Outermost place of an outline given line by line; a single stray line doesn't decide."""
    edge = edge[np.isfinite(edge)]
    if len(edge) < 3:
        return float(edge.min())
    low, high = np.minimum(edge[:-2], edge[1:-1]), np.maximum(edge[:-2], edge[1:-1])
    return float(np.maximum(low, np.minimum(high, edge[2:])).min())  # of medians of three
