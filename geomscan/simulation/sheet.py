"""The laser's sheet cuts the solids: which points of belt and solids are lit in one line.

All light of a line travels in one plane, from the fan's apparent source. In the plane's own
coordinates (y, z) the rays are straight; with t = (y - source y) / (source z - z) each ray has one
t, along any straight surface 1 / (source z - z) is linear in t, and the nearest surface is the one
where it is largest.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.simulation.placed import Surface

__all__ = ["BELT", "NOTHING", "Buckets", "Fan", "Pose", "buckets_of", "lit_points"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BELT, NOTHING = -1, -2  # what a ray may meet besides a triangle
#: half the gap between the two rays that pass an edge on either side; 1e-8 of 900 mm is 0.01 µm
BESIDE = 1e-8


class Fan(NamedTuple):
    """The sheet: x = e + at + z·tilt + y·skew (tangents); its source; the belt it falls on."""

    at_mm: float
    tilt: float
    skew: float
    source_y_mm: float
    source_z_mm: float
    half_width_mm: float
    relief_mm: float
    relief_x_mm: float
    relief_y_mm: float
    n_rays: int


class Pose(NamedTuple):
    """One line: belt travel, and how far the belt is raised, z = z_belt + lift + roll·y."""

    e_mm: float
    lift_mm: float
    roll: float


class Buckets(NamedTuple):
    """Which triangles a line may cut: those of bucket floor((e - first) / size)."""

    first_mm: float
    size_mm: float
    start: Ints
    triangle: Ints


def buckets_of(
    surface: Surface, fan: Fan, *, size_mm: float = 1.0, margin_mm: float = 1.0
) -> Buckets:
    """Sort triangles by the lines that cut them; `margin_mm` allows for a belt that lifts."""
    if len(surface.triangle) == 0:
        return Buckets(0.0, size_mm, np.zeros(2, dtype=np.int64), np.zeros(0, dtype=np.int64))
    x, y, z = surface.vertex_mm.T
    g = (x - fan.at_mm - z * fan.tilt - y * fan.skew)[surface.triangle]
    low, high = g.min(axis=1) - margin_mm, g.max(axis=1) + margin_mm
    first = float(low.min())
    n = int((high.max() - first) / size_mm) + 1
    start, triangle = _fill(low, high, first, size_mm, n)
    return Buckets(first, size_mm, start, triangle)


@njit(nogil=True, cache=True)
def _fill(low: Floats, high: Floats, first: float, size: float, n: int) -> tuple[Ints, Ints]:
    start = np.zeros(n + 1, np.int64)
    for k in range(len(low)):
        for b in range(int((low[k] - first) / size), int((high[k] - first) / size) + 1):
            start[b + 1] += 1
    for b in range(n):
        start[b + 1] += start[b]
    triangle = np.empty(start[n], np.int64)
    used = start.copy()
    for k in range(len(low)):
        for b in range(int((low[k] - first) / size), int((high[k] - first) / size) + 1):
            triangle[used[b]] = k
            used[b] += 1
    return start, triangle


@njit(nogil=True, cache=True)
def _relief(fan: Fan, x: float, y: float) -> float:
    """Depth of the belt's pattern at a place, 0 on its high parts."""
    if fan.relief_mm == 0:
        return 0.0
    along = 0.5 - 0.5 * np.cos(2 * np.pi * x / fan.relief_x_mm)
    across = 0.5 - 0.5 * np.cos(2 * np.pi * y / fan.relief_y_mm)
    return float(fan.relief_mm * (1 - (1 - along**4) * (1 - across**4)))


@njit(nogil=True, cache=True)
def lit_points(
    pose: Pose, surface: Surface, buckets: Buckets, fan: Fan
) -> tuple[Floats, Floats, Ints, npt.NDArray[np.bool_]]:
    """Follow every ray of one line to the first surface.

    Returns
    -------
    t : (n,) rays by growing t: the even spread of the fan, and a pair beside each edge
    point : (n, 3) x, y, z in belt coordinates, z from the belt
    hit : (n,) triangle, BELT or NOTHING
    apart : (n,) True where ray k and ray k + 1 lie on either side of an edge
    """
    source_z = fan.source_z_mm - pose.lift_mm - pose.roll * fan.source_y_mm
    skew = fan.skew + pose.roll * fan.tilt
    # an edge or face exactly in the sheet would be neither left nor right of it
    e = pose.e_mm + fan.at_mm + pose.lift_mm * fan.tilt + 1e-7
    bucket = int(np.floor((pose.e_mm - buckets.first_mm) / buckets.size_mm))
    first, last = 0, 0
    if 0 <= bucket < len(buckets.start) - 1:
        first, last = buckets.start[bucket], buckets.start[bucket + 1]

    # pieces of triangles in the sheet: (t, 1/depth) at both ends
    capacity = last - first
    part = np.empty((capacity, 4))
    owner = np.empty(capacity, np.int64)
    edge_t = np.empty(2 * capacity + 1)
    n_part, n_edge = 0, 0
    source_x = e + source_z * fan.tilt + fan.source_y_mm * skew
    end_t, end_i, end_edge = np.empty(2), np.empty(2), np.empty(2, np.int64)
    for k in range(first, last):
        tri = buckets.triangle[k]
        n_end = 0
        for side in range(3):
            p = surface.vertex_mm[surface.triangle[tri, side]]
            q = surface.vertex_mm[surface.triangle[tri, (side + 1) % 3]]
            gp = p[0] - p[2] * fan.tilt - p[1] * skew - e
            gq = q[0] - q[2] * fan.tilt - q[1] * skew - e
            if (gp < 0) != (gq < 0) and n_end < 2:
                share = gp / (gp - gq)
                y = p[1] + share * (q[1] - p[1])
                depth = source_z - (p[2] + share * (q[2] - p[2]))
                end_t[n_end] = (y - fan.source_y_mm) / depth
                end_i[n_end] = 1 / depth
                end_edge[n_end] = surface.edge[tri, side]
                n_end += 1
        if n_end < 2:
            continue
        for at in range(2):
            one = surface.edge_triangle[end_edge[at], 0]
            other = surface.edge_triangle[end_edge[at], 1]
            if one != tri and other >= 0:
                continue  # the neighbour reports a shared edge
            if surface.edge_sharp[end_edge[at]] or (
                _faces(surface, one, source_x, fan.source_y_mm, source_z)
                != _faces(surface, other, source_x, fan.source_y_mm, source_z)
            ):
                edge_t[n_edge] = end_t[at]
                n_edge += 1
        # only what faces the source can be lit
        if _faces(surface, tri, source_x, fan.source_y_mm, source_z):
            low, high = (0, 1) if end_t[0] < end_t[1] else (1, 0)
            part[n_part, 0], part[n_part, 1] = end_t[low], end_i[low]
            part[n_part, 2], part[n_part, 3] = end_t[high], end_i[high]
            owner[n_part] = tri
            n_part += 1

    t_first = (-fan.half_width_mm - fan.source_y_mm) / source_z
    t_last = (fan.half_width_mm - fan.source_y_mm) / source_z
    n = fan.n_rays + 2 * n_edge
    t = _spread(t_first, t_last, fan.n_rays, edge_t, n_edge)

    nearest = np.zeros(n)
    hit = np.full(n, NOTHING, np.int64)
    for k in range(n_part):
        width = part[k, 2] - part[k, 0]
        slope = (part[k, 3] - part[k, 1]) / width if width > 0 else 0.0
        at = _first_from(t, part[k, 0])
        while at < n and t[at] <= part[k, 2]:
            inverse = part[k, 1] + (t[at] - part[k, 0]) * slope
            if inverse > nearest[at]:
                nearest[at] = inverse
                hit[at] = owner[k]
            at += 1

    point = np.empty((n, 3))
    apart = np.zeros(n, np.bool_)
    belt_inverse = 1 / source_z
    for k in range(n):
        if hit[k] == NOTHING or nearest[k] < belt_inverse:
            z = 0.0
            for _ in range(3 if fan.relief_mm > 0 else 0):
                y = fan.source_y_mm + t[k] * (source_z - z)
                z = -_relief(fan, e + z * fan.tilt + y * skew, y)
            y = fan.source_y_mm + t[k] * (source_z - z)
            hit[k] = BELT if abs(y) <= fan.half_width_mm else NOTHING
        else:
            z = source_z - 1 / nearest[k]
            y = fan.source_y_mm + t[k] * (source_z - z)
        point[k, 0] = e + z * fan.tilt + y * skew
        point[k, 1] = y
        point[k, 2] = z
        apart[k] = k + 1 < n and t[k + 1] - t[k] < 3 * BESIDE
    return t, point, hit, apart


@njit(nogil=True, cache=True)
def _spread(t_first: float, t_last: float, n_rays: int, edge_t: Floats, n_edge: int) -> Floats:
    """Even rays and a pair beside each edge, by growing t; insertion sort, for edges are few."""
    for k in range(1, n_edge):
        value, at = edge_t[k], k
        while at > 0 and edge_t[at - 1] > value:
            edge_t[at] = edge_t[at - 1]
            at -= 1
        edge_t[at] = value
    t = np.empty(n_rays + 2 * n_edge)
    used, edge = 0, 0
    for k in range(n_rays):
        here = t_first + (t_last - t_first) * k / (n_rays - 1)
        while edge < n_edge and edge_t[edge] <= here:
            t[used], t[used + 1] = edge_t[edge] - BESIDE, edge_t[edge] + BESIDE
            used, edge = used + 2, edge + 1
        t[used] = here
        used += 1
    while edge < n_edge:
        t[used], t[used + 1] = edge_t[edge] - BESIDE, edge_t[edge] + BESIDE
        used, edge = used + 2, edge + 1
    # rays closer than the gap itself may have changed places
    for k in range(1, used):
        value, at = t[k], k
        while at > 0 and t[at - 1] > value:
            t[at] = t[at - 1]
            at -= 1
        t[at] = value
    return t


@njit(nogil=True, cache=True)
def _first_from(t: Floats, low: float) -> int:
    """Index of the first ray from `low` on."""
    first, last = 0, len(t)
    while first < last:
        middle = (first + last) // 2
        if t[middle] < low:
            first = middle + 1
        else:
            last = middle
    return first


@njit(nogil=True, cache=True)
def _faces(surface: Surface, tri: int, x: float, y: float, z: float) -> bool:
    corner = surface.vertex_mm[surface.triangle[tri, 0]]
    n = surface.normal[tri]
    return bool(n[0] * (x - corner[0]) + n[1] * (y - corner[1]) + n[2] * (z - corner[2]) > 0)
