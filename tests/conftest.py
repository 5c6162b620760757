"""What several test modules share."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from geomscan.recording.writer import write_recording

#: Recordings by an independent program, kept beside the repository, not in it.
RAYCAST = Path(__file__).parents[1].parent / "shared" / "raycast"

MakeRecording = Callable[..., Path]


@pytest.fixture(scope="session")
def raycast() -> Path:
    """Folder of the ray-cast recordings; the test is skipped where it is absent."""
    if not (RAYCAST / "truth.json").is_file():
        pytest.skip(f"{RAYCAST} is absent")
    return RAYCAST


@pytest.fixture
def make_recording(tmp_path: Path) -> MakeRecording:
    """Write a small sound recording of one head and hand back its folder; keywords change it."""

    def make(
        *,
        name: str = "recording",
        frames: npt.NDArray[Any] | None = None,
        head: dict[str, Any] | None = None,
        belt: dict[str, Any] | None = None,
        lines: dict[str, Any] | None = None,
        **rest: Any,
    ) -> Path:
        if frames is None:
            rng = np.random.default_rng(1)
            frames = rng.integers(0, 200, (12, 16, 24)).astype(np.uint8)
        n = len(frames)
        one = {"name": "a", "payload_is": "frames", "payload": "a.tif", "sensor_size": [64, 48]}
        manifest = {"belt": {"nominal_mm_per_count": 0.05} | (belt or {}), **rest}
        manifest["heads"] = [one | (head or {})]
        table: dict[str, Any] = {
            "line": range(n),
            "encoder": 100 + 12 * np.arange(n),
            "time_s": np.arange(n) / 800,
        }
        folder = tmp_path / name
        write_recording(folder, manifest, {"a.tif": frames}, table | (lines or {}))
        return folder

    return make
