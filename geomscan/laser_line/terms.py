"""What noise doesn't explain: speckle, and light from below the surface, as terms of u.

Both are often larger than the noise bound, and neither shows in the scatter along a still line.
"""

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.laser_line.biweight import R_OVER_SIGMA
from geomscan.laser_line.lines import LaserLines

__all__ = ["grain_px", "speckle_u_px", "tail_shift_px", "with_term"]

Array = npt.NDArray[np.float64]


def grain_px(
    *, wavelength_nm: float, f_number: float, pixel_um: float, magnification: float = 0.0
) -> float:
    """Size of speckle on the sensor in pixels: wavelength / (2 sin u'), u' the image-side aperture.

    sin u' = 1 / (2 N (1 + m)) for a lens at f-number N and magnification m.
    """
    values = (wavelength_nm, f_number, pixel_um)
    if not all(np.isfinite(value) and value > 0 for value in values) or magnification < 0:
        msg = f"speckle: expected wavelength, f-number and pixel size > 0, got {values}"
        raise InputError(msg)
    return 1e-3 * wavelength_nm * f_number * (1 + magnification) / pixel_um


def speckle_u_px(width_px: npt.ArrayLike, *, grain_px: float, contrast: float = 1.0) -> Array:
    """Estimate the standard uncertainty of a biweight row from speckle.

    Speckle breaks the line up into grains of random brightness; with psi the weights, g the line's
    profile, C the contrast and mu the grains' correlation (a square aperture: sinc(t / grain)),
    the row varies by

        var = C² · a · ∫∫ psi g(y) psi g(y') |mu(y - y')|² dy dy' / (∫ psi' g)²,

    where a = 2 ∫ (1 - t) |mu(t)|² dt, 0 to 1 px, is what averaging over the column's width leaves
    of the contrast's square. For a line as narrow as the aperture allows this comes to the limit
    C · wavelength / (2 pi sin u') of Dorsch, Häusler & Herrmann 1994, Appl. Opt. 33:1306; a wider
    line holds more grains, but they have longer levers, and u grows with the root of its width.

    Parameters
    ----------
    width_px : array_like
        Standard deviation of the line.
    grain_px : float
        From `grain_px`.
    contrast : float
        1 for one coherent, polarised line; less for a broad spectrum, or a laser that is moved or
        whose exposure averages over the belt's travel. Measure it where you can.

    Returns
    -------
    ndarray
        u in pixels, independent from column to column where the grain is less than a pixel.
    """
    if not (np.isfinite(grain_px) and grain_px > 0 and np.isfinite(contrast) and contrast >= 0):
        msg = f"speckle: expected a grain > 0 and a contrast >= 0, got {grain_px} and {contrast}"
        raise InputError(msg)
    width = np.asarray(width_px, np.float64)
    t = (np.arange(2000) + 0.5) / 2000
    left = 2 * np.mean((1 - t) * np.sinc(t / grain_px) ** 2)
    # in units of the line's width: u²(grain / width) on a grid, then interpolated
    ratio = np.geomspace(0.01, 20, 40)
    spread = np.interp(grain_px / np.clip(width, 1e-3, None), ratio, _row_variance(ratio))
    u: Array = contrast * width * np.sqrt(left * spread)
    return u


def _row_variance(grain: Array) -> Array:
    """Variance of the biweight row of a line of width 1 for correlations of size `grain`."""
    y, step = np.linspace(-R_OVER_SIGMA, R_OVER_SIGMA, 801, retstep=True)
    g = np.exp(-0.5 * y**2) / np.sqrt(2 * np.pi)
    lever = y * (1 - (y / R_OVER_SIGMA) ** 2) ** 2 * g
    response = np.sum(lever * y) * step
    # autocorrelation of psi g, against |mu|²
    lag = np.arange(-800, 801) * step
    own = np.convolve(lever, lever[::-1]) * step
    total = np.array([np.sum(own * np.sinc(lag / size) ** 2) * step for size in grain])
    variance: Array = np.maximum(total, 0) / response**2
    return variance


def tail_shift_px(*, share: float, decay_px: float, sigma_px: float) -> float:
    """Shift of the biweight row by light from below the surface, towards the tail.

    `share` of the light is smeared by an exponential of `decay_px` on one side of a Gaussian core
    of `sigma_px`; the shift is the biweight's fixed point on that profile. Where the tail model is
    not used and share or decay are known only to lie between 0 and these values, the row lies
    between 0 and this shift from the truth: u = shift / sqrt(3) (a rectangular distribution about
    the uncorrected value; JCGM 100:2008, 4.3.7).

    Raises
    ------
    InputError
        If the share isn't 0 to 1 or a length isn't positive.
    """
    if not (0 <= share < 1 and decay_px > 0 and sigma_px > 0):
        msg = f"tail: expected a share of 0 to 1 and lengths > 0, got {share} {decay_px} {sigma_px}"
        raise InputError(msg)
    d, step = np.linspace(-8 * sigma_px, 8 * sigma_px + 12 * decay_px, 20001, retstep=True)
    core = np.exp(-0.5 * (d / sigma_px) ** 2) / (sigma_px * np.sqrt(2 * np.pi))
    behind = np.arange(0, 12 * decay_px, step)
    smear = np.exp(-behind / decay_px)
    tail = np.convolve(core, smear / smear.sum())[: d.size]
    profile = (1 - share) * core + share * tail
    y, width = 0.0, sigma_px
    for _ in range(200):
        e = (d - y) / (R_OVER_SIGMA * width)
        w = np.where(np.abs(e) < 1, (1 - e**2) ** 2, 0) * profile
        y += float(np.sum(w * (d - y)) / np.sum(w))
    return y


def with_term(lines: LaserLines, u_px: npt.ArrayLike) -> LaserLines:
    """Add an independent term to the rows' uncertainty, in quadrature; a number or an array."""
    u = np.hypot(lines.u_row_px, np.asarray(u_px, np.float32)).astype(np.float32)
    return replace(lines, u_row_px=u)
