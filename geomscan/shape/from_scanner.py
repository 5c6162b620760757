"""From a scanner calibration and what the heads recorded to lines in millimetres."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from geomscan.laser_line.lines import LaserLines, Quality
from geomscan.recording.encoder import LineTable
from geomscan.scanner.calibration import ScannerCalibration, in_region, reflectance_factor
from geomscan.scanner.modes import common_modes
from geomscan.shape.geometry import (
    BeltLines,
    CommonModes,
    HeadGeometry,
    HeadLines,
    ShapeGeometry,
)

__all__ = ["belt_lines", "lines_to_mm", "rows_to_mm", "shape_geometry"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]


def shape_geometry(
    calibration: ScannerCalibration, heads: Sequence[str], *, first_count: float = 0.0
) -> ShapeGeometry:
    """Give what the shape needs to know of a calibrated scanner.

    Parameters
    ----------
    calibration
        The calibration.
    heads
        Names of the heads that are used.
    first_count
        Unwrapped encoder count of the line with belt travel 0.
    """
    geometries = {}
    low, high = [], []
    for name in heads:
        sheet = calibration.sheet(name)
        region = calibration.regions[name]
        model = calibration.head(name)
        fan = (sheet.fan_y_mm, sheet.fan_z_mm)
        geometries[name] = HeadGeometry(
            tilt_deg=sheet.tilt_deg,
            skew_deg=sheet.skew_deg,
            offset_mm=sheet.offset_mm,
            fan_mm=fan if np.isfinite(fan).all() else None,
            viewpoint_mm=model.centre_mm,
            modes=_modes(calibration, name),
            mm_per_row=_mm_per_row(calibration, name),
            in_region=_region_of(calibration, name),
        )
        low.append(float(region.y_mm[0]))
        high.append(float(region.y_mm[-1]))
        # the sensor may see further than the block came; that ground is gridded too, and flagged
        columns = np.array([0.0, model.sensor_size[0] - 1.0])
        _, row = model.from_plane(0.5 * (low[-1] + high[-1]), 0.0)
        y, _ = model.to_plane(columns, row)
        if np.isfinite(y).all():
            low[-1] = min(low[-1], float(y.min()))
            high[-1] = max(high[-1], float(y.max()))
    return ShapeGeometry(
        heads=geometries,
        y_first_mm=min(low),
        y_last_mm=max(high),
        mm_per_count=calibration.mm_per_count,
        first_count=first_count,
    )


def belt_lines(table: LineTable, first: int, stop: int, *, mm_per_count: float) -> BeltLines:
    """Belt travel of lines first to stop - 1 of a recording; 0 at its first line."""
    count = table.count[first:stop].astype(np.float64)
    number = table.line[max(first - 1, 0) : stop]
    missing = np.zeros(stop - first, dtype=np.int64)
    jumps = np.maximum(np.diff(number) - 1, 0)
    missing[len(missing) - len(jumps) :] = jumps
    return BeltLines(e_mm=(count - float(table.count[0])) * mm_per_count, n_missing_before=missing)


def lines_to_mm(
    calibration: ScannerCalibration,
    head: str,
    lines: LaserLines,
    *,
    first_column: int,
    first_row: int,
    exposure_us: Floats | None = None,
    laser_power: Floats | None = None,
) -> HeadLines:
    """Turn laser lines of one head into samples in its sheet.

    Parameters
    ----------
    calibration, head
        The calibration and the head's name.
    lines
        Laser lines, rows counted from the payload's first row.
    first_column, first_row
        The payload's origin on the sensor, turned so that rows are height.
    exposure_us, laser_power
        Of each line, where recorded, shape (n_lines,).
    """
    return rows_to_mm(
        calibration, head, lines.row_px + np.float32(first_row),
        first_column=first_column, u_row_px=lines.u_row_px, reflectance=lines.reflectance,
        line_width_px=lines.width_px, glare=(lines.quality & np.uint8(Quality.CLIPPED)) != 0,
        exposure_us=exposure_us, laser_power=laser_power,
    )  # fmt: skip


def rows_to_mm(
    calibration: ScannerCalibration,
    head: str,
    row_px: Singles,
    *,
    first_column: int,
    u_row_px: Singles | float,
    reflectance: Singles | None = None,
    line_width_px: Singles | None = None,
    glare: npt.NDArray[np.bool_] | None = None,
    exposure_us: Floats | None = None,
    laser_power: Floats | None = None,
) -> HeadLines:
    """Turn sensor rows, shape (n_lines, n_columns), into samples in the head's sheet."""
    model = calibration.head(head)
    n_lines, n_columns = row_px.shape
    column = np.arange(first_column, first_column + n_columns, dtype=np.float64)
    # mm of height a row stands for: changes slowly over the sensor, one value a column will do
    some = row_px[::4, ::8]
    some = some[np.isfinite(some)]
    middle = float(np.median(some)) if some.size else 0.5 * model.sensor_size[1]
    per_row = np.abs(
        model.to_plane(column, middle + 0.5)[1] - model.to_plane(column, middle - 0.5)[1]
    )
    u_z = np.asarray(u_row_px, np.float32) * per_row.astype(np.float32)
    y_mm, z_mm = model.lines_to_plane(column, row_px)
    if reflectance is not None and head in calibration.responses:
        reflectance = reflectance * reflectance_factor(
            calibration, head, column, z_mm,
            exposure_us=_per_line(exposure_us), laser_power=_per_line(laser_power),
        )  # fmt: skip
    return HeadLines(
        y_mm=y_mm,
        z_mm=z_mm,
        u_z_mm=u_z if u_z.shape == row_px.shape else np.tile(u_z, (n_lines, 1)),
        reflectance=reflectance,
        line_width_px=line_width_px,
        glare=glare,
    )


def _per_line(values: Floats | None) -> Floats | None:
    """One value a line, to go with its columns; None where any is unknown."""
    return None if values is None or np.isnan(values).any() else values[:, None]


def _mm_per_row(calibration: ScannerCalibration, head: str) -> float:
    model, region = calibration.head(head), calibration.regions[head]
    column, row = model.from_plane(0.5 * float(region.y_mm[0] + region.y_mm[-1]), 10.0)
    above, below = model.to_plane(column, row + 0.5)[1], model.to_plane(column, row - 0.5)[1]
    return abs(float(above - below))


def _modes(calibration: ScannerCalibration, head: str) -> CommonModes:
    region = calibration.regions[head]
    y = np.linspace(region.y_mm[0], region.y_mm[-1], 41)
    z = np.linspace(0.0, max(float(region.high_mm.max()), 10.0), 13)
    delta = common_modes(calibration, head, y[:, None], z[None, :])
    middle = 0.5 * float(y[0] + y[-1])
    further = common_modes(calibration, head, middle, 0.0, x_mm=1.0)
    here = common_modes(calibration, head, middle, 0.0, x_mm=0.0)
    return CommonModes(y_mm=y, z_mm=z, delta_mm=delta, stretch=(further - here)[:, 0])


class _region_of:  # noqa: N801 - reads as a function where it is used
    """Say which points a head's calibration covers; can be sent between processes."""

    def __init__(self, calibration: ScannerCalibration, head: str) -> None:
        self._calibration, self._head = calibration, head

    def __call__(self, y_mm: Floats, z_mm: Floats) -> npt.NDArray[np.bool_]:
        return in_region(self._calibration, self._head, y_mm, z_mm)
