"""What one head sees of a lit line: stretches in the image, each with light and width."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.simulation.camera import Camera, project
from geomscan.simulation.looks import Looks, shade_at
from geomscan.simulation.placed import Surface
from geomscan.simulation.sheet import BELT, NOTHING, Fan, Pose
from geomscan.simulation.sight import Cells, is_seen

__all__ = ["IMAGE", "N_STRETCH", "ON_BELT", "TURNED", "Optics", "seen_stretches"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: columns of a stretch: across and height in the image at both ends, light (grey·px), line width
#: (px), share below, shift of that light (px, towards lower z), kind of it (0 tail, 1 lobe)
N_STRETCH = 9
#: layouts: (column, row); (row, column) of a camera turned by 90°; (y in steps, z) for a height
#: payload
IMAGE, TURNED, ON_BELT = 0, 1, 2
BISECTIONS = 14  # halving half a column 14 times leaves 0.00003 of a column


class Optics(NamedTuple):
    """Photometry of one head: grey·px of a white radian at unit distance, and what weakens it."""

    light: float  # grey·px per radian of the fan, for reflectance 1, cos 1, at distance 1 mm
    psf_px: float
    falloff: float
    vignetting: float
    corner_px: float
    layout: int  # what across and height mean: IMAGE, TURNED or BELT
    across0_mm: float
    across_step_mm: float


@njit(nogil=True, cache=True)
def seen_stretches(
    pose: Pose,
    t: Floats,
    point: Floats,
    hit: Ints,
    apart: npt.NDArray[np.bool_],
    surface: Surface,
    cells: Cells,
    may_be_hidden: npt.NDArray[np.bool_],
    coarse: tuple[float, float, float],
    looks: Looks,
    fan: Fan,
    camera: Camera,
    optics: Optics,
    thickness_mm: float,
) -> Floats:
    """Project a lit line into one head: stretches between neighbouring rays that are seen."""
    n = len(t)
    across, height = np.empty(n), np.empty(n)
    light, width = np.empty(n), np.empty(n)
    below, shift = np.zeros(n), np.zeros(n)
    kind = np.zeros(n)
    seen = np.zeros(n, np.bool_)
    camera_x = pose.e_mm + camera.x_mm
    camera_z = camera.z_mm - pose.lift_mm - pose.roll * camera.y_mm
    for k in range(n):
        if hit[k] == NOTHING:
            continue
        x, y, z = point[k, 0], point[k, 1], point[k, 2]
        nx, ny, nz, solid = 0.0, 0.0, 1.0, 0
        if hit[k] != BELT:
            nx, ny, nz = (
                surface.normal[hit[k], 0],
                surface.normal[hit[k], 1],
                surface.normal[hit[k], 2],
            )
            solid = surface.solid[hit[k]]
        dx, dy, dz = camera_x - x, camera.y_mm - y, camera_z - z
        distance2 = dx * dx + dy * dy + dz * dz
        cosine = (nx * dx + ny * dy + nz * dz) / np.sqrt(distance2)
        if cosine <= 0:
            continue
        i, j = int((x - coarse[0]) / coarse[2]), int((y - coarse[1]) / coarse[2])
        hidden = (
            0 <= i < may_be_hidden.shape[0]
            and 0 <= j < may_be_hidden.shape[1]
            and may_be_hidden[i, j]
            and not is_seen(surface, cells, hit[k], x, y, z, camera_x, camera.y_mm, camera_z)
        )
        world_z = z + pose.lift_mm + pose.roll * y
        local_x = x - pose.e_mm
        a, h = _image(camera, optics, local_x, y, world_z)
        across[k], height[k] = a, h
        seen[k] = not hidden
        reflectance, below_share, below_mm = shade_at(looks, solid, x, y)
        radius2 = 0.0
        if optics.vignetting > 0:
            column, row = project(camera, local_x, y, world_z)
            radius2 = (column - camera.column0) ** 2 + (row - camera.row0) ** 2
        fall = 1 - optics.falloff * min(abs(y - fan.source_y_mm) / fan.half_width_mm, 1.0) ** 2
        fall *= 1 - optics.vignetting * radius2 / optics.corner_px**2
        light[k] = optics.light * reflectance * cosine * fall / distance2
        # the sheet's thickness lights the surface a little before and behind: how far apart in the
        # image?
        rise = min(max(-nx / nz if nz > 0.2 else -5 * nx, -3.0), 3.0)
        step = 0.05 / max(1 - rise * fan.tilt, 0.3)
        _, h2 = _image(camera, optics, local_x + step, y, world_z + step * rise)
        width[k] = np.sqrt(optics.psf_px**2 + ((h2 - h) / 0.05 * thickness_mm) ** 2)
        if below_share > 0:
            _, h3 = _image(camera, optics, local_x - below_mm * fan.tilt, y, world_z - below_mm)
            below[k], shift[k], kind[k] = below_share, h3 - h, looks.shade[solid, 4]

    stretch = np.empty((n, N_STRETCH))
    used = 0
    for k in range(n - 1):
        if apart[k] or hit[k] == NOTHING or hit[k + 1] == NOTHING or not (seen[k] or seen[k + 1]):
            continue
        a0, h0, a1, h1 = across[k], height[k], across[k + 1], height[k + 1]
        share = 1.0
        source = k if seen[k] else k + 1
        if not (seen[k] and seen[k + 1]):
            # the camera's shadow begins between the two: halve the distance to its border
            good, bad = (k, k + 1) if seen[k] else (k + 1, k)
            low, high = 0.0, 1.0
            for _ in range(BISECTIONS):
                mid = (low + high) / 2
                x = point[good, 0] + mid * (point[bad, 0] - point[good, 0])
                y = point[good, 1] + mid * (point[bad, 1] - point[good, 1])
                z = point[good, 2] + mid * (point[bad, 2] - point[good, 2])
                own = hit[good] if mid < 0.5 else hit[bad]
                if is_seen(surface, cells, own, x, y, z, camera_x, camera.y_mm, camera_z):
                    low = mid
                else:
                    high = mid
            if low == 0.0:
                continue
            share = low
            x = point[good, 0] + low * (point[bad, 0] - point[good, 0])
            y = point[good, 1] + low * (point[bad, 1] - point[good, 1])
            z = point[good, 2] + low * (point[bad, 2] - point[good, 2])
            world_z = z + pose.lift_mm + pose.roll * y
            a0, h0 = across[good], height[good]
            a1, h1 = _image(camera, optics, x - pose.e_mm, y, world_z)
        middle = (t[k] + t[k + 1]) / 2
        radians = share * (t[k + 1] - t[k]) / (1 + middle * middle)
        both = seen[k] and seen[k + 1]
        stretch[used, 0], stretch[used, 1], stretch[used, 2], stretch[used, 3] = a0, h0, a1, h1
        stretch[used, 4] = radians * ((light[k] + light[k + 1]) / 2 if both else light[source])
        stretch[used, 5] = (width[k] + width[k + 1]) / 2 if both else width[source]
        stretch[used, 6], stretch[used, 7], stretch[used, 8] = (
            below[source],
            shift[source],
            kind[source],
        )
        used += 1
    return stretch[:used]


@njit(nogil=True, cache=True)
def _image(camera: Camera, optics: Optics, x: float, y: float, z: float) -> tuple[float, float]:
    if optics.layout == ON_BELT:
        return (y - optics.across0_mm) / optics.across_step_mm, z
    column, row = project(camera, x, y, z)
    return (row, column) if optics.layout == TURNED else (column, row)
