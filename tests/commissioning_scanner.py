"""A scanner of the tests' own: pinhole cameras, a sheet, a block; nothing of geomscan's model."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.observations import Kind, Observations
from geomscan.recording.block import ReferenceBlock

Floats = npt.NDArray[np.float64]

BLOCK = ReferenceBlock(
    name="steps",
    length_mm=80.0,
    u_length_mm=0.005,
    u_square_mm=0.004,
    points=(
        (0, 0), (0, 10), (24, 10), (24, 20), (48, 20), (48, 30),
        (72, 30), (72, 40), (96, 40), (96, 50), (120, 50), (120, 0),
    ),
    u_across_mm=0.005,
    u_height_mm=0.003,
    u_common_height_mm=0.002,
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A pinhole at `at_mm` that looks at the sheet; lens terms k1 k2 p1 p2 from image to object."""

    at_mm: tuple[float, float, float]
    look_at_mm: tuple[float, float, float]
    focal_px: float
    roll_deg: float
    lens: tuple[float, float, float, float]
    size: tuple[int, int] = (1280, 1024)

    def pixel(self, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats]:
        """Column and row of points, by rays through the pinhole and fixed-point lens inversion."""
        eye = np.array(self.at_mm)
        ahead = np.array(self.look_at_mm) - eye
        ahead = ahead / np.linalg.norm(ahead)
        right = np.cross(ahead, [0.0, 0.0, 1.0])
        right = right / np.linalg.norm(right)
        down = np.cross(ahead, right)
        c, s = np.cos(np.radians(self.roll_deg)), np.sin(np.radians(self.roll_deg))
        right, down = c * right + s * down, c * down - s * right
        ray = np.stack([x, y, z], axis=-1) - eye
        depth = ray @ ahead
        half = self.size[0] / 2
        ideal_u = self.focal_px / half * (ray @ right) / depth
        ideal_v = self.focal_px / half * (ray @ down) / depth
        k1, k2, p1, p2 = self.lens
        u, v = ideal_u, ideal_v
        for _ in range(60):
            r2 = u * u + v * v
            radial = 1 + k1 * r2 + k2 * r2 * r2
            u = (ideal_u - 2 * p1 * u * v - p2 * (r2 + 2 * u * u)) / radial
            v = (ideal_v - p1 * (r2 + 2 * v * v) - 2 * p2 * u * v) / radial
        return half * u + (self.size[0] - 1) / 2, half * v + (self.size[1] - 1) / 2


CAMERAS = {
    "a": Camera(
        at_mm=(520, -9, 720), look_at_mm=(0, 0, 20), focal_px=2100, roll_deg=180.8,
        lens=(0.006, -0.002, 2e-4, -3e-4),
    ),
    "b": Camera(
        at_mm=(-540, 14, 690), look_at_mm=(0, 3, 20), focal_px=2050, roll_deg=-0.6,
        lens=(0.008, 0.003, -1e-4, 2e-4),
    ),
}  # fmt: skip

TILT_DEG, SKEW_DEG, MM_PER_COUNT = 0.9, -0.7, 0.0514


@dataclass(frozen=True, kw_only=True)
class Lie:
    """Where a pass's block lay: corner, yaw, turned or not, seat height, roll and pitch (rad)."""

    x_mm: float
    y_mm: float
    yaw_deg: float
    turned: bool
    seat_mm: float = 0.0
    roll: float = 0.0
    pitch: float = 0.0


def on_belt(lie: Lie, along: Floats, across: Floats, up: Floats) -> tuple[Floats, Floats, Floats]:
    """Belt coordinates of block points."""
    angle = np.radians(lie.yaw_deg + (180 if lie.turned else 0))
    x = lie.x_mm + along * np.cos(angle) - across * np.sin(angle)
    y = lie.y_mm + along * np.sin(angle) + across * np.cos(angle)
    z = up + lie.seat_mm
    z = z + lie.roll * (across - BLOCK.width_mm / 2) + lie.pitch * (along - BLOCK.length_mm / 2)
    return x, y, z


def travel(x: Floats, y: Floats, z: Floats) -> Floats:
    """Give the counts at which the sheet stands over belt points."""
    lean = z * np.tan(np.radians(TILT_DEG)) + y * np.tan(np.radians(SKEW_DEG))
    return np.asarray((x - lean) / MM_PER_COUNT)


def see(camera: Camera, y: Floats, z: Floats) -> tuple[Floats, Floats]:
    """Sensor position of lit points."""
    x = z * np.tan(np.radians(TILT_DEG)) + y * np.tan(np.radians(SKEW_DEG))
    return camera.pixel(x, y, z)


def observe(
    rng: np.random.Generator,
    lies: list[Lie],
    *,
    profile: Floats,
    length_mm: float,
    lean_mm: tuple[float, float] = (0.0, 0.0),
    u_row_px: float = 0.004,
    u_side_px: float = 0.05,
) -> Observations:
    """Observations of all passes by all cameras, with noise drawn anew."""
    parts = []
    half_count = 1 / np.sqrt(12)
    for h, camera in enumerate(CAMERAS.values()):
        for run, lie in enumerate(lies):
            y = np.linspace(-215, 215, 30)
            column, row = see(camera, y, np.zeros_like(y))
            row = row + rng.normal(0, u_row_px, row.size)
            parts.append(Observations.of(Kind.BELT, h, run, 0, column, row, 0.0, u_row_px, 1))
            for f in range(len(profile) - 1):
                (a0, h0), (a1, h1) = profile[f], profile[f + 1]
                if a1 - a0 > 1:
                    along, across = (
                        v.ravel() for v in np.meshgrid([8, 40, 72], np.linspace(a0 + 3, a1 - 3, 3))
                    )
                    place = on_belt(lie, along, across, np.full(across.size, h0))
                    column, row = see(camera, *place[1:])
                    row = row + rng.normal(0, u_row_px, row.size)
                    parts.append(
                        Observations.of(
                            Kind.SURFACE, h, run, f, column, row, travel(*place), u_row_px, 1
                        )
                    )
                    across = np.linspace(a0 + 4, a1 - 4, 2)
                    for end, along_at in enumerate((0.0, length_mm)):
                        face = along_at + lean_mm[end] * h0 / BLOCK.height_mm
                        place = on_belt(lie, np.full(2, face), across, np.full(2, h0))
                        column, row = see(camera, *place[1:])
                        counts = travel(*place) + rng.uniform(-0.5, 0.5, 2)
                        parts.append(
                            Observations.of(
                                Kind.END, h, run, end, column, row, counts, half_count, 1
                            )
                        )
                elif a1 - a0 < 1e-6:
                    along = np.array([10.0, 40.0, 70.0])
                    place = on_belt(lie, along, np.full(3, a0), np.full(3, max(h0, h1)))
                    column, row = see(camera, *place[1:])
                    column = column + rng.normal(0, u_side_px, 3)
                    parts.append(
                        Observations.of(
                            Kind.SIDE, h, run, f, column, row, travel(*place), u_side_px, 1
                        )
                    )
    return Observations.join(parts)


def draw_block(rng: np.random.Generator) -> tuple[Floats, float, tuple[float, float]]:
    """Profile, length and lean of a block as its certificate allows, drawn anew."""
    profile = BLOCK.profile_mm.copy()
    across = np.unique(profile[:, 0])
    moved = dict(zip(across, across + rng.normal(0, BLOCK.u_across_mm, across.size), strict=True))
    moved[0.0] = 0.0  # across is counted from the first point
    heights = np.unique(profile[:, 1])
    common = rng.normal(0, BLOCK.u_common_height_mm)
    high = dict(
        zip(heights, heights + common + rng.normal(0, BLOCK.u_height_mm, heights.size), strict=True)
    )
    high[0.0] = 0.0
    new = np.array([(moved[a], high[h]) for a, h in profile])
    lean = rng.normal(0, BLOCK.u_square_mm, 2)
    length = BLOCK.length_mm + rng.normal(0, BLOCK.u_length_mm)
    return new, float(length), (float(lean[0]), float(lean[1]))


def five_lies(rng: np.random.Generator, *, u_seat_mm: float = 0.004) -> list[Lie]:
    """Five placements across the belt, every other one turned end for end."""
    lies = []
    for i, y in enumerate((-190.0, -2.0, -60.0, 117.0, 65.0)):
        turned = i % 2 == 1
        lies.append(
            Lie(
                x_mm=120.0 if turned else 40.0,
                y_mm=y + rng.normal(0, 1.0),
                yaw_deg=float(rng.uniform(-3, 3)),
                turned=turned,
                seat_mm=float(rng.normal(0, u_seat_mm)),
                roll=float(rng.normal(0, u_seat_mm / 60)),
                pitch=float(rng.normal(0, u_seat_mm / 40)),
            )
        )
    return lies
