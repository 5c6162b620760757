"""Is a lit point seen? Rays from it to the camera, against what may stand between."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.simulation.camera import Camera
from geomscan.simulation.placed import Surface

__all__ = ["Cells", "cells_of", "is_seen", "may_be_hidden"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

COARSE_MM = 4.0  # cells of the map that says where rays must be cast at all
OFF_SURFACE_MM = (
    1e-3  # a ray starts this far off the surface, so that facets do not hide their own points
)


class Cells(NamedTuple):
    """Triangles that may hide others, by square cells of the belt; how high each cell reaches."""

    x0_mm: float
    y0_mm: float
    size_mm: float
    top_mm: Floats
    highest_mm: float
    start: Ints
    triangle: Ints
    reach_mm: Floats  # how high each of these triangles reaches


def cells_of(surface: Surface, hiding: npt.NDArray[np.bool_], *, size_mm: float = 2.0) -> Cells:
    """Sort the triangles that may hide something into cells by their extent over the belt."""
    chosen = np.flatnonzero(hiding)
    if len(chosen) == 0:
        none = np.zeros(0, dtype=np.int64)
        return Cells(
            0.0, 0.0, size_mm, np.zeros((0, 0)), 0.0, np.zeros(1, dtype=np.int64), none, np.zeros(0)
        )
    corners = surface.vertex_mm[surface.triangle[chosen]]
    low, high = corners.min(axis=1), corners.max(axis=1)
    x0, y0 = float(low[:, 0].min()) - size_mm, float(low[:, 1].min()) - size_mm
    nx = int((high[:, 0].max() - x0) / size_mm) + 2
    ny = int((high[:, 1].max() - y0) / size_mm) + 2
    top, start, triangle = _fill(low, high, x0, y0, size_mm, nx, ny)
    reach = high[triangle, 2]
    highest = float(high[:, 2].max())
    return Cells(x0, y0, size_mm, top, highest, start, chosen[triangle], reach)


@njit(nogil=True, cache=True)
def _fill(
    low: Floats, high: Floats, x0: float, y0: float, size: float, nx: int, ny: int
) -> tuple[Floats, Ints, Ints]:
    top = np.full((nx, ny), -1e9)
    start = np.zeros(nx * ny + 1, np.int64)
    triangle = np.empty(0, np.int64)
    used = start
    for fill in range(2):
        if fill:
            for c in range(nx * ny):
                start[c + 1] += start[c]
            triangle = np.empty(start[nx * ny], np.int64)
            used = start.copy()
        for k in range(len(low)):
            for i in range(int((low[k, 0] - x0) / size), int((high[k, 0] - x0) / size) + 1):
                for j in range(int((low[k, 1] - y0) / size), int((high[k, 1] - y0) / size) + 1):
                    cell = i * ny + j
                    if fill:
                        triangle[used[cell]] = k
                        used[cell] += 1
                    else:
                        start[cell + 1] += 1
                        top[i, j] = max(top[i, j], high[k, 2])
    return top, start, triangle


@njit(nogil=True, cache=True)
def is_seen(
    surface: Surface,
    cells: Cells,
    own: int,
    x: float,
    y: float,
    z: float,
    camera_x: float,
    camera_y: float,
    camera_z: float,
) -> bool:
    """Whether nothing stands between a point on triangle `own` (or the belt) and the camera."""
    dx, dy, dz = camera_x - x, camera_y - y, camera_z - z
    if own >= 0:
        n = surface.normal[own]
        if n[0] * dx + n[1] * dy + n[2] * dz <= 0:
            return False
        x, y, z = x + OFF_SURFACE_MM * n[0], y + OFF_SURFACE_MM * n[1], z + OFF_SURFACE_MM * n[2]
    if z >= cells.highest_mm:
        return True
    # walk through the cells under the ray; s is the share of the way to the camera
    nx, ny = cells.top_mm.shape
    s_end = min(1.0, (cells.highest_mm - z) / dz)
    s = _entry(x, dx, cells.x0_mm, cells.x0_mm + nx * cells.size_mm)
    s = max(s, _entry(y, dy, cells.y0_mm, cells.y0_mm + ny * cells.size_mm))
    if s > s_end:
        return True
    s = max(s, 0.0)
    i = int(np.floor((x + s * dx - cells.x0_mm) / cells.size_mm + 1e-9 * np.sign(dx)))
    j = int(np.floor((y + s * dy - cells.y0_mm) / cells.size_mm + 1e-9 * np.sign(dy)))
    step_i, step_j = (1 if dx > 0 else -1), (1 if dy > 0 else -1)
    while s <= s_end:
        if i < 0 or j < 0 or i >= nx or j >= ny:
            return True
        next_x = 2.0
        if dx != 0:
            next_x = (cells.x0_mm + (i + (step_i > 0)) * cells.size_mm - x) / dx
        next_y = 2.0
        if dy != 0:
            next_y = (cells.y0_mm + (j + (step_j > 0)) * cells.size_mm - y) / dy
        z_here = z + s * dz
        if z_here <= cells.top_mm[i, j]:
            cell = i * ny + j
            for k in range(cells.start[cell], cells.start[cell + 1]):
                if cells.reach_mm[k] < z_here:
                    continue
                tri = cells.triangle[k]
                if tri != own and _meets(surface, tri, x, y, z, dx, dy, dz):
                    return False
        if next_x < next_y:
            s, i = next_x, i + step_i
        else:
            s, j = next_y, j + step_j
    return True


@njit(nogil=True, cache=True)
def _entry(at: float, direction: float, low: float, high: float) -> float:
    """Share of the way at which a ray enters a range; 2 (never) where it runs past it."""
    if low <= at <= high:
        return 0.0
    if direction == 0:
        return 2.0
    s = ((low if at < low else high) - at) / direction
    return s if s >= 0 else 2.0


@njit(nogil=True, cache=True)
def _meets(
    surface: Surface, tri: int, x: float, y: float, z: float, dx: float, dy: float, dz: float
) -> bool:
    """Ray against triangle (Möller & Trumbore 1997, Journal of Graphics Tools 2(1):21-28)."""
    a = surface.vertex_mm[surface.triangle[tri, 0]]
    b = surface.vertex_mm[surface.triangle[tri, 1]]
    c = surface.vertex_mm[surface.triangle[tri, 2]]
    e1x, e1y, e1z = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    e2x, e2y, e2z = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    px, py, pz = dy * e2z - dz * e2y, dz * e2x - dx * e2z, dx * e2y - dy * e2x
    determinant = e1x * px + e1y * py + e1z * pz
    if determinant == 0:
        return False
    tx, ty, tz = x - a[0], y - a[1], z - a[2]
    u = (tx * px + ty * py + tz * pz) / determinant
    if u < 0 or u > 1:
        return False
    qx, qy, qz = ty * e1z - tz * e1y, tz * e1x - tx * e1z, tx * e1y - ty * e1x
    v = (dx * qx + dy * qy + dz * qz) / determinant
    if v < 0 or u + v > 1:
        return False
    s = (e2x * qx + e2y * qy + e2z * qz) / determinant
    return bool(0 < s < 1)


def may_be_hidden(
    cells: Cells, camera: Camera, half_width: float
) -> tuple[tuple[float, float, float], npt.NDArray[np.bool_]]:
    """Where a solid stands within reach of the line of sight: only there must rays be cast."""
    if cells.top_mm.size == 0:
        return (0.0, 0.0, COARSE_MM), np.zeros((0, 0), dtype=np.bool_)
    steep_x = camera.x_mm / (camera.z_mm - cells.highest_mm)
    steep_y = (half_width + abs(camera.y_mm)) / (camera.z_mm - cells.highest_mm)
    reach_x = cells.highest_mm * steep_x
    reach_y = cells.highest_mm * steep_y + COARSE_MM
    nx, ny = cells.top_mm.shape
    x0 = cells.x0_mm - max(reach_x, 0) - 2 * COARSE_MM
    y0 = cells.y0_mm - reach_y - COARSE_MM
    shape = (
        int((nx * cells.size_mm + abs(reach_x) + 4 * COARSE_MM) / COARSE_MM) + 1,
        int((ny * cells.size_mm + 2 * reach_y + 2 * COARSE_MM) / COARSE_MM) + 1,
    )
    hidden = np.zeros(shape, dtype=np.bool_)
    _dilate(
        cells.top_mm, cells.x0_mm - x0, cells.y0_mm - y0, cells.size_mm, steep_x, steep_y, hidden
    )
    return (x0, y0, COARSE_MM), hidden


@njit(nogil=True, cache=True)
def _dilate(
    top: Floats,
    dx: float,
    dy: float,
    size: float,
    steep_x: float,
    steep_y: float,
    hidden: npt.NDArray[np.bool_],
) -> None:
    for i in range(top.shape[0]):
        for j in range(top.shape[1]):
            if top[i, j] <= 0:
                continue
            x, y = dx + i * size, dy + j * size
            reach_x, reach_y = top[i, j] * steep_x, top[i, j] * steep_y + size
            low_x, high_x = x - max(reach_x, 0.0) - size, x + size - min(reach_x, 0.0) + size
            for a in range(
                max(int(low_x / COARSE_MM), 0), min(int(high_x / COARSE_MM) + 1, hidden.shape[0])
            ):
                for b in range(
                    max(int((y - reach_y) / COARSE_MM), 0),
                    min(int((y + size + reach_y) / COARSE_MM) + 1, hidden.shape[1]),
                ):
                    hidden[a, b] = True
