"""Photographs: colour and light taken away by hand, and real pictures of a laser line."""

from pathlib import Path

import numpy as np
import pytest

from geomscan.errors import InputError
from geomscan.laser_line.extract import extract_lines
from geomscan.laser_line.noise import NoiseModel
from geomscan.laser_line.photograph import photograph_to_frame
from geomscan.laser_line.settings import LineSettings

REAL = Path(__file__).parents[1].parent / "shared" / "real"
#: a rough colour camera, 64 of the frame's grey levels to one of the photograph's
NOISE = NoiseModel(electrons_per_grey=0.2, read_noise_grey=100.0, black_level_grey=4096.0)


def test_channel_dark_and_turn() -> None:
    """Reference: worked out by hand."""
    picture, dark = np.zeros((20, 6, 3), np.uint8), np.zeros((20, 6, 3), np.uint8)
    picture[3, 2], dark[3, 2] = (9, 9, 50), (9, 9, 20)
    picture[4, 2, 2], dark[5, 2, 2] = 255, 7
    frame = photograph_to_frame(picture, dark=dark, rows_are_height=False)[0]
    assert frame.shape == (6, 20)
    assert frame[2, 3] == 4096 + 30 * 64
    assert frame[2, 4] == 65535
    assert frame[2, 5] == 4096 - 7 * 64
    assert (frame == photograph_to_frame(picture, dark=dark)[0].T).all()


def test_another_scene_is_refused() -> None:
    with pytest.raises(InputError, match="dark picture: expected"):
        photograph_to_frame(np.zeros((4, 4), np.uint8), dark=np.zeros((5, 4), np.uint8))
    with pytest.raises(InputError, match="photograph: expected"):
        photograph_to_frame(np.zeros(4, np.uint8))


@pytest.mark.real_data
def test_board_in_a_real_photograph_is_flat() -> None:
    """Reference: the board is flat; the picture's compression leaves steps of tenths of a pixel."""
    cv2 = pytest.importorskip("cv2")
    if not (REAL / "board-line.png").is_file():
        pytest.skip(f"{REAL} is absent")
    picture = cv2.imread(str(REAL / "board-line.png"), cv2.IMREAD_UNCHANGED)
    half = np.ascontiguousarray(picture[465:1010, 550:630])
    frame = photograph_to_frame(half, rows_are_height=False)
    rows = extract_lines(frame, noise=NOISE, settings=LineSettings(), bit_depth=16).row_px[0]
    seen = np.isfinite(rows)
    column = np.arange(rows.size) - rows.size / 2
    rest = rows - np.polyval(np.polyfit(column[seen], rows[seen], 2), column)
    assert seen.mean() > 0.95
    assert 1.4826 * np.nanmedian(np.abs(rest)) < 1.0
