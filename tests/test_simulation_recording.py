"""Whole recordings from scene files: what is written is what geomscan reads, and what is true."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from geomscan.cli.simulate import command
from geomscan.errors import InputError
from geomscan.recording.recording import RangeBlock, open_recording
from geomscan.simulation.encoder import belt_travel
from geomscan.simulation.lines import simulate_lines
from geomscan.simulation.recordings import simulate
from geomscan.simulation.scene import (
    BeltScene,
    EncoderScene,
    FatPatch,
    HeadScene,
    LaserScene,
    Piece,
    Scene,
    read_scene,
)
from geomscan.simulation.shapes import Box, Cap
from geomscan.simulation.stage import prepare
from geomscan.simulation.truth import scene_truth

HEAD = HeadScene(
    name="a", sensor_size=(256, 320), pixel_um=14.0, roi_heights_mm=(-3, 25), aim_mm=(0, 0)
)
SCENE = Scene(
    n_lines=50,
    pitch_mm=1.0,
    belt=BeltScene(width_mm=120, lanes=((-60, -1), (1, 60))),
    heads=(HEAD,),
    pieces=(
        Piece(solid=Cap(base_radius_mm=18, height_mm=15), at_mm=(25, -30)),
        Piece(
            solid=Box(size_mm=(24, 30, 20)),
            at_mm=(20, 30),
            fat=(FatPatch(at_mm=(3, -2), half_axes_mm=(6, 5)),),
        ),
    ),
)
SCENE_TOML = """
format = "geomscan.scene/1"
n_lines = 12
pitch_mm = 1.0
[belt]
width_mm = 100.0
[[heads]]
name = "a"
sensor_size = [128, 160]
pixel_um = 28.0
[[pieces]]
solid = { shape = "cap", base_radius_mm = 20.0, height_mm = 12.0 }
at_mm = [6.0, 0.0]
"""


def changed(**update: object) -> Scene:
    return SCENE.model_copy(update=update)


def test_frames_are_read_back(tmp_path: Path) -> None:
    simulate(SCENE, tmp_path / "r")
    with open_recording(tmp_path / "r") as recording:
        assert recording.n_lines == 50
        assert np.array_equal(recording.manifest.belt.lanes, [(-60, -1), (1, 60)])
        head = recording.head("a")
        assert head.black_level_grey == HEAD.black_level_grey
        _, frames = next(recording.blocks("a"))
    assert isinstance(frames, np.ndarray)
    assert len(frames) == 50
    rows = np.arange(frames.shape[1])[:, None]
    # the pedestal eats a line's faint flanks on both sides, so its middle stays
    line = simulate_lines(prepare(SCENE), 0)
    on_belt = slice(110, 140)
    seen = (rows * frames[48]).sum(axis=0)[on_belt] / frames[48].sum(axis=0)[on_belt]
    assert seen + head.roi_origin[1] == pytest.approx(line.row_px[48, on_belt], abs=0.15)


def test_a_camera_turned_by_a_quarter_sees_the_same_belt(tmp_path: Path) -> None:
    turned = HEAD.model_copy(update={"roll_deg": 90.0, "sensor_size": (320, 256)})
    simulate(changed(heads=(turned,), pieces=()), tmp_path / "turned")
    with open_recording(tmp_path / "turned") as recording:
        head = recording.head("a")
        assert not head.rows_are_height
        _, frames = next(recording.blocks("a"))
    assert isinstance(frames, np.ndarray)
    assert frames.shape[2] == 256  # turned back: the line runs along the columns
    lit = (frames[10] > 0).any(axis=0)
    assert lit.mean() == pytest.approx(120 / (256 * 0.875), abs=0.03)  # belt over field of view
    axes = head.line_axes()
    row = (np.arange(frames.shape[1])[:, None] * frames[10]).sum(axis=0) / frames[10].sum(
        axis=0
    ).clip(1)
    # aimed at the belt: its line passes the sensor's middle
    assert row[128] + axes.row0 == pytest.approx(319 / 2, abs=0.3)


def test_range_and_height_payloads_state_the_same_lines(tmp_path: Path) -> None:
    scene = changed(payload="range", row_noise_px=0.0)
    simulate(scene, tmp_path / "range")
    with open_recording(tmp_path / "range") as recording:
        _, block = next(recording.blocks("a"))
        counts = recording.head("a").counts_per_row
    assert isinstance(block, RangeBlock)
    truth = simulate_lines(prepare(scene), 0)
    assert counts == 128  # 319 rows · 128 still fit into 16 bits
    assert np.array_equal(np.isnan(block.row_px), np.isnan(truth.row_px))
    assert block.row_px == pytest.approx(truth.row_px, abs=0.5 / 128 + 1e-6, nan_ok=True)
    simulate(changed(payload="height", height_noise_mm=0.0), tmp_path / "height")
    with open_recording(tmp_path / "height") as recording:
        _, heights = next(recording.blocks("a"))
        head = recording.head("a")
    assert head.y_start_mm == -60
    assert np.nanmax(heights.height_mm) == pytest.approx(20.0, abs=1e-3)  # type: ignore[union-attr]


def test_truth_stands_beside_the_recording(tmp_path: Path) -> None:
    simulate(SCENE, tmp_path / "r")
    truth = json.loads((tmp_path / "r" / "truth.json").read_text())
    cap, box = truth["pieces"]
    assert (cap["name"], box["name"]) == ("cap", "box")  # by leading edge: 7 before 8
    assert cap["x0_belt_mm"] == pytest.approx(7.0, abs=1e-3)
    assert box["x0_belt_mm"] == pytest.approx(8.0)
    assert box["volume_cm3"] == pytest.approx(14.4)
    assert cap["volume_closed_form_cm3"] == pytest.approx(np.pi * 15 * (3 * 324 + 225) / 6000)
    assert box["fat_area_fraction"] == pytest.approx(np.pi * 30 / 720, abs=0.004)
    assert cap["fat_area_fraction"] == 0
    for angle in (0, 15, 30, 45, -15, -30, -45):
        running = box[f"cum_{angle}"]
        s, cm3 = np.array(running["s_mm"]), np.array(running["cm3"])
        assert cm3[0] == pytest.approx(0, abs=1e-9)
        assert cm3[-1] == pytest.approx(14.4)
        middle = (s[0] + s[-1]) / 2
        assert np.interp(middle, s, cm3) == pytest.approx(7.2)  # a box is its own mirror image
    assert truth["scene"]["pieces"][0]["solid"]["base_radius_mm"] == 18


def test_the_same_scene_gives_the_same_bytes_on_any_number_of_threads(tmp_path: Path) -> None:
    scene = changed(heads=(HEAD.model_copy(update={"speckle_contrast": 0.5}),))
    for threads in (1, 3):
        simulate(scene, tmp_path / str(threads), n_threads=threads)
    one, three = (tmp_path / name / "head-a.tif" for name in ("1", "3"))
    assert one.read_bytes() == three.read_bytes()
    simulate(scene.model_copy(update={"seed": 2}), tmp_path / "other")
    assert (tmp_path / "other" / "head-a.tif").read_bytes() != one.read_bytes()


def test_encoder_events() -> None:
    """A roll-over, a stop, a step back and lost lines, each as the scene says."""
    encoder = EncoderScene(
        mm_per_count=0.05,
        start=65_000,
        wrap_bits=16,
        stop_at_line=20,
        stop_lines=5,
        back_at_line=40,
        back_mm=5.0,
        dropped=(3, 7),
    )
    travel = belt_travel(changed(encoder=encoder, n_lines=80))
    assert travel.encoder.max() < 65536
    assert np.array_equal(travel.encoder, travel.count % 65536)
    assert np.diff(travel.travel_mm)[20:25] == pytest.approx(0)
    assert travel.travel_mm[40] - travel.travel_mm[45] == pytest.approx(5.0)
    assert np.flatnonzero(travel.dropped).tolist() == [3, 7]
    assert [event.split(":")[0] for event in travel.events] == [
        "stop",
        "back",
        "roll-over",
        "dropped",
    ]
    assert travel.travel_mm[19] == pytest.approx(19.0)


def test_counts_may_fall_in_forward_running(tmp_path: Path) -> None:
    scene = changed(encoder=EncoderScene(mm_per_count=-0.05), n_lines=10)
    simulate(scene, tmp_path / "r")
    with open_recording(tmp_path / "r") as recording:
        assert recording.manifest.belt.nominal_mm_per_count == -0.05
        assert np.all(np.diff(recording.lines.count) < 0)
    assert belt_travel(scene).travel_mm[9] == pytest.approx(9.0)


def test_dropped_lines_have_no_frame(tmp_path: Path) -> None:
    scene = changed(encoder=EncoderScene(dropped=(4, 5)), n_lines=20)
    simulate(scene, tmp_path / "r")
    with open_recording(tmp_path / "r") as recording:
        assert recording.n_lines == 18


def test_laser_power_drift_dims_the_line() -> None:
    scene = changed(lasers={"main": LaserScene(power_drift=-0.3)}, pieces=())
    light = simulate_lines(prepare(scene), 0).reflectance
    assert np.nanmedian(light[-1]) / np.nanmedian(light[0]) == pytest.approx(0.7, rel=1e-3)


def test_plan_area_and_centroid() -> None:
    cap, box = scene_truth(prepare(SCENE))
    assert cap.area_cm2 == pytest.approx(np.pi * 3.24, rel=2e-3)
    assert (box.x_centroid_mm, box.y_centroid_mm) == pytest.approx((20, 30))
    assert box.area_cm2 == pytest.approx(7.2)


def test_command_writes_a_recording(tmp_path: Path) -> None:
    scene = tmp_path / "scene.toml"
    scene.write_text(SCENE_TOML)
    result = CliRunner().invoke(command, [str(scene), "--out", str(tmp_path / "r"), "--json"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["n_lines"] == 12
    assert open_recording(tmp_path / "r").n_lines == 12
    again = CliRunner().invoke(command, [str(scene), "--out", str(tmp_path / "r")])
    assert again.exit_code == 2
    assert "already exists" in again.output


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ("n_lines = 12", "n_lines = 0", "n_lines"),
        ("n_lines = 12", "n_lines = 12\ncolour = 3", "colour: unknown key"),
        ('shape = "cap"', 'shape = "cube"', "solid"),
        ("base_radius_mm = 20.0", "base_radius_mm = -1.0", "base_radius_mm"),
        ('name = "a"', 'name = "a"\nlaser = "red"', "no laser 'red'"),
        ("scene/1", "scene/9", "newer"),
        ("pixel_um = 28.0", "pixel_um = 28.0\naim_mm = [0.0, 9000.0]", "outside its image"),
    ],
)
def test_broken_scenes_are_one_line_and_exit_2(
    tmp_path: Path, old: str, new: str, match: str
) -> None:
    path = tmp_path / "scene.toml"
    path.write_text(SCENE_TOML.replace(old, new))
    result = CliRunner().invoke(command, [str(path), "--out", str(tmp_path / "r")])
    assert result.exit_code == 2
    assert match in result.output
    assert result.output.strip().count("\n") == 0
    assert not (tmp_path / "r").exists()


def test_block_file_that_is_absent(tmp_path: Path) -> None:
    path = tmp_path / "scene.toml"
    path.write_text(SCENE_TOML + '[[blocks]]\nfile = "none.toml"\nx_mm = 1.0\nacross_mm = 0.0\n')
    with pytest.raises(InputError, match=r"none\.toml"):
        simulate(read_scene(path), tmp_path / "r", files=tmp_path)
