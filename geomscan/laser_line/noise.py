"""What a grey level is worth: the noise model of a camera, given or measured from its frames."""

import math
from dataclasses import dataclass

from geomscan.errors import InputError

__all__ = ["QUANTISATION_GREY2", "NoiseModel"]

#: variance of rounding to whole grey levels: a uniform distribution one level wide
QUANTISATION_GREY2 = 1 / 12


@dataclass(frozen=True, kw_only=True, slots=True)
class NoiseModel:
    """Variance of one pixel at a mean of g grey levels.

    var = max(g - black_level_grey, 0) / electrons_per_grey + read_noise_grey² + 1/12: shot noise,
    read noise and rounding (the linear camera model of the photon transfer method).

    Raises
    ------
    InputError
        If a value is not finite, the gain is not positive or the read noise is negative.
    """

    electrons_per_grey: float
    read_noise_grey: float
    black_level_grey: float = 0.0

    def __post_init__(self) -> None:
        values = (self.electrons_per_grey, self.read_noise_grey, self.black_level_grey)
        if not all(math.isfinite(value) for value in values):
            msg = f"noise model: expected finite numbers, got {values}"
            raise InputError(msg)
        if self.electrons_per_grey <= 0 or self.read_noise_grey < 0:
            msg = f"noise model: expected a gain > 0 and a read noise >= 0, got {values[:2]}"
            raise InputError(msg)

    def variance_grey2(self, grey: float) -> float:
        """Variance of a pixel whose mean is `grey`."""
        shot = max(grey - self.black_level_grey, 0.0) / self.electrons_per_grey
        return shot + self.read_noise_grey**2 + QUANTISATION_GREY2
