"""Touching pieces told apart, lobed ones left whole.

Two pieces that touch leave a valley between their tops, or a waist in their common outline; where
they meet the outline has notches, so that the pair fills its convex hull less well than each of
them alone. A single piece with lobes has shallow valleys and shallow notches.
"""

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["split_touching"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Labels = npt.NDArray[np.int32]

_COARSE_MM = 2.0
#: valley depth (saddle over lower top) that parts pieces by itself, and with notches beside it
_DEEP, _SHALLOW = 0.55, 0.9
#: waist (saddle over lower top of the distance to the outline) that parts pieces with notches
_WAIST = 0.75
#: area of the notches over that of the smaller part
_NOTCH = 0.05
_SMALLEST_MM2 = 300.0


@njit(nogil=True, cache=True)
def _root(parent, a):  # type: ignore[no-untyped-def]
    while parent[a] != a:
        parent[a] = parent[parent[a]]
        a = parent[a]
    return a


@njit(nogil=True, cache=True)
def _flood(field, order, ratio, smallest, labels):  # type: ignore[no-untyped-def]
    """Flood a field from its tops down; basins of some size meet without joining below ratio.

    Returns, for the pairs that did not join, saddle over lower top (the largest one).
    """
    n_x, n_y = field.shape
    flat = field.ravel()
    parent = np.full(n_x * n_y, -1, dtype=np.int32)
    size = np.zeros(n_x * n_y, dtype=np.int32)
    worst = 0.0
    kept = 0
    basins = np.empty(8, dtype=np.int32)
    for index in order:
        i = index // n_y
        c = index % n_y
        n = 0
        for di in range(-1, 2):
            for dc in range(-1, 2):
                a = i + di
                b = c + dc
                if 0 <= a < n_x and 0 <= b < n_y and parent[a * n_y + b] >= 0:
                    r = _root(parent, a * n_y + b)
                    known = False
                    for k in range(n):
                        if basins[k] == r:
                            known = True
                    if not known and n < 8:
                        basins[n] = r
                        n += 1
        parent[index] = index
        size[index] = 1
        if n == 0:
            continue
        # a basin's root is its top; the cell joins the highest basin, lower ones follow or stay
        best = basins[0]
        for k in range(1, n):
            if flat[basins[k]] > flat[best]:
                best = basins[k]
        parent[index] = best
        size[best] += 1
        for k in range(n):
            r = basins[k]
            if r == best:
                continue
            level = flat[index] / max(flat[r], 1e-9)
            if level < ratio and size[r] >= smallest and size[best] >= smallest:
                worst = max(worst, level)
                kept += 1
                continue
            parent[r] = best
            size[best] += size[r]
    for index in order:
        labels.ravel()[index] = _root(parent, index) + 1
    return worst, kept


def split_touching(height_mm: Floats, core: Bools, *, cell_mm: float) -> Labels | None:
    """Labels 1, 2, … of the pieces that a connected region holds, or None where it holds one.

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
    size = (max(n_y // k, 1), max(n_x // k, 1))
    inside = np.where(core, np.maximum(height_mm, 0.0), 0.0).astype(np.float32)
    coarse = cv2.resize(inside, size, interpolation=cv2.INTER_AREA)
    share = cv2.resize(core.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    region = share > 0.5
    step = cell_mm * k
    if region.sum() * step**2 < 2.0 * _SMALLEST_MM2:
        return None
    smooth = cv2.GaussianBlur(coarse, (0, 0), 1.0)
    parts = _parts(smooth, region, _SHALLOW, step)
    if parts is None:
        away = cv2.distanceTransform(
            np.pad(region, 1).astype(np.uint8), cv2.DIST_L2, 5
        )[1:-1, 1:-1]  # fmt: skip
        parts = _parts(cv2.GaussianBlur(away, (0, 0), 1.0), region, _WAIST, step, by_plan=True)
    if parts is None:
        return None
    fine = np.maximum(
        cv2.resize(parts.astype(np.float32), (n_y, n_x), interpolation=cv2.INTER_NEAREST), 0
    )
    return _refine(inside, core, fine.astype(np.int32), k)


def _parts(
    field: npt.NDArray[np.float32],
    region: Bools,
    ratio: float,
    step: float,
    *,
    by_plan: bool = False,
) -> Labels | None:
    """Basins of a field within a region that are pieces of their own; None for one."""
    import cv2

    flat = np.flatnonzero(region)
    order = flat[np.argsort(-field.ravel()[flat], kind="stable")].astype(np.int64)
    labels = np.zeros(region.shape, dtype=np.int32)
    smallest = int(_SMALLEST_MM2 / step**2)
    level, kept = _flood(field.astype(np.float64), order, ratio, smallest, labels)
    if kept == 0:
        return None
    names = [int(v) for v in np.unique(labels) if v > 0]
    sizes = {v: int((labels == v).sum()) for v in names}
    hull = _hull_area(region, cv2)
    smaller = min(s for s in sizes.values())
    own = sum(_hull_area(labels == v, cv2) - sizes[v] for v in names)
    notches = max(hull - float(region.sum()) - max(own, 0.0), 0.0) / smaller
    if notches > _NOTCH or (level < _DEEP and not by_plan):
        out = np.zeros_like(labels)
        for number, v in enumerate(names, start=1):
            out[labels == v] = number
        return out
    return None


def _hull_area(mask: Bools, cv2: object) -> float:
    """Area of a mask's convex hull, in cells."""
    points = np.argwhere(mask).astype(np.int32)
    hull = cv2.convexHull(points)  # type: ignore[attr-defined]
    corners = hull.reshape(-1, 2).astype(np.float64)
    # the hull of cell middles, grown by half a cell all round
    edge = np.roll(corners, -1, axis=0) - corners
    area = 0.5 * abs(
        float(
            np.sum(
                corners[:, 0] * np.roll(corners[:, 1], -1)
                - np.roll(corners[:, 0], -1) * corners[:, 1]
            )
        )
    )
    return float(area + 0.5 * np.abs(edge).sum() * 0.5 * 2.0**0.5 + 1.0)


def _refine(inside: npt.NDArray[np.float32], core: Bools, labels: Labels, k: int) -> Labels:
    """Let the border between coarse parts follow the bottom of the valley in full resolution."""
    import cv2

    seeds = np.zeros_like(labels)
    for name in range(1, int(labels.max()) + 1):
        own = ((labels == name) & core).astype(np.uint8)
        for width in (4 * k + 1, 2 * k + 1, 1):  # a slim piece keeps a seed, too
            inner = cv2.erode(own, np.ones((width, width), np.uint8), borderValue=1) > 0
            if inner.any():
                break
        seeds[inner] = name
    # flooding uphill from the seeds' heights down: cells join the neighbour reached first
    smooth = cv2.GaussianBlur(inside, (0, 0), 1.0)
    _grow(smooth.astype(np.float64), core, seeds)
    return seeds


@njit(nogil=True, cache=True)
def _grow(field, core, seeds):  # type: ignore[no-untyped-def]
    """Assign the cells left between seeds, the highest first."""
    n_x, n_y = field.shape
    left = np.zeros(n_x * n_y, dtype=np.int64)
    n = 0
    for i in range(n_x):
        for c in range(n_y):
            if core[i, c] and seeds[i, c] == 0:
                left[n] = i * n_y + c
                n += 1
    values = np.empty(n)
    for k in range(n):
        values[k] = -field[left[k] // n_y, left[k] % n_y]
    order = np.argsort(values)
    changed = True
    while changed:
        changed = False
        for k in order:
            i = left[k] // n_y
            c = left[k] % n_y
            if seeds[i, c] != 0:
                continue
            best = 0
            top = -1.0
            for di in range(-1, 2):
                for dc in range(-1, 2):
                    a = i + di
                    b = c + dc
                    if 0 <= a < n_x and 0 <= b < n_y and seeds[a, b] > 0 and field[a, b] > top:
                        top = field[a, b]
                        best = seeds[a, b]
            if best > 0:
                seeds[i, c] = best
                changed = True
