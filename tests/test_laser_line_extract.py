"""Rows of simulated lines against their truth and against the noise bound."""

import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import erf

from geomscan.errors import InputError
from geomscan.laser_line.extract import extract_lines, new_lines
from geomscan.laser_line.lines import LaserLines, Quality
from geomscan.laser_line.noise import NoiseModel
from geomscan.laser_line.settings import LineSettings

NOISE = NoiseModel(electrons_per_grey=40.0, read_noise_grey=0.4)


def line_frame(
    row_px: npt.NDArray[np.float64], *, peak: float, sigma: float, n_rows: int, seed: int
) -> npt.NDArray[np.uint8]:
    """Draw a pixel-integrated Gaussian line over 4 grey levels, with shot and read noise."""
    rows = np.arange(n_rows)[:, None]
    edge = [erf((rows + side - row_px) / (sigma * np.sqrt(2))) for side in (-0.5, 0.5)]
    mean = 4 + peak * sigma * np.sqrt(np.pi / 2) * (edge[1] - edge[0])
    rng = np.random.default_rng(seed)
    grey = rng.poisson(mean * 40) / 40 + rng.normal(0, 0.4, mean.shape)
    frame: npt.NDArray[np.uint8] = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    return frame[None]


def extract(frames: npt.NDArray[np.uint8], **settings: object) -> LaserLines:
    return extract_lines(
        frames, noise=NOISE, settings=LineSettings.model_validate(settings), bit_depth=8
    )


def test_rows_light_and_width_of_a_clean_line() -> None:
    """Reference: the simulated truth; scatter within the claimed u (4 standard errors)."""
    row_px = 30 + np.random.default_rng(1).uniform(-0.5, 0.5, 4000)
    lines = extract(line_frame(row_px, peak=60, sigma=2, n_rows=64, seed=2))
    pull = (lines.row_px[0] - row_px) / lines.u_row_px[0]

    assert np.std(pull) == pytest.approx(1, abs=4 / np.sqrt(2 * row_px.size))
    assert np.mean(pull) == pytest.approx(0, abs=4 / np.sqrt(row_px.size))
    assert np.median(lines.reflectance) == pytest.approx(60 * 2 * np.sqrt(2 * np.pi), rel=0.005)
    assert np.median(lines.width_px) == pytest.approx(np.sqrt(4 + 1 / 12), rel=0.01)
    assert not lines.quality.any()


def test_no_line_is_nan_and_flagged() -> None:
    """Reference: frames of noise alone; at 1e-7 a column none of 20,000 is expected."""
    frames = line_frame(np.full(20_000, 30.0), peak=0, sigma=2, n_rows=64, seed=3)
    lines = extract(frames)
    assert np.isnan(lines.row_px).all()
    assert (lines.quality == Quality.NO_LINE).all()


def test_threads_and_given_arrays_change_nothing() -> None:
    row_px = np.linspace(10, 40, 300)
    frames = np.repeat(line_frame(row_px, peak=60, sigma=2, n_rows=64, seed=4), 7, axis=0)
    frames.flags.writeable = False
    one = extract(frames)
    out = new_lines(7, 300)
    two = extract_lines(
        frames, noise=NOISE, settings=LineSettings(), bit_depth=8, n_threads=2, out=out
    )
    assert two is out
    for name in ("row_px", "u_row_px", "reflectance", "width_px", "doubt", "quality"):
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name))


@pytest.mark.parametrize(
    ("frames", "bit_depth", "message"),
    [
        (np.zeros((4, 64, 64)), 8, "expected uint8 or uint16"),
        (np.zeros((64, 64), np.uint8), 8, "expected uint8 or uint16 of shape"),
        (np.zeros((4, 64, 64), np.uint8), 12, "bit_depth: expected 8 to 8"),
        (np.zeros((4, 64, 128), np.uint8)[:, :, ::2], 8, "C-contiguous"),
    ],
)
def test_wrong_frames_are_refused(
    frames: npt.NDArray[np.uint8], bit_depth: int, message: str
) -> None:
    with pytest.raises(InputError, match=message):
        extract_lines(frames, noise=NOISE, settings=LineSettings(), bit_depth=bit_depth)
