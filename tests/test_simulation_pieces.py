"""Cut pieces, random pieces, touching pairs and truth maps against independent calculations."""

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.simulation.cutting import cut_mesh
from geomscan.simulation.lines import simulate_lines
from geomscan.simulation.random_pieces import (
    KINDS,
    Kind,
    random_piece,
    touching_pair,
    usual_scene,
)
from geomscan.simulation.scene import Cut, Dirt, FatPatch, HeadScene, Piece, Scene
from geomscan.simulation.shapes import Box, Cap, Fillet
from geomscan.simulation.solids import mesh_of, volume_mm3
from geomscan.simulation.stage import prepare
from geomscan.simulation.truth import running_volume_mm3, scene_truth, truth_maps

FILLET = Fillet(half_axes_mm=(70, 40), height_mm=30, waves=((3, 0.05, 40),), taper=0.2)


@pytest.mark.parametrize(
    ("angle_deg", "plan_angle_deg"), [(0.0, 0.0), (30.0, 0.0), (-45.0, 0.0), (35.0, -40.0)]
)
def test_a_cut_parts_a_piece_into_two_closed_ones(angle_deg: float, plan_angle_deg: float) -> None:
    """Reference: trimesh's plane cut; both parts together are the piece."""
    mesh = mesh_of(FILLET, facet_mm=3.0)
    cut = Cut(at_mm=12.0, angle_deg=angle_deg, plan_angle_deg=plan_angle_deg, keep="before")
    before = cut_mesh(mesh, cut)
    after = cut_mesh(mesh, cut.model_copy(update={"keep": "after"}))
    for part in (before, after):
        other = trimesh.Trimesh(part.vertices_mm, part.triangles, process=False)
        assert other.is_watertight
        assert other.is_winding_consistent
    whole = trimesh.Trimesh(mesh.vertices_mm, mesh.triangles, process=False)
    normal = np.array([-1.0, *np.tan(np.deg2rad([plan_angle_deg, angle_deg]))])
    assert ((before.vertices_mm - [12.0, 0, 0]) @ normal).min() > -1e-9
    kept = trimesh.intersections.slice_mesh_plane(whole, normal, [12.0, 0, 0], cap=True)
    assert volume_mm3(before) == pytest.approx(kept.volume, rel=1e-9)
    assert volume_mm3(before) + volume_mm3(after) == pytest.approx(volume_mm3(mesh), rel=1e-12)
    assert volume_mm3(before) == pytest.approx(
        running_volume_mm3(mesh, 12.0, angle_deg=angle_deg, plan_angle_deg=plan_angle_deg)[0],
        rel=1e-9,
    )


def test_a_cut_that_leaves_nothing_is_refused() -> None:
    with pytest.raises(InputError, match="nothing of the piece"):
        cut_mesh(mesh_of(FILLET, facet_mm=4.0), Cut(at_mm=500.0, keep="after"))


def test_portions_in_a_scene_are_moved_apart() -> None:
    """Two halves of a box, 25 mm apart: volumes by width, height and mid-height length."""
    box = Box(size_mm=(100, 40, 20))
    scene = usual_scene(
        n_lines=10,
        pieces=(
            Piece(solid=box, at_mm=(60, 0), cuts=(Cut(at_mm=0, angle_deg=30, keep="before"),)),
            Piece(solid=box, at_mm=(85, 0), cuts=(Cut(at_mm=0, angle_deg=30, keep="after"),)),
        ),
    )
    first, second = scene_truth(prepare(scene))
    mid = 10 * np.tan(np.deg2rad(30))
    assert first.volume_cm3 == pytest.approx(40 * 20 * (50 + mid) / 1000)
    assert second.volume_cm3 == pytest.approx(40 * 20 * (50 - mid) / 1000)
    assert second.x0_mm == pytest.approx(85.0)


@pytest.mark.parametrize("kind", KINDS)
def test_random_pieces_are_closed_and_of_real_size(kind: Kind) -> None:
    rng = np.random.default_rng([7, KINDS.index(kind)])
    for _ in range(4):
        piece = random_piece(rng, kind, at_mm=(0, 0), n_patches=1)
        mesh = mesh_of(piece.solid, facet_mm=4.0)
        other = trimesh.Trimesh(mesh.vertices_mm, mesh.triangles, process=False)
        assert other.is_watertight
        low, high = {"shred": (1.5, 20), "loin": (450, 2200)}.get(kind, (10, 420))
        assert low < volume_mm3(mesh) / 1000 < high
        assert (5 if kind == "shred" else 10) < mesh.vertices_mm[:, 2].max() < 57


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000), shared=st.floats(0.08, 0.3))
def test_touching_pairs_touch_and_do_not_overlap(seed: int, shared: float) -> None:
    first, second = touching_pair(np.random.default_rng(seed), at_mm=(100, 0), shared=shared)
    one, other = (scene_truth_mesh(piece, facet_mm=2.0) for piece in (first, second))
    # along the line from one to the other, one ends where the other begins
    apart = np.subtract(second.at_mm, first.at_mm)
    apart = apart / np.linalg.norm(apart)
    end, start = (one[:, :2] @ apart).max(), (other[:, :2] @ apart).min()
    assert start - end == pytest.approx(0.02, abs=1e-6)
    # and the side they share is the stated part of each outline, to the facets
    across = np.array([-apart[1], apart[0]])
    for mesh, at in ((one, end), (other, start)):
        side = np.sort((mesh[:, :2] @ across)[np.abs(mesh[:, :2] @ apart - at) < 1e-6])
        chord = np.diff(side)[np.diff(side) < 10].sum()  # facets grow towards its ends
        foot = mesh[mesh[:, 2] == 0, :2]
        foot = foot[np.hypot(*(foot - foot.mean(axis=0)).T) > 10]  # the foot's middle is no outline
        turned = np.argsort(np.arctan2(*(foot - foot.mean(axis=0)).T))
        outline = np.hypot(*np.diff(foot[[*turned, turned[0]]], axis=0).T).sum()
        assert chord / outline == pytest.approx(shared, abs=0.03)


def scene_truth_mesh(piece: Piece, *, facet_mm: float) -> np.ndarray:
    scene = usual_scene(n_lines=1, pieces=(piece,), facet_mm=facet_mm)
    return np.asarray(prepare(scene).surface.vertex_mm)


def test_truth_maps_integrate_to_the_volume_and_the_fat() -> None:
    piece = Piece(
        solid=Cap(base_radius_mm=30, height_mm=20),
        at_mm=(40, -20),
        fat=(FatPatch(at_mm=(5, 5), half_axes_mm=(12, 8), turn_deg=30),),
    )
    stage = prepare(usual_scene(n_lines=5, pieces=(piece,), facet_mm=0.7))
    x, y = np.arange(0, 80, 0.25), np.arange(-60, 20, 0.25)
    maps = truth_maps(stage, x, y)
    (truth,) = scene_truth(stage)
    assert maps.height_mm.sum() * 0.0625 / 1000 == pytest.approx(truth.volume_cm3, rel=1e-3)
    assert maps.height_mm.max() == pytest.approx(20, abs=0.01)
    assert maps.fat.sum() * 0.0625 == pytest.approx(np.pi * 96, rel=0.01)
    assert truth.fat_area_fraction == pytest.approx(96 / 900, rel=0.01)
    assert set(np.unique(maps.piece)) == {0, 1}


def test_fat_may_scatter_otherwise_than_lean() -> None:
    """10 % more light from 2 mm down in the patch moves its row by 0.2 mm of height."""
    patch = FatPatch(
        at_mm=(0, 0), half_axes_mm=(20, 8), brightness=1.0, below_share=0.1, below_mm=2.0
    )
    piece = Piece(solid=Box(size_mm=(60, 60, 20)), at_mm=(30, 0), fat=(patch,))
    scene = Scene(
        n_lines=40, pitch_mm=1.0, payload="height", heads=(HeadScene(name="a"),), pieces=(piece,)
    )
    z = simulate_lines(prepare(scene), 0).row_px[30]
    y = -200 + scene.height_grid_mm * np.arange(len(z))
    assert z[np.abs(y) < 7] == pytest.approx(20 - 0.2, abs=1e-3)
    assert z[(np.abs(y) > 9) & (np.abs(y) < 28)] == pytest.approx(20, abs=1e-3)


def test_dirt_on_the_window_dims_its_columns() -> None:
    head = HeadScene(name="a", dirt=(Dirt(column=640, half_width_px=50, loss=0.4),))
    scene = Scene(n_lines=2, heads=(head,))
    clean = scene.model_copy(update={"heads": (head.model_copy(update={"dirt": ()}),)})
    ratio = (
        simulate_lines(prepare(scene), 0).reflectance[1]
        / simulate_lines(prepare(clean), 0).reflectance[1]
    )
    assert ratio[640] == pytest.approx(0.6, rel=1e-5)
    assert ratio[560] == pytest.approx(1.0, rel=1e-5)
    assert 0.6 < ratio[620] < 1.0


def test_exposure_brightens() -> None:
    scene = Scene(n_lines=2, heads=(HeadScene(name="a"),))
    long = scene.model_copy(update={"exposure_us": 1000.0})
    light = [simulate_lines(prepare(s), 0).reflectance[1] for s in (scene, long)]
    assert light[1][600] / light[0][600] == pytest.approx(2.0, rel=1e-6)
