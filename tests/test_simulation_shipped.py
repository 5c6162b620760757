"""The shipped recordings belong to the scenes beside them."""

import json
from pathlib import Path

import numpy as np
import pytest

from geomscan.files import shipped_folder
from geomscan.recording.recording import open_recording
from geomscan.simulation.lines import simulate_lines
from geomscan.simulation.scene import read_scene
from geomscan.simulation.stage import prepare

NAMES = ("pass-1", "pass-2", "pass-3", "check", "pieces")


def test_shipped_recordings_stay_small() -> None:
    folder = shipped_folder("sample_images")
    files = [file for file in folder.rglob("*") if file.is_file()]
    assert sum(file.stat().st_size for file in files) < 40e6
    assert {file.stem for file in folder.glob("*.toml")} >= set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_frames_show_the_lines_of_their_scene(name: str) -> None:
    """Reference: the rows of the scene; centres of light scatter by noise and speckle."""
    folder: Path = shipped_folder("sample_images")
    scene = read_scene(folder / f"{name}.toml")
    truth = json.loads((folder / name / "truth.json").read_text())
    assert truth["scene"]["seed"] == scene.seed
    first = scene.n_lines // 2
    stage = prepare(scene, folder=folder)
    with open_recording(folder / name) as recording:
        assert recording.n_lines == scene.n_lines
        for number, head in enumerate(scene.heads):
            _, frames = next(recording.blocks(head.name, first=first, stop=first + 1))
            assert isinstance(frames, np.ndarray)
            frame = frames[0].astype(float)
            row = simulate_lines(stage, number).row_px[first]
            light = frame.sum(axis=0)
            with np.errstate(invalid="ignore"):
                seen = (np.arange(len(frame))[:, None] * frame).sum(axis=0) / light
            apart = (seen + recording.head(head.name).roi_origin[1] - row)[light > 60]
            assert len(apart) > 600
            assert abs(np.nanmedian(apart)) < 0.03
            assert np.nanpercentile(np.abs(apart), 90) < 0.25
