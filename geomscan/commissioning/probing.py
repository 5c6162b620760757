"""Probing errors on a certified ball or lying cylinder: size and form (VDI/VDE 2634 terms)."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.find_block import BareBelt
from geomscan.commissioning.pass_lines import PassLines
from geomscan.errors import CalibrationError
from geomscan.recording.block import RoundReference
from geomscan.scanner.calibration import ScannerCalibration, to_belt
from geomscan.scanner.modes import common_modes

__all__ = ["Cloud", "Probing", "cloud_of", "probe"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: coverage factor of E_n: expanded uncertainties at about 95 % (ISO/IEC 17043:2010, B.3.1.3)
_K = 2.0
#: light this low may lie on the belt beside, and surfaces steeper than this are seen by no camera
_LOW_MM, _STEEPEST_DEG = 1.0, 65.0
#: share of the points that the range of form may leave out (a few per mille: VDI/VDE 2634-2)
_DROPPED = 0.003
#: points further off than this many robust standard deviations are no part of the surface
_OUTLIER = 6.0
#: what lies this near a cylinder's ends is not looked at
_END_MM = 2.0
_STEPS, _SETTLED = 30, 1e-5
_LEAST_POINTS = 200
#: a radius this far off, in shares, is that of something else
_LIKE = 0.1
#: of all points above the belt, so many must lie on the surface and be seen well
_LEAST_SHARE = 0.4


@dataclass(frozen=True, kw_only=True, slots=True)
class Probing:
    """What one head (or all, "all") found of a ball or cylinder.

    form_mm is the range of distances from the fitted surface, 3 per mille of the points left out;
    form95_mm the smallest shell about it that holds 95 % of them.
    """

    recording: str
    head: str
    kind: str
    radius_mm: float
    u_radius_mm: float
    certified_mm: float
    u_certified_mm: float
    form_mm: float
    form95_mm: float
    n_points: int

    @property
    def size_error_mm(self) -> float:
        """Fitted diameter less certified diameter."""
        return 2 * (self.radius_mm - self.certified_mm)

    @property
    def e_n(self) -> float:
        """Size error over the expanded uncertainties of both."""
        u = 2 * float(np.hypot(self.u_radius_mm, self.u_certified_mm))
        return self.size_error_mm / (_K * u)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Cloud:
    """Points of one head that stand above the belt, (n, 3), and their common modes, (m, 3, n)."""

    points_mm: Floats
    modes_mm: Floats

    @staticmethod
    def join(clouds: list["Cloud"]) -> "Cloud":
        """Put the points of several heads together: their common errors are the same."""
        return Cloud(
            points_mm=np.concatenate([cloud.points_mm for cloud in clouds]),
            modes_mm=np.concatenate([cloud.modes_mm for cloud in clouds], axis=2),
        )


def cloud_of(calibration: ScannerCalibration, lines: PassLines, bare: BareBelt, head: str) -> Cloud:
    """Give what stands above the belt, in belt coordinates."""
    travel = abs(calibration.mm_per_count) * lines.travel
    x, y, z = to_belt(calibration, head, travel[:, None], lines.column_px, lines.row_px)
    above = (z > _LOW_MM) & np.isfinite(bare.belt_row_px)
    points = np.stack([x[above], y[above], z[above]], axis=1)
    middle = float(points[:, 0].mean()) if len(points) else 0.0
    modes = common_modes(calibration, head, points[:, 1], points[:, 2], x_mm=points[:, 0] - middle)
    return Cloud(points_mm=points, modes_mm=modes)


def probe(
    cloud: Cloud,
    reference: RoundReference,
    *,
    temperature_c: float | None,
    recording: str,
    head: str,
) -> Probing:
    """Fit the surface with its radius free, and tell how size and form are off.

    Least squares over all points that are not too steep for the camera; outliers are left out. u
    of the radius is what the calibration's common errors do to it, and the points' scatter.

    Raises
    ------
    CalibrationError
        If the points show no such surface.
    """
    shape = reference.shape
    certified = reference.radius_at(temperature_c)
    where = f"{recording}, head {head}"
    points = cloud.points_mm
    if len(points) < _LEAST_POINTS:
        msg = f"{where}: no {shape.kind} found on the belt"
        raise CalibrationError(msg)
    surface = _Ball if shape.kind == "sphere" else _Cylinder
    top = shape.height_mm * certified / shape.radius_mm
    values, use = _fit(surface(points), surface.start(points, certified, top))
    away, normal = surface(points).distance(values)
    left = away[use]
    near = abs(float(values[0]) / certified - 1) < _LIKE
    if not near or np.count_nonzero(use) < _LEAST_SHARE * len(points):
        msg = f"{where}: what lies on the belt is no {shape.kind} of radius {certified:g} mm"
        raise CalibrationError(msg)
    back = np.linalg.pinv(_rows(surface(points), values)[use])[0]  # of the radius
    moved = np.einsum("mik,ki->mk", cloud.modes_mm[:, :, use], normal[use])
    u_common = float(np.sqrt(np.sum((moved @ back) ** 2)))
    u_noise = float(np.std(left) * np.sqrt(np.sum(back**2)))
    ordered = np.sort(left)
    return Probing(
        recording=recording,
        head=head,
        kind=shape.kind,
        radius_mm=float(values[0]),
        u_radius_mm=float(np.hypot(u_common, u_noise)),
        certified_mm=certified,
        u_certified_mm=shape.u_radius_mm,
        form_mm=_shortest(ordered, 1 - _DROPPED),
        form95_mm=_shortest(ordered, 0.95),
        n_points=int(left.size),
    )


def _fit(surface: "_Ball | _Cylinder", values: Floats) -> tuple[Floats, Bools]:
    """Least squares with outliers and what is too steep left out; values and the points used."""
    use = np.ones(len(surface.points_mm), dtype=np.bool_)
    for _ in range(_STEPS):
        away, normal = surface.distance(values)
        spread = 1.4826 * float(np.median(np.abs(away[use] - np.median(away[use]))))
        use = np.abs(away - np.median(away[use])) < max(_OUTLIER * spread, 1e-3)
        use &= normal[:, 2] > np.cos(np.radians(_STEEPEST_DEG))
        use &= surface.whole(values)
        if np.count_nonzero(use) < _LEAST_POINTS:
            break
        rows = _rows(surface, values)[use]
        change = np.linalg.lstsq(rows, -away[use], rcond=None)[0]
        values = values + change
        if float(np.max(np.abs(change))) < _SETTLED:
            break
    return values, use


def _rows(surface: "_Ball | _Cylinder", values: Floats) -> Floats:
    """Differentiate the distances to the values, (n, n_values), by central differences."""
    out = []
    for k in range(values.size):
        step = np.zeros(values.size)
        step[k] = 1e-5
        ahead, behind = surface.distance(values + step)[0], surface.distance(values - step)[0]
        out.append((ahead - behind) / 2e-5)
    return np.stack(out, axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class _Ball:
    """A ball's surface; values: radius and centre."""

    points_mm: Floats

    @staticmethod
    def start(points: Floats, radius: float, top: float) -> Floats:
        """First guess from the points' extent."""
        middle = (points.min(axis=0) + points.max(axis=0)) / 2
        return np.array([radius, middle[0], middle[1], top - radius])

    def distance(self, values: Floats) -> tuple[Floats, Floats]:
        """Distance of the points outwards, and the surface's normal there."""
        from_centre = self.points_mm - values[1:]
        far = np.linalg.norm(from_centre, axis=1)
        return far - values[0], from_centre / np.maximum(far, 1e-9)[:, None]

    def whole(self, values: Floats) -> Bools:
        """Whether points lie well inside the surface's ends: a ball has none."""
        return np.full(len(self.points_mm), bool(values[0] > 0))


@dataclass(frozen=True, slots=True, eq=False)
class _Cylinder:
    """A lying cylinder's surface; values: radius, axis height, shift to its side, yaw and pitch.

    The axis is meant at the points' middle; shift is to the left of the first guess of its yaw.
    """

    points_mm: Floats

    @staticmethod
    def start(points: Floats, radius: float, top: float) -> Floats:
        """First guess from the points' extent."""
        plan = points[:, :2] - points[:, :2].mean(axis=0)
        # the longer way in plan is the axis, if the cylinder is longer than wide
        _, _, ways = np.linalg.svd(plan[:: max(1, len(plan) // 5000)], full_matrices=False)
        return np.array([radius, top - radius, 0.0, np.arctan2(ways[0, 1], ways[0, 0]), 0.0])

    def distance(self, values: Floats) -> tuple[Floats, Floats]:
        """Distance of the points outwards, and the surface's normal there."""
        axis = _axis(values)
        from_middle = self._from_middle(values)
        across = from_middle - (from_middle @ axis)[:, None] * axis
        far = np.linalg.norm(across, axis=1)
        return far - values[0], across / np.maximum(far, 1e-9)[:, None]

    def whole(self, values: Floats) -> Bools:
        """Whether points lie well inside the cylinder's two ends."""
        place = self._from_middle(values) @ _axis(values)
        low, high = np.percentile(place, (0.5, 99.5))
        return np.asarray((place > low + _END_MM) & (place < high - _END_MM))

    def _from_middle(self, values: Floats) -> Floats:
        middle = (self.points_mm.min(axis=0) + self.points_mm.max(axis=0)) / 2
        left = np.array([-np.sin(values[3]), np.cos(values[3]), 0.0])
        middle[2] = values[1]
        return np.asarray(self.points_mm - middle - values[2] * left)


def _axis(values: Floats) -> Floats:
    _, _, _, yaw, pitch = values
    return np.array([np.cos(yaw) * np.cos(pitch), np.sin(yaw) * np.cos(pitch), np.sin(pitch)])


def _shortest(ordered: Floats, share: float) -> float:
    """Width of the smallest shell about the surface that holds a share of the points."""
    n = max(int(np.ceil(share * ordered.size)), 1)
    return float(np.min(ordered[n - 1 :] - ordered[: ordered.size - n + 1]))
