"""Profiles from recordings by an independent program, against plane cuts of its meshes."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geomscan.cli import main
from geomscan.profiles.document import PieceDocument, profiles_of, read_document
from geomscan.profiles.inverse import at_knots

ANGLES = (0, 30, 45, -45)


def call(*arguments: object) -> None:
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    assert not left.value.code


@pytest.fixture(scope="module")
def measured(raycast: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Calibrate on the five passes and measure both recordings of pieces."""
    folder = tmp_path_factory.mktemp("raycast")
    passes = [raycast / f"block{number}" for number in range(5)]
    scanner = folder / "scanner.json"
    call("calibrate", *passes, "--block", raycast / "staircase.toml", "--out", scanner)
    for name in ("shapes", "fillets"):
        angles = [word for angle in ANGLES for word in ("--angle", angle)]
        call("measure", raycast / name, "--calibration", scanner, "--out", folder / name, *angles)
    return folder


def pairs(measured: Path, raycast: Path, name: str) -> list[tuple[dict[str, Any], PieceDocument]]:
    """Each true piece with the document that begins nearest to it, along and across."""
    truth = json.loads((raycast / "truth.json").read_text(encoding="utf-8"))[name]
    documents = [
        read_document(path) for path in sorted((measured / name / "pieces").glob("*.json"))
    ]
    assert len(documents) == len(truth)
    return [
        (
            piece,
            min(
                documents,
                key=lambda found: (
                    abs(found.x0_mm - piece["x0_belt_mm"])
                    + (0 if (found.lane_middle_mm > 0) == (piece["y_mm"] > 0) else 1000)
                ),
            ),
        )
        for piece in truth
    ]


@pytest.mark.slow
@pytest.mark.real_data
@pytest.mark.parametrize("name", ["shapes", "fillets"])
def test_running_volume_against_plane_cuts_of_the_meshes(
    measured: Path, raycast: Path, name: str
) -> None:
    """Within 0.25 % of the piece at belt x; from s 0.4 %, or what the leading edge's u allows."""
    for truth, document in pairs(measured, raycast, name):
        whole = truth["volume_cm3"]
        shift = truth["x0_belt_mm"] - document.x0_mm
        for profile in profiles_of(document):
            cut = truth.get(f"cum_{profile.angle_deg:g}")
            if cut is None:
                continue
            s, exact = np.array(cut["s_mm"]), np.array(cut["cm3"])
            at_belt = at_knots(profile, profile.cumulative_cm3, s + shift)
            assert np.max(np.abs(at_belt - exact)) < 0.0025 * whole, truth["name"]
            from_s = at_knots(profile, profile.cumulative_cm3, s)
            assert document.u_x0_mm is not None
            edge_cm3 = 3 * document.u_x0_mm * np.max(profile.volume_cm3_per_mm)
            assert np.max(np.abs(from_s - exact)) < max(0.004 * whole, edge_cm3), truth["name"]
