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

from geomscan.shape.geometry import BeltLines, HeadLines, ShapeGeometry

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
def _cast(solids, e, tan_tilt, tan_skew, fan_y, fan_z, targets, top, out):  # type: ignore[no-untyped-def]
    """First hit of each ray of the fan, aimed at `targets` on the belt: (y, z)."""
    for k in range(len(targets)):
        slope = (targets[k] - fan_y) / fan_z
        z = top
        step = 0.5
        above = top
        hit = 0.0
        while z > 0.0:
            y = fan_y + slope * (fan_z - z)
            x = e + z * tan_tilt + y * tan_skew
            if _surface(solids, x, y) >= z:
                low = z
                for _ in range(22):
                    mid = 0.5 * (low + above)
                    y = fan_y + slope * (fan_z - mid)
                    x = e + mid * tan_tilt + y * tan_skew
                    if _surface(solids, x, y) >= mid:
                        low = mid
                    else:
                        above = mid
                hit = 0.5 * (low + above)
                break
            above = z
            z -= step
        out[k, 0] = fan_y + slope * (fan_z - hit)
        out[k, 1] = hit


@njit(cache=True)
def _seen(solids, x, y, z, cx, cy, cz, top):  # type: ignore[no-untyped-def]
    rise = 0.02
    while z + rise < top:
        t = rise / (cz - z)
        if _surface(solids, x + t * (cx - x), y + t * (cy - y)) > z + rise:
            return False
        rise += 0.25 if rise < 2.0 else 0.5
    return True


@njit(cache=True)
def _line(solids, e, tan_tilt, tan_skew, fan_y, fan_z, targets, cam, column0, pitch, top, zed, why):  # type: ignore[no-untyped-def]
    """Sample one line with one camera: zed and why (y) per column, NaN where there is no light."""
    hits = np.empty((len(targets), 2))
    _cast(solids, e, tan_tilt, tan_skew, fan_y, fan_z, targets, top, hits)
    distance = np.sqrt(cam[0] ** 2 + cam[2] ** 2)
    n = len(zed)
    for j in range(n):
        zed[j] = np.nan
        why[j] = np.nan
    last = np.nan
    last_ok = False
    for k in range(len(targets)):
        y = hits[k, 0]
        z = hits[k, 1]
        lean = z * tan_tilt + y * tan_skew
        depth = ((cam[0] - lean) * cam[0] + (cam[2] - z) * cam[2]) / distance
        u = (y - cam[1]) * distance / depth
        column = (u - column0) / pitch
        ok = _seen(solids, e + lean, y, z, cam[0] + e, cam[1], cam[2], top)
        if ok and last_ok and abs(z - hits[k - 1, 1]) < 2.5 and column != last:
            a = int(np.ceil(min(last, column)))
            b = int(np.floor(max(last, column)))
            for j in range(max(a, 0), min(b, n - 1) + 1):
                t = (j - last) / (column - last)
                zj = hits[k - 1, 1] + t * (z - hits[k - 1, 1])
                if not zed[j] == zed[j] or zj > zed[j]:
                    zed[j] = zj
                    why[j] = hits[k - 1, 0] + t * (y - hits[k - 1, 0])
        last = column
        last_ok = ok


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
            tilt_deg=self.tilt, skew_deg=self.skew, fan_mm=self.fan,
            viewpoint_mm={h: self.cameras[h] for h in heads},
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
    rays_per_column: int = 4,
    near: bool = True,
) -> dict[str, HeadLines]:
    """Sample solids at belt travels e; belt adds a height per (line, column) to all samples."""
    scanner = scanner or Scanner()
    rng = np.random.default_rng(seed)
    rows = np.array([s.row() for s in solids]).reshape(-1, 14)
    tan_tilt, tan_skew = np.tan(np.radians([scanner.tilt, scanner.skew]))
    n_columns = int(2 * scanner.half_mm / scanner.column_mm)
    top = 1.0
    for s in solids:
        xs = np.linspace(-125, 125, 251)
        top = max(
            top,
            max(_height(s.row(), s.x + a, s.y + b) for a in xs[::5] for b in xs[::5]) * 1.03 + 1.0,
        )
    out: dict[str, HeadLines] = {}
    for head in heads:
        cam = np.array(scanner.cameras[head])
        distance = float(np.hypot(cam[0], cam[2]))
        u = -scanner.half_mm + scanner.column_mm * (np.arange(n_columns) + 0.5)
        flat = u * distance / (distance + u * tan_skew * cam[0] / distance)
        z = np.zeros((len(e), n_columns))
        y = np.tile(flat, (len(e), 1))
        if solids:
            y_low = min(s.y for s in solids) - 125.0
            y_high = max(s.y for s in solids) + 140.0
            inside = (u > max(y_low, -scanner.half_mm)) & (u < min(y_high, scanner.half_mm))
            j0, j1 = np.flatnonzero(inside)[[0, -1]]
            step = scanner.column_mm / rays_per_column
            targets = np.arange(u[j0] - 4.0, u[j1] + 4.0, step)
            for i, ei in enumerate(e):
                if near and not any(abs(ei + s.y * tan_skew - s.x) < 160.0 for s in solids):
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
        # closed forms: spherical cap, half ellipsoid, paraboloid, frustum (Harris & Stocker; numbers
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
