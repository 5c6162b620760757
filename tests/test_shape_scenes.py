"""Scenes for the shape's tests: solids on a belt, sampled as a fan of light and two cameras would.

Independent of the package: rays of the fan are marched onto height functions, lit points are
checked for sight from each camera and picked where camera columns cross them. The arrangement is
an invented one: fan source 900 mm above the belt, cameras 640 mm up- and downstream, 850 mm high.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pytest
from numba import njit

from geomscan.shape.geometry import BeltLines, HeadGeometry, HeadLines, ShapeGeometry

Floats = npt.NDArray[np.float64]

CAP, BOX, ELLIPSOID, PARABOLOID, FILLET, FRUSTUM, RIMMED = range(7)


@dataclass(frozen=True)
class Solid:
    """A solid of one kind with its middle, yaw (degrees) and sizes; see `_height` for the sizes."""

    kind: int
    x: float
    y: float
    sizes: tuple[float, ...]
    yaw: float = 0.0
    cavity: float = 0.0  #: mm³ below an overhanging rim that cannot be seen from above

    def row(self) -> Floats:
        values = [self.kind, self.x, self.y, np.radians(self.yaw), *self.sizes]
        row = np.array(values + [0.0] * (14 - len(values)))
        row[12] = self.reach() ** 2
        return row

    def reach(self) -> float:
        """Radius that holds the solid's plan."""
        a = self.sizes
        if self.kind in (CAP, FRUSTUM):
            return a[0] + 0.1
        if self.kind == BOX:
            return 0.5 * float(np.hypot(a[0], a[1])) + 0.1
        return max(a[0], a[1]) * (1.0 + (a[4] + a[6] if self.kind == FILLET else 0.0)) + 0.1


@njit(cache=True)
def _height(s, x, y):  # type: ignore[no-untyped-def]
    """Height of one solid at (x, y); -1 outside."""
    dx = x - s[1]
    dy = y - s[2]
    co = np.cos(s[3])
    si = np.sin(s[3])
    u = co * dx + si * dy
    v = -si * dx + co * dy
    kind = int(s[0])
    if kind == 0:  # cap: base radius, height
        a, h = s[4], s[5]
        r2 = u * u + v * v
        if r2 > a * a:
            return -1.0
        big = (a * a + h * h) / (2.0 * h)
        return np.sqrt(big * big - r2) - (big - h)
    if kind == 1:  # box: length, width, height
        if abs(u) > 0.5 * s[4] or abs(v) > 0.5 * s[5]:
            return -1.0
        return s[6]
    if kind == 2:  # half ellipsoid: half axes
        q = (u / s[4]) ** 2 + (v / s[5]) ** 2
        return s[6] * np.sqrt(1.0 - q) if q <= 1.0 else -1.0
    if kind == 3:  # paraboloid
        q = (u / s[4]) ** 2 + (v / s[5]) ** 2
        return s[6] * (1.0 - q) if q <= 1.0 else -1.0
    if kind == 4:  # lobed fillet: half axes, height, power of the flank, lobe amplitudes and phases
        t = np.arctan2(v / s[5], u / s[4])
        r = 1.0 + s[8] * np.cos(2.0 * t + s[9]) + s[10] * np.cos(3.0 * t + s[11])
        rho2 = ((u / s[4]) ** 2 + (v / s[5]) ** 2) / (r * r)
        if rho2 > 1.0:
            return -1.0
        return s[6] * (1.0 - rho2) ** s[7] * (1.0 + 0.2 * u / s[4])
    if kind == 5:  # cone frustum: radii below and above, height
        r = np.sqrt(u * u + v * v)
        if r > s[4]:
            return -1.0
        if r < s[5]:
            return s[6]
        return s[6] * (s[4] - r) / (s[4] - s[5])
    if kind == 6:  # ellipse with an upright rim: half axes, height above the rim, rim
        q = (u / s[4]) ** 2 + (v / s[5]) ** 2
        return s[7] + s[6] * (1.0 - q) if q <= 1.0 else -1.0
    return -1.0


@njit(cache=True)
def _surface(solids, x, y):  # type: ignore[no-untyped-def]
    top = 0.0
    for k in range(solids.shape[0]):
        s = solids[k]
        if (x - s[1]) ** 2 + (y - s[2]) ** 2 < s[12]:
            top = max(top, _height(s, x, y))
    return top


@njit(cache=True)
def _hit(solids, e, tan_tilt, tan_skew, fan_y, fan_z, target, top):  # type: ignore[no-untyped-def]
    """Height of the first hit of the ray aimed at `target` on the belt."""
    slope = (target - fan_y) / fan_z
    near = False
    for k in range(solids.shape[0]):
        reach = np.sqrt(solids[k, 12]) + abs(slope) * top + abs(tan_tilt) * top + 1.0
        dx = e + target * tan_skew - solids[k, 1]
        dy = target - solids[k, 2]
        if dx * dx + dy * dy < reach * reach:
            near = True
    if not near:
        return 0.0
    for k in range(solids.shape[0]):
        if solids[k, 0] == 1.0 or solids[k, 0] == 5.0:  # flat tops, which marching cuts at the edge
            z = solids[k, 6]
            y = fan_y + slope * (fan_z - z)
            if _height(solids[k], e + z * tan_tilt + y * tan_skew, y) >= z:
                return z
    z = top
    above = top
    while z > 0.0:
        y = fan_y + slope * (fan_z - z)
        x = e + z * tan_tilt + y * tan_skew
        if _surface(solids, x, y) >= z:
            low = z
            for _ in range(18):
                mid = 0.5 * (low + above)
                y = fan_y + slope * (fan_z - mid)
                x = e + mid * tan_tilt + y * tan_skew
                if _surface(solids, x, y) >= mid:
                    low = mid
                else:
                    above = mid
            return 0.5 * (low + above)
        above = z
        z -= 0.5
    return 0.0


@njit(cache=True)
def _seen(solids, x, y, z, cx, cy, cz, top):  # type: ignore[no-untyped-def]
    per_mm = np.hypot(cx - x, cy - y) / (cz - z)
    near = False
    for k in range(solids.shape[0]):
        reach = np.sqrt(solids[k, 12]) + per_mm * top
        if (x - solids[k, 1]) ** 2 + (y - solids[k, 2]) ** 2 < reach * reach:
            near = True
    if not near:
        return True
    rise = 0.02
    while z + rise < top:
        t = rise / (cz - z)
        if _surface(solids, x + t * (cx - x), y + t * (cy - y)) > z + rise:
            return False
        rise += 0.25 if rise < 2.0 else 0.6
    return True


@njit(cache=True)
def _line(solids, e, tan_tilt, tan_skew, fan_y, fan_z, targets, cam, column0, pitch, top, zed, why):  # type: ignore[no-untyped-def]
    """Sample one line with one camera: zed and why (y) per column, NaN where there is no light."""
    distance = np.sqrt(cam[0] ** 2 + cam[2] ** 2)
    n = len(zed)
    for j in range(n):
        zed[j] = np.nan
        why[j] = np.nan
    last_ok = False
    last_target = targets[0]
    last_column, last_y, last_z = 0.0, 0.0, 0.0
    for k in range(len(targets)):
        # the ray, and where it jumps from the one before, the rays at either side of the edge
        z_next = _hit(solids, e, tan_tilt, tan_skew, fan_y, fan_z, targets[k], top)
        n_rays = 1
        low = targets[k]
        high = targets[k]
        if k > 0 and abs(z_next - last_z) > 1.0:
            low = last_target
            z_low = last_z
            for _ in range(9):
                mid = 0.5 * (low + high)
                z_mid = _hit(solids, e, tan_tilt, tan_skew, fan_y, fan_z, mid, top)
                if abs(z_mid - z_low) < abs(z_mid - z_next):
                    low = mid
                    z_low = z_mid
                else:
                    high = mid
            n_rays = 3
        for m in range(n_rays):
            target = targets[k]
            if n_rays == 3 and m < 2:
                target = low if m == 0 else high
            z = _hit(solids, e, tan_tilt, tan_skew, fan_y, fan_z, target, top)
            y = fan_y + (target - fan_y) / fan_z * (fan_z - z)
            lean = z * tan_tilt + y * tan_skew
            depth = ((cam[0] - lean) * cam[0] + (cam[2] - z) * cam[2]) / distance
            column = ((y - cam[1]) * distance / depth - column0) / pitch
            ok = _seen(solids, e + lean, y, z, cam[0] + e, cam[1], cam[2], top)
            lit = not (n_rays == 3 and m == 1) or abs(z - last_z) < 1.0
            if ok and last_ok and lit and column != last_column:
                a = int(np.ceil(min(last_column, column)))
                b = int(np.floor(max(last_column, column)))
                for j in range(max(a, 0), min(b, n - 1) + 1):
                    t = (j - last_column) / (column - last_column)
                    zj = last_z + t * (z - last_z)
                    if zed[j] != zed[j] or zj > zed[j]:
                        zed[j] = zj
                        why[j] = last_y + t * (y - last_y)
            last_column, last_y, last_z, last_ok, last_target = column, y, z, ok, target


@njit(cache=True)
def _volume(solid, half, step):  # type: ignore[no-untyped-def]
    n = int(2 * half / step)
    total = 0.0
    x_low = 1e9
    x_high = -1e9
    y_low = 1e9
    y_high = -1e9
    for i in range(n):
        x = solid[1] - half + (i + 0.5) * step
        for j in range(n):
            y = solid[2] - half + (j + 0.5) * step
            h = _height(solid, x, y)
            if h >= 0.0:
                total += h
                x_low = min(x_low, x)
                x_high = max(x_high, x)
                y_low = min(y_low, y)
                y_high = max(y_high, y)
    return (
        total * step * step,
        x_low - step / 2,
        x_high + step / 2,
        y_low - step / 2,
        y_high + step / 2,
    )


@njit(cache=True)
def _tallest(solid):  # type: ignore[no-untyped-def]
    top = 0.0
    for i in range(-125, 126):
        for j in range(-125, 126):
            top = max(top, _height(solid, solid[1] + i, solid[2] + j))
    return top * 1.01


@dataclass(frozen=True)
class Truth:
    """True figures of one solid, mm and mm³."""

    volume: float
    x0: float
    length: float
    width: float
    y: float


def truth_of(solid: Solid, step: float = 0.05) -> Truth:
    volume, x0, x1, y0, y1 = _volume(solid.row(), 125.0, step)
    return Truth(volume - solid.cavity, x0, x1 - x0, y1 - y0, 0.5 * (y0 + y1))


@dataclass(frozen=True)
class Scanner:
    """The arrangement; `wrong` may move what is reported (errors of a calibration)."""

    tilt: float = 0.95
    skew: float = 0.78
    fan: tuple[float, float] = (0.0, 900.0)
    cameras: dict[str, tuple[float, float, float]] = field(
        default_factory=lambda: {"a": (640.0, 0.0, 850.0), "b": (-640.0, 0.0, 850.0)}
    )
    column_mm: float = 0.4
    half_mm: float = 200.0
    noise_mm: float = 0.02

    def geometry(self, heads: str = "ab") -> ShapeGeometry:
        return ShapeGeometry(
            heads={
                name: HeadGeometry(
                    tilt_deg=self.tilt, skew_deg=self.skew, fan_mm=self.fan,
                    viewpoint_mm=self.cameras[name],
                )
                for name in heads
            },
            y_first_mm=-self.half_mm + 2.0, y_last_mm=self.half_mm - 2.0, mm_per_count=0.05,
        )  # fmt: skip


def scan(
    solids: list[Solid],
    e: Floats,
    *,
    scanner: Scanner | None = None,
    heads: str = "ab",
    seed: int = 0,
    belt: Floats | None = None,
    rays_per_column: int = 3,
) -> dict[str, HeadLines]:
    """Sample solids at belt travels e; belt adds a height per (line, column) to all samples."""
    scanner = scanner or Scanner()
    rng = np.random.default_rng(seed)
    rows = np.array([s.row() for s in solids]).reshape(-1, 14)
    tan_tilt, tan_skew = np.tan(np.radians([scanner.tilt, scanner.skew]))
    n_columns = int(2 * scanner.half_mm / scanner.column_mm)
    top = max([_tallest(row) for row in rows], default=0.0) + 0.5
    out: dict[str, HeadLines] = {}
    for head in heads:
        cam = np.array(scanner.cameras[head])
        distance = float(np.hypot(cam[0], cam[2]))
        u = -scanner.half_mm + scanner.column_mm * (np.arange(n_columns) + 0.5)
        flat = u * distance / (distance + u * tan_skew * cam[0] / distance)
        z = np.zeros((len(e), n_columns))
        y = np.tile(flat, (len(e), 1))
        if solids:
            y_low = min(s.y - s.reach() for s in solids) - 10.0
            y_high = max(s.y + s.reach() for s in solids) + 10.0
            inside = (u > max(y_low, -scanner.half_mm)) & (u < min(y_high, scanner.half_mm))
            j0, j1 = np.flatnonzero(inside)[[0, -1]]
            step = scanner.column_mm / rays_per_column
            targets = np.arange(u[j0] - 4.0, u[j1] + 4.0, step)
            for i, ei in enumerate(e):
                if not any(abs(ei + s.y * tan_skew - s.x) < s.reach() + 1.5 + top for s in solids):
                    continue
                local = rows[np.abs(ei - rows[:, 1]) < 260.0]
                zi, yi = np.empty(j1 - j0 + 1), np.empty(j1 - j0 + 1)
                _line(
                    local,
                    ei,
                    tan_tilt,
                    tan_skew,
                    *scanner.fan,
                    targets,
                    cam,
                    u[j0],
                    scanner.column_mm,
                    top,
                    zi,
                    yi,
                )
                z[i, j0 : j1 + 1], y[i, j0 : j1 + 1] = zi, yi
        # noise moves a sample along its column's line in the sheet
        noise = rng.normal(0.0, scanner.noise_mm, z.shape)
        crossing = cam[2] + cam[0] ** 2 / cam[2]
        y = y - y / crossing * noise
        z = z + noise
        if belt is not None:
            z = z + belt
        grey = 100.0 + 0.0 * z
        out[head] = HeadLines(
            y_mm=y.astype(np.float32), z_mm=z.astype(np.float32),
            u_z_mm=np.full(z.shape, scanner.noise_mm, np.float32),
            reflectance=grey.astype(np.float32), line_width_px=(1.5 + 0.0 * z).astype(np.float32),
        )  # fmt: skip
    return out


def belt_lines(e: Floats) -> BeltLines:
    return BeltLines(e_mm=e)


@pytest.mark.parametrize(
    ("solid", "volume"),
    [
        # closed forms: spherical cap, half ellipsoid, paraboloid, frustum (Harris, Stocker; numbers
        # integrated independently)
        (Solid(CAP, 0, 0, (40.0, 20.0)), 54454.2727),
        (Solid(ELLIPSOID, 0, 0, (80.0, 50.0, 25.0), yaw=20.0), 209439.5102),
        (Solid(PARABOLOID, 0, 0, (80.0, 50.0, 25.0)), 157079.6327),
        (Solid(FRUSTUM, 0, 0, (50.0, 30.0, 20.0)), 102625.3600),
        (Solid(BOX, 0, 0, (120.0, 60.0, 25.0), yaw=8.0), 180000.0),
    ],
)
def test_solids_have_the_volume_of_their_closed_form(solid: Solid, volume: float) -> None:
    assert truth_of(solid, 0.1).volume == pytest.approx(volume, rel=2e-4)
