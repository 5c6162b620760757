"""The check after the cut from simulated frames: a piece, then its portions behind the blade."""

import json
from itertools import pairwise
from pathlib import Path

import pytest

from geomscan.cli import main

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_images"
ANGLE_DEG = 30.0
SOLID = (
    'solid = { shape = "fillet", half_axes_mm = [90.0, 42.0], height_mm = 24.0, fullness = 0.85, '
    "taper = 0.1, waves = [[2, 0.04, 20.0], [3, 0.05, 110.0]] }"
)
AT_MM = 150.0


def call(*arguments: object) -> None:
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    assert not left.value.code


def record_and_measure(folder: Path, name: str, pieces: list[str], n_lines: int) -> Path:
    """Simulate pieces under the sample's scanner and measure them with its calibration."""
    scene = (SAMPLES / "pieces.toml").read_text(encoding="utf-8")
    head = scene[: scene.index("[[pieces]]")].replace("n_lines = 600", f"n_lines = {n_lines}")
    head = "\n".join(line for line in head.splitlines() if not line.startswith("lanes ="))
    (folder / f"{name}.toml").write_text(head + "\n" + "\n".join(pieces), encoding="utf-8")
    call("simulate", folder / f"{name}.toml", "--out", folder / name)
    out = folder / f"{name}-out"
    call(
        "measure", folder / name, "--calibration", folder / "scanner.json", "--out", out,
        "--settings", SAMPLES / "settings.toml", "--angle", ANGLE_DEG,
    )  # fmt: skip
    return out


@pytest.mark.slow
def test_turned_face_and_dragged_cut_from_frames(tmp_path: Path) -> None:
    """2° on cut 2, 1 mm on cut 3, gaps of 30 mm. Truth: the scene file the portions are cut by."""
    passes = [SAMPLES / f"pass-{number}" for number in (1, 2, 3)]
    block = ROOT / "calibration" / "staircase.toml"
    call("calibrate", *passes, "--block", block, "--out", tmp_path / "scanner.json")
    whole = f"[[pieces]]\n{SOLID}\nat_mm = [{AT_MM}, 0.0]\nreflectance = 0.3\ngrain = 0.08\n"
    before = record_and_measure(tmp_path, "before", [whole], 420)
    call(
        "cuts", before, "--target-g", 45, "--tolerance-g", 4, "--angle", ANGLE_DEG,
        "--remainder", "both",
    )  # fmt: skip
    truth = json.loads((tmp_path / "before" / "truth.json").read_text(encoding="utf-8"))
    leading_mm = truth["pieces"][0]["x0_belt_mm"] - AT_MM  # of the piece about its own origin
    plan = json.loads((before / "cuts.json").read_text(encoding="utf-8"))
    planes: list[tuple[float, float] | None] = [None]
    for number, cut in enumerate(plan["pieces"][0]["cuts_mm"], 1):
        planes.append((leading_mm + cut + (number == 3), ANGLE_DEG + 2 * (number == 2)))
    planes.append(None)
    assert len(planes) >= 5
    portions, at = [], AT_MM
    for low, high in pairwise(planes):
        sides = [
            f'{{ at_mm = {plane[0]}, angle_deg = {plane[1]}, keep = "{keep}" }}'
            for plane, keep in ((low, "after"), (high, "before"))
            if plane is not None
        ]
        portions.append(
            whole.replace(f"[{AT_MM}, 0.0]", f"[{at}, 0.0]") + f"cuts = [{', '.join(sides)}]\n"
        )
        at += 30 + 24 * 0.58  # the gap, and what the slanted faces overlap along the belt
    after = record_and_measure(tmp_path, "after", portions, 420 + round(46 * len(portions) / 0.75))
    call("aftercut", after, "--planned", before)
    result = json.loads((after / "aftercut.json").read_text(encoding="utf-8"))
    assert all(portion["found_piece"] for portion in result["portions"] if not portion["is_trim"])
    for cut in result["cuts"]:
        assert cut["hidden_face"]["angle"] == "not_observable"
        expected = {2: ["face_angle"], 3: ["place"]}.get(cut["cut"], [])
        assert cut["named"] == expected, cut
        if cut["angle"] == "measured":
            turned = 2.0 if cut["cut"] == 2 else 0.0
            assert cut["angle_error_deg"] == pytest.approx(turned, abs=3 * cut["u_angle_deg"])
