"""The scanner calibration: what turns (column, row, count) into (x, y, z), with its covariance."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import numpy.typing as npt
from pydantic import Field

from geomscan.errors import InputError
from geomscan.files import FileModel, parse_model, read_json, write_json
from geomscan.scanner.head import DISTORTION_NAMES, HeadModel
from geomscan.scanner.response import Response, ResponseFile

__all__ = [
    "Region",
    "ScannerCalibration",
    "Sheet",
    "in_region",
    "read_calibration",
    "reflectance_factor",
    "to_belt",
    "write_calibration",
]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """One laser's sheet of light: a lit point has x = e + offset + z·tan(tilt) + y·tan(skew).

    e is the belt travel. tilt > 0: the top leans upstream. The fan spreads from (fan_y, fan_z);
    NaN where no shadow told. offset_mm parts several lasers along the belt; the first has 0.
    """

    laser: str
    tilt_deg: float
    skew_deg: float
    u_tilt_deg: float
    u_skew_deg: float
    offset_mm: float = 0.0
    u_offset_mm: float = 0.0
    fan_y_mm: float = float("nan")
    fan_z_mm: float = float("nan")
    u_fan_y_mm: float = float("nan")
    u_fan_z_mm: float = float("nan")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Region:
    """What the block and the bare belt covered: low(y) ≤ z ≤ high(y), both piecewise linear."""

    y_mm: Floats
    low_mm: Floats
    high_mm: Floats

    def outside_mm(self, y_mm: npt.ArrayLike, z_mm: npt.ArrayLike) -> Floats:
        """How far points lie outside, 0 inside, NaN for NaN."""
        y, z = np.asarray(y_mm, dtype=np.float64), np.asarray(z_mm, dtype=np.float64)
        beside = np.maximum(np.maximum(self.y_mm[0] - y, y - self.y_mm[-1]), 0)
        over = np.maximum(z - np.interp(y, self.y_mm, self.high_mm), 0)
        under = np.maximum(np.interp(y, self.y_mm, self.low_mm) - z, 0)
        return np.asarray(np.hypot(beside, over + under))


@dataclass(frozen=True, kw_only=True, eq=False)
class ScannerCalibration:
    """A calibrated scanner.

    Parameters
    ----------
    heads : dict of HeadModel
        By name.
    sheets : dict of Sheet
        By the laser's name.
    mm_per_count, u_mm_per_count : float
        Belt travel a count stands for; < 0 where counts fall in forward running.
    parameter_names, parameters, covariance
        All that was fitted; covariance is enlarged where residuals showed structure above noise.
        The names of the scanner's own parameters begin with "head.", "sheet." or "belt.".
    regions : dict of Region
        Where each head's model holds.
    responses : dict of Response
        How bright each head sees a surface, relative to its reference place.
    figures : dict
        Residual figures, by head and overall.
    origin : dict
        What it came from: block, recordings with hashes, date, temperature, assumptions, warnings.
    observations : dict of list
        What it was fitted to, column by column.
    """

    heads: Mapping[str, HeadModel]
    sheets: Mapping[str, Sheet]
    mm_per_count: float
    u_mm_per_count: float
    parameter_names: tuple[str, ...]
    parameters: Floats
    covariance: Floats
    regions: Mapping[str, Region]
    responses: Mapping[str, Response] = field(default_factory=dict)
    figures: Mapping[str, Any] = field(default_factory=dict)
    origin: Mapping[str, Any] = field(default_factory=dict)
    observations: Mapping[str, list[Any]] = field(default_factory=dict)
    blade_x_mm: float | None = None
    u_blade_x_mm: float | None = None

    def sheet(self, head: str) -> Sheet:
        """Give the sheet that a head watches."""
        return self.sheets[self.head(head).laser]

    def head(self, name: str) -> HeadModel:
        """Give a head's model.

        Raises
        ------
        InputError
            If the calibration has no head of that name.
        """
        if name not in self.heads:
            msg = f'head "{name}": the calibration knows {", ".join(sorted(self.heads))}'
            raise InputError(msg)
        return self.heads[name]

    def check_recording(self, sizes: Mapping[str, tuple[int, int]], *, where: str) -> None:
        """Refuse a recording whose heads are not the calibration's own.

        Parameters
        ----------
        sizes : dict
            Sensor size (columns, rows) of each head, turned so that rows are height.
        where : str
            Names the recording in the message.

        Raises
        ------
        InputError
            If names or sensor sizes differ.
        """
        if set(sizes) != set(self.heads):
            msg = (
                f"{where}: heads {', '.join(sorted(sizes))}: expected the calibration's own heads, "
                f"{', '.join(sorted(self.heads))}"
            )
            raise InputError(msg)
        for name, size in sizes.items():
            if tuple(size) != self.heads[name].sensor_size:
                msg = (
                    f"{where}: head {name}: sensor of {size[0]} × {size[1]} pixels (columns × "
                    "rows), "
                    f"calibrated was one of {self.heads[name].sensor_size[0]} × "
                    f"{self.heads[name].sensor_size[1]}"
                )
                raise InputError(msg)

    @cached_property
    def scanner_parameters(self) -> npt.NDArray[np.intp]:
        """Indices of the parameters that describe the scanner, not the block or its passes."""
        own = ("head.", "sheet.", "belt.")
        return np.array(
            [i for i, name in enumerate(self.parameter_names) if name.startswith(own)],
            dtype=np.intp,
        )

    @property
    def tilt_deg(self) -> float:
        """Tilt of the first sheet."""
        return next(iter(self.sheets.values())).tilt_deg

    @property
    def skew_deg(self) -> float:
        """Skew of the first sheet."""
        return next(iter(self.sheets.values())).skew_deg

    @property
    def fan_y_mm(self) -> float:
        """Where the first sheet's fan starts, y; NaN where not known."""
        return next(iter(self.sheets.values())).fan_y_mm

    @property
    def fan_z_mm(self) -> float:
        """Where the first sheet's fan starts, z; NaN where not known."""
        return next(iter(self.sheets.values())).fan_z_mm


def to_belt(
    calibration: ScannerCalibration,
    head: str,
    e_mm: npt.ArrayLike,
    column_px: npt.ArrayLike,
    row_px: npt.ArrayLike,
) -> tuple[Floats, Floats, Floats]:
    """Turn sensor positions at belt travel e into belt coordinates x, y, z (all mm; broadcast)."""
    y_mm, z_mm = calibration.head(head).to_plane(column_px, row_px)
    sheet = calibration.sheet(head)
    x_mm = (
        np.asarray(e_mm, dtype=np.float64)
        + sheet.offset_mm
        + z_mm * np.tan(np.radians(sheet.tilt_deg))
        + y_mm * np.tan(np.radians(sheet.skew_deg))
    )
    return x_mm, y_mm, z_mm


def in_region(
    calibration: ScannerCalibration, head: str, y_mm: npt.ArrayLike, z_mm: npt.ArrayLike
) -> npt.NDArray[np.bool_]:
    """Say where a head's model is covered by the block passes; False for NaN."""
    outside = calibration.regions[calibration.head(head).name].outside_mm(y_mm, z_mm)
    return np.asarray(outside <= 0)


def reflectance_factor(
    calibration: ScannerCalibration,
    head: str,
    column_px: npt.ArrayLike,
    height_mm: npt.ArrayLike,
    *,
    exposure_us: npt.ArrayLike | None = None,
    laser_power: npt.ArrayLike | None = None,
) -> npt.NDArray[np.floating[Any]]:
    """Factor that makes reflectance alike over columns, heights, exposure and laser power.

    1 where the response was not calibrated.
    """
    response = calibration.responses.get(calibration.head(head).name)
    if response is None:
        return np.ones(np.broadcast_shapes(np.shape(column_px), np.shape(height_mm)))
    return response.factor(column_px, height_mm, exposure_us=exposure_us, laser_power=laser_power)


class _HeadFile(FileModel):
    laser: str
    sensor_size: tuple[Annotated[int, Field(gt=0)], Annotated[int, Field(gt=0)]]
    homography: list[list[float]]
    distortion: dict[str, float]
    centre_mm: tuple[float, float, float] | None = None
    region_y_mm: Annotated[list[float], Field(min_length=2)]
    region_low_mm: list[float]
    region_high_mm: list[float]
    response: ResponseFile | None = None


class _SheetFile(FileModel):
    tilt_deg: float
    skew_deg: float
    u_tilt_deg: float
    u_skew_deg: float
    offset_mm: float = 0.0
    u_offset_mm: float = 0.0
    fan_y_mm: float | None = None
    fan_z_mm: float | None = None
    u_fan_y_mm: float | None = None
    u_fan_z_mm: float | None = None


class _ParameterFile(FileModel):
    name: str
    value: float
    unit: str = ""


class _CalibrationFile(FileModel):
    conventions: str = ""
    heads: Annotated[dict[str, _HeadFile], Field(min_length=1)]
    sheets: Annotated[dict[str, _SheetFile], Field(min_length=1)]
    mm_per_count: float
    u_mm_per_count: float
    blade_x_mm: float | None = None
    u_blade_x_mm: float | None = None
    figures: dict[str, Any] = Field(default_factory=dict)
    origin: dict[str, Any] = Field(default_factory=dict)
    parameters: list[_ParameterFile]
    covariance: list[list[float]]  #: lower triangle, row by row
    observations: dict[str, list[Any]] = Field(default_factory=dict)


CONVENTIONS = (
    "mm, degrees, counts. x along the belt, growing with its travel (upstream); y to the "
    "right facing downstream; z up from the bare belt. Columns and rows count pixels of the "
    "whole sensor, turned so that rows are height; pixel centres are whole numbers. u = "
    "(column - (n_columns - 1)/2) / (n_columns/2), v = (row - (n_rows - 1)/2) / "
    "(n_columns/2); u, v through the lens terms k1 k2 p1 p2 k3, then (y, z, 1) ~ homography "
    "(u', v', 1). x = travel + offset + z tan(tilt) + y tan(skew). u_ is a standard "
    "uncertainty; the covariance is the lower triangle, row by row, in the order of the "
    "parameters."
)


def write_calibration(calibration: ScannerCalibration, path: Path) -> None:
    """Write a calibration file; it appears whole or not at all."""
    heads = {}
    for name, head in calibration.heads.items():
        region = calibration.regions[name]
        response = calibration.responses.get(name)
        heads[name] = {
            "laser": head.laser,
            "sensor_size": head.sensor_size,
            "homography": head.homography,
            "distortion": dict(zip(DISTORTION_NAMES, head.distortion.tolist(), strict=True)),
            "centre_mm": head.centre_mm,
            "region_y_mm": region.y_mm,
            "region_low_mm": region.low_mm,
            "region_high_mm": region.high_mm,
            "response": None if response is None else response.to_file(),
        }
    sheets = {
        laser: {key: getattr(sheet, key) for key in _SheetFile.model_fields}
        for laser, sheet in calibration.sheets.items()
    }
    units = {name: parameter_unit(name) for name in calibration.parameter_names}
    write_json(path, "scanner", {
        "conventions": CONVENTIONS,
        "heads": heads,
        "sheets": sheets,
        "mm_per_count": calibration.mm_per_count,
        "u_mm_per_count": calibration.u_mm_per_count,
        "blade_x_mm": calibration.blade_x_mm,
        "u_blade_x_mm": calibration.u_blade_x_mm,
        "figures": calibration.figures,
        "origin": calibration.origin,
        "parameters": [
            {"name": name, "value": value, "unit": units[name]}
            for name, value in zip(
                calibration.parameter_names, calibration.parameters.tolist(), strict=True
            )
        ],
        "covariance": [
            row[: i + 1].tolist() for i, row in enumerate(np.asarray(calibration.covariance))
        ],
        "observations": calibration.observations,
    }, indent=None)  # fmt: skip


def parameter_unit(name: str) -> str:
    """Give the unit of a fitted parameter, from its name."""
    units = {"_mm": "mm", "_deg": "deg", "_per_count": "mm", "_mrad": "mrad", "_percent": "%"}
    for ending, unit in units.items():
        if name.endswith(ending):
            return unit
    return "1"


def read_calibration(path: Path) -> ScannerCalibration:
    """Read a calibration file.

    Raises
    ------
    InputError
        If the file is absent, of another kind or version, or does not hold together.
    """
    content = parse_model(_CalibrationFile, read_json(path, "scanner"), path)
    n = len(content.parameters)
    covariance = np.zeros((n, n))
    if len(content.covariance) != n or any(
        len(row) != i + 1 for i, row in enumerate(content.covariance)
    ):
        msg = f"{path}: covariance: expected a lower triangle for {n} parameters"
        raise InputError(msg)
    for i, row in enumerate(content.covariance):
        covariance[i, : i + 1] = covariance[: i + 1, i] = row
    heads, regions, responses = {}, {}, {}
    for name, head in content.heads.items():
        if head.laser not in content.sheets:
            known = ", ".join(content.sheets)
            msg = f'{path}: heads.{name}.laser: "{head.laser}" is none of sheets: {known}'
            raise InputError(msg)
        unknown = set(head.distortion) - set(DISTORTION_NAMES)
        if unknown:
            msg = f"{path}: heads.{name}.distortion: unknown terms {', '.join(sorted(unknown))}"
            raise InputError(msg)
        heads[name] = HeadModel(
            name=name,
            laser=head.laser,
            sensor_size=head.sensor_size,
            homography=np.array(head.homography, dtype=np.float64),
            distortion=np.array([head.distortion.get(key, 0.0) for key in DISTORTION_NAMES]),
            centre_mm=head.centre_mm,
        )
        if not len(head.region_y_mm) == len(head.region_low_mm) == len(head.region_high_mm):
            msg = (
                f"{path}: heads.{name}: region_y_mm, region_low_mm, region_high_mm differ in length"
            )
            raise InputError(msg)
        regions[name] = Region(
            y_mm=np.array(head.region_y_mm),
            low_mm=np.array(head.region_low_mm),
            high_mm=np.array(head.region_high_mm),
        )
        if head.response is not None:
            responses[name] = Response.from_file(head.response, head.sensor_size)
    nan = float("nan")
    sheets = {
        laser: Sheet(
            laser=laser,
            **{k: nan if v is None else v for k, v in sheet.model_dump().items()},
        )
        for laser, sheet in content.sheets.items()
    }
    return ScannerCalibration(
        heads=heads,
        sheets=sheets,
        mm_per_count=content.mm_per_count,
        u_mm_per_count=content.u_mm_per_count,
        parameter_names=tuple(p.name for p in content.parameters),
        parameters=np.array([p.value for p in content.parameters]),
        covariance=covariance,
        regions=regions,
        responses=responses,
        figures=content.figures,
        origin=content.origin,
        observations=content.observations,
        blade_x_mm=content.blade_x_mm,
        u_blade_x_mm=content.u_blade_x_mm,
    )
