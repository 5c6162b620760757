"""A camera with Brown's lens distortion, looking at the sheet from up- or downstream."""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.simulation.scene import HeadScene, LaserScene

__all__ = ["Camera", "camera_of", "project", "project_points"]

Floats = npt.NDArray[np.float64]


class Camera(NamedTuple):
    """Centre (x from the sheet's belt line), axes and lens, as numbers for the kernels.

    `right`, `down`, `ahead` are the camera's axes as unit vectors in (x, y, z). Pixel centres are
    whole numbers: a point ahead of the principal point falls on `column0`, `row0`.
    """

    x_mm: float
    y_mm: float
    z_mm: float
    right: tuple[float, float, float]
    down: tuple[float, float, float]
    ahead: tuple[float, float, float]
    focal_px: float
    column0: float
    row0: float
    k1: float
    k2: float
    p1: float
    p2: float


def camera_of(head: HeadScene, laser: LaserScene) -> Camera:
    """Place a head's camera.

    The camera looks at the point (y, z) = `aim_mm` of the sheet from `distance_mm` away, at
    `angle_deg` from the vertical; before the roll, rows run downwards and a camera upstream has y
    growing with the columns.
    """
    y, z = head.aim_mm
    tilt, skew = math.tan(math.radians(laser.tilt_deg)), math.tan(math.radians(laser.skew_deg))
    angle = math.radians(head.angle_deg)
    aim = np.array([laser.at_mm + z * tilt + y * skew, y, z])
    rise = math.sqrt(max(head.distance_mm**2 - head.across_mm**2, 0.0))
    centre = aim + np.array([rise * math.sin(angle), head.across_mm, rise * math.cos(angle)])
    ahead = (aim - centre) / np.linalg.norm(aim - centre)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    norm = np.linalg.norm(right)
    # a camera straight above has no "up": its rows then run against the belt's travel
    right = right / norm if norm > 1e-9 else np.array([0.0, 1.0, 0.0])
    down = np.cross(ahead, right)
    c, s = math.cos(math.radians(head.roll_deg)), math.sin(math.radians(head.roll_deg))
    right, down = c * right + s * down, c * down - s * right
    columns, rows = head.sensor_size
    column0, row0 = head.centre_px or ((columns - 1) / 2, (rows - 1) / 2)
    return Camera(
        float(centre[0]),
        float(centre[1]),
        float(centre[2]),
        (float(right[0]), float(right[1]), float(right[2])),
        (float(down[0]), float(down[1]), float(down[2])),
        (float(ahead[0]), float(ahead[1]), float(ahead[2])),
        head.focal_mm / (head.pixel_um * 1e-3),
        float(column0),
        float(row0),
        *head.distortion,
    )


@njit(nogil=True, cache=True)
def project(camera: Camera, x: float, y: float, z: float) -> tuple[float, float]:
    """Image column and row of a point, x from the sheet's belt line (Brown's distortion)."""
    dx, dy, dz = x - camera.x_mm, y - camera.y_mm, z - camera.z_mm
    depth = camera.ahead[0] * dx + camera.ahead[1] * dy + camera.ahead[2] * dz
    u = (camera.right[0] * dx + camera.right[1] * dy + camera.right[2] * dz) / depth
    v = (camera.down[0] * dx + camera.down[1] * dy + camera.down[2] * dz) / depth
    r2 = u * u + v * v
    radial = 1 + r2 * (camera.k1 + r2 * camera.k2)
    ud = u * radial + 2 * camera.p1 * u * v + camera.p2 * (r2 + 2 * u * u)
    vd = v * radial + camera.p1 * (r2 + 2 * v * v) + 2 * camera.p2 * u * v
    return camera.column0 + camera.focal_px * ud, camera.row0 + camera.focal_px * vd


def project_points(camera: Camera, points_mm: npt.ArrayLike) -> Floats:
    """Image columns and rows, shape (n, 2), of points (n, 3) given from the sheet's belt line."""
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
    return np.array([project(camera, *point) for point in points]).reshape(-1, 2)
