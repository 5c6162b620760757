"""A solid cut by blades: what is left on one side of a plane is again a closed surface."""

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.simulation.scene import Cut
from geomscan.simulation.solids import Mesh

__all__ = ["cut_mesh"]

Floats = npt.NDArray[np.float64]


def cut_mesh(mesh: Mesh, cut: Cut) -> Mesh:
    """Keep one side of a plane, its face closed by a fan about the middle of the cut's outline.

    The outline of a cut through a flat-bottomed piece is star-shaped about its middle; volume by
    the divergence theorem holds for any outline.

    Raises
    ------
    InputError
        If the cut leaves nothing.
    """
    slope = np.tan(np.deg2rad(cut.angle_deg))
    plan = np.tan(np.deg2rad(cut.plan_angle_deg))
    x, y, z = mesh.vertices_mm.T
    side = x - z * slope - y * plan - cut.at_mm
    if cut.keep == "before":
        side = -side
    # a vertex right in the plane would be on neither side
    side = np.where(np.abs(side) < 1e-9, 1e-9, side)
    if not np.any(side > 0):
        msg = f"cut at {cut.at_mm:g} mm, keep = {cut.keep!r}: nothing of the piece lies there"
        raise InputError(msg)
    if np.all(side > 0):
        return mesh
    inside = side[mesh.triangles] > 0
    n_inside = inside.sum(axis=1)
    crossing: dict[tuple[int, int], int] = {}
    added: list[Floats] = []

    def between(one: int, other: int) -> int:
        key = (min(one, other), max(one, other))
        if key not in crossing:
            share = side[one] / (side[one] - side[other])
            point = mesh.vertices_mm[one] * (1 - share) + mesh.vertices_mm[other] * share
            crossing[key] = len(mesh.vertices_mm) + len(added)
            added.append(point)
        return crossing[key]

    triangles = [*mesh.triangles[n_inside == 3].tolist()]
    rim: list[tuple[int, int]] = []
    for row in np.flatnonzero((n_inside == 1) | (n_inside == 2)):
        corners = mesh.triangles[row]
        # turn the triangle so that the odd corner out comes first
        odd = int(np.argmax(inside[row] == (n_inside[row] == 1)))
        a, b, c = (int(corners[(odd + k) % 3]) for k in range(3))
        ab, ca = between(a, b), between(c, a)
        if n_inside[row] == 1:
            triangles.append([a, ab, ca])
            rim.append((ca, ab))
        else:
            triangles += [[ab, b, c], [ab, c, ca]]
            rim.append((ab, ca))
    middle = len(mesh.vertices_mm) + len(added)
    ends = np.array([added[start - len(mesh.vertices_mm)] for start, _ in rim])
    at = (ends.min(axis=0) + ends.max(axis=0)) / 2
    at[0] = cut.at_mm + at[2] * slope + at[1] * plan  # a box about the outline isn't askew as it is
    added.append(at)
    triangles += [[start, end, middle] for start, end in rim]
    vertices = np.vstack([mesh.vertices_mm, np.array(added)])
    used, index = np.unique(np.array(triangles), return_inverse=True)
    return Mesh(vertices_mm=vertices[used], triangles=index.reshape(-1, 3).astype(np.int64))
