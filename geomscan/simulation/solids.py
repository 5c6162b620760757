"""Solids as closed surfaces of triangles, and their volumes in closed form where there is one.

One representation serves light, sight and truth: what the cameras see and what the truth file
states is the same closed surface, so its volume is exact by the divergence theorem, whatever the
size of the facets.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.simulation.shapes import (
    Ball,
    Box,
    Cap,
    Cylinder,
    Ellipsoid,
    Fillet,
    Frustum,
    MeshFile,
    Paraboloid,
    Prismoid,
    Shape,
)

__all__ = ["Mesh", "closed_form_mm3", "extruded", "mesh_of", "prismoid", "volume_mm3"]

Array = npt.NDArray[np.float64]

COARSEST_RING = (
    16  # facets round the innermost rings: enough that halving stops before slivers appear
)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Mesh:
    """Closed surface: vertices (n, 3), triangles (m, 3) counter-clockwise from outside."""

    vertices_mm: Array
    triangles: npt.NDArray[np.int64]


def volume_mm3(mesh: Mesh) -> float:
    """Volume of a closed surface by the divergence theorem, the sum of signed tetrahedra."""
    a, b, c = (mesh.vertices_mm[mesh.triangles[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def mesh_of(shape: Shape, *, facet_mm: float = 1.0, folder: Path | None = None) -> Mesh:
    """Build a solid standing on z = 0, its own origin in the middle of its base.

    Raises
    ------
    InputError
        If the solid contradicts itself or its mesh file cannot be used.
    """
    match shape:
        case Box():
            length, width, height = shape.size_mm
            return prismoid((length, width), (length, width), height)
        case Prismoid():
            return prismoid(shape.base_mm, shape.top_mm, shape.height_mm)
        case Cylinder():
            return _lying_cylinder(shape, facet_mm)
        case MeshFile():
            return _from_file(shape, folder or Path())
        case Fillet():
            return _fillet(shape, facet_mm)
        case _:
            return _round(shape, facet_mm)


def closed_form_mm3(shape: Shape) -> float | None:
    """Volume in closed form, None where the solid has none here.

    Sources: standard geometry, e.g. Harris & Stocker, Handbook of Mathematics and Computational
    Science (1998), ch. 4; lobed domes integrated here: area times height over (fullness + 1).
    """
    pi = np.pi
    match shape:
        case Cap():
            a, h = shape.base_radius_mm, shape.height_mm
            return float(pi * h * (3 * a * a + h * h) / 6)
        case Ellipsoid():
            a, b = shape.half_axes_mm
            return float(2 * pi * a * b * shape.height_mm / 3)
        case Paraboloid():
            a, b = shape.half_axes_mm
            return float(pi * a * b * shape.height_mm / 2)
        case Frustum():
            r, s = shape.base_radius_mm, shape.top_radius_mm
            return float(pi * shape.height_mm * (r * r + r * s + s * s) / 3)
        case Ball():
            h = shape.radius_mm + shape.cut_mm
            return float(pi * h * h * (3 * shape.radius_mm - h) / 3)
        case Box():
            return float(np.prod(shape.size_mm))
        case Prismoid():
            (a, b), (c, d), h = shape.base_mm, shape.top_mm, shape.height_mm
            return float(h / 6 * (a * b + (a + c) * (b + d) + c * d))
        case Cylinder():
            r, h = shape.radius_mm, shape.height_mm
            segment = r * r * np.arccos((r - h) / r) - (r - h) * np.sqrt(2 * r * h - h * h)
            return float(shape.length_mm * segment)
        case Fillet() if not (shape.taper or shape.tuck_mm or shape.arch_mm):
            radius = _outline(shape, np.linspace(0, 2 * pi, 8192, endpoint=False))
            area = float(pi * np.mean(radius**2))  # periodic trapezoid rule
            dome = (shape.height_mm - shape.rim_mm) / (shape.fullness + 1)
            return area * (shape.rim_mm + dome)
        case _:
            return None


def prismoid(base_mm: tuple[float, float], top_mm: tuple[float, float], height_mm: float) -> Mesh:
    """Rectangle on the belt, rectangle above it, both about the origin; a side above may be 0."""
    corner = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    below = np.column_stack([corner * base_mm, np.zeros(4)])
    above = np.column_stack([corner * top_mm, np.full(4, height_mm)])
    quads = [
        (3, 2, 1, 0),
        (4, 5, 6, 7),
        *[(k, (k + 1) % 4, (k + 1) % 4 + 4, k + 4) for k in range(4)],
    ]
    triangles = [tri for a, b, c, d in quads for tri in ((a, b, c), (a, c, d))]
    return _merged(np.vstack([below, above]), np.array(triangles))


def extruded(profile_mm: Array, length_mm: float) -> Mesh:
    """Draw a profile (n, 2) of (across, height) along x from 0 to `length_mm`.

    The profile runs from the left foot to the right foot, across never falls; where it repeats, a
    face is upright.
    """
    across, height = profile_mm[:, 0], profile_mm[:, 1]
    vertices: list[tuple[float, float, float]] = []
    triangles: list[tuple[int, int, int]] = []

    def quad(*corners: tuple[float, float, float]) -> None:
        first = len(vertices)
        vertices.extend(corners)
        triangles.extend([(first, first + 1, first + 2), (first, first + 2, first + 3)])

    for a0, h0, a1, h1 in zip(across[:-1], height[:-1], across[1:], height[1:], strict=True):
        # the face itself; across grows to the right, x away: (0, a0), (L, a0), (L, a1), (0, a1)
        # faces up
        quad((0, a0, h0), (length_mm, a0, h0), (length_mm, a1, h1), (0, a1, h1))
        if a1 > a0:
            quad((0, a0, 0), (0, a0, h0), (0, a1, h1), (0, a1, 0))
            quad((length_mm, a0, 0), (length_mm, a1, 0), (length_mm, a1, h1), (length_mm, a0, h0))
            quad((0, a0, 0), (0, a1, 0), (length_mm, a1, 0), (length_mm, a0, 0))
    return _merged(np.array(vertices, dtype=np.float64), np.array(triangles))


def _lying_cylinder(shape: Cylinder, facet_mm: float) -> Mesh:
    if shape.height_mm >= 2 * shape.radius_mm:
        msg = f"cylinder: expected a height below its diameter, got {shape.height_mm} mm"
        raise InputError(msg)
    half_angle = np.arccos((shape.radius_mm - shape.height_mm) / shape.radius_mm)
    if half_angle > np.pi / 2:
        msg = "cylinder: expected at most half of it above the belt; take a mesh for more"
        raise InputError(msg)
    n = max(16, int(np.ceil(2 * half_angle * shape.radius_mm / facet_mm)))
    angle = np.linspace(-half_angle, half_angle, n + 1)
    drop = shape.radius_mm - shape.height_mm
    profile = np.column_stack(
        [shape.radius_mm * np.sin(angle), shape.radius_mm * np.cos(angle) - drop]
    )
    profile[[0, -1], 1] = 0.0
    mesh = extruded(profile, shape.length_mm)
    return Mesh(
        vertices_mm=mesh.vertices_mm - [shape.length_mm / 2, 0, 0], triangles=mesh.triangles
    )


def _round(shape: Cap | Ellipsoid | Paraboloid | Frustum | Ball, facet_mm: float) -> Mesh:
    """Solids whose level curves are all alike: rings of one outline, scaled and lifted."""
    quarter = np.linspace(0, np.pi / 2, 2049)
    match shape:
        case Cap():
            axes, height = (shape.base_radius_mm,) * 2, shape.height_mm
            radius = (shape.base_radius_mm**2 + height**2) / (2 * height)
            if height > radius:
                msg = "cap: expected a height up to the base radius; a ball stands for more"
                raise InputError(msg)
            angle = np.linspace(np.arcsin(min(shape.base_radius_mm / radius, 1.0)), 0, 2049)
            rho, z = np.sin(angle) * radius / axes[0], np.cos(angle) * radius - (radius - height)
        case Ellipsoid():
            axes, height = shape.half_axes_mm, shape.height_mm
            rho, z = np.cos(quarter), height * np.sin(quarter)
        case Paraboloid():
            axes, height = shape.half_axes_mm, shape.height_mm
            rho = np.cos(quarter)
            z = height * (1 - rho**2)
        case Frustum():
            widest = max(shape.base_radius_mm, shape.top_radius_mm)
            axes, height = (widest, widest), shape.height_mm
            rho = np.array([shape.base_radius_mm, shape.top_radius_mm, 0.0]) / widest
            z = np.array([0.0, height, height])
        case Ball():
            axes = (shape.radius_mm,) * 2
            if shape.cut_mm >= shape.radius_mm:
                msg = "ball: expected the cut inside it"
                raise InputError(msg)
            angle = np.linspace(-np.arcsin(shape.cut_mm / shape.radius_mm), np.pi / 2, 2049)
            rho, z = np.cos(angle), shape.radius_mm * np.sin(angle) + shape.cut_mm
    z[0], rho[-1] = 0.0, 0.0
    size = max(axes)
    kept = _spaced(rho * size, z, facet_mm)
    rho, z = rho[kept], z[kept]

    def outline(angle: Array) -> Array:
        a, b = axes
        return np.asarray(a * b / np.hypot(b * np.cos(angle), a * np.sin(angle)))

    return _rings(rho, lambda k, x, y: np.full_like(x, z[k]) + 0 * y, outline, size, facet_mm)


def _fillet(shape: Fillet, facet_mm: float) -> Mesh:
    if shape.rim_mm >= shape.height_mm or shape.arch_mm >= 0.8 * shape.height_mm:
        msg = "fillet: expected rim_mm and arch_mm well below height_mm"
        raise InputError(msg)
    if shape.tuck_mm and not shape.rim_mm:
        msg = "fillet: tuck_mm draws the foot in below the rim and so needs rim_mm"
        raise InputError(msg)
    a, b = shape.half_axes_mm
    size = max(a, b)
    quarter = np.linspace(0, np.pi / 2, 2049)
    rho_dome, dome = np.cos(quarter), np.sin(quarter) ** (2 * shape.fullness)
    rho_dome[-1] = 0.0
    kept = _spaced(rho_dome * size, shape.height_mm * dome, facet_mm)
    rho, rise, base = rho_dome[kept], dome[kept], np.full(kept.sum(), shape.rim_mm)
    if shape.rim_mm:
        foot = 1 - shape.tuck_mm / size
        rho, rise, base = np.r_[foot, rho], np.r_[0.0, rise], np.r_[0.0, base]

    def height(k: int, x: Array, y: Array) -> Array:
        thicker = 1 + shape.taper * x / a + 0 * y
        return np.asarray(base[k] + (shape.height_mm - shape.rim_mm) * rise[k] * thicker)

    def underside(part: float, x: Array) -> Array:
        return np.asarray(shape.arch_mm * (1 - part**2) ** 2 + 0 * x)

    return _rings(
        rho,
        height,
        lambda angle: _outline(shape, angle),
        size,
        facet_mm,
        underside=underside if shape.arch_mm else None,
    )


def _outline(shape: Fillet, angle: Array) -> Array:
    a, b = shape.half_axes_mm
    radius = a * b / np.hypot(b * np.cos(angle), a * np.sin(angle))
    for order, depth, phase_deg in shape.waves:
        radius = radius * (1 + depth * np.cos(order * angle + np.deg2rad(phase_deg)))
    for side in shape.flat_sides:
        facing = np.cos(angle - np.deg2rad(side.toward_deg))
        chord = np.where(facing > 1e-6, side.distance_mm / np.maximum(facing, 1e-6), np.inf)
        radius = np.minimum(radius, chord)
    return np.asarray(radius)


def _spaced(r_mm: Array, z_mm: Array, facet_mm: float) -> npt.NDArray[np.bool_]:
    """Which points of a fine profile to keep: about `facet_mm` of arc apart, and the ends."""
    if len(r_mm) < 64:
        return np.ones(len(r_mm), dtype=bool)
    arc = np.r_[0.0, np.cumsum(np.hypot(np.diff(r_mm), np.diff(z_mm)))]
    n = max(8, int(np.ceil(arc[-1] / facet_mm)))
    kept = np.zeros(len(r_mm), dtype=bool)
    kept[np.searchsorted(arc, np.linspace(0, arc[-1], n + 1)[:-1])] = True
    kept[[0, -1]] = True
    return kept


def _rings(
    rho: Array,
    height: Callable[[int, Array, Array], Array],
    outline: Callable[[Array], Array],
    size_mm: float,
    facet_mm: float,
    *,
    underside: Callable[[float, Array], Array] | None = None,
) -> Mesh:
    """Stack rings from the foot to the top; rings get half the facets where they have become small.

    `rho` falls to 0 at the top and is the ring's share of the outline; the underside is a flat or
    arched disc.
    """
    vertices: list[Array] = []
    triangles: list[npt.NDArray[np.int64]] = []
    n_round = COARSEST_RING
    while n_round * facet_mm < 2 * np.pi * size_mm * max(rho):
        n_round *= 2

    def count(part: float) -> int:
        n = n_round
        while n > COARSEST_RING and n * facet_mm > 4 * np.pi * size_mm * part:
            n //= 2
        return n

    def ring(part: float, z_of: Callable[[Array, Array], Array], n: int) -> npt.NDArray[np.int64]:
        angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
        radius = part * outline(angle)
        x, y = radius * np.cos(angle), radius * np.sin(angle)
        first = sum(len(v) for v in vertices)
        vertices.append(np.column_stack([x, y, z_of(x, y)]))
        return np.arange(first, first + n)

    def join(outer: npt.NDArray[np.int64], inner: npt.NDArray[np.int64], *, up: bool) -> None:
        parts = _band(outer, inner)
        triangles.append(parts if up else parts[:, ::-1])

    foot = ring(float(rho[0]), lambda x, y: height(0, x, y), count(float(rho[0])))
    last = foot
    for k in range(1, len(rho)):
        part = float(rho[k])
        if part == 0.0:
            here = ring(0.0, lambda x, y, k=k: height(k, x, y), 1)  # type: ignore[misc]
        else:
            n = max(min(count(part), len(last)), len(last) // 2)
            here = ring(part, lambda x, y, k=k: height(k, x, y), n)  # type: ignore[misc]
        join(last, here, up=True)
        last = here

    last = foot
    if underside is not None:
        n_below = max(4, int(np.ceil(size_mm * rho[0] / (2 * facet_mm))))
        for step in np.linspace(1, 0, n_below + 1)[1:-1]:
            share = float(step)
            n = max(min(count(share * float(rho[0])), len(last)), len(last) // 2)
            here = ring(share * float(rho[0]), lambda x, y, s=share: underside(s, x) + 0 * y, n)  # type: ignore[misc]
            join(last, here, up=False)
            last = here
    middle = ring(0.0, lambda x, y: (underside(0.0, x) if underside else 0 * x) + 0 * y, 1)
    join(last, middle, up=False)
    return Mesh(vertices_mm=np.vstack(vertices), triangles=np.vstack(triangles))


def _band(outer: npt.NDArray[np.int64], inner: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Triangles between two rings, the inner of as many vertices, half of them, or one."""
    n, m = len(outer), len(inner)
    following = np.roll(outer, -1)
    if m == 1:
        return np.column_stack([outer, following, np.full(n, inner[0])])
    turned = np.roll(inner, -1)
    if m == n:
        return np.vstack(
            [
                np.column_stack([outer, following, inner]),
                np.column_stack([following, turned, inner]),
            ]
        )
    even, odd, after = outer[0::2], outer[1::2], np.roll(outer, -2)[0::2]
    return np.vstack(
        [
            np.column_stack([even, odd, inner]),
            np.column_stack([odd, turned, inner]),
            np.column_stack([odd, after, turned]),
        ]
    )


def _merged(vertices: Array, triangles: npt.NDArray[np.int64]) -> Mesh:
    """Merge vertices that coincide and drop triangles without area."""
    unique, index = np.unique(np.round(vertices, 9) + 0.0, axis=0, return_inverse=True)
    triangles = index.reshape(-1)[triangles]
    a, b, c = triangles.T
    whole = (a != b) & (b != c) & (a != c)
    return Mesh(vertices_mm=unique, triangles=triangles[whole].astype(np.int64))


def _from_file(shape: MeshFile, folder: Path) -> Mesh:
    try:
        import trimesh
    except ImportError as error:
        msg = "a mesh in a scene needs trimesh: install geomscan[mesh]"
        raise InputError(msg) from error
    path = folder / shape.file
    try:
        loaded: Any = trimesh.load(path, force="mesh")
    except Exception as error:  # its readers raise whatever their formats raise
        msg = f"{path}: cannot be read as a mesh ({type(error).__name__})"
        raise InputError(msg) from error
    if not loaded.is_watertight:
        msg = f"{path}: expected a watertight mesh"
        raise InputError(msg)
    vertices = np.asarray(loaded.vertices, dtype=np.float64) * shape.scale
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    vertices = vertices - [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, low[2]]
    mesh = Mesh(vertices_mm=vertices, triangles=np.asarray(loaded.faces, dtype=np.int64))
    if volume_mm3(mesh) < 0:
        mesh = Mesh(vertices_mm=vertices, triangles=mesh.triangles[:, ::-1])
    return mesh
