"""A recording of the block as lines: sensor row and brightness of every column of every line."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.laser_line.extract import extract_lines
from geomscan.laser_line.lines import Quality
from geomscan.laser_line.noise import NoiseModel, noise_of_head
from geomscan.laser_line.settings import LineSettings
from geomscan.recording.manifest import HeadManifest
from geomscan.recording.recording import HeightBlock, RangeBlock, Recording

__all__ = ["PassLines", "read_pass_lines"]

Floats = npt.NDArray[np.float64]
Frames = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]

#: columns with these faults don't take part in a calibration
_DOUBTFUL = Quality.SECOND_PEAK | Quality.AT_BORDER


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PassLines:
    """One head's lines of one recording; arrays (n_lines, n_columns), NaN = no trusted line.

    row_px and column_px count on the whole sensor, rows being height; seen_px has the rows of
    doubtful columns too, as at an edge, where light falls on two levels. travel is the belt's
    travel in counts since the first line, growing with forward running. clipped and doubtful mark
    columns that were over-exposed, and ones that show more than one line.
    """

    head: HeadManifest
    row_px: Floats
    seen_px: Floats
    brightness: Floats
    width_px: Floats
    column_px: Floats  #: (n_columns,)
    travel: Floats  #: (n_lines,), counts
    exposure_us: float
    laser_power: float
    clipped: npt.NDArray[np.bool_]
    doubtful: npt.NDArray[np.bool_]
    recording: Recording

    def frames(self, first: int, stop: int) -> Frames | None:
        """Frames of lines first to stop - 1, rows being height; None where lines were recorded."""
        if self.head.payload_is != "frames":
            return None
        start = self.recording.first
        parts = [
            block
            for _, block in self.recording.blocks(
                self.head.name, first=start + first, stop=start + stop
            )
            if isinstance(block, np.ndarray)
        ]
        return np.concatenate(parts)

    def spikes(self) -> npt.NDArray[np.bool_]:
        """Columns whose row leaves that of its neighbours by more than 3 px, alone or few."""
        from scipy.ndimage import median_filter

        filled = np.where(np.isfinite(self.row_px), self.row_px, -1e3).astype(np.float32)
        calm = median_filter(filled, size=(7, 1))
        return np.asarray((np.abs(filled - calm) > 3) & (filled > -1) & (calm > -1))

    @property
    def sensor_size(self) -> tuple[int, int]:
        """Columns and rows of the whole sensor, rows being height."""
        axes = self.head.line_axes()
        return axes.n_columns, axes.n_rows


def read_pass_lines(
    recording: Recording, name: str, *, noise: NoiseModel | None = None, n_threads: int = 2
) -> PassLines:
    """Read one head's lines of a recording, extracting them where the payload is frames.

    Parameters
    ----------
    noise : NoiseModel, optional
        The camera's noise where it is known already; else it is read or measured.

    Raises
    ------
    InputError
        If the head's payload holds heights: there is no sensor to calibrate; or if the manifest
        does not state the camera's noise and the frames don't show it.
    """
    head = recording.head(name)
    if head.payload_is == "height":
        msg = (
            f'{recording.path}: head "{name}" holds heights: '
            "a scanner is calibrated on frames or range"
        )
        raise InputError(msg)
    axes = head.line_axes()
    if noise is None and head.payload_is == "frames":
        noise = noise_of_head(recording, name)
    settings = LineSettings()
    starts = list(range(recording.first, recording.stop, 64))

    def part(first: int) -> tuple[Floats, ...]:
        stop = min(first + 64, recording.stop)
        _, block = next(recording.blocks(name, lines_per_block=64, first=first, stop=stop))
        if isinstance(block, RangeBlock):
            row = block.row_px.astype(np.float64)
            grey = np.ones_like(row) if block.reflectance is None else block.reflectance
            fault = np.where(np.isfinite(row), 0.0, float(Quality.NO_LINE))
            return row, np.asarray(grey, dtype=np.float64), np.full(row.shape, np.nan), fault
        assert not isinstance(block, HeightBlock)
        assert noise is not None
        lines = extract_lines(block, noise=noise, settings=settings, bit_depth=head.bit_depth)
        row = lines.row_px.astype(np.float64) + axes.row0
        width = lines.width_px.astype(np.float64)
        return row, lines.reflectance.astype(np.float64), width, lines.quality.astype(np.float64)

    with ThreadPoolExecutor(n_threads) as pool:
        parts = list(pool.map(part, starts))
    row, grey, width, quality = (np.concatenate(found) for found in zip(*parts, strict=True))
    fault = quality.astype(np.int64)
    doubtful = (fault & int(_DOUBTFUL)) > 0
    seen = np.where((fault & int(Quality.NO_LINE)) > 0, np.nan, row.astype(np.float64))
    row = np.where(doubtful, np.nan, seen)
    count = recording.lines.count[recording.first : recording.stop].astype(np.float64)
    forward = np.sign(recording.manifest.belt.nominal_mm_per_count)
    table = recording.lines
    return PassLines(
        head=head,
        row_px=row,
        seen_px=seen,
        brightness=np.where(np.isfinite(grey), grey, 0.0),
        width_px=width,
        recording=recording,
        column_px=axes.column0 + np.arange(row.shape[1], dtype=np.float64),
        travel=forward * (count - count[0]),
        exposure_us=_typical(table.exposure_us),
        laser_power=_typical(table.laser_power),
        clipped=(fault & int(Quality.CLIPPED)) > 0,
        doubtful=doubtful,
    )


def _typical(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")
