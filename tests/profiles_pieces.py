"""Pieces with known shape for the tests of profiles and cuts: height maps without a scanner."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.mass.mass_map import MassMap, MassTerm
from geomscan.shape.piece_map import PieceMap

Floats = npt.NDArray[np.float64]
Height = Callable[[Floats, Floats], Floats]

DENSITY_G_MM3 = 1.05e-3


def piece_of(
    thickness_mm: Floats,
    *,
    cover: Floats | None = None,
    cell_mm: float = 0.5,
    length_mm: float | None = None,
    x0_mm: float = 0.0,
    first_mm: float | None = None,
    y_first_mm: float = 0.0,
    number: int = 1,
    lane: int = 1,
    lane_middle_mm: float = 0.0,
    u_x0_mm: float = 0.0,
    encoder: float = 0.0,
) -> PieceMap:
    """Make a piece from its map; first_mm is the x of the first cell's centre."""
    n_x, n_y = thickness_mm.shape
    cover = np.isfinite(thickness_mm).astype(np.float64) if cover is None else cover
    return PieceMap(
        piece=number,
        lane=lane,
        x_first_mm=x0_mm + 0.5 * cell_mm if first_mm is None else first_mm,
        y_first_mm=y_first_mm,
        cell_mm=cell_mm,
        thickness_mm=thickness_mm,
        cover=cover,
        u_independent_mm=np.zeros(thickness_mm.shape),
        x0_mm=x0_mm,
        u_x0_mm=u_x0_mm,
        length_mm=n_x * cell_mm if length_mm is None else length_mm,
        width_mm=n_y * cell_mm,
        lane_middle_mm=lane_middle_mm,
        encoder=encoder,
    )


def weigh(
    piece: PieceMap,
    *,
    density_g_mm3: Floats | float | None = DENSITY_G_MM3,
    fat_share: Floats | float = 0.0,
    terms: Sequence[MassTerm] = (),
    u_cell_mm: float = 0.0,
) -> MassMap:
    """Give a piece its mass; None: no density was stated."""
    volume = piece.cell_volume_mm3
    known = density_g_mm3 is not None
    density = np.broadcast_to(np.nan if density_g_mm3 is None else density_g_mm3, volume.shape)
    u_mm3 = u_cell_mm * piece.cover * piece.cell_mm**2
    return MassMap(
        piece=piece,
        volume_mm3=volume,
        density_g_mm3=np.array(density, dtype=np.float64),
        mass_g=volume * density,
        fat_g=volume * density * fat_share,
        u_independent_g=u_mm3 * density,
        u_independent_mm3=u_mm3,
        terms=tuple(terms),
        has_density=known,
    )


def sampled(
    height: Height,
    *,
    x_range_mm: tuple[float, float],
    y_range_mm: tuple[float, float],
    cell_mm: float = 0.5,
    samples: int = 4,
    **rest: float,
) -> PieceMap:
    """Average a height function (NaN = nothing there) over the cells of a grid."""
    n_x = round((x_range_mm[1] - x_range_mm[0]) / cell_mm + 0.499)
    n_y = round((y_range_mm[1] - y_range_mm[0]) / cell_mm + 0.499)
    inner = (np.arange(samples) + 0.5) / samples
    x = x_range_mm[0] + cell_mm * (np.arange(n_x)[:, None] + inner).ravel()
    y = y_range_mm[0] + cell_mm * (np.arange(n_y)[:, None] + inner).ravel()
    z = height(x[:, None], y[None, :])
    inside = np.isfinite(z) & (z > 0)
    cells = (n_x, samples, n_y, samples)
    n = inside.reshape(cells).sum(axis=(1, 3))
    total = np.where(inside, z, 0.0).reshape(cells).sum(axis=(1, 3))
    thickness = np.where(n > 0, total / np.maximum(n, 1), np.nan)
    options: dict[str, float] = {"x0_mm": x_range_mm[0], "length_mm": x_range_mm[1] - x_range_mm[0]}
    return piece_of(
        thickness,
        cover=n / samples**2,
        cell_mm=cell_mm,
        first_mm=x_range_mm[0] + 0.5 * cell_mm,
        y_first_mm=y_range_mm[0] + 0.5 * cell_mm,
        **(options | rest),  # type: ignore[arg-type]
    )


def half_ellipsoid(a_mm: float, b_mm: float, height_mm: float, **options: float) -> PieceMap:
    """Leading edge at 0, middle at y = 0."""

    def height(x: Floats, y: Floats) -> Floats:
        inside = 1 - ((x - a_mm) / a_mm) ** 2 - (y / b_mm) ** 2
        return np.where(inside > 0, height_mm * np.sqrt(np.maximum(inside, 0)), np.nan)

    return sampled(height, x_range_mm=(0, 2 * a_mm), y_range_mm=(-b_mm, b_mm), **options)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Lobed:
    """A flat-bottomed solid of triangles with a lobed outline, star-shaped about its middle.

    Seen from above the rings are scaled copies of the outline's polygon, and every vertex of a ring
    has one height: between rings the height is a straight line in the ring's scale, so the height
    map of the triangles is known exactly.
    """

    outline_mm: Floats  #: (n, 2)
    ring: Floats  #: scales, 0 to 1
    ring_height_mm: Floats

    @staticmethod
    def drawn(rng: np.random.Generator, *, n_around: int = 120, n_rings: int = 40) -> "Lobed":
        """Draw one, about 180 mm × 100 mm × 25 mm."""
        turn = np.linspace(0, 2 * np.pi, n_around, endpoint=False)
        radius = np.ones(n_around)
        for order in (2, 3, 4, 5):
            radius += rng.uniform(-0.08, 0.08) * np.cos(order * turn + rng.uniform(0, 2 * np.pi))
        size = rng.uniform(70, 95), rng.uniform(35, 55)
        outline = np.column_stack(
            [size[0] * radius * np.cos(turn), size[1] * radius * np.sin(turn)]
        )
        ring = np.linspace(0, 1, n_rings + 1)
        height = rng.uniform(15, 35) * (1 - ring ** rng.uniform(2, 5)) ** rng.uniform(0.5, 1.0)
        return Lobed(outline, ring, height)

    def height(self, x: Floats, y: Floats) -> Floats:
        """Height of the triangles' upper side, NaN outside."""
        p, q = np.broadcast_arrays(x, y)
        turn = np.arctan2(self.outline_mm[:, 1], self.outline_mm[:, 0]) % (2 * np.pi)
        order = np.argsort(turn)
        start = order[np.searchsorted(turn[order], np.arctan2(q, p) % (2 * np.pi), "right") - 1]
        a, b = self.outline_mm[start], self.outline_mm[(start + 1) % len(order)]
        area = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
        scale = (p * (b[..., 1] - a[..., 1]) - q * (b[..., 0] - a[..., 0])) / area
        return np.where(scale < 1, np.interp(scale, self.ring, self.ring_height_mm), np.nan).astype(
            np.float64
        )

    def triangles(self) -> tuple[Floats, npt.NDArray[np.int64]]:
        """Give the closed surface: vertices and triangles, foot at z = 0."""
        n, m = len(self.outline_mm), len(self.ring) - 1
        rings = self.outline_mm[None] * self.ring[1:, None, None]
        tops = np.concatenate(
            [rings, np.broadcast_to(self.ring_height_mm[1:, None, None], (m, n, 1))], axis=2
        )
        vertices = np.vstack([[0, 0, self.ring_height_mm[0]], tops.reshape(-1, 3), [0, 0, 0]])
        k = np.arange(n)
        after = (k + 1) % n
        faces = [np.column_stack([np.zeros(n, int), 1 + k, 1 + after])]
        for ring in range(m - 1):
            inner, outer = 1 + ring * n, 1 + (ring + 1) * n
            faces.append(np.column_stack([inner + k, outer + k, outer + after]))
            faces.append(np.column_stack([inner + k, outer + after, inner + after]))
        rim, foot = 1 + (m - 1) * n, len(vertices) - 1
        faces.append(np.column_stack([np.full(n, foot), rim + after, rim + k]))
        return vertices.astype(np.float64), np.vstack(faces).astype(np.int64)
