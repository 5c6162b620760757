"""The laser line as data: what every later step reads."""

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
import numpy.typing as npt

__all__ = ["LaserLines", "Quality"]


class Quality(IntFlag):
    """What is wrong with a column; 0 is a clean line."""

    CLEAN = 0
    NO_LINE = 1  #: nothing stands out of the noise; row is NaN
    CLIPPED = 2  #: pixels at the top of the range; the row comes from the flanks
    SECOND_PEAK = 4  #: another peak rivals the line and continuity doesn't tell which is it
    AT_BORDER = 8  #: the line's window leaves the payload
    WIDE = 16  #: much wider than its surroundings


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LaserLines:
    """Laser lines of consecutive frames of one head; every array has shape (n_lines, n_columns).

    row_px counts from the payload's first row (add the head's `roi_origin` for the sensor row),
    NaN where there is no line; u_row_px is its standard uncertainty from shot and read noise,
    independent from column to column. reflectance is the line's integrated light in grey levels
    less background; width_px the line's standard deviation; doubt the strength of the runner-up
    peak over that of the chosen one in 255 steps a unit, 255 for 1 and more; quality holds
    `Quality` bits.
    """

    row_px: npt.NDArray[np.float32]
    u_row_px: npt.NDArray[np.float32]
    reflectance: npt.NDArray[np.float32]
    width_px: npt.NDArray[np.float32]
    doubt: npt.NDArray[np.uint8]
    quality: npt.NDArray[np.uint8]
