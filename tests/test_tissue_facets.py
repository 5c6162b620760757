"""Faces that meet in edges, as slanted cuts leave them: their shade is no fat, fat on them is."""

from dataclasses import replace
from functools import cache
from typing import Any, Literal

import numpy as np
import pytest
from shape_study import lines_of, measured

from geomscan.shape.piece_map import PieceMap, Sight
from geomscan.simulation.random_pieces import Kind, random_piece
from geomscan.simulation.scene import Cut, FatPatch, Piece
from geomscan.simulation.shapes import Prismoid
from geomscan.tissue.classify import FOLLOWS_SLOPE, classify
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.surface import LEAST_SHADE, read_surface

Floats = np.ndarray[Any, np.dtype[np.floating[Any]]]
CELL_MM = 0.5


def roof(
    rises: tuple[tuple[float, float], ...], sight: Sight, *, exponent: float = 1.0
) -> PieceMap:
    """Faces of given rises along x and y, 90 mm high where they meet; the light Lambert gives.

    Written here from the cosine law, not from the package: a surface (z = s·x) sends a far camera
    the cosine between its normal and the line of sight, against that of a level one.
    """
    x, y = (np.arange(160) - 79.5)[:, None] * CELL_MM, (np.arange(120) - 59.5)[None, :] * CELL_MM
    faces = np.stack([90 + a * x + b * y for a, b in rises])
    own = faces.argmin(axis=0)
    normals = np.array([(-a, -b, 1.0) for a, b in rises])
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    heads = []
    for point in sight.viewpoints_mm:
        towards = np.array(point) / np.linalg.norm(point)
        heads.append(np.maximum(normals @ towards / towards[2], 0.0))
    light = np.square(heads).sum(axis=0) / np.maximum(np.sum(heads, axis=0), 1e-9)
    light = np.maximum(light, 1e-3)
    shape = own.shape
    grain = np.random.default_rng(5).normal(0, 0.04, shape)
    return PieceMap(
        piece=1, lane=1, x_first_mm=0.0, y_first_mm=0.0, cell_mm=CELL_MM,
        thickness_mm=faces.min(axis=0), cover=np.ones(shape), u_independent_mm=np.zeros(shape),
        x0_mm=0.0, u_x0_mm=0.1, length_mm=80.0, width_mm=60.0,
        reflectance=30 * light[own] ** exponent * np.exp(grain), sight=sight,
    )  # fmt: skip


FAR = 1e7
ONE_SIDE = Sight(viewpoints_mm=((0.6 * FAR, 0.0, 0.8 * FAR),), fan_mm=(0.0, FAR))
BOTH_SIDES = Sight(
    viewpoints_mm=((0.6 * FAR, 0.0, 0.8 * FAR), (-0.5 * FAR, 0.0, 0.8 * FAR)), fan_mm=(0.0, FAR)
)


@pytest.mark.parametrize("sight", [ONE_SIDE, BOTH_SIDES])
def test_shade_of_faces_is_lamberts(sight: Sight) -> None:
    """Reference: the cosine law, written out in `roof`; up to the edges but for two cells."""
    rises = ((0.3, 0.1), (-0.5, 0.0), (0.0, -0.6))
    piece = roof(rises, sight)
    surface = read_surface(piece, TissueSettings())
    inner = np.zeros(piece.cover.shape, bool)
    inner[6:-6, 6:-6] = True  # beside the map lies the belt
    x, y = (np.arange(160) - 79.5)[:, None] * CELL_MM, (np.arange(120) - 59.5)[None, :] * CELL_MM
    faces = np.sort(np.stack([90 + a * x + b * y for a, b in rises]), axis=0)
    clear = inner & (faces[1] - faces[0] > 1.0)  # 1.0 mm higher: some 1 to 2 mm off the edge
    grain = np.random.default_rng(5).normal(0, 0.04, inner.shape)
    assert piece.reflectance is not None
    light = np.log(piece.reflectance / 30) - grain

    assert np.abs(surface.log_shade - light)[clear].max() < 0.02
    assert surface.usable[inner].all()


def test_a_face_turned_away_is_not_used() -> None:
    """At 60° of a face that falls away from a camera at 37°, no light comes back."""
    surface = read_surface(roof(((0.0, 0.0), (1.7, 0.0)), ONE_SIDE), TissueSettings())

    assert not surface.usable[:70].any()
    assert np.exp(surface.log_shade[20:60, 20:-20]) == pytest.approx(LEAST_SHADE)


@pytest.mark.parametrize("sight", [ONE_SIDE, BOTH_SIDES])
def test_lean_faces_are_lean(sight: Sight) -> None:
    """Reference: no fat was drawn; all contrast, up to 1.9, is the cosine law's."""
    found = classify(roof(((0.3, 0.1), (-0.5, 0.0), (0.0, -0.6)), sight), TissueSettings())

    assert found.fat_area_fraction < 0.005
    assert not found.flags


def test_faces_of_a_surface_that_is_not_matt_are_flagged_and_in_doubt() -> None:
    """A surface whose light goes with the power 1.5 of the cosine looks like fat on one face.

    Whatever is then taken for fat lies within two of its uncertainties of what is there, and the
    piece carries the flag.
    """
    found = classify(
        roof(((0.5, 0.0), (-0.6, 0.0), (0.0, -0.3)), ONE_SIDE, exponent=1.5), TissueSettings()
    )

    assert found.fat_area_fraction > 0.05
    assert found.fat_area_fraction < 2 * found.u_fat_area_fraction
    assert FOLLOWS_SLOPE in found.flags


PRISMOID = Piece(
    solid=Prismoid(base_mm=(95, 62), top_mm=(40, 12), height_mm=26),
    at_mm=(0, 70),
    yaw_deg=28,
    reflectance=0.3,
)
FAT = FatPatch(at_mm=(-14, 10), half_axes_mm=(14, 8), turn_deg=30, brightness=1.6)


@cache
def seen(heads: str, *, fat: bool) -> tuple[PieceMap, float]:
    """Simulate a prismoid on a real scanner; the piece and its true share of fat."""
    piece = PRISMOID.model_copy(update={"fat": (FAT,) if fat else ()})
    lines = lines_of(piece, heads=heads, pitch_mm=0.6, seed=3)
    (found,) = measured(lines, np.random.default_rng(3))
    return found, lines.truth.fat_area_fraction


@pytest.mark.parametrize("heads", ["ab", "a"])
def test_a_lean_prismoid_is_lean(heads: str) -> None:
    """Reference: the simulated solid has one reflectance all over."""
    piece, _ = seen(heads, fat=False)
    found = classify(piece, TissueSettings())

    assert piece.sight is not None
    assert len(piece.sight.viewpoints_mm) == len(heads)
    assert found.fat_area_fraction < 0.005


@pytest.mark.parametrize("heads", ["ab", "a"])
def test_fat_on_a_prismoid_is_found(heads: str) -> None:
    """Reference: the ellipse drawn over the edge between two faces, brighter by 1.6."""
    piece, share = seen(heads, fat=True)
    found = classify(piece, TissueSettings())

    assert found.fat_area_fraction == pytest.approx(share, abs=0.01)
    assert abs(found.fat_area_fraction - share) < 3 * found.u_fat_area_fraction


def drawn(kind: Kind | Literal["cut"], rng: np.random.Generator) -> Piece:
    """Draw a lean solid with faces, or a hemisphere."""
    at_mm = (0.0, float(rng.uniform(-110, 110)))
    if kind != "cut":
        return random_piece(rng, kind, at_mm=at_mm, yaw_deg=float(rng.uniform(-180, 180)))
    piece = random_piece(rng, "fillet", at_mm=at_mm)
    cut = Cut(at_mm=float(rng.uniform(5, 30)), angle_deg=float(rng.uniform(-50, 50)), keep="before")
    return piece.model_copy(update={"cuts": (cut,)})


@pytest.mark.slow
def test_lean_solids_on_random_scanners() -> None:
    """Wedges, boxes, frusta, hemispheres and cut fillets, one head and two: under 1 % fat in 98 %.

    Reference: simulated solids of one reflectance, scanners with the errors of a calibration.
    """
    kinds: tuple[Kind | Literal["cut"], ...] = ("wedge", "cut", "frustum", "hemisphere", "box")
    shares: list[float] = []
    for k in range(60):
        rng = np.random.default_rng([900, k])
        lines = lines_of(drawn(kinds[k % 5], rng), heads="ab", pitch_mm=0.6, seed=k)
        for heads in ("ab", "a" if k % 2 else "b"):
            part = replace(lines, rows={name: lines.rows[name] for name in heads})
            shares += [
                classify(piece, TissueSettings()).fat_area_fraction
                for piece in measured(part, np.random.default_rng(k))
            ]

    assert len(shares) >= 120
    assert np.mean(np.array(shares) < 0.01) >= 0.98
