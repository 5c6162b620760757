"""Volumes of known solids, rows to pieces, with nothing but the rows' noise.

References: closed forms of standard geometry (Harris & Stocker, Handbook of Mathematics and
Computational Science, 1998, ch. 4; numbers in mm³ integrated independently), and trimesh for
solids that it builds and measures itself.
"""

from pathlib import Path

import numpy as np
import pytest
import trimesh
from shape_study import lines_of, measured, u_volume_cm3, volume_cm3

from geomscan.shape.piece_map import PieceMap
from geomscan.simulation.random_pieces import random_piece
from geomscan.simulation.scene import Piece
from geomscan.simulation.shapes import (
    Box,
    Cap,
    Cylinder,
    Ellipsoid,
    Frustum,
    MeshFile,
    Paraboloid,
    Prismoid,
    Shape,
)

SMOOTH: dict[str, tuple[Shape, float]] = {
    "cap": (Cap(base_radius_mm=40, height_mm=20), 54454.2727),
    "paraboloid": (Paraboloid(half_axes_mm=(80, 50), height_mm=25), 157079.6327),
    "half ellipsoid": (Ellipsoid(half_axes_mm=(80, 50), height_mm=25), 209439.5102),
    "frustum": (Frustum(base_radius_mm=50, top_radius_mm=30, height_mm=20), 102625.3600),
    "prismoid": (Prismoid(base_mm=(100, 60), top_mm=(70, 40), height_mm=15), 64500.0),
    "wedge": (Prismoid(base_mm=(100, 60), top_mm=(40, 0), height_mm=20), 48000.0),
    "lying cylinder": (Cylinder(radius_mm=30, height_mm=20, length_mm=120), 99002.4916),
}


def scanned(
    solid: Shape, *, heads: str = "ab", pitch_mm: float = 0.6, y_mm: float = 30.0,
    yaw_deg: float = 12.0, seed: int = 1,
) -> PieceMap:  # fmt: skip
    piece = Piece(solid=solid, at_mm=(0.0, y_mm), yaw_deg=yaw_deg)
    # facets of 0.7 mm hold the round solids' volumes to 1e-4 of their closed forms
    lines = lines_of(piece, heads=heads, pitch_mm=pitch_mm, seed=seed, facet_mm=0.7)
    (found,) = measured(lines)
    return found


def test_a_paraboloid_holds_its_closed_form() -> None:
    solid, volume_mm3 = SMOOTH["paraboloid"]
    assert 1000 * volume_cm3(scanned(solid, pitch_mm=1.0)) == pytest.approx(volume_mm3, rel=0.001)


@pytest.mark.slow
@pytest.mark.parametrize("pitch_mm", [0.25, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("name", SMOOTH)
def test_smooth_solids_hold_their_closed_forms_at_any_pitch(name: str, pitch_mm: float) -> None:
    solid, volume_mm3 = SMOOTH[name]
    found = 1000 * volume_cm3(scanned(solid, pitch_mm=pitch_mm))
    assert found == pytest.approx(volume_mm3, rel=0.001)


@pytest.mark.parametrize(("heads", "limit"), [("ab", 0.003), ("a", 0.006), ("b", 0.006)])
def test_an_upright_box_off_the_axis_keeps_its_walls(heads: str, limit: float) -> None:
    # 120 · 60 · 25 mm³; behind its outer wall the belt is dark for 3 to 4 mm
    box = scanned(Box(size_mm=(120, 60, 25)), heads=heads, y_mm=100.0, yaw_deg=8.0)
    assert volume_cm3(box) == pytest.approx(180.0, rel=limit)
    assert "shadowed" in box.flags


@pytest.mark.slow
@pytest.mark.parametrize("pitch_mm", [0.25, 0.4, 1.0])
@pytest.mark.parametrize(("heads", "limit"), [("ab", 0.003), ("a", 0.006), ("b", 0.006)])
def test_an_upright_box_keeps_its_walls_on_either_side(
    heads: str, limit: float, pitch_mm: float
) -> None:
    for y_mm, yaw_deg in ((100.0, 8.0), (-100.0, -8.0)):
        box = scanned(
            Box(size_mm=(120, 60, 25)), heads=heads, y_mm=y_mm, yaw_deg=yaw_deg, pitch_mm=pitch_mm
        )
        assert volume_cm3(box) == pytest.approx(180.0, rel=limit)


@pytest.mark.slow
@pytest.mark.parametrize(("heads", "limit"), [("ab", 0.002), ("a", 0.006), ("b", 0.006)])
def test_lobed_fillets(heads: str, limit: float) -> None:
    """Reference: divergence theorem over the simulated surface."""
    for trial in range(8):
        rng = np.random.default_rng([9, trial])
        piece = random_piece(rng, "fillet", at_mm=(0.0, rng.uniform(-120, 120)))
        lines = lines_of(piece, heads=heads, pitch_mm=rng.uniform(0.4, 1.0), seed=trial)
        (found,) = measured(lines)
        assert volume_cm3(found) == pytest.approx(lines.truth.volume_cm3, rel=limit)


@pytest.mark.parametrize("head", ["a", "b"])
def test_one_head_on_a_hemisphere_is_within_its_doubt(head: str) -> None:
    # 2/3 pi 38³ mm³; flanks from 52° or 55° on are hidden on one side
    ball = scanned(Ellipsoid(half_axes_mm=(38, 38), height_mm=38), heads=head)
    volume, u = 2 / 3 * np.pi * 3.8**3, u_volume_cm3(ball)
    assert abs(volume_cm3(ball) - volume) <= 2.0 * u
    assert u <= 0.03 * volume
    assert "shadowed" in ball.flags


@pytest.mark.slow
@pytest.mark.parametrize("name", ["cone", "hull", "capsule"])
def test_solids_that_trimesh_builds(name: str, tmp_path: Path) -> None:
    """Reference: trimesh builds the solid and tells its volume."""
    rng = np.random.default_rng(3)
    match name:
        case "cone":
            mesh = trimesh.creation.cone(radius=45.0, height=28.0, sections=96)
        case "hull":
            angle, share = rng.uniform(0, 2 * np.pi, 60), np.sqrt(rng.uniform(0, 1, 60))
            x, y = 60 * share * np.cos(angle), 40 * share * np.sin(angle)
            top = np.column_stack([x, y, 26 * (1 - share**2)])
            ring = np.linspace(0, 2 * np.pi, 24, endpoint=False)
            foot = np.column_stack([60 * np.cos(ring), 40 * np.sin(ring), 0 * ring])
            mesh = trimesh.convex.convex_hull(np.vstack([top, foot]))
        case _:
            # its upper half: what lies above its axis, shut by the hull's flat underside
            whole = trimesh.creation.capsule(height=70.0, radius=22.0, count=[48, 48])
            turned = whole.vertices[:, [2, 1, 0]]
            mesh = trimesh.convex.convex_hull(turned[turned[:, 2] >= -1e-9])
    mesh.export(tmp_path / "solid.stl")
    found = scanned(MeshFile(file=str(tmp_path / "solid.stl")))
    off_mm3 = 1000 * volume_cm3(found) - mesh.volume
    # the capsule is round down to the belt, and chords between samples lie below a round flank
    limit = 2000 * u_volume_cm3(found) if name == "capsule" else 0.001 * mesh.volume
    assert abs(off_mm3) <= limit
