"""How bright a head sees one surface: over columns, heights, exposure and laser power."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.files import FileModel

__all__ = ["Response", "ResponseFile"]

Floats = npt.NDArray[np.float64]


class ResponseFile(FileModel):
    """A response in a calibration file."""

    column_terms: list[float]
    height_per_mm: float
    exposure_us: float | None = None
    laser_power: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Response:
    """ln(relative brightness) = Σ column_terms[i]·u^(i+1) + height_per_mm·z; 0 at mid sensor.

    u = (column − middle column) / half width. Brightness is also proportional to exposure and
    laser power, which were exposure_us and laser_power at calibration, None where not known.
    """

    sensor_columns: int
    column_terms: Floats
    height_per_mm: float
    exposure_us: float | None = None
    laser_power: float | None = None

    def factor(
        self,
        column_px: npt.ArrayLike,
        height_mm: npt.ArrayLike,
        *,
        exposure_us: npt.ArrayLike | None = None,
        laser_power: npt.ArrayLike | None = None,
    ) -> npt.NDArray[np.floating[Any]]:
        """Factor that a measured brightness is multiplied by; the arguments broadcast.

        Heights in single precision give factors in single precision.
        """
        height = np.asarray(height_mm)
        kind = np.float32 if height.dtype == np.float32 else np.float64
        u = (np.asarray(column_px, dtype=np.float64) - (self.sensor_columns - 1) / 2) / (
            self.sensor_columns / 2
        )
        level = np.exp(-u * np.polynomial.polynomial.polyval(u, self.column_terms))
        if exposure_us is not None and self.exposure_us is not None:
            level = level * (self.exposure_us / np.asarray(exposure_us, dtype=np.float64))
        if laser_power is not None and self.laser_power is not None:
            level = level * (self.laser_power / np.asarray(laser_power, dtype=np.float64))
        return np.asarray(np.asarray(level, kind) * np.exp(height * kind(-self.height_per_mm)))

    def to_file(self) -> dict[str, object]:
        """Give what the calibration file holds."""
        return {
            "column_terms": self.column_terms,
            "height_per_mm": self.height_per_mm,
            "exposure_us": self.exposure_us,
            "laser_power": self.laser_power,
        }

    @staticmethod
    def from_file(content: ResponseFile, sensor_size: tuple[int, int]) -> "Response":
        """Rebuild a response from a calibration file."""
        return Response(
            sensor_columns=sensor_size[0],
            column_terms=np.array(content.column_terms),
            height_per_mm=content.height_per_mm,
            exposure_us=content.exposure_us,
            laser_power=content.laser_power,
        )
