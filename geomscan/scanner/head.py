"""One head's sensor model: (column, row) on the sensor <-> (y, z) in the laser sheet."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.errors import InputError

__all__ = ["DISTORTION_NAMES", "HeadModel", "undistort"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

#: Order of the distortion terms; a model uses the first n of them, the rest are 0.
DISTORTION_NAMES = ("k1", "k2", "p1", "p2", "k3")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class HeadModel:
    """A central camera with lens distortion that looks at a plane.

    Columns and rows count pixels of the whole sensor, turned so that rows are height; pixel
    centres are whole numbers. With u = (column − middle column) / s, v = (row − middle row) / s,
    s = half the sensor's width and r² = u² + v², the lens is undone by

        u' = u (1 + k1 r² + k2 r⁴ + k3 r⁶) + 2 p1 u v + p2 (r² + 2 u²)
        v' = v (1 + k1 r² + k2 r⁴ + k3 r⁶) + p1 (r² + 2 v²) + 2 p2 u v

    (Brown 1966, Photogrammetric Engineering 32(3):444, written from image to object), and
    (y, z, 1) ~ homography · (u', v', 1), the image of a plane under central projection.

    Parameters
    ----------
    name, laser : str
        The head's name and that of the laser whose sheet it watches.
    sensor_size : tuple of int
        Columns and rows of the whole sensor, turned so that rows are height.
    homography : ndarray, shape (3, 3)
        Last element 1; the first two rows give mm.
    distortion : ndarray, shape (5,)
        k1, k2, p1, p2, k3.
    centre_mm : tuple of float, optional
        The camera's viewpoint (x, y, z) with x from the sheet's foot at y = 0, where it is known.
    """

    name: str
    laser: str
    sensor_size: tuple[int, int]
    homography: Floats
    distortion: Floats
    centre_mm: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        for field, shape in (("homography", (3, 3)), ("distortion", (len(DISTORTION_NAMES),))):
            own = np.array(getattr(self, field), dtype=np.float64)
            if own.shape != shape or not np.isfinite(own).all():
                msg = (
                    f"head {self.name}: {field}: expected finite numbers of shape {shape}, "
                    f"got {own.tolist()}"
                )
                raise InputError(msg)
            own.flags.writeable = False
            object.__setattr__(self, field, own)

    @property
    def constants(self) -> tuple[float, float, float]:
        """Middle column, middle row and half width, px."""
        columns, rows = self.sensor_size
        return (columns - 1) / 2, (rows - 1) / 2, columns / 2

    @property
    def _numbers(self) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, float, float]]:
        """Homography row by row, distortion and constants: plain numbers for compiled code."""
        return (
            tuple(self.homography.ravel().tolist()),
            tuple(self.distortion.tolist()),
            self.constants,
        )

    def to_plane(self, column_px: npt.ArrayLike, row_px: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Turn sensor positions into sheet coordinates.

        Parameters
        ----------
        column_px, row_px : array_like
            Positions on the whole sensor; the two broadcast. NaN gives NaN.

        Returns
        -------
        y_mm, z_mm : ndarray of the broadcast shape
            Across the belt, and up from the bare belt.
        """
        columns, rows = np.broadcast_arrays(
            np.asarray(column_px, dtype=np.float64), np.asarray(row_px, dtype=np.float64)
        )
        y_mm, z_mm = np.empty(rows.size), np.empty(rows.size)
        _to_plane(
            np.ascontiguousarray(columns).reshape(-1), np.ascontiguousarray(rows).reshape(-1),
            *self._numbers, y_mm, z_mm,
        )  # fmt: skip
        return y_mm.reshape(rows.shape), z_mm.reshape(rows.shape)

    def lines_to_plane(self, column_px: Floats, row_px: Singles) -> tuple[Singles, Singles]:
        """Turn whole lines into sheet coordinates: `to_plane` in single precision, and quick.

        Parameters
        ----------
        column_px, row_px : ndarray, shapes (n_columns,) and (n_lines, n_columns)

        Returns
        -------
        y_mm, z_mm : ndarray, shape (n_lines, n_columns)
        """
        y_mm, z_mm = np.empty(row_px.shape, np.float32), np.empty(row_px.shape, np.float32)
        _lines_to_plane(column_px, np.ascontiguousarray(row_px), *self._numbers, y_mm, z_mm)
        return y_mm, z_mm

    def from_plane(self, y_mm: npt.ArrayLike, z_mm: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Turn sheet coordinates into sensor positions: inverts `to_plane` by Newton's method.

        Returns
        -------
        column_px, row_px : ndarray of the broadcast shape
            NaN where the camera cannot image the point.
        """
        y, z = np.broadcast_arrays(
            np.asarray(y_mm, dtype=np.float64), np.asarray(z_mm, dtype=np.float64)
        )
        back = np.linalg.inv(self.homography)
        w = back[2, 0] * y + back[2, 1] * z + back[2, 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            u_ideal = (back[0, 0] * y + back[0, 1] * z + back[0, 2]) / w
            v_ideal = (back[1, 0] * y + back[1, 1] * z + back[1, 2]) / w
        u, v = u_ideal.copy(), v_ideal.copy()
        step = 1e-7
        for _ in range(20):
            u0, v0 = undistort(u, v, self.distortion)
            uu, vu = undistort(u + step, v, self.distortion)
            uv, vv = undistort(u, v + step, self.distortion)
            a, b, c, d = (uu - u0) / step, (uv - u0) / step, (vu - v0) / step, (vv - v0) / step
            e, f = u_ideal - u0, v_ideal - v0
            det = a * d - b * c
            du, dv = (d * e - b * f) / det, (a * f - c * e) / det
            u, v = u + du, v + dv
            if not np.any(np.abs(du) + np.abs(dv) > 1e-13):
                break
        middle_column, middle_row, half = self.constants
        return middle_column + half * u, middle_row + half * v

    def mm_per_px(
        self, column_px: npt.ArrayLike, row_px: npt.ArrayLike
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Give dy/dcolumn, dy/drow, dz/dcolumn, dz/drow, by central differences of 0.01 px."""
        columns, rows = (
            np.asarray(column_px, dtype=np.float64),
            np.asarray(row_px, dtype=np.float64),
        )
        h = 0.01
        right, left = self.to_plane(columns + h, rows), self.to_plane(columns - h, rows)
        down, up = self.to_plane(columns, rows + h), self.to_plane(columns, rows - h)
        return (
            (right[0] - left[0]) / (2 * h), (down[0] - up[0]) / (2 * h),
            (right[1] - left[1]) / (2 * h), (down[1] - up[1]) / (2 * h),
        )  # fmt: skip


def undistort(u: Floats, v: Floats, distortion: Floats) -> tuple[Floats, Floats]:
    """Undo the lens in normalised coordinates; works on complex arrays too, for derivatives."""
    k1, k2, p1, p2, k3 = distortion
    r2 = u * u + v * v
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return (
        u * radial + 2 * p1 * u * v + p2 * (r2 + 2 * u * u),
        v * radial + p1 * (r2 + 2 * v * v) + 2 * p2 * u * v,
    )


@njit(nogil=True, inline="always")
def _point(u, v, h, d):  # type: ignore[no-untyped-def]
    """One point of the sheet from normalised sensor coordinates."""
    r2 = u * u + v * v
    radial = 1.0 + r2 * (d[0] + r2 * (d[1] + r2 * d[4]))
    ud = u * radial + 2.0 * d[2] * u * v + d[3] * (r2 + 2.0 * u * u)
    vd = v * radial + d[2] * (r2 + 2.0 * v * v) + 2.0 * d[3] * u * v
    inv = 1.0 / (h[6] * ud + h[7] * vd + h[8])
    return (h[0] * ud + h[1] * vd + h[2]) * inv, (h[3] * ud + h[4] * vd + h[5]) * inv


@njit(nogil=True, cache=True)
def _to_plane(columns, rows, h, d, constants, y_mm, z_mm):  # type: ignore[no-untyped-def]
    middle_column, middle_row, half = constants
    scale = 1.0 / half
    for i in range(rows.size):
        u, v = (columns[i] - middle_column) * scale, (rows[i] - middle_row) * scale
        y_mm[i], z_mm[i] = _point(u, v, h, d)


# without the check for a divisor of 0 the loop runs as vectors; NaN rows must stay NaN
@njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract", "reassoc", "arcp"})
def _lines_to_plane(columns, rows, h, d, constants, y_mm, z_mm):  # type: ignore[no-untyped-def]
    middle_column, middle_row, half = constants
    scale = 1.0 / half
    for i in range(rows.shape[0]):
        line, y_line, z_line = rows[i], y_mm[i], z_mm[i]
        for c in range(columns.size):
            u, v = (columns[c] - middle_column) * scale, (line[c] - middle_row) * scale
            y, z = _point(u, v, h, d)
            y_line[c] = y
            z_line[c] = z
