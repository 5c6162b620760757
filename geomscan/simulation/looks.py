"""What belt and solids send back: reflectance, fat patches, light from below, wet spots."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.simulation.placed import PlacedSolid
from geomscan.simulation.scene import FatPatch, Scene

__all__ = ["Looks", "looks_of", "patch_at", "shade_at"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: shade of what has no grain, no light below the surface and no wet spots
PLAIN = (0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 1.0)


class Looks(NamedTuple):
    """What each solid sends back, one row a solid; row 0 is the belt.

    `place`: x, y, cos, sin of its plan coordinates; `shade`: reflectance, grain, below share, below
    depth, below kind (0 tail, 1 lobe), glints per mm², glint radius, glint strength; `fat`: x, y,
    a, b, cos, sin, lobes, lobe depth, brightness, below share, below depth; `fat_first`: where each
    solid's patches begin.
    """

    place: Floats
    shade: Floats
    fat: Floats
    fat_first: Ints
    texture: float
    texture_mm: float
    seed: int


def looks_of(scene: Scene, solids: list[PlacedSolid]) -> Looks:
    """Gather reflectance, tissue patches, scattering and glints of belt and solids."""
    place_rows: list[tuple[float, ...]] = [(0.0, 0.0, 1.0, 0.0)]
    shade_rows: list[tuple[float, ...]] = [(scene.belt.reflectance, *PLAIN)]
    fat_rows: list[tuple[float, ...]] = []
    fat_first = [0, 0]
    for solid in solids:
        turn = np.deg2rad(solid.yaw_deg)
        place_rows.append((*solid.origin_mm, float(np.cos(turn)), float(np.sin(turn))))
        if solid.piece is not None:
            piece = solid.piece
            shade_rows.append(
                (
                    piece.reflectance,
                    piece.grain,
                    piece.below_share,
                    piece.below_mm,
                    float(piece.below == "lobe"),
                    piece.glint_per_cm2 / 100,
                    piece.glint_mm,
                    piece.glint_strength,
                )
            )
            fat_rows += [
                _patch_row(patch, piece.below_share, piece.below_mm) for patch in piece.fat
            ]
        elif solid.block is not None:
            shade_rows.append((solid.block.reflectance, *PLAIN))
        fat_first.append(len(fat_rows))
    return Looks(
        np.array(place_rows, dtype=np.float64),
        np.array(shade_rows, dtype=np.float64),
        np.array(fat_rows, dtype=np.float64).reshape(-1, 11),
        np.array(fat_first, dtype=np.int64),
        scene.belt.texture,
        scene.belt.texture_period_mm,
        scene.seed,
    )


def _patch_row(patch: FatPatch, below_share: float, below_mm: float) -> tuple[float, ...]:
    turn = np.deg2rad(patch.turn_deg)
    return (
        *patch.at_mm,
        *patch.half_axes_mm,
        float(np.cos(turn)),
        float(np.sin(turn)),
        float(patch.lobes),
        patch.lobe_depth,
        patch.brightness,
        below_share if patch.below_share is None else patch.below_share,
        below_mm if patch.below_mm is None else patch.below_mm,
    )


@njit(nogil=True, cache=True)
def _hash01(a: int, b: int, c: int) -> float:
    """Return a number in [0, 1) that always belongs to these three: a place keeps its glint."""
    h = np.uint64(a) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(b) * np.uint64(0xC2B2AE3D27D4EB4F)
    h += np.uint64(c) * np.uint64(0x165667B19E3779F9)
    h ^= h >> np.uint64(29)
    h *= np.uint64(0xBF58476D1CE4E5B9)
    h ^= h >> np.uint64(32)
    h *= np.uint64(0x94D049BB133111EB)
    h ^= h >> np.uint64(29)
    return float(h >> np.uint64(11)) / 9007199254740992.0


@njit(nogil=True, cache=True)
def patch_at(looks: Looks, solid: int, x: float, y: float) -> int:
    """Index of the fat patch at a place of a solid, -1 where it is lean."""
    place = looks.place[solid]
    dx, dy = x - place[0], y - place[1]
    u, v = place[2] * dx + place[3] * dy, place[2] * dy - place[3] * dx
    for k in range(looks.fat_first[solid], looks.fat_first[solid + 1]):
        f = looks.fat[k]
        px, py = u - f[0], v - f[1]
        a, b = (f[4] * px + f[5] * py) / f[2], (f[4] * py - f[5] * px) / f[3]
        reach = 1 + f[7] * np.cos(f[6] * np.arctan2(b, a)) if f[6] > 0 else 1.0
        if a * a + b * b <= reach * reach:
            return k
    return -1


@njit(nogil=True, cache=True)
def shade_at(looks: Looks, solid: int, x: float, y: float) -> tuple[float, float, float]:
    """Reflectance at a place of the belt (0) or a solid; share and depth of its light below."""
    place, shade = looks.place[solid], looks.shade[solid]
    reflectance, below_share, below_mm = shade[0], shade[2], shade[3]
    if solid == 0:
        if looks.texture > 0:
            around = 2 * np.pi / looks.texture_mm
            reflectance *= 1 + looks.texture * np.sin(around * x) * np.sin(around * y)
        return reflectance, below_share, below_mm
    dx, dy = x - place[0], y - place[1]
    u, v = place[2] * dx + place[3] * dy, place[2] * dy - place[3] * dx
    if shade[1] > 0:
        phase = 6.2832 * _hash01(solid, looks.seed, 0)
        slow = np.sin(u / 7.1 + phase) * np.cos(v / 5.3 - phase) + 0.5 * np.sin(u / 2.9 - v / 3.7)
        reflectance *= 1 + shade[1] * slow / 1.5
    patch = patch_at(looks, solid, x, y)
    if patch >= 0:
        reflectance *= looks.fat[patch, 8]
        below_share, below_mm = looks.fat[patch, 9], looks.fat[patch, 10]
    if shade[5] > 0:
        # one wet spot per square of its area's inverse density, somewhere in it
        pitch = 1 / np.sqrt(shade[5])
        i, j = int(np.floor(u / pitch)), int(np.floor(v / pitch))
        key = solid * 7919 + looks.seed
        gu = (i + _hash01(key, i, 2 * j)) * pitch
        gv = (j + _hash01(key, i, 2 * j + 1)) * pitch
        if (u - gu) ** 2 + (v - gv) ** 2 < shade[6] ** 2:
            reflectance *= shade[7]
    return reflectance, below_share, below_mm
