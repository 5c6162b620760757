"""Light and sight against hand-derived intersections and independent libraries."""

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
import trimesh

from geomscan.errors import InputError
from geomscan.simulation.camera import camera_of, project_points
from geomscan.simulation.lines import simulate_lines
from geomscan.simulation.scene import (
    BeltScene,
    BlockScene,
    FatPatch,
    HeadScene,
    LaserScene,
    Piece,
    Relief,
    Scene,
)
from geomscan.simulation.shapes import Ball, Box, Ellipsoid, Fillet, MeshFile, Paraboloid
from geomscan.simulation.sheet import Pose, lit_points
from geomscan.simulation.sight import is_seen
from geomscan.simulation.stage import prepare
from geomscan.simulation.truth import scene_truth
from geomscan.simulation.view import seen_stretches

PLAIN = HeadScene(
    name="a", angle_deg=38, distance_mm=1000, aim_mm=(0, 0), sensor_size=(640, 512), pixel_um=11.0
)


def hand_row(x: float, z: float, *, angle_deg: float = 38, distance: float = 1000) -> float:
    """Row of a point above the belt's middle, by similar triangles in the x-z plane."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    up, depth = z * s - x * c, distance - (x * s + z * c)
    return 511 / 2 - 16 / 0.011 * up / depth


def test_rows_of_a_box_top_and_belt() -> None:
    """Reference: similar triangles by hand; the sheet leans by 2° and so lights x = z tan 2°."""
    scene = Scene(
        n_lines=40,
        pitch_mm=1.0,
        lasers={"main": LaserScene(tilt_deg=2.0)},
        heads=(PLAIN,),
        pieces=(Piece(solid=Box(size_mm=(20, 60, 25)), at_mm=(20, 0)),),
    )
    lines = simulate_lines(prepare(scene), 0)
    middle = (lines.row_px[:, 319] + lines.row_px[:, 320]) / 2  # y = 0 lies between the columns
    lean = math.tan(math.radians(2.0))
    assert middle[20] == pytest.approx(hand_row(25 * lean, 25), abs=2e-4)
    assert middle[35] == pytest.approx(hand_row(0, 0), abs=2e-4)
    # the top is lit where 10 <= e + 25 tan 2° <= 30: lines 10 to 29; before it the camera, which
    # stands upstream, sees no belt nearer to the box than 25 tan 38° = 19.5 mm, less the front face
    lit_top = np.flatnonzero(np.abs(middle - hand_row(25 * lean, 25)) < 0.1)
    assert (lit_top[0], lit_top[-1]) == (10, 29)
    assert np.isnan(middle[1:9]).all()


def test_every_row_is_a_ray_that_meets_the_sheet_there() -> None:
    """Reference: camera ray through (column, row) cut with the sheet's plane, by linear algebra."""
    head = PLAIN.model_copy(update={"roll_deg": 7.0, "across_mm": 30.0})
    laser = LaserScene(tilt_deg=1.5, skew_deg=-2.0)
    scene = Scene(
        n_lines=30,
        pitch_mm=1.0,
        lasers={"main": laser},
        heads=(head,),
        pieces=(Piece(solid=Box(size_mm=(200, 60, 25)), at_mm=(20, -30)),),
    )
    lines = simulate_lines(prepare(scene), 0)
    camera = camera_of(head, laser)
    columns = np.arange(640)
    rows = lines.row_px[12]
    ray = (
        np.array(camera.ahead)
        + ((columns - camera.column0) / camera.focal_px)[:, None] * np.array(camera.right)
        + ((rows - camera.row0) / camera.focal_px)[:, None] * np.array(camera.down)
    )
    centre = np.array([camera.x_mm, camera.y_mm, camera.z_mm])
    plane = np.array([1.0, -math.tan(math.radians(-2.0)), -math.tan(math.radians(1.5))])
    share = -(plane @ centre) / (ray @ plane)
    point = centre + share[:, None] * ray
    on_top = (point[:, 1] > -59.5) & (point[:, 1] < -0.5)
    far = np.abs(point[:, 1]) > 65
    assert point[on_top, 2] == pytest.approx(25.0, abs=2e-4)
    assert point[far & np.isfinite(rows), 2] == pytest.approx(0.0, abs=2e-4)
    assert on_top.sum() > 80


def test_lens_distortion_is_that_of_opencv() -> None:
    """Reference: OpenCV's projectPoints, an independent library."""
    head = PLAIN.model_copy(update={"distortion": (-0.2, 0.05, 0.002, -0.003), "roll_deg": 20.0})
    camera = camera_of(head, LaserScene())
    points = np.random.default_rng(3).uniform([-5, -180, 0], [5, 180, 60], (50, 3))
    turn = np.array([camera.right, camera.down, camera.ahead])
    centre = np.array([camera.x_mm, camera.y_mm, camera.z_mm])
    matrix = np.array(
        [[camera.focal_px, 0, camera.column0], [0, camera.focal_px, camera.row0], [0, 0, 1]]
    )
    expected, _ = cv2.projectPoints(
        points, cv2.Rodrigues(turn)[0], -turn @ centre, matrix, np.array(head.distortion)
    )
    assert project_points(camera, points) == pytest.approx(expected.reshape(-1, 2), abs=1e-8)


def heights(scene: Scene, line: int) -> tuple[np.ndarray, np.ndarray]:
    """Heights over y of one line, through the height payload."""
    stage = prepare(scene)
    z = simulate_lines(stage, 0).row_px[line]
    return -200 + scene.height_grid_mm * np.arange(len(z)), z


def test_the_fan_throws_its_shadow_behind_an_outer_wall() -> None:
    """Reference: similar triangles: 25 mm high, 110 mm off a source 900 mm high: 3.142857 mm."""
    scene = Scene(
        n_lines=60,
        pitch_mm=1.0,
        payload="height",
        height_grid_mm=0.02,
        heads=(PLAIN.model_copy(update={"angle_deg": 5.0}),),
        pieces=(Piece(solid=Box(size_mm=(40, 60, 25)), at_mm=(30, 80)),),
        lasers={"main": LaserScene(source_mm=(0.0, 900.0))},
    )
    y, z = heights(scene, 30)
    gap = y[np.isnan(z) & (y > 60) & (y < 199)]
    assert gap[0] == pytest.approx(110, abs=0.03)
    assert gap[-1] == pytest.approx(110 + 110 * 25 / 875, abs=0.03)
    assert z[(y > 50.05) & (y < 109.95)] == pytest.approx(25, abs=1e-4)
    assert z[y < 49.9] == pytest.approx(0, abs=1e-4)


def test_an_overhang_hides_what_lies_below_it() -> None:
    """Reference: tangent from the source to a circle of 30 mm, its middle 10 mm above the belt."""
    scene = Scene(
        n_lines=81,
        pitch_mm=1.0,
        facet_mm=0.5,
        payload="height",
        height_grid_mm=0.05,
        heads=(PLAIN.model_copy(update={"angle_deg": 5.0}),),
        pieces=(Piece(solid=Ball(radius_mm=30, cut_mm=10), at_mm=(40, 0)),),
        lasers={"main": LaserScene(source_mm=(0.0, 900.0))},
    )
    y, z = heights(scene, 40)
    # the ray that touches the circle leaves the source at asin(30 / 890) and meets the belt at:
    edge = 900 * math.tan(math.asin(30 / 890))
    belt = y[np.abs(z) < 1e-6]
    assert belt[belt > 0].min() == pytest.approx(edge, abs=0.1)
    assert belt[belt < 0].max() == pytest.approx(-edge, abs=0.1)
    assert np.nanmax(z) == pytest.approx(40, abs=0.01)
    assert np.nanmin(z[np.abs(y) < 29.5]) > 10  # nothing below the widest place is lit


def test_sight_agrees_with_ray_casting() -> None:
    """Reference: trimesh's ray test, an independent library, on points of two close pieces."""
    scene = Scene(
        n_lines=200,
        pitch_mm=1.0,
        facet_mm=3.0,
        heads=(PLAIN.model_copy(update={"angle_deg": 48.0}),),
        pieces=(
            Piece(solid=Ellipsoid(half_axes_mm=(40, 35), height_mm=38), at_mm=(60, -20)),
            Piece(solid=Fillet(half_axes_mm=(45, 30), height_mm=30), at_mm=(110, 35), yaw_deg=30),
        ),
    )
    stage = prepare(scene)
    setup = stage.heads[0]
    whole = trimesh.Trimesh(stage.surface.vertex_mm, stage.surface.triangle, process=False)
    seen, hidden = 0, 0
    for line in range(15, 165, 10):
        pose = Pose(float(stage.travel.travel_mm[line]), 0.0, 0.0)
        _, point, hit, _ = lit_points(pose, stage.surface, setup.buckets, setup.fan)
        chosen = np.flatnonzero(hit >= -1)[::5]
        eye = np.array([pose.e_mm + setup.camera.x_mm, setup.camera.y_mm, setup.camera.z_mm])
        normal = np.where(hit[chosen, None] >= 0, stage.surface.normal[hit[chosen]], [0, 0, 1])
        start = point[chosen] + 1e-3 * normal
        blocked = whole.ray.intersects_any(start, eye - start)
        away = np.einsum("ij,ij->i", normal, eye - point[chosen]) <= 0
        ours = [
            is_seen(
                stage.surface, setup.cells, int(hit[k]), *map(float, point[k]), *map(float, eye)
            )
            for k in chosen
        ]
        assert np.array_equal(ours, ~(blocked | away))
        seen, hidden = seen + sum(ours), hidden + len(ours) - sum(ours)
    assert seen > 300
    assert hidden > 60


def test_a_belt_that_lifts_takes_everything_with_it() -> None:
    belt = BeltScene(lift_mm=0.5, lift_period_mm=40.0)
    scene = Scene(n_lines=31, pitch_mm=1.0, belt=belt, heads=(PLAIN,))
    middle = simulate_lines(prepare(scene), 0).row_px[:, 319:321].mean(axis=1)
    assert middle[10] == pytest.approx(hand_row(0, 0.5), abs=2e-4)
    assert middle[30] == pytest.approx(hand_row(0, -0.5), abs=2e-4)


def test_relief_lowers_the_belt_between_its_high_parts() -> None:
    belt = BeltScene(relief=Relief(depth_mm=2.0, period_x_mm=20.0, period_y_mm=25.0))
    scene = Scene(n_lines=21, pitch_mm=1.0, payload="height", belt=belt, heads=(PLAIN,))
    z = simulate_lines(prepare(scene), 0).row_px
    assert np.nanmax(z) == pytest.approx(0.0, abs=1e-6)
    assert z[10, np.isfinite(z[10])] == pytest.approx(-2.0, abs=1e-3)  # the gap between modules


def test_block_pass_lies_where_the_scene_says(tmp_path: Path) -> None:
    """Reference: the block's own points; reversed, its first point lies on the right."""
    (tmp_path / "block.toml").write_text(
        'format = "geomscan.block/1"\nname = "b"\nlength_mm = 50.0\nu_length_mm = 0.0\n'
        "u_across_mm = 0.0\nu_height_mm = 0.0\n"
        "points = [[0, 0], [0, 10], [20, 10], [20, 30], [50, 30], [50, 0]]\n"
    )
    for turned, low, high in ((False, 15.0, 35.0), (True, 5.0, -15.0)):
        block = BlockScene(
            file="block.toml", x_mm=20.0, across_mm=5.0, reversed=turned, height_error_mm=0.25
        )
        scene = Scene(
            n_lines=100,
            pitch_mm=1.0,
            payload="height",
            heads=(PLAIN.model_copy(update={"angle_deg": 5.0}),),
            blocks=(block,),
        )
        stage = prepare(scene, folder=tmp_path)
        z = simulate_lines(stage, 0).row_px
        y = -200 + scene.height_grid_mm * np.arange(z.shape[1])
        at = {side: int(np.argmin(np.abs(y - side))) for side in (low, high)}
        assert z[45, at[low]] == pytest.approx(10.25, abs=1e-3)
        assert z[45, at[high]] == pytest.approx(30.25, abs=1e-3)
        lit = np.flatnonzero(z[:, at[high]] > 30)
        assert (lit[0], lit[-1]) == (20, 69)


def test_fat_patches_lie_in_the_pieces_own_plan() -> None:
    piece = Piece(
        solid=Box(size_mm=(60, 40, 20)),
        at_mm=(40, 0),
        yaw_deg=90,
        reflectance=0.2,
        fat=(FatPatch(at_mm=(20, 0), half_axes_mm=(6, 3), brightness=2.0),),
    )
    # 20 mm along the piece, turned by 90° from x towards y, is 20 mm across the belt
    scene = Scene(n_lines=60, pitch_mm=1.0, payload="height", heads=(PLAIN,), pieces=(piece,))
    light = simulate_lines(prepare(scene), 0).reflectance[40]
    y = -200 + scene.height_grid_mm * np.arange(len(light))
    near, inside = light[np.abs(y - 10) < 1].mean(), light[np.abs(y - 20) < 4].mean()
    assert inside / near == pytest.approx(2.0, rel=0.02)


def test_turned_and_upside_down_cameras_see_the_same_line() -> None:
    """A roll turns the image about the sensor's middle: rows and columns change their names."""
    piece = Piece(solid=Ellipsoid(half_axes_mm=(30, 40), height_mm=25), at_mm=(30, 20))
    scene = Scene(n_lines=31, pitch_mm=1.0, heads=(PLAIN,), pieces=(piece,))

    def line(**update: object) -> np.ndarray:
        head = PLAIN.model_copy(update=update)
        stage = prepare(scene.model_copy(update={"heads": (head,)}))
        return np.asarray(simulate_lines(stage, 0).row_px[30], dtype=np.float64)

    upright = line()
    upside_down = line(roll_deg=180.0)
    assert upside_down[::-1] == pytest.approx(511 - upright, abs=1e-3, nan_ok=True)
    for roll in (90.0, -90.0):
        turned = line(roll_deg=roll, sensor_size=(512, 640))
        candidates = [a for b in (turned, turned[::-1]) for a in (b, 511 - b)]
        apart = [np.nanmax(np.abs(c - upright)) for c in candidates]
        assert min(apart) < 2e-3
        assert sorted(apart)[1] > 1  # one way only


def test_two_lasers_have_sheets_of_their_own() -> None:
    lasers = {"main": LaserScene(), "second": LaserScene(at_mm=15.0)}
    heads = tuple(
        PLAIN.model_copy(update={"name": name, "laser": laser, "angle_deg": 5.0})
        for name, laser in (("a", "main"), ("b", "second"))
    )
    piece = Piece(solid=Box(size_mm=(10, 60, 25)), at_mm=(30, 0))
    stage = prepare(Scene(n_lines=45, pitch_mm=1.0, lasers=lasers, heads=heads, pieces=(piece,)))
    for head, first in ((0, 25), (1, 10)):
        row = simulate_lines(stage, head).row_px[:, 310:330].mean(axis=1)
        high = np.flatnonzero(np.abs(row - np.nanmedian(row[:5])) > 1)
        assert (high[0], high[-1]) == (first, first + 9)


def test_a_rocking_belt_tilts_across() -> None:
    """Reference: z = y·tan(roll); a tenth of a degree is 0.175 mm at 100 mm."""
    belt = BeltScene(lift_roll_deg=0.1, lift_period_mm=2 * math.pi * 10)
    scene = Scene(n_lines=11, pitch_mm=1.0, payload="height", belt=belt, heads=(PLAIN,))
    z = simulate_lines(prepare(scene), 0).row_px[10]  # sin(10/10 + 1)
    y = -200 + scene.height_grid_mm * np.arange(len(z))
    expected = y * math.tan(math.radians(0.1)) * math.sin(2.0)
    assert z[2:-2] == pytest.approx(expected[2:-2], abs=1e-4)


def test_a_mesh_from_a_file_is_a_solid_like_others(tmp_path: Path) -> None:
    """Reference: trimesh's own volume of its capsule, laid flat."""
    capsule = trimesh.creation.capsule(height=60, radius=15, count=[24, 24])
    capsule.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0]))
    capsule.export(tmp_path / "capsule.stl")
    piece = Piece(solid=MeshFile(file="capsule.stl"), at_mm=(60, 10))
    scene = Scene(n_lines=5, pitch_mm=1.0, heads=(PLAIN,), pieces=(piece,))
    (truth,) = scene_truth(prepare(scene, folder=tmp_path))
    assert truth.volume_cm3 == pytest.approx(capsule.volume / 1000, rel=1e-6)
    assert (truth.x0_mm, truth.length_mm) == pytest.approx((15, 90), abs=0.2)
    open_box = trimesh.creation.box((10, 10, 10))
    open_box.update_faces(np.arange(12) > 1)
    open_box.export(tmp_path / "open.stl")
    broken = scene.model_copy(
        update={"pieces": (Piece(solid=MeshFile(file="open.stl"), at_mm=(0, 0)),)}
    )
    with pytest.raises(InputError, match="watertight"):
        prepare(broken, folder=tmp_path)
    (tmp_path / "text.stl").write_text("no mesh")
    with pytest.raises(InputError, match=r"text\.stl"):
        prepare(
            scene.model_copy(
                update={"pieces": (Piece(solid=MeshFile(file="text.stl"), at_mm=(0, 0)),)}
            ),
            folder=tmp_path,
        )


def test_heights_of_all_lines_integrate_to_the_volume() -> None:
    """Reference: pi·a·b·H/2; a leaning, skewed sheet samples (x, y) evenly all the same.

    With x = e + z·tan(tilt) + y·tan(skew) the area element is de·dy·(1 + tan(tilt)·dz/de), and
    the second term integrates z·dz/de over a closed piece, which is zero.
    """
    scene = Scene(
        n_lines=460,
        pitch_mm=0.25,
        payload="height",
        height_grid_mm=0.25,
        facet_mm=0.7,
        lasers={"main": LaserScene(tilt_deg=3.0, skew_deg=-2.0)},
        heads=(PLAIN.model_copy(update={"angle_deg": 10.0}),),
        pieces=(Piece(solid=Paraboloid(half_axes_mm=(50, 40), height_mm=16), at_mm=(56, 15)),),
    )
    z = simulate_lines(prepare(scene), 0).row_px.astype(np.float64)
    lit = z[:, (np.arange(z.shape[1]) * 0.25 > 165) & (np.arange(z.shape[1]) * 0.25 < 265)]
    assert np.isfinite(lit).all()  # gentle flanks: no shadow of either kind
    assert lit.sum() * 0.25 * 0.25 == pytest.approx(np.pi * 50 * 40 * 16 / 2, rel=2e-4)


@pytest.mark.parametrize("source_y", [-60.0, 0.0, 60.0])
def test_a_tread_ends_where_its_edges_are_seen(source_y: float) -> None:
    """Reference: the corners of the box, projected; whether the light reaches its walls or not."""
    box = Piece(solid=Box(size_mm=(60, 40, 20)), at_mm=(20, 10), yaw_deg=3.0)
    laser = LaserScene(source_mm=(source_y, 900.0))
    scene = Scene(n_lines=31, pitch_mm=1.0, lasers={"main": laser}, heads=(PLAIN,), pieces=(box,))
    stage = prepare(scene)
    setup = stage.heads[0]
    e = 20.0
    pose = Pose(e, 0.0, 0.0)
    lit = lit_points(pose, stage.surface, setup.buckets, setup.fan)
    stretch = seen_stretches(
        pose,
        *lit,
        stage.surface,
        setup.cells,
        setup.may_be_hidden,
        setup.coarse,
        stage.looks,
        setup.fan,
        setup.camera,
        setup.optics,
        setup.thickness_mm,
    )
    # where the line crosses the long edges of the top, 20 mm either side of (20, 10), turned by 3°
    for side in (-20.0, 20.0):
        y = 10 + side / math.cos(math.radians(3.0))
        column, row = project_points(setup.camera, [(0.0, y, 20.0)])[0]
        near = np.abs(stretch[:, [1, 3]] - row) < 0.05
        ends = stretch[:, [0, 2]][near]
        nearest = ends[np.argmin(np.abs(ends - column))]
        assert nearest == pytest.approx(column, abs=2e-3)
        # nothing of the top beyond its edge
        top = ends[np.abs(ends - column) < 30]
        beyond = (top - column) * (1 if side > 0 else -1)
        assert beyond.max() < 2e-3
