"""Constants of the biweight line estimator on a Gaussian line, as short polynomials.

The row y of a line solves sum psi(r - y) v(r) = 0 with psi(d) = d (1 - d²/R²)² inside |d| < R
and 0 outside (Tukey's biweight; Beaton & Tukey 1974, Technometrics 16:147), v the grey values less
background. On a Gaussian line of standard deviation sigma all depends on x = (sigma/R)² only:

gain      one Newton step is gain · sum(psi v) / sum(w v), w = (1 - d²/R²)²
share     sum(w v) over the line's whole light; response to a shift = light · share / gain
spread    sum(w d² v) / sum(w v) / R², from which sigma is found again
shot      sum(psi² v) over the square of the response to a shift: shot noise's part of u²
flat      integral of psi² for noise that doesn't depend on the signal (read noise, background)
"""

from functools import cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["R_OVER_SIGMA", "BiweightConstants", "biweight_constants"]

#: reach of the weights in standard deviations of the line: 2.8 stays within 1.1 of the noise
#: bound for lines of sigma 1 to 3 px and slopes up to 4 rows a column (own calculation)
R_OVER_SIGMA = 2.8

#: sigma/R for which the polynomials are fitted
_RANGE = (0.05, 0.60)
_DEGREE = 5


class BiweightConstants(NamedTuple):
    """Polynomials (highest power first) in x = (sigma/R)², or in the spread for `x_over_spread`."""

    gain: npt.NDArray[np.float32]
    share: npt.NDArray[np.float32]  #: sum(w v) over the line's whole light
    x_over_spread: npt.NDArray[np.float32]  #: x / q as a function of q, the spread
    shot: npt.NDArray[np.float32]  #: u² = shot · sigma² / (electrons_per_grey · light)
    flat: float  #: integral of psi² over its reach, in R³


@cache
def biweight_constants() -> BiweightConstants:
    """Integrate the biweight over Gaussian lines of many widths and fit the polynomials.

    Returns
    -------
    BiweightConstants
        float32 coefficients, good to about 1e-4 of the value.
    """
    sigma = np.linspace(*_RANGE, 120)
    d, step = np.linspace(-1, 1, 20001, retstep=True)
    w = (1 - d**2) ** 2
    line = np.exp(-0.5 * (d / sigma[:, None]) ** 2) / (sigma[:, None] * np.sqrt(2 * np.pi))
    light = (w * line).sum(1) * step
    second = (w * d**2 * line).sum(1) * step
    response = second / sigma**2  # d/dy of sum psi v: Gaussian' = d/sigma² Gaussian
    shot = (w**2 * d**2 * line).sum(1) * step
    x, spread = sigma**2, second / light

    def fit(at: npt.NDArray[np.float64], value: npt.NDArray[np.float64]) -> npt.NDArray[np.float32]:
        return np.polyfit(at, value, _DEGREE).astype(np.float32)

    return BiweightConstants(
        gain=fit(x, light / response),
        share=fit(x, light),
        x_over_spread=fit(spread, x / spread),
        shot=fit(x, shot / sigma**2 / response**2),
        flat=float((w**2 * d**2).sum() * step),
    )
