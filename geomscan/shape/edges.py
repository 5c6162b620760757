"""The rim of a piece: share of each cell that it covers, and its outline's extents.

Along each row and each column of cells the flank is carried on outwards as it comes down until
the volume found in the outermost cells is used up (a wall stands there) or the line meets the belt
(the flank runs out). Rows speak for the rim where it faces along them, columns elsewhere.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.maps import Maps
from geomscan.uncertainty import U_ANYWHERE

__all__ = ["N_RIM_MAPS", "Rim", "find_rim"]

N_RIM_MAPS = 4

Singles = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_INSIDE = 2  # cells from the first one above threshold to the flank's reference
_OUTSIDE = 8  # cells looked at beyond it
_SLIVER = 1e-6  # share of a cell that is left over from rounding
#: Standard uncertainty (cells) of an end read off the outline, and of one followed back from the
#: widths behind it; how much more than independent rows leave rows side by side do. Judged on
#: simulated pieces, no source.
_U_OUTLINE, _U_TIP, _ALIKE = 0.4, 0.15, 1.5
_TIP_ROWS = 12  # rows behind a tip that tell of it, or this share of a short piece's
_TIP_SHARE = 0.12


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Rim:
    """Cover of each cell, (n_x, n_y), and the outline's extents in cells from the map's edges.

    toe_mm is the height at which the rim ends: 0 where the flank meets the belt; NaN off the rim.
    places are the rows and columns, (2, n), of the cells that the rim may cross.
    """

    cover: Singles
    toe_mm: Singles
    places: Ints
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
    slope = bend = 0.0
    if deeper > 0:
        inner = k - outward * deeper
        slope = (h[inner, c] - h[k, c]) / deeper
        if abs(end - k) >= 4 and slope > 0.0:  # flanks of domes grow steeper outwards
            bend = max(0.5 * (slope - 0.5 * (h[k - outward * 4, c] - h[inner, c])), 0.0)
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
    if slope < 1e-3 * top or volume <= 0.0:
        return k, max(volume, 0.0) / top, top
    if volume >= 0.5 * top * top / slope:
        return k, top / slope, 0.0
    # the volume is known to the noise of its cells; a toe is the root of what is left of it
    noise_sum = noise_mm * np.sqrt(depth + 1.0 + _OUTSIDE)
    least = max(4.0 * noise_mm + 0.1, 0.15 * top, np.sqrt(6.0 * slope * noise_sum))
    # less than a straight flank holds: it bends down to the belt, or a wall ends it
    ends = (2.0 * top - np.sqrt(4.0 * top * top - 6.0 * slope * volume)) / slope
    toe = 0.0
    if 2.0 * (top - slope * ends) > bend * ends * ends:
        toe = _wall(top + bend / 6.0 + 0.25 * bend, slope + 0.5 * bend, bend, volume)
    if toe < least:
        return k, ends, 0.0
    return k, _between(top + 0.25 * bend, slope + 0.5 * bend, bend, volume), toe


@njit(nogil=True, cache=True)
def _between(top, slope, bend, volume):  # type: ignore[no-untyped-def]
    """Length of a flank that holds `volume`, between a straight one cut by a wall and a dome's.

    A dome rises as a power of the distance from its foot. Both laws are settled by the height, the
    slope, and the volume; how much the flank bends further in tells which of them it is nearer to.
    """
    wall = (top - np.sqrt(max(top * top - 2.0 * slope * volume, 0.0))) / slope
    filled = min(volume * slope / (top * top), 0.5)
    power = filled / (1.0 - filled)
    dome = volume * (1.0 + power) / top
    away = dome + 1.5  # the middle of the cells that tell of the bend
    expected = slope * (1.0 - power) / dome * (dome / away) ** (2.0 - power)
    share = min(bend / expected, 1.0) if expected > 1e-6 * slope else 1.0
    return wall + share * (dome - wall)


@njit(nogil=True, cache=True)
def _wall(top, slope, bend, volume):  # type: ignore[no-untyped-def]
    """Height of the wall that ends a flank which comes down from `top` and holds `volume`.

    The flank's height at distance d is top - slope·d - bend·d²/2.
    """
    d = (top - np.sqrt(max(top * top - 2.0 * slope * volume, 0.0))) / slope
    for _ in range(3):
        here = top - d * (slope + 0.5 * bend * d)
        if here <= 0.0:
            return 0.0
        d += (volume - d * (top - d * (0.5 * slope + bend * d / 6.0))) / here
    return max(top - d * (slope + 0.5 * bend * d), 0.0)


def _runs(core: npt.NDArray[np.uint8]) -> Ints:
    """Find runs of marked cells along axis 1: rows, first cells and last cells; shape (3, n)."""
    framed = np.zeros((core.shape[0], core.shape[1] + 2), dtype=np.uint8)
    framed[:, 1:-1] = core
    flat = framed.ravel()
    turns = np.flatnonzero(flat[1:] != flat[:-1])  # the cell before each run, and its last one
    row, before = np.divmod(turns[::2], framed.shape[1])
    return np.stack([row, before, before + turns[1::2] - turns[::2] - 1])


@njit(nogil=True, cache=True)
def _put_ends(h, allowed, runs, noise_mm, cover, toe, rim, low, high):  # type: ignore[no-untyped-def]
    """Put ends onto runs along axis 0, in `cover`, which holds 1 on all their cells.

    toe: the heights at which runs end; rim: marks what was changed; low, high: where each line of
    cells begins and ends.
    """
    n, n_runs = h.shape[0], runs.shape[1]
    begin, end = np.empty(n_runs), np.empty(n_runs)
    inner, outer = np.empty(n_runs, dtype=np.int64), np.empty(n_runs, dtype=np.int64)
    for r in range(n_runs):
        c, first, last = runs[0, r], runs[1, r], runs[2, r]
        k0, reach0, toe0 = _reach(h, allowed, first, c, last, -1, noise_mm)
        k1, reach1, toe1 = _reach(h, allowed, last, c, first, 1, noise_mm)
        begin[r] = max(k0 + 1.0 - min(reach0, k0 - first + 1.0 + _OUTSIDE), 0.0)
        end[r] = min(k1 + min(reach1, last - k1 + 1.0 + _OUTSIDE), float(n))
        inner[r], outer[r] = k0, k1
        low[c] = min(low[c], begin[r])
        high[c] = max(high[c], end[r])
        a, b = min(int(begin[r] + _SLIVER), n - 1), max(int(end[r] - _SLIVER), 0)
        toe[a, c], toe[b, c] = toe0, toe1
        rim[a, c] = rim[b, c] = True
        cover[first : k0 + 1, c] = 0.0
        cover[k1 : last + 1, c] = 0.0
        rim[first : k0 + 1, c] = True
        rim[k1 : last + 1, c] = True
    for r in range(n_runs):  # once all are cut back, for one may reach into the next
        c = runs[0, r]
        for side in range(2):
            a, b = int(begin[r]), inner[r]
            if side == 1:
                a, b = max(outer[r], b + 1), min(int(end[r]), n - 1)
            for j in range(a, b + 1):
                share = min(end[r], j + 1.0) - max(begin[r], float(j))
                if share > _SLIVER and allowed[j, c]:
                    cover[j, c] = min(cover[j, c] + share, 1.0)
                    rim[j, c] = True


@njit(nogil=True, cache=True)
def _choose(core, places, cover, cover_y, toe, toe_y):  # type: ignore[no-untyped-def]
    """Where the rim faces across rather than along, take what runs across say of it.

    places: rows and columns of the rim's cells, (2, n); cover and toe hold what runs along say.
    """
    n_x, n_y = core.shape
    reach = 4
    for k in range(places.shape[1]):
        i, c = places[0, k], places[1, k]
        endless = toe[i, c] != toe[i, c] and toe_y[i, c] != toe_y[i, c]
        if endless and cover[i, c] == cover_y[i, c]:
            continue
        gx = gy = 0
        for p in range(max(i - reach, 0), min(i + reach + 1, n_x)):
            for q in range(max(c - reach, 0), min(c + reach + 1, n_y)):
                if core[p, q]:
                    gx += p - i
                    gy += q - c
        if abs(gx) < abs(gy):
            cover[i, c] = cover_y[i, c]
            toe[i, c] = toe_y[i, c]


@njit(nogil=True, cache=True, fastmath={"contract", "nsz", "reassoc"})
def _widths(cover, along, across):  # type: ignore[no-untyped-def]
    """Sum the covered cells by rows and by columns."""
    across[:] = 0.0
    for i in range(cover.shape[0]):
        total = 0.0
        for c in range(cover.shape[1]):
            total += cover[i, c]
            across[c] += cover[i, c]
        along[i] = total


def find_rim(
    height_mm: Singles, core: Bools, allowed: Bools, *, noise_mm: float, pitch: float,
    maps: Maps | None = None,
) -> Rim:  # fmt: skip
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
    pitch
        Distance of lines along axis 0, cells.
    maps
        Room for N_RIM_MAPS maps.
    """
    import cv2

    n_x, n_y = height_mm.shape
    maps = maps or Maps(N_RIM_MAPS, (n_x, n_y))
    cover, cover_y, toe, toe_y = maps.take(), maps.take(), maps.take(np.nan), maps.take(np.nan)
    cover[:] = core
    cover_y[:] = cover
    rim = np.zeros((n_x, n_y), dtype=np.bool_)
    low_x, high_x = np.full(n_y, np.inf), np.full(n_y, -np.inf)
    low_y, high_y = np.full(n_x, np.inf), np.full(n_x, -np.inf)
    _put_ends(
        height_mm, allowed, _runs(cv2.transpose(core.view(np.uint8))), noise_mm, cover, toe,
        rim, low_x, high_x,
    )  # fmt: skip
    _put_ends(
        height_mm.T, allowed.T, _runs(core.view(np.uint8)), noise_mm, cover_y.T, toe_y.T,
        rim.T, low_y, high_y,
    )  # fmt: skip
    places = np.stack(np.divmod(np.flatnonzero(rim), n_y))
    _choose(core, places, cover, cover_y, toe, toe_y)
    maps.give_back(cover_y, toe_y)
    along, across = np.empty(n_x), np.empty(n_y)
    _widths(cover, along, across)
    first_x, u_first_x = _tip(along, low_x, pitch)
    return Rim(
        cover=cover, toe_mm=toe, places=places,
        first_x=first_x, u_first_x=u_first_x,
        last_x=n_x - _tip(along[::-1].copy(), n_x - high_x, pitch)[0],
        first_y=_tip(across, low_y, pitch)[0],
        last_y=n_y - _tip(across[::-1].copy(), n_y - high_y, pitch)[0],
    )  # fmt: skip


@njit(nogil=True, cache=True)
def _tip(width, ends, pitch):  # type: ignore[no-untyped-def]
    """Where a piece begins, and its u, from how its width grows behind the tip.

    width: covered cells of every row; ends: where each line of cells begins, infinite where there
    is none; pitch: distance of lines, cells.

    The outermost tenths of a millimetre are thin, dark and narrow, and no line may have hit them.
    Behind them the width grows with the distance from the tip as its root where the outline is
    round, and in proportion at a corner, whatever flanks the piece has. The law that fits better is
    followed back to where the width vanishes, half way between bent as the rows tell and not bent.
    """
    outline = _outermost(ends)
    u_outline = np.hypot(_U_OUTLINE, U_ANYWHERE * pitch)  # a wall stands between two lines
    first = 0
    while first < len(width) - 1 and width[first] <= 0.5:
        first += 1
    n_rows = min(_TIP_ROWS, max(int(_TIP_SHARE * np.sum(width > 0.5)), 5))
    near = width[first + 1 : first + 1 + n_rows]
    if len(near) < n_rows or near[0] > 0.6 * near[-1]:  # a front that stands square
        return outline, u_outline
    for k in range(1, len(near)):
        if near[k] <= near[k - 1]:
            return outline, u_outline
    plain, bent, off, off_bent = _vanishing(near * near)
    found, u = 0.5 * (plain + bent), 0.5 * abs(plain - bent)
    corner, bent, off_corner, off_bent_corner = _vanishing(near)
    if off_corner < off:
        found, u, off_bent = corner, abs(corner - bent), off_bent_corner
    found += first + 1
    if not outline - 3.0 < found < outline + 1.0:
        return outline, u_outline
    # a steep rim lies between two lines, most likely half way (JCGM 100:2008, 4.3.9)
    return found, np.sqrt(u**2 + (_ALIKE * off_bent) ** 2 + pitch**2 / 24.0 + _U_TIP**2)


@njit(nogil=True, cache=True)
def _vanishing(growing):  # type: ignore[no-untyped-def]
    """Where something that grows from row to row began, in rows from the first one's near side.

    Fitted by a straight line and by a parabola, in polynomials that are orthogonal over the values
    at hand. Returns both places and the scatter about either.
    """
    root = growing / growing[-1]
    n = len(root)
    t = root - root.mean()
    square, cube = np.sum(t * t), np.sum(t * t * t)
    curved = t * t - cube / square * t - square / n
    place = np.arange(n) + 0.5
    slope = np.sum(t * place) / square
    bend = np.sum(curved * place) / np.sum(curved * curved)
    off = place - place.mean() - slope * t
    off_bent = off - bend * curved
    zero = -root.mean()
    plain = place.mean() + slope * zero
    bent = plain + bend * (zero * zero - cube / square * zero - square / n)
    return (
        plain, bent, np.sqrt(np.sum(off * off) / (n - 2)),
        np.sqrt(np.sum(off_bent * off_bent) / (n - 3)),
    )  # fmt: skip


@njit(nogil=True, cache=True)
def _outermost(ends):  # type: ignore[no-untyped-def]
    """Outermost place of an outline given line by line; a single stray line doesn't decide."""
    ends = ends[np.isfinite(ends)]
    if len(ends) < 3:
        return ends.min()
    outermost = np.inf
    for k in range(2, len(ends)):
        a, b = min(ends[k - 2], ends[k - 1]), max(ends[k - 2], ends[k - 1])
        outermost = min(outermost, max(a, min(b, ends[k])))  # of medians of three
    return outermost
