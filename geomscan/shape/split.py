"""Touching pieces told apart, lobed ones left whole.

Where two pieces touch, both skins roll down towards the seam over its whole length, and the section
along the seam is small beside the sections of the two. A single piece may have a waist or a groove;
but its waist is smooth, and its groove leaves most of the thickness. Two figures tell them apart:
the dip, which is the mean height along the seam over that of the shoulders beside it, and the hold,
which is the seam's section over the largest section of the smaller part.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["Parts", "part_pieces"]

Singles = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]
Labels = npt.NDArray[np.int32]

_COARSE_MM = 2.0
_SHOULDER_CELLS = 3  # coarse cells from the seam to where its shoulders end
_SMALLEST_MM2 = 300.0
_LEAST_BASIN_MM2 = 75.0  # of a top that is looked at, when it meets another one
#: A top, or a widening of the outline, counts where it is separated by a saddle below this share
#: of it; what is shallower is texture.
_TOP, _WIDENING = 0.95, 0.93
#: Dip plus a quarter of the hold. Over simulated pieces (domed, rimmed, pressed together; lobed,
#: cleft, with necks) touching ones stay below 0.8 and single ones above it; those that
#: lie more than slightly on each other, and clefts, come to about 1. No source beside these.
_APART, _DOUBTFUL = 0.78, 1.0
_HOLD_WEIGHT = 0.25
#: Hold below which a waist alone parts pieces whose walls meet flush, and up to which it is
#: doubted; walls that meet over more of their width look like one piece from above.
_WAIST, _DOUBTFUL_WAIST = 0.3, 0.45


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Parts:
    """Labels 1, 2, … of a region's pieces, None where it is one; whether that could be wrong."""

    labels: Labels | None
    doubtful: bool


@njit(nogil=True, cache=True)
def _root(parent, a):  # type: ignore[no-untyped-def]
    while parent[a] != a:
        parent[a] = parent[parent[a]]
        a = parent[a]
    return a


@njit(nogil=True, cache=True)
def _coarsen(height, core, k, volume, share):  # type: ignore[no-untyped-def]
    """Fill mean height and share of core of blocks of k x k cells; the first block is bare."""
    n_x, n_y = core.shape
    none, n_cells = np.float32(0.0), np.float32(k * k)
    high, n = np.empty(n_y, dtype=np.float32), np.empty(n_y, dtype=np.float32)
    volume[:] = 0.0
    share[:] = 0.0
    for first in range(0, n_x, k):
        high[:] = 0.0
        n[:] = 0.0
        for i in range(first, min(first + k, n_x)):
            for c in range(n_y):
                h = height[i, c]
                high[c] += h if core[i, c] & (h > none) else none
            for c in range(n_y):
                n[c] += np.float32(core[i, c])
        a = first // k + 1
        for b in range(1, volume.shape[1] - 1):
            for c in range((b - 1) * k, min(b * k, n_y)):
                volume[a, b] += high[c] / n_cells
                share[a, b] += n[c] / n_cells


@njit(nogil=True, cache=True)
def _flood(field, order, ratio, smallest, labels):  # type: ignore[no-untyped-def]
    """Flood a field from its tops down; basins of some size that meet below ratio stay apart.

    order: places to flood, counted row by row, the highest first, none of them at the border.
    Fills labels with 1, 2, … and returns their number.
    """
    n_y = field.shape[1]
    flat = field.ravel()
    own = labels.ravel()  # the cell, plus 1, in which a cell's ascent ends
    parent = np.full(len(flat), -1, dtype=np.int32)
    size = np.zeros(len(flat), dtype=np.int32)
    basins = np.empty(8, dtype=np.int32)
    around = np.array([-n_y - 1, -n_y, -n_y + 1, -1, 1, n_y - 1, n_y, n_y + 1])
    for index in order:
        n = 0
        up = -1
        before = 0
        for step in around:
            k = index + step
            if own[k] == 0:
                continue
            if up < 0 or flat[k] > flat[up]:
                up = k
            if own[k] == before:
                continue
            before = own[k]
            r = _root(parent, own[k] - 1)
            known = False
            for m in range(n):
                known = known or basins[m] == r
            if not known:
                basins[n] = r
                n += 1
        if n == 0:
            parent[index] = index
            own[index] = index + 1
            size[index] = 1
            continue
        own[index] = own[up]  # the steepest way up decides, so that seams lie where valleys do
        size[_root(parent, own[up] - 1)] += 1
        if n == 1:
            continue
        best = basins[0]
        for k in range(1, n):
            if flat[basins[k]] > flat[best]:
                best = basins[k]
        for k in range(n):
            r = basins[k]
            deep = flat[index] < ratio * flat[r]
            if r != best and not (deep and size[r] >= smallest and size[best] >= smallest):
                parent[r] = best
                size[best] += size[r]
    name_of = size
    name_of[:] = 0
    n_names = 0
    for index in order:
        r = _root(parent, own[index] - 1)
        if name_of[r] == 0:
            n_names += 1
            name_of[r] = n_names
        own[index] = name_of[r]
    return n_names


@njit(nogil=True, cache=True)
def _seam(height, labels, one, other, reach, seam):  # type: ignore[no-untyped-def]
    """Mark the cells of two parts that lie side by side with 0 in seam; others stay as they are.

    Returns their number, their summed height and the sum of the lower of the shoulders on either
    side, the highest cells within reach.
    """
    n_x, n_y = height.shape
    n = 0
    total = shoulders = 0.0
    for i in range(n_x):
        for c in range(n_y):
            name = labels[i, c]
            if name != one and name != other:
                continue
            opposite = one + other - name
            beside = False
            for a in range(max(i - 1, 0), min(i + 2, n_x)):
                for b in range(max(c - 1, 0), min(c + 2, n_y)):
                    beside = beside or labels[a, b] == opposite
            if not beside:
                continue
            seam[i, c] = 0
            n += 1
            total += height[i, c]
            mine = yours = 0.0
            for a in range(max(i - reach, 0), min(i + reach + 1, n_x)):
                for b in range(max(c - reach, 0), min(c + reach + 1, n_y)):
                    if labels[a, b] == name:
                        mine = max(mine, height[a, b])
                    elif labels[a, b] == opposite:
                        yours = max(yours, height[a, b])
            shoulders += min(mine, yours)
    return n, total, shoulders


def part_pieces(height_mm: Singles, core: Bools, *, cell_mm: float) -> Parts:
    """Tell the pieces apart that a connected region holds.

    Parameters
    ----------
    height_mm, core
        Heights and the cells that stand above the belt, (n_x, n_y).
    cell_mm
        Cell.
    """
    import cv2

    k = max(1, round(_COARSE_MM / cell_mm))
    n_x, n_y = core.shape
    coarse, share = np.empty((2, -(-n_x // k) + 2, -(-n_y // k) + 2), dtype=np.float32)
    _coarsen(height_mm, core, k, coarse, share)
    # a gap narrower than what joins cells to regions is a seam
    plan = cv2.morphologyEx((share > 0.5).view(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3)))
    plan[[0, -1]] = plan[:, [0, -1]] = 0
    step = cell_mm * k
    smallest = int(_SMALLEST_MM2 / step**2)
    if int(plan.sum()) < 2 * smallest:
        return Parts(labels=None, doubtful=False)
    region = plan > 0
    smooth = cv2.GaussianBlur(coarse, (0, 0), 1.0)
    labels, doubtful = _parts(smooth, _TOP, coarse, region, smallest, step)
    if labels is None:
        away = cv2.distanceTransform(plan, cv2.DIST_L2, 5)
        wide = cv2.GaussianBlur(away, (0, 0), 1.0)
        labels, unsure = _parts(wide, _WIDENING, coarse, region, smallest, step, by_plan=True)
        doubtful = doubtful or unsure
    if labels is None:
        return Parts(labels=None, doubtful=doubtful)
    fine = labels[np.ix_(np.arange(n_x) // k + 1, np.arange(n_y) // k + 1)]
    return Parts(labels=_refine(height_mm, core, fine, k), doubtful=doubtful)


def _parts(
    field: Singles, ratio: float, height: Singles, region: Bools, smallest: int, step: float, *,
    by_plan: bool = False,
) -> tuple[Labels | None, bool]:  # fmt: skip
    """Parts around the tops of a field that are pieces of their own, None for one; any doubt."""
    flat = np.flatnonzero(region)
    order = flat[np.argsort(-field.ravel()[flat])]
    labels = np.zeros(region.shape, dtype=np.int32)
    least = int(_LEAST_BASIN_MM2 / step**2)
    n = int(_flood(field, order, ratio, least, labels))
    apart, unsure = (_WAIST, _DOUBTFUL_WAIST) if by_plan else (_APART, _DOUBTFUL)
    doubtful = False
    while n > 1:
        # the pair that holds together best is joined first, until none does
        sizes = np.bincount(labels.ravel(), minlength=n + 1)
        best, pair = -1.0, (0, 0)
        for one in range(1, n + 1):
            for other in range(one + 1, n + 1):
                dip, hold = _held(height, labels, one, other)
                if np.isnan(dip):
                    continue
                score = hold if by_plan else dip + _HOLD_WEIGHT * hold
                small = min(sizes[one], sizes[other]) < smallest
                if small:
                    score += 10.0
                if score > best:
                    best, pair = score, (one, other)
        if best < apart:
            break
        doubtful = doubtful or best < unsure
        labels[labels == pair[1]] = pair[0]
        labels[labels == n] = pair[1]
        n -= 1
    return (labels if n > 1 else None), doubtful


def _held(height: Singles, labels: Labels, one: int, other: int) -> tuple[float, float]:
    """Dip and hold of the seam between two parts; NaN where they don't touch."""
    import cv2

    seam = np.ones(labels.shape, dtype=np.uint8)
    n, total, shoulders = _seam(height, labels, one, other, _SHOULDER_CELLS, seam)
    if n == 0:
        return float("nan"), float("nan")
    away = np.rint(cv2.distanceTransform(seam, cv2.DIST_L2, 5)).astype(np.int64)
    sections = []
    for name in (one, other):
        own = labels == name
        sections.append(float(np.bincount(away[own], height[own]).max()))
    # the seam is two cells wide
    return total / max(shoulders, 1e-6), 0.5 * total / max(min(sections), 1e-6)


def _refine(height: Singles, core: Bools, labels: Labels, k: int) -> Labels:
    """Let the seams between coarse parts follow the bottom of the valley in full resolution."""
    import cv2

    seeds = np.zeros_like(labels)
    square = np.ones((2 * k + 1, 2 * k + 1), np.uint8)
    for name in range(1, int(labels.max()) + 1):
        own = labels == name
        others = ((labels > 0) & ~own).astype(np.uint8)
        near = cv2.dilate(others, square) > 0
        seeds[own & core & ~near] = name
    inside = np.where(core, np.maximum(height, np.float32(0.0)), np.float32(0.0))
    smooth = cv2.GaussianBlur(inside, (0, 0), 1.0)
    _grow(smooth, core, seeds)
    return seeds


@njit(nogil=True, cache=True)
def _grow(field, core, seeds):  # type: ignore[no-untyped-def]
    """Assign the cells left between seeds, the highest first."""
    n_x, n_y = field.shape
    left = np.flatnonzero(core.ravel() & (seeds.ravel() == 0))
    values = np.empty(len(left), dtype=np.float32)
    for k in range(len(left)):
        values[k] = -field[left[k] // n_y, left[k] % n_y]
    order = left[np.argsort(values)]
    changed = True
    while changed:
        changed = False
        for index in order:
            i = index // n_y
            c = index % n_y
            if seeds[i, c] != 0:
                continue
            best = 0
            top = -1.0
            for a in range(max(i - 1, 0), min(i + 2, n_x)):
                for b in range(max(c - 1, 0), min(c + 2, n_y)):
                    if seeds[a, b] > 0 and field[a, b] > top:
                        top = field[a, b]
                        best = seeds[a, b]
            if best > 0:
                seeds[i, c] = best
                changed = True
