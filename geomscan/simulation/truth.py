"""What is true of a scene: volumes, running volumes at blade angles, extents, fat shares."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.simulation.looks import Looks, patch_at
from geomscan.simulation.placed import PlacedSolid
from geomscan.simulation.solids import Mesh, closed_form_mm3, volume_mm3
from geomscan.simulation.stage import Stage

__all__ = [
    "ANGLES_DEG",
    "PieceTruth",
    "TruthMaps",
    "running_volume_mm3",
    "scene_truth",
    "truth_document",
    "truth_maps",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ANGLES_DEG = (0, 15, 30, 45, -15, -30, -45)
N_KNOTS = 49


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PieceTruth:
    """One piece: extents in belt coordinates, volume, plan area, fat share.

    `solid` is its index in the scene; x0_mm is its leading edge, the smallest x of the whole
    outline; y_mm the middle of its extent across.
    """

    solid: int
    name: str
    volume_cm3: float
    x0_mm: float
    y_mm: float
    x_centroid_mm: float
    y_centroid_mm: float
    length_mm: float
    width_mm: float
    height_mm: float
    area_cm2: float
    fat_area_fraction: float


def running_volume_mm3(
    mesh: Mesh,
    s_mm: npt.ArrayLike,
    *,
    angle_deg: float,
    plan_angle_deg: float = 0.0,
    y_middle_mm: float = 0.0,
) -> Floats:
    """Volume with x - z·tan(angle) - (y - y_middle)·tan(plan angle) <= s, exactly.

    By the divergence theorem with the field (min(g - s, 0), 0, 0), whose divergence is 1 where g <
    s: each triangle contributes its area seen along x times the mean of a clipped linear function,
    in closed form.

    Parameters
    ----------
    mesh : Mesh
        Closed surface in the coordinates that s is measured in.
    s_mm : (n,) array
        Places of the cut.

    Returns
    -------
    volume_mm3 : (n,) array
    """
    x, y, z = mesh.vertices_mm.T
    g = (
        x
        - z * np.tan(np.deg2rad(angle_deg))
        - (y - y_middle_mm) * np.tan(np.deg2rad(plan_angle_deg))
    )
    corner = mesh.vertices_mm[mesh.triangles]
    side_1, side_2 = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    area_x = 0.5 * (side_1[:, 1] * side_2[:, 2] - side_1[:, 2] * side_2[:, 1])
    s = np.atleast_1d(np.asarray(s_mm, dtype=np.float64))
    return np.asarray(_clipped(np.sort(g[mesh.triangles], axis=1), area_x, s))


@njit(nogil=True, cache=True)
def _clipped(g: Floats, area_x: Floats, s: Floats) -> Floats:
    volume = np.zeros(len(s))
    for k in range(len(s)):
        total = 0.0
        for i in range(len(g)):
            a, b, c = g[i, 0], g[i, 1], g[i, 2]
            if s[k] <= a:
                continue
            mean = (a + b + c) / 3
            if s[k] >= c:
                part = s[k] - mean
            elif s[k] <= b:
                part = (s[k] - a) ** 3 / (3 * (b - a) * (c - a))
            else:
                part = s[k] - mean + (c - s[k]) ** 3 / (3 * (c - a) * (c - b))
            total -= part * area_x[i]
        volume[k] = total
    return volume


@njit(nogil=True, cache=True)
def _plan(
    vertex: Floats, triangle: Ints, looks: Looks, solid: int
) -> tuple[float, float, float, float]:
    """Plan area, its first moments and the fat area, over all triangles that look up."""
    area, moment_x, moment_y, fat_area = 0.0, 0.0, 0.0, 0.0
    for k in range(len(triangle)):
        a, b, c = vertex[triangle[k, 0]], vertex[triangle[k, 1]], vertex[triangle[k, 2]]
        one = 0.5 * ((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))
        if one <= 0:
            continue
        area += one
        moment_x += one * (a[0] + b[0] + c[0]) / 3
        moment_y += one * (a[1] + b[1] + c[1]) / 3
        if looks.fat_first[solid] == looks.fat_first[solid + 1]:
            continue
        # about four looks a millimetre, at least six a side
        longest = np.sqrt(max(np.sum((b - a) ** 2), np.sum((c - a) ** 2), np.sum((c - b) ** 2)))
        divide = max(6, int(4 * longest))
        hits = 0
        for i in range(divide):
            for j in range(divide - i):
                for flip in range(2 if j < divide - i - 1 else 1):
                    u = (i + (1 + flip) / 3) / divide
                    v = (j + (1 + flip) / 3) / divide
                    x = a[0] + u * (b[0] - a[0]) + v * (c[0] - a[0])
                    y = a[1] + u * (b[1] - a[1]) + v * (c[1] - a[1])
                    if patch_at(looks, solid, x, y) >= 0:
                        hits += 1
        fat_area += one * hits / divide**2
    return area, moment_x, moment_y, fat_area


def _piece_truth(solid: PlacedSolid, index: int, looks: Looks) -> PieceTruth:
    mesh = solid.mesh
    low, high = mesh.vertices_mm.min(axis=0), mesh.vertices_mm.max(axis=0)
    area, moment_x, moment_y, fat = _plan(mesh.vertices_mm, mesh.triangles, looks, index + 1)
    return PieceTruth(
        solid=index,
        name=solid.name,
        volume_cm3=volume_mm3(mesh) / 1000,
        x0_mm=float(low[0]),
        y_mm=float(low[1] + high[1]) / 2,
        x_centroid_mm=moment_x / area,
        y_centroid_mm=moment_y / area,
        length_mm=float(high[0] - low[0]),
        width_mm=float(high[1] - low[1]),
        height_mm=float(high[2]),
        area_cm2=area / 100,
        fat_area_fraction=fat / area,
    )


def scene_truth(stage: Stage) -> list[PieceTruth]:
    """Truth of every piece (blocks apart), in the order of their numbers: by leading edge."""
    pieces = [
        _piece_truth(solid, index, stage.looks)
        for index, solid in enumerate(stage.solids)
        if solid.piece is not None
    ]
    return sorted(pieces, key=lambda piece: (piece.x0_mm, piece.y_mm))


def truth_document(stage: Stage, *, angles_deg: Sequence[float] = ANGLES_DEG) -> dict[str, Any]:
    """Everything that is known about a recording, for the file beside it."""
    scene = stage.scene
    main = next(iter(scene.lasers.values()))
    pieces = []
    for number, piece in enumerate(scene_truth(stage), start=1):
        solid = stage.solids[piece.solid]
        entry: dict[str, Any] = {
            "piece": number,
            "name": piece.name,
            "scene_piece": solid.number,
            "volume_cm3": piece.volume_cm3,
            "x0_belt_mm": piece.x0_mm,
            "y_mm": piece.y_mm,
            "x_centroid_mm": piece.x_centroid_mm,
            "y_centroid_mm": piece.y_centroid_mm,
            "length_mm": piece.length_mm,
            "width_mm": piece.width_mm,
            "height_mm": piece.height_mm,
            "area_cm2": piece.area_cm2,
            "fat_area_fraction": piece.fat_area_fraction,
        }
        closed = closed_form_mm3(solid.piece.solid) if solid.piece else None
        if closed is not None:
            entry["volume_closed_form_cm3"] = closed / 1000
        for angle in angles_deg:
            x, _, z = solid.mesh.vertices_mm.T
            reach = x - piece.x0_mm - z * np.tan(np.deg2rad(angle))
            s_mm = np.linspace(float(reach.min()), float(reach.max()), N_KNOTS)
            cm3 = running_volume_mm3(solid.mesh, s_mm + piece.x0_mm, angle_deg=angle) / 1000
            entry[f"cum_{angle:g}"] = {"s_mm": s_mm, "cm3": cm3}
        pieces.append(entry)
    blocks = [
        {
            "name": solid.name,
            "x0_belt_mm": float(solid.mesh.vertices_mm[:, 0].min()),
            **solid.block.model_dump(),
        }
        for solid in stage.solids
        if solid.block is not None
    ]
    return {
        "simulated": True,
        "mm_per_count": scene.encoder.mm_per_count,
        "tilt_deg": main.tilt_deg,
        "skew_deg": main.skew_deg,
        "fan_source_mm": main.source_mm,
        "heads": {
            setup.name: {
                "camera_mm": [setup.camera.x_mm, setup.camera.y_mm, setup.camera.z_mm],
                "right": setup.camera.right,
                "down": setup.camera.down,
                "ahead": setup.camera.ahead,
                "focal_px": setup.camera.focal_px,
                "centre_px": [setup.camera.column0, setup.camera.row0],
                "distortion": setup.head.distortion,
                "speckle_row_px": setup.sensor.speckle_row_px,
            }
            for setup in stage.heads
        },
        "events": list(stage.travel.events),
        "pieces": pieces,
        "blocks": blocks,
        "scene": scene.model_dump(),
    }


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class TruthMaps:
    """The scene seen exactly from above, arrays (n_x, n_y) over the given places of the belt.

    height_mm is 0 on the bare belt; piece is 0 there, else the number the truth file gives a piece
    (blocks: -1); fat tells fat patches from lean.
    """

    height_mm: Floats
    piece: Ints
    fat: npt.NDArray[np.bool_]


def truth_maps(stage: Stage, x_mm: Floats, y_mm: Floats) -> TruthMaps:
    """Heights, piece numbers and fat patches at the places of a regular grid.

    Parameters
    ----------
    x_mm, y_mm : (n_x,) and (n_y,) arrays
        Evenly spaced and growing, belt coordinates.
    """
    numbers = np.zeros(len(stage.solids) + 1, dtype=np.int64)
    numbers[1:] = -1
    for number, piece in enumerate(scene_truth(stage), start=1):
        numbers[piece.solid + 1] = number
    x, y = np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
    height, solid = _from_above(
        stage.surface.vertex_mm, stage.surface.triangle, stage.surface.solid, x, y
    )
    fat = _patches(stage.looks, solid, x, y)
    return TruthMaps(height_mm=height, piece=numbers[solid], fat=fat)


@njit(nogil=True, cache=True)
def _from_above(
    vertex: Floats, triangle: Ints, owner: Ints, x: Floats, y: Floats
) -> tuple[Floats, Ints]:
    """Highest point of the triangles over each place, and whose it is; 0 on the belt."""
    height = np.zeros((len(x), len(y)))
    solid = np.zeros((len(x), len(y)), np.int64)
    step_x = (x[-1] - x[0]) / max(len(x) - 1, 1) if len(x) > 1 else 1.0
    step_y = (y[-1] - y[0]) / max(len(y) - 1, 1) if len(y) > 1 else 1.0
    for k in range(len(triangle)):
        a, b, c = vertex[triangle[k, 0]], vertex[triangle[k, 1]], vertex[triangle[k, 2]]
        twice = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        if twice <= 0:
            continue
        low_x, high_x = min(a[0], b[0], c[0]), max(a[0], b[0], c[0])
        low_y, high_y = min(a[1], b[1], c[1]), max(a[1], b[1], c[1])
        first_i = max(int(np.ceil((low_x - x[0]) / step_x)), 0)
        first_j = max(int(np.ceil((low_y - y[0]) / step_y)), 0)
        for i in range(first_i, min(int(np.floor((high_x - x[0]) / step_x)), len(x) - 1) + 1):
            for j in range(first_j, min(int(np.floor((high_y - y[0]) / step_y)), len(y) - 1) + 1):
                u = ((b[0] - x[i]) * (c[1] - y[j]) - (b[1] - y[j]) * (c[0] - x[i])) / twice
                v = ((c[0] - x[i]) * (a[1] - y[j]) - (c[1] - y[j]) * (a[0] - x[i])) / twice
                if u < 0 or v < 0 or u + v > 1:
                    continue
                z = u * a[2] + v * b[2] + (1 - u - v) * c[2]
                if solid[i, j] == 0 or z > height[i, j]:
                    height[i, j] = z
                    solid[i, j] = owner[k]
    return height, solid


@njit(nogil=True, cache=True)
def _patches(looks: Looks, solid: Ints, x: Floats, y: Floats) -> npt.NDArray[np.bool_]:
    fat = np.zeros(solid.shape, np.bool_)
    for i in range(len(x)):
        for j in range(len(y)):
            if solid[i, j] > 0:
                fat[i, j] = patch_at(looks, solid[i, j], x[i], y[j]) >= 0
    return fat
