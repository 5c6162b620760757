"""Speckle and light below the surface: the terms against simulated speckle and against the rows."""

import numpy as np
import numpy.typing as npt
import pytest
from laser_line_frames import DARK, GAIN, READ, Line

from geomscan.errors import InputError
from geomscan.laser_line.extract import extract_lines
from geomscan.laser_line.noise import NoiseModel
from geomscan.laser_line.settings import LineSettings
from geomscan.laser_line.terms import grain_px, speckle_u_px, tail_shift_px, with_term

NOISE = NoiseModel(electrons_per_grey=GAIN, read_noise_grey=READ)
Array = npt.NDArray[np.float64]


def speckle(n_rows: int, n_columns: int, *, grain: float, contrast: float, seed: int) -> Array:
    """Brightness of fully developed speckle behind a square aperture, 8 samples a pixel.

    The field is a complex Gaussian, band-limited to 1 / (2 grain) in both directions; independent
    patterns are added until the contrast is 1 / sqrt(their number).
    """
    rng, shape = np.random.default_rng(seed), (n_rows * 8, n_columns * 8)
    pass_band = [np.abs(np.fft.fftfreq(n, 1 / 8)) <= 0.5 / grain for n in shape]
    aperture = pass_band[0][:, None] & pass_band[1]
    n_patterns = round(contrast**-2)
    total = np.zeros(shape)
    for _ in range(n_patterns):
        field = rng.normal(size=shape) + 1j * rng.normal(size=shape)
        pattern = np.abs(np.fft.ifft2(np.fft.fft2(field) * aperture)) ** 2
        total += pattern / pattern.mean() / n_patterns
    return total


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sigma", "grain", "contrast"), [(2.0, 0.5, 0.5), (2.0, 0.5, 0.25), (1.5, 1.0, 0.5)]
)
def test_claimed_uncertainty_with_speckle_is_the_scatter_seen(
    sigma: float, grain: float, contrast: float
) -> None:
    """Reference: speckle simulated from its own physics; 2 × 2000 columns, 1.1 % a pull's sd."""
    n_columns, pulls = 2000, []
    for seed in (1, 2):
        row_px = 24 + np.random.default_rng(seed).uniform(-0.5, 0.5, n_columns)
        d = ((np.arange(48 * 8) + 0.5) / 8 - 0.5)[:, None] - np.repeat(row_px, 8)
        light = 60 * np.exp(-0.5 * (d / sigma) ** 2)
        light *= speckle(48, n_columns, grain=grain, contrast=contrast, seed=seed)
        mean = light.reshape(48, 8, n_columns, 8).mean((1, 3)) + DARK
        rng = np.random.default_rng(10 + seed)
        grey = rng.poisson(mean * GAIN) / GAIN + rng.normal(0, READ, mean.shape)
        frames = np.clip(np.rint(grey), 0, 255).astype(np.uint8)[None]
        found = extract_lines(frames, noise=NOISE, settings=LineSettings(), bit_depth=8)
        term = speckle_u_px(np.nanmedian(found.width_px), grain_px=grain, contrast=contrast)
        pulls.append((found.row_px[0] - row_px) / with_term(found, term).u_row_px[0])
        assert np.nanstd(found.row_px[0] - row_px) > 2 * np.nanmedian(found.u_row_px)
        assert np.isfinite(found.row_px).mean() > 0.99
    assert 0.95 <= np.nanstd(np.concatenate(pulls)) <= 1.05


def test_grain_is_the_apertures() -> None:
    """Reference: wavelength / (2 sin u'), sin u' = 1 / (2 N (1 + m)), by hand."""
    grain = grain_px(wavelength_nm=660, f_number=4, pixel_um=5.5, magnification=0.1)
    assert grain == pytest.approx(0.66 * 4 * 1.1 / 5.5)
    # limit of Dorsch, Häusler & Herrmann 1994 for the narrowest line, grain / pi: a line about as
    # narrow as its aperture allows (sigma 0.6 grain), on pixels that average nothing, is near it
    assert float(speckle_u_px(3.0, grain_px=5.0)) == pytest.approx(5.0 / np.pi, rel=0.3)


def test_contrast_scales_and_nonsense_is_refused() -> None:
    one = speckle_u_px([1.0, 2.0], grain_px=0.5)
    np.testing.assert_allclose(speckle_u_px([1.0, 2.0], grain_px=0.5, contrast=0.5), one / 2)
    with pytest.raises(InputError, match="contrast"):
        speckle_u_px(2.0, grain_px=0.5, contrast=-1)
    with pytest.raises(InputError, match="f-number"):
        grain_px(wavelength_nm=660, f_number=0, pixel_um=5.5)
    with pytest.raises(InputError, match="share"):
        tail_shift_px(share=1.2, decay_px=4, sigma_px=2)


def test_tail_shift_covers_the_bias_of_the_symmetric_rows() -> None:
    """Reference: rows of simulated lines with a tail against the core's true row."""
    for share, tail_px in ((0.15, 3.0), (0.3, 4.0)):
        line = Line(peak=200, sigma=2, tail_share=share, tail_px=tail_px)
        row_px = 32 + np.random.default_rng(3).uniform(-0.5, 0.5, 1000)
        frames = line.frames(row_px, seed=4)
        found = extract_lines(frames, noise=NOISE, settings=LineSettings(), bit_depth=8)
        bias = float(np.mean(found.row_px[0] - row_px))
        shift = tail_shift_px(share=share, decay_px=tail_px, sigma_px=2)
        # the shift itself; and u = shift / sqrt(3) covers the bias at 95 %
        assert bias == pytest.approx(shift, rel=0.15)
        assert bias < 1.96 * shift / np.sqrt(3)
