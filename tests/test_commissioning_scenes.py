"""Whole calibrations of simulated scanners: five passes of frames to a second block, by command.

Reference everywhere: the scene that the recordings were made from. Heights within 0.010 mm (0.020
with speckle that moves rows), widths and length within 0.06 mm, tilt and skew within 0.03°.
"""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from geomscan.cli.calibrate import command as calibrate
from geomscan.cli.verify import command as verify
from geomscan.simulation.recordings import simulate
from geomscan.simulation.scene import (
    BlockScene,
    EncoderScene,
    HeadScene,
    LaserScene,
    Piece,
    Scene,
)
from geomscan.simulation.shapes import Cap

pytestmark = pytest.mark.slow

STAIRS = [(0, 0), (0, 10), (24, 10), (24, 20), (48, 20), (48, 30), (72, 30), (72, 40), (96, 40),
          (96, 50), (120, 50), (120, 0)]  # fmt: skip
SECOND = [(0, 0), (0, 15), (40, 15), (40, 35), (80, 35), (80, 25), (120, 25), (120, 0)]
RIDGES = [(0, 0), (20, 20), (40, 5), (70, 45), (100, 10), (120, 0)]
STEP = [(0, 0), (0, 40), (80, 40), (80, 20), (120, 20), (120, 0)]

#: y of the left foot, turned end for end, yaw
LIES = [(-186.0, False, 1.6), (64.0, True, -2.4), (-62.0, False, 0.7), (-3.0, True, 4.6),
        (-122.0, False, -3.1)]  # fmt: skip
COUNT_MM = 0.0514


def block_file(path: Path, points: list[tuple[int, int]], length_mm: float) -> None:
    listed = [[float(a), float(h)] for a, h in points]
    path.write_text(
        f'format = "geomscan.block/1"\nname = "{path.stem}"\nlength_mm = {length_mm}\n'
        f"u_length_mm = 0.005\npoints = {listed}\nu_across_mm = 0.005\nu_height_mm = 0.003\n"
        "u_common_height_mm = 0.002\n"
    )


class Bench:
    """One scanner of its own, that scans blocks one by one."""

    def __init__(self, folder: Path, **changes: Any) -> None:
        self.folder = folder
        self.lies = LIES
        self.points = changes.pop("points", STAIRS)
        block_file(folder / "cert.toml", self.points, 80.0)
        block_file(folder / "second.toml", SECOND, 100.0)
        if changes.pop("one_way", False):
            self.lies = [(y, False, yaw) for y, _, yaw in LIES]
        turned = changes.pop("turned", False)
        common: dict[str, Any] = {"white_peak_grey": 300.0} | changes.pop("head", {})
        heads = []
        for name, angle, roll in (("a", 38.0, 0.6), ("b", -35.0, 179.4)):
            heads.append(
                HeadScene(
                    name=name,
                    laser=name if "other_laser" in changes else "main",
                    angle_deg=angle,
                    distance_mm=1050.0,
                    across_mm=9.0,
                    roll_deg=roll + 90.0 * turned,
                    distortion=(-0.08, 0.03, 4e-4, -3e-4),
                    sensor_size=(1024, 1280) if turned else (1280, 1024),
                    **common,
                )
            )
        self.heads = tuple(heads[: changes.pop("n_heads", 2)])
        laser: dict[str, Any] = {"tilt_deg": 0.9, "skew_deg": -0.7} | changes.pop("laser", {})
        self.lasers = {"main": LaserScene(**laser)}
        if "other_laser" in changes:
            other = laser | changes.pop("other_laser")
            self.lasers = {"a": LaserScene(**laser), "b": LaserScene(**other)}
        self.count_mm = COUNT_MM * changes.pop("sign", 1)
        self.encoder: dict[str, Any] = changes.pop("encoder", {})
        assert not changes

    def scan(self, name: str, *, seed: int, **what: Any) -> Path:
        scene = Scene(
            seed=seed,
            n_lines=what.pop("n_lines", 400),
            temperature_c=20.0,
            exposure_us=500.0,
            encoder=EncoderScene(
                mm_per_count=self.count_mm,
                nominal_mm_per_count=float(np.copysign(0.05, self.count_mm)),
                **self.encoder,
            ),
            lasers=self.lasers,
            heads=self.heads,
            **what,
        )
        return simulate(scene, self.folder / name, files=self.folder, n_threads=1)

    def passes(self) -> list[str]:
        lead = 50.0 + max(laser.at_mm for laser in self.lasers.values())
        out = []
        for i, (left, turned, yaw) in enumerate(self.lies):
            y = left + 120.0 if turned else left
            block = BlockScene(
                file="cert.toml", x_mm=lead, across_mm=y, reversed=turned, yaw_deg=yaw
            )
            n_lines = int((lead + 80.0 + 70.0) / 0.6)
            out.append(str(self.scan(f"pass-{i}", seed=10 + i, blocks=(block,), n_lines=n_lines)))
        return out

    def check(self) -> str:
        lead = 50.0 + max(laser.at_mm for laser in self.lasers.values())
        block = BlockScene(file="second.toml", x_mm=lead, across_mm=-35.0, yaw_deg=2.2)
        return str(self.scan("check", seed=50, blocks=(block,), n_lines=int((lead + 170.0) / 0.6)))


def run(command: Any, arguments: list[str], *, status: int = 0) -> dict[str, Any]:
    done = CliRunner().invoke(command, [*arguments, "--json"])
    assert done.exit_code == status, done.output
    found: dict[str, Any] = json.loads(done.stdout)
    return found


CASES: dict[str, dict[str, Any]] = {
    "plain": {},
    "two lasers": {"other_laser": {"at_mm": 60.0, "tilt_deg": -0.4, "skew_deg": 0.5}},
    "cameras turned by 90°": {"turned": True},
    "12 bit": {
        "head": {
            "bit_depth": 12, "white_peak_grey": 4800.0, "electrons_per_grey": 5.0,
            "read_noise_grey": 3.0, "black_level_grey": 40.0, "tell_noise": False,
        }
    },
    "speckle moves rows": {"head": {"speckle_contrast": 0.3}},
    "ridges": {"points": RIDGES},
    "one step": {"points": STEP},
    "one head": {"n_heads": 1},
    "all one way": {"one_way": True},
    "counts fall, roll over, lines lost": {
        "sign": -1, "encoder": {"wrap_bits": 16, "start": 2000, "dropped_share": 0.03},
    },
    "power drifts": {"laser": {"power_drift": 0.3, "falloff": 0.4}},
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_from_frames_to_a_second_block(case: str, tmp_path: Path) -> None:
    bench = Bench(tmp_path, **CASES[case])
    out = str(tmp_path / "scanner.json")
    made = run(calibrate, [*bench.passes(), "--block", str(tmp_path / "cert.toml"), "--out", out])
    found = run(
        verify, [bench.check(), "--calibration", out, "--block", str(tmp_path / "second.toml")]
    )
    most = 0.15 if case == "all one way" else 0.03
    for head in bench.heads:
        laser, own = bench.lasers[head.laser], made["heads"][head.name]
        assert abs(own["tilt_deg"] - laser.tilt_deg) < most
        assert abs(own["skew_deg"] - laser.skew_deg) < most
        assert abs(own["tilt_deg"] - laser.tilt_deg) < 3 * own["u_tilt_deg"]
        assert own["row_rms_px"] <= 1.2 * own["row_noise_px"]
    assert abs(made["mm_per_count"] / bench.count_mm - 1) < 2e-4
    speckle = 0.020 if "speckle" in case else 0.010
    assert max(abs(step["error_mm"]) for step in found["steps"]) < speckle
    assert max(abs(width["error_mm"]) for width in found["widths"]) < 0.06
    assert abs(found["length_mm"] - found["certified_length_mm"]) < 0.06


def test_a_thick_sheet_is_told_in_u(tmp_path: Path) -> None:
    """A sheet of 0.4 mm (standard deviation): where it is cut by an end, u of the belt says so."""
    bench = Bench(tmp_path, laser={"layers": 7, "thickness_mm": 0.4})
    out = str(tmp_path / "scanner.json")
    made = run(calibrate, [*bench.passes(), "--block", str(tmp_path / "cert.toml"), "--out", out])
    assert abs(made["mm_per_count"] - bench.count_mm) < 2 * made["u_mm_per_count"]


def test_as_found_as_left_and_a_ball(tmp_path: Path) -> None:
    """A camera is knocked by 0.3° between two calibrations; the new one then probes a ball.

    Reference: the knocked camera's scene; a cap of radius 50 mm.
    """
    bench = Bench(tmp_path)
    old, new = str(tmp_path / "old.json"), str(tmp_path / "new.json")
    block = ["--block", str(tmp_path / "cert.toml")]
    run(calibrate, [*bench.passes(), *block, "--out", old])
    for i in range(5):
        (tmp_path / f"pass-{i}").rename(tmp_path / f"old-{i}")
    first, second = bench.heads
    bench.heads = (first.model_copy(update={"angle_deg": first.angle_deg + 0.3}), second)
    run(calibrate, [*bench.passes(), *block, "--out", new, "--previous", old])
    page = Path(new).with_suffix(".html").read_text()
    assert "As found, as left" in page
    assert "As found, 5" in page or "checks were not met" in page

    cap = Piece(solid=Cap(base_radius_mm=40.0, height_mm=20.0), at_mm=(100.0, 20.0))
    ball = tmp_path / "ball.toml"
    ball.write_text(
        'format = "geomscan.block/1"\nname = "ball"\n[shape]\nkind = "sphere"\nradius_mm = 50.0\n'
        "u_radius_mm = 0.002\nheight_mm = 20.0\n"
    )
    scan = str(bench.scan("ball", seed=60, pieces=(cap,), n_lines=340))
    shown = tmp_path / "ball.html"
    arguments = [scan, "--calibration", new, "--block", str(ball), "--page", str(shown)]
    found = run(verify, arguments)
    assert [p["head"] for p in found["probing"]] == ["a", "b", "all"]
    for p in found["probing"]:
        assert abs(p["size_error_mm"]) < 0.03
        assert 0.02 < p["form95_mm"] < p["form_mm"] < 0.4  # single points of single lines
    assert "Probing errors" in shown.read_text()
    run(verify, [*arguments, "--max-probing-error-mm", "0.001"], status=1)
