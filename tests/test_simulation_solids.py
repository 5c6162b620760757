"""Solids and truth against closed forms (standard geometry) and trimesh, an independent library."""

import numpy as np
import pytest
import trimesh

from geomscan.errors import InputError
from geomscan.simulation.shapes import (
    Ball,
    Box,
    Cap,
    Cylinder,
    Ellipsoid,
    Fillet,
    FlatSide,
    Frustum,
    Paraboloid,
    Prismoid,
    Shape,
)
from geomscan.simulation.solids import Mesh, closed_form_mm3, extruded, mesh_of, volume_mm3
from geomscan.simulation.truth import running_volume_mm3

LOBED = Fillet(half_axes_mm=(80, 45), height_mm=30, waves=((3, 0.08, 20), (2, 0.05, 70)), taper=0.2)
TUCKED = Fillet(half_axes_mm=(70, 40), height_mm=30, rim_mm=6, tuck_mm=5, arch_mm=4)
# standard geometry, e.g. Harris & Stocker 1998, each also integrated numerically
PUBLISHED: list[tuple[Shape, float]] = [
    (Cap(base_radius_mm=40, height_mm=20), 54454.2727),
    (Paraboloid(half_axes_mm=(80, 50), height_mm=25), 157079.6327),
    (Ellipsoid(half_axes_mm=(80, 50), height_mm=25), 209439.5102),
    (Frustum(base_radius_mm=50, top_radius_mm=30, height_mm=20), 102625.3600),
    (Prismoid(base_mm=(100, 60), top_mm=(70, 40), height_mm=15), 64500.0),
    (Prismoid(base_mm=(100, 60), top_mm=(40, 0), height_mm=20), 48000.0),
    (Cylinder(radius_mm=30, height_mm=20, length_mm=120), 99002.4916),
    (Box(size_mm=(120, 60, 25)), 180000.0),
    # half a ball of 30 mm and the slice of 10 mm below it: 2 pi r³/3 + pi (r² h - h³/3)
    (Ball(radius_mm=30, cut_mm=10), 18000 * np.pi + np.pi * (9000 - 1000 / 3)),
]
CLOSED: list[Shape] = [
    *[shape for shape, _ in PUBLISHED],
    LOBED,
    TUCKED,
    Frustum(base_radius_mm=30, top_radius_mm=45, height_mm=20),
    Fillet(
        half_axes_mm=(60, 40),
        height_mm=25,
        flat_sides=(FlatSide(toward_deg=90, distance_mm=30),),
    ),
]


def as_trimesh(mesh: Mesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.vertices_mm, mesh.triangles, process=False)


@pytest.mark.parametrize(
    ("shape", "volume"),
    PUBLISHED,
    ids=[f"{shape.shape}-{volume:.0f}" for shape, volume in PUBLISHED],
)
def test_closed_forms_and_facets_agree(shape: Shape, volume: float) -> None:
    assert closed_form_mm3(shape) == pytest.approx(volume, rel=1e-8)
    # chords lie inside a curved surface: what is missing falls with the square of the facets
    missing = [1 - volume_mm3(mesh_of(shape, facet_mm=f)) / volume for f in (1.0, 0.5)]
    assert missing[1] + 1e-12 >= 0
    assert missing[0] < 4e-4
    assert missing[1] < 0.3 * missing[0] + 1e-9


def test_lobed_dome_has_the_volume_of_its_outline() -> None:
    """Reference: area of the outline by the shoelace formula, times height / (fullness + 1)."""
    shape = LOBED.model_copy(update={"taper": 0.0})
    angle = np.linspace(0, 2 * np.pi, 20001)
    radius = 80 * 45 / np.hypot(45 * np.cos(angle), 80 * np.sin(angle))
    radius *= 1 + 0.08 * np.cos(3 * angle + np.deg2rad(20))
    radius *= 1 + 0.05 * np.cos(2 * angle + np.deg2rad(70))
    x, y = radius * np.cos(angle), radius * np.sin(angle)
    area = 0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])
    assert closed_form_mm3(shape) == pytest.approx(area * 30 / 1.8, rel=1e-6)
    assert volume_mm3(mesh_of(shape, facet_mm=0.7)) == pytest.approx(area * 30 / 1.8, rel=2e-4)


@pytest.mark.parametrize("shape", CLOSED, ids=[f"{s.shape}-{k}" for k, s in enumerate(CLOSED)])
def test_surfaces_are_closed_and_look_outwards(shape: Shape) -> None:
    """Reference: trimesh, an independent library."""
    mesh = mesh_of(shape, facet_mm=2.0)
    other = as_trimesh(mesh)
    assert other.is_watertight
    assert other.is_winding_consistent
    assert volume_mm3(mesh) == pytest.approx(other.volume, rel=1e-9)
    assert mesh.vertices_mm[:, 2].min() == 0


def test_extruded_profile_is_the_block() -> None:
    """Reference: area of the profile by the shoelace formula times the length."""
    profile = np.array([[0, 0], [0, 10], [24, 10], [24, 20], [50, 32], [60, 32], [60, 0]], float)
    a, h = profile.T
    area = 0.5 * abs(np.sum(a * np.roll(h, -1) - np.roll(a, -1) * h))
    mesh = extruded(profile, 80.0)
    assert volume_mm3(mesh) == pytest.approx(80 * area, rel=1e-12)
    assert np.ptp(mesh.vertices_mm, axis=0) == pytest.approx([80, 60, 32])


@pytest.mark.parametrize("angle_deg", [0, 15, 30, 45, -15, -30, -45])
@pytest.mark.parametrize("shape", [LOBED, TUCKED], ids=["lobed", "tucked"])
def test_running_volume_is_trimesh_cut_by_the_blade(shape: Fillet, angle_deg: float) -> None:
    """Reference: trimesh, which cuts the mesh with the plane and closes the cut."""
    mesh = mesh_of(shape, facet_mm=4.0)
    other = as_trimesh(mesh)
    normal = np.array([-1.0, 0.0, np.tan(np.deg2rad(angle_deg))])
    for s_mm in (-45.0, 3.0, 31.0):
        kept = trimesh.intersections.slice_mesh_plane(other, normal, [s_mm, 0, 0], cap=True)
        ours = running_volume_mm3(mesh, s_mm, angle_deg=angle_deg)[0]
        assert ours == pytest.approx(kept.volume, rel=1e-7, abs=1e-3)


def test_box_under_a_tilted_blade() -> None:
    """Reference: width times height times the place of the cut at mid height."""
    mesh = mesh_of(Box(size_mm=(120, 60, 25)))
    s_mm = np.array([-30.0, 0.0, 22.0])
    at_mid_height = s_mm + 12.5 * np.tan(np.deg2rad(30))
    expected = 60 * 25 * (at_mid_height + 60)
    assert running_volume_mm3(mesh, s_mm, angle_deg=30) == pytest.approx(expected, rel=1e-12)
    # plan angle: about the middle of the box the same volume is left of the cut
    turned = running_volume_mm3(mesh, s_mm, angle_deg=30, plan_angle_deg=20)
    assert turned == pytest.approx(expected, rel=1e-12)


def test_half_ellipsoid_up_to_a_cut() -> None:
    """Reference: F(u) = (2 + 3u - u³)/4 of 209439.5102 mm³, u = x / 80."""
    mesh = mesh_of(Ellipsoid(half_axes_mm=(80, 50), height_mm=25), facet_mm=1.0)
    ours = running_volume_mm3(mesh, [-40.0, 20.0], angle_deg=0)
    assert ours == pytest.approx([32724.9235, 143171.5402], rel=5e-4)


@pytest.mark.parametrize(
    ("shape", "match"),
    [
        (Cap(base_radius_mm=20, height_mm=30), "up to the base radius"),
        (Ball(radius_mm=20, cut_mm=25), "inside it"),
        (Fillet(half_axes_mm=(60, 40), height_mm=20, rim_mm=25), "well below"),
        (Fillet(half_axes_mm=(60, 40), height_mm=20, tuck_mm=5), "needs rim_mm"),
        (Cylinder(radius_mm=20, height_mm=50, length_mm=9), "below its diameter"),
    ],
)
def test_impossible_solids_are_refused(shape: Shape, match: str) -> None:
    with pytest.raises(InputError, match=match):
        mesh_of(shape)
