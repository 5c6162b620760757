"""The noise model measured from frames, against the noise that was put in."""

from dataclasses import replace

import numpy as np
import pytest

from geomscan.errors import InputError
from geomscan.laser_line.noise import NoiseModel, noise_from_frames
from geomscan.runs.workload import draw_frames, wandering_lines


@pytest.mark.parametrize("bits", [8, 12])
def test_gain_and_noise_are_found_again(bits: int) -> None:
    """Reference: the drawn camera, 40 electrons a grey level of 8 bit, read noise 0.4.

    The read noise found is that at the dark level of 4 grey levels: sqrt(4 / 40 + 0.4²).
    """
    work = wandering_lines(10, seed=31)
    work = replace(work, row_px=np.repeat(work.row_px[:1], 10, 0))
    noise = noise_from_frames(draw_frames(work, bit_depth=bits), bit_depth=bits)
    finer = 2.0 ** (bits - 8)
    assert noise.electrons_per_grey * finer == pytest.approx(40, rel=0.05)
    assert noise.read_noise_grey / finer == pytest.approx(np.hypot(np.sqrt(4 / 40), 0.4), rel=0.05)
    assert noise.black_level_grey / finer == pytest.approx(4, abs=0.1)


def test_dark_pixels_that_clip_at_zero() -> None:
    """Reference: the drawn variance, at levels that don't clip; 7 grey levels are taken away."""
    work = wandering_lines(10, seed=32)
    work = replace(work, row_px=np.repeat(work.row_px[:1], 10, 0))
    frames = draw_frames(work).astype(np.int64) - 7
    noise = noise_from_frames(np.clip(frames, 0, 255).astype(np.uint8), bit_depth=8)
    for grey in (20.0, 60.0, 120.0):
        drawn = (grey + 7) / 40 + 0.4**2 + 1 / 12
        assert noise.variance_grey2(grey) == pytest.approx(drawn, rel=0.08)


def test_too_little_to_measure_noise_is_refused() -> None:
    with pytest.raises(InputError, match="expected 2 frames"):
        noise_from_frames(np.zeros((1, 64, 64), np.uint8), bit_depth=8)
    with pytest.raises(InputError, match="pixels of a steady unclipped line, found 0"):
        noise_from_frames(np.zeros((3, 64, 64), np.uint8), bit_depth=8)


@pytest.mark.parametrize("gain", [0.0, -1.0, np.nan, np.inf])
def test_impossible_noise_is_refused(gain: float) -> None:
    with pytest.raises(InputError, match="noise model"):
        NoiseModel(electrons_per_grey=gain, read_noise_grey=0.4)
