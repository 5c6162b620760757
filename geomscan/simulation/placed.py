"""Pieces and block passes laid on the belt: one closed surface each, in belt coordinates."""

from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.recording.block import read_block
from geomscan.simulation.cutting import cut_mesh
from geomscan.simulation.scene import BlockScene, Piece, Scene
from geomscan.simulation.solids import Mesh, extruded, mesh_of

__all__ = ["PlacedSolid", "Surface", "place", "surface_of"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SHARP_COSINE = 0.906  # of 25°: facets of curved surfaces turn by far less


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PlacedSolid:
    """One solid where it lies; `number` counts pieces from 1, and blocks from 1."""

    name: str
    number: int
    mesh: Mesh
    origin_mm: tuple[float, float]
    yaw_deg: float
    piece: Piece | None
    block: BlockScene | None


class Surface(NamedTuple):
    """All solids' triangles for the kernels; `edge_triangle` is -1 where no neighbour is.

    `edge_sharp` tells edges at which the surface turns by more than 25°, as at a step's corner.
    """

    vertex_mm: Floats
    triangle: Ints
    normal: Floats
    solid: Ints
    edge: Ints
    edge_triangle: Ints
    edge_sharp: npt.NDArray[np.bool_]


def place(scene: Scene, *, folder: Path | None = None) -> list[PlacedSolid]:
    """Lay every piece and block of a scene on the belt, in the order of the file.

    Raises
    ------
    InputError
        If a block or mesh file cannot be used.
    """
    where = folder or Path()
    solids = []
    for number, piece in enumerate(scene.pieces, start=1):
        mesh = mesh_of(piece.solid, facet_mm=scene.facet_mm, folder=where)
        mesh = _moved(mesh, (0.0, 0.0), piece.yaw_deg)
        for cut in piece.cuts:
            mesh = cut_mesh(mesh, cut)
        solids.append(
            PlacedSolid(
                name=piece.solid.shape,
                number=number,
                mesh=_moved(mesh, piece.at_mm, 0.0),
                origin_mm=piece.at_mm,
                yaw_deg=piece.yaw_deg,
                piece=piece,
                block=None,
            )
        )
    for number, block in enumerate(scene.blocks, start=1):
        solids.append(_placed_block(block, number, where, scene.temperature_c))
    return solids


def _moved(mesh: Mesh, at_mm: tuple[float, float], yaw_deg: float) -> Mesh:
    """Turn about z (positive from x towards y), then shift."""
    c, s = np.cos(np.deg2rad(yaw_deg)), np.sin(np.deg2rad(yaw_deg))
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    moved = mesh.vertices_mm @ turn.T + [*at_mm, 0.0]
    return Mesh(vertices_mm=moved, triangles=mesh.triangles)


def _placed_block(
    block: BlockScene, number: int, folder: Path, temperature_c: float | None
) -> PlacedSolid:
    path = folder / block.file
    certified = read_block(path)
    if temperature_c is not None:
        certified = certified.at_temperature(temperature_c)
    profile = certified.profile_mm
    if block.tread_error_mm:
        if len(block.tread_error_mm) != len(profile):
            msg = (
                f"{path}: tread_error_mm: expected {len(profile)} numbers, "
                f"got {len(block.tread_error_mm)}"
            )
            raise InputError(msg)
        profile[:, 1] += np.where(profile[:, 1] > 0, block.tread_error_mm, 0.0)
    profile[:, 1] += np.where(profile[:, 1] > 0, block.height_error_mm, 0.0)
    profile[:, 0] -= profile[0, 0]
    if block.reversed:
        profile = np.column_stack([-profile[::-1, 0], profile[::-1, 1]])
    mesh = extruded(profile, certified.length_mm)
    # the corner that across_mm speaks of is the first point at the trailing end: the block turns
    # about it
    vertices = mesh.vertices_mm - [certified.length_mm, 0, 0]
    roll, pitch = np.deg2rad(block.roll_deg), np.deg2rad(block.pitch_deg)
    about_x = np.array(
        [[1, 0, 0], [0, np.cos(roll), -np.sin(roll)], [0, np.sin(roll), np.cos(roll)]]
    )
    about_y = np.array(
        [[np.cos(pitch), 0, np.sin(pitch)], [0, 1, 0], [-np.sin(pitch), 0, np.cos(pitch)]]
    )
    vertices = vertices @ (about_y @ about_x).T
    if block.roll_deg or block.pitch_deg:
        vertices = vertices - [0, 0, vertices[:, 2].min()]  # it rocks about its lowest corner
    vertices = vertices + np.array([0, 0, block.seat_mm])
    corner = (block.x_mm + certified.length_mm, block.across_mm)
    mesh = _moved(Mesh(vertices_mm=vertices, triangles=mesh.triangles), corner, block.yaw_deg)
    return PlacedSolid(
        name=certified.name,
        number=number,
        mesh=mesh,
        origin_mm=corner,
        yaw_deg=block.yaw_deg,
        piece=None,
        block=block,
    )


def surface_of(solids: list[PlacedSolid]) -> Surface:
    """Join the solids' triangles and find each triangle's neighbours."""
    if not solids:
        none = np.zeros((0, 3))
        no = np.zeros((0, 3), dtype=np.int64)
        sharp = np.zeros(0, dtype=np.bool_)
        return Surface(none, no, none, no[:, 0], no, no[:, :2], sharp)
    first = np.cumsum([0, *[len(solid.mesh.vertices_mm) for solid in solids]])
    vertex = np.vstack([solid.mesh.vertices_mm for solid in solids])
    triangle = np.vstack(
        [solid.mesh.triangles + at for solid, at in zip(solids, first[:-1], strict=True)]
    )
    number = np.repeat(
        np.arange(1, len(solids) + 1), [len(solid.mesh.triangles) for solid in solids]
    )
    a, b, c = (vertex[triangle[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)

    ends = np.sort(triangle[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    key = ends[:, 0] * len(vertex) + ends[:, 1]
    _, edge, uses = np.unique(key, return_inverse=True, return_counts=True)
    edge = edge.reshape(-1)
    by_edge = np.argsort(edge, kind="stable")
    start = np.r_[0, np.cumsum(uses)]
    edge_triangle = np.full((len(uses), 2), -1, dtype=np.int64)
    edge_triangle[:, 0] = by_edge[start[:-1]] // 3
    pairs = uses == 2
    edge_triangle[pairs, 1] = by_edge[start[:-1][pairs] + 1] // 3
    one, other = normal[edge_triangle[:, 0]], normal[edge_triangle[:, 1]]
    sharp = (edge_triangle[:, 1] < 0) | (np.einsum("ij,ij->i", one, other) < SHARP_COSINE)
    return Surface(
        vertex,
        triangle.astype(np.int64),
        normal,
        number,
        edge.reshape(-1, 3),
        edge_triangle,
        np.asarray(sharp, dtype=np.bool_),
    )
