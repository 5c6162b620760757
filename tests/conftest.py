"""What several test modules share."""

from pathlib import Path

import pytest

#: Recordings by an independent program, kept beside the repository, not in it.
RAYCAST = Path(__file__).parents[1].parent / "shared" / "raycast"


@pytest.fixture(scope="session")
def raycast() -> Path:
    """Folder of the ray-cast recordings; the test is skipped where it is absent."""
    if not (RAYCAST / "truth.json").is_file():
        pytest.skip(f"{RAYCAST} is absent")
    return RAYCAST
