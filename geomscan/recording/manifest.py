"""recording.toml: what a recording says about itself."""

import math
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple, Self

from pydantic import Field, field_validator, model_validator

from geomscan.errors import InputError
from geomscan.files import FileModel, parse_model, read_toml
from geomscan.recording.contract import refuse

__all__ = [
    "MANIFEST_NAME",
    "Belt",
    "BlockPlacement",
    "HeadManifest",
    "Laser",
    "LineAxes",
    "PayloadKind",
    "RecordingManifest",
    "read_manifest",
]

MANIFEST_NAME = "recording.toml"

PayloadKind = Literal["frames", "range", "height"]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")]


class LineAxes(NamedTuple):
    """The whole sensor and the payload's first pixel, turned so that rows are height."""

    n_columns: int
    n_rows: int
    column0: int
    row0: int


class Belt(FileModel):
    """[belt]: lanes as y ranges in mm, left to right, and the travel a count stands for."""

    nominal_mm_per_count: float
    lanes: tuple[tuple[float, float], ...] = ((-math.inf, math.inf),)

    @field_validator("nominal_mm_per_count")
    @classmethod
    def _moves(cls, value: float) -> float:
        if value == 0:
            refuse("expected mm of belt travel per count, < 0 where counts fall, never 0")
        return value

    @field_validator("lanes")
    @classmethod
    def _ordered(cls, lanes: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        if not lanes:
            refuse("expected one [low, high] or more; leave lanes out for one over all")
        for number, (low, high) in enumerate(lanes, start=1):
            if not low < high:
                refuse(f"lane {number}: expected low < high, got [{low:g}, {high:g}]")
        for number, (left, right) in enumerate(pairwise(lanes), start=1):
            if left[1] > right[0]:
                refuse(
                    f"lanes {number} and {number + 1}: expected to lie in growing order without "
                    f"overlap, got [{left[0]:g}, {left[1]:g}] and [{right[0]:g}, {right[1]:g}]"
                )
        return lanes


class BlockPlacement(FileModel):
    """[block]: how the reference block lay in this pass."""

    across_mm: float | None = None
    u_across_mm: NotNegative = 1.0
    reversed: bool = False


class Laser(FileModel):
    """[lasers.<name>]."""

    wavelength_nm: Positive | None = None


class HeadManifest(FileModel):
    """[[heads]]: one camera watching one laser line."""

    name: Name
    laser: Name = "main"
    payload_is: PayloadKind
    payload: str
    rows_are_height: bool = True
    sensor_size: tuple[Annotated[int, Field(gt=0)], Annotated[int, Field(gt=0)]] | None = None
    roi_origin: tuple[Annotated[int, Field(ge=0)], Annotated[int, Field(ge=0)]] = (0, 0)
    bit_depth: Annotated[int, Field(ge=8, le=16)] = 8
    electrons_per_grey: Positive | None = None
    read_noise_grey: NotNegative | None = None
    black_level_grey: float | None = None
    pixel_um: Positive | None = None
    focal_mm: Positive | None = None
    f_number: Positive | None = None
    counts_per_row: Positive | None = None
    height_step_mm: Positive | None = None
    height_zero_mm: float | None = None
    y_start_mm: float | None = None
    y_step_mm: float | None = None
    reflectance: str | None = None
    line_width: str | None = None

    @model_validator(mode="after")
    def _fits_its_kind(self) -> Self:
        needed = {
            "frames": ("sensor_size",),
            "range": ("sensor_size", "counts_per_row"),
            "height": ("y_start_mm", "y_step_mm"),
        }
        foreign = {
            "frames": ("counts_per_row", *_HEIGHT_KEYS, "reflectance", "line_width"),
            "range": ("bit_depth", *_HEIGHT_KEYS),
            "height": ("bit_depth", "counts_per_row", "sensor_size", "roi_origin"),
        }
        for key in needed[self.payload_is]:
            if getattr(self, key) is None:
                refuse(f'head "{self.name}": {key} is required for a {self.payload_is} payload')
        for key in foreign[self.payload_is]:
            if key in self.model_fields_set:
                refuse(f'head "{self.name}": {key} has no meaning for a {self.payload_is} payload')
        if self.y_step_mm == 0:
            refuse(f'head "{self.name}": y_step_mm must not be 0')
        if (self.height_step_mm is None) != (self.height_zero_mm is None):
            refuse(f'head "{self.name}": height_step_mm and height_zero_mm go together')
        if self.sensor_size is not None:
            for axis, at, size in zip(
                ("column", "row"), self.roi_origin, self.sensor_size, strict=True
            ):
                if at >= size:
                    refuse(
                        f'head "{self.name}": roi_origin {axis} {at} lies outside the sensor of '
                        f"{self.sensor_size[0]} columns, {self.sensor_size[1]} rows"
                    )
        return self

    @property
    def saturation_grey(self) -> int:
        """The largest grey value that the bit depth can hold."""
        return (1 << self.bit_depth) - 1

    def line_axes(self) -> LineAxes:
        """Sensor size and origin in the turned sense, in which rows are height."""
        if self.sensor_size is None:
            msg = f'head "{self.name}": a height payload has no sensor'
            raise InputError(msg)
        (columns, rows), (column0, row0) = self.sensor_size, self.roi_origin
        if self.rows_are_height:
            return LineAxes(columns, rows, column0, row0)
        return LineAxes(rows, columns, row0, column0)


_HEIGHT_KEYS = ("height_step_mm", "height_zero_mm", "y_start_mm", "y_step_mm")


class RecordingManifest(FileModel):
    """recording.toml as a whole."""

    product: str = ""
    recorded: datetime | None = None
    temperature_c: Annotated[float, Field(gt=-273.15)] | None = None
    belt: Belt
    block: BlockPlacement | None = None
    lasers: dict[Name, Laser] = Field(default_factory=dict)
    heads: Annotated[tuple[HeadManifest, ...], Field(min_length=1)]

    @model_validator(mode="before")
    @classmethod
    def _one_laser_for_all(cls, data: Any) -> Any:
        """Where the file names one laser, heads that name none share it."""
        lasers, heads = data.get("lasers"), data.get("heads")
        if isinstance(lasers, dict) and len(lasers) == 1 and isinstance(heads, list):
            only = next(iter(lasers))
            heads = [{"laser": only, **h} if isinstance(h, dict) else h for h in heads]
            return {**data, "heads": heads}
        return data

    @model_validator(mode="after")
    def _heads_agree(self) -> Self:
        names = [head.name for head in self.heads]
        for name in names:
            if names.count(name) > 1:
                refuse(f'heads: two are named "{name}", expected names that differ')
        for head in self.heads:
            if self.lasers and head.laser not in self.lasers:
                known = ", ".join(sorted(self.lasers))
                refuse(f'head "{head.name}": laser "{head.laser}" is none of [lasers]: {known}')
        return self


def read_manifest(folder: Path) -> RecordingManifest:
    """Read and check recording.toml in a recording's folder.

    Raises
    ------
    InputError
        If the folder or file is absent, or a key is unknown, missing, of the wrong type or at
        odds with another.
    """
    path = folder / MANIFEST_NAME
    return parse_model(RecordingManifest, read_toml(path, "recording"), path)
