"""Lines with a one-sided tail: the core's row against the truth and against its bound."""

import numpy as np
import numpy.typing as npt
import pytest
from laser_line_frames import GAIN, READ, Line, row_bound_px

from geomscan.laser_line.extract import extract_lines
from geomscan.laser_line.lines import LaserLines
from geomscan.laser_line.noise import NoiseModel
from geomscan.laser_line.settings import LineSettings

NOISE = NoiseModel(electrons_per_grey=GAIN, read_noise_grey=READ)
TAIL = LineSettings(model="tail")


def rows(n: int) -> npt.NDArray[np.float64]:
    return 32 + np.random.default_rng(41).uniform(-0.5, 0.5, n)


def measure(frames: npt.NDArray[np.uint16], settings: LineSettings) -> LaserLines:
    return extract_lines(frames, noise=NOISE, settings=settings, bit_depth=8)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("peak", "sigma", "share", "tail_px"), [(60, 2, 0.3, 4), (60, 2, 0.5, 6), (200, 1.5, 0.3, 4)]
)
def test_tail_model_is_unbiased_and_reaches_its_bound(
    peak: float, sigma: float, share: float, tail_px: float
) -> None:
    """Reference: truth, and the Fisher information with share, decay and background unknown."""
    line = Line(peak=peak, sigma=sigma, tail_share=share, tail_px=tail_px)
    row_px = rows(8000)
    found = measure(line.frames(row_px, seed=42), TAIL)
    error = found.row_px[0] - row_px
    assert abs(np.mean(error)) <= 0.02
    assert np.std(error) <= 1.1 * row_bound_px(line)
    assert np.std(error / found.u_row_px[0]) == pytest.approx(1, abs=0.05)


def test_tail_on_either_side() -> None:
    """Reference: the same frame upside down; and the truth within 4 standard errors."""
    line = Line(peak=100, sigma=2, tail_share=0.3, tail_px=4)
    row_px = rows(400)
    frames = line.frames(row_px, seed=43)
    down = measure(frames, TAIL)
    up = measure(np.ascontiguousarray(frames[:, ::-1]), TAIL)
    np.testing.assert_allclose(up.row_px[0], 63 - down.row_px[0], atol=2e-3)
    error = down.row_px[0] - row_px
    assert abs(np.mean(error)) < 0.02 + 4 * np.std(error) / np.sqrt(400)
    symmetric = measure(frames, LineSettings()).row_px[0] - row_px
    assert np.mean(symmetric) > 0.3
