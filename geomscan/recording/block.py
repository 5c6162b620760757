"""The reference-block file: a certified solid: a known profile across the belt, or a round one."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator

from geomscan.errors import InputError
from geomscan.files import FileModel, parse_model, read_toml
from geomscan.recording.contract import refuse

__all__ = [
    "Face",
    "ReferenceBlock",
    "Ridge",
    "RoundReference",
    "RoundShape",
    "Tread",
    "read_block",
    "read_reference",
]

Floats = npt.NDArray[np.float64]
NotNegative = Annotated[float, Field(ge=0)]


@dataclass(frozen=True, kw_only=True, slots=True)
class Tread:
    """A flat step from left to right, at one height; `first` is its first point."""

    left_mm: float
    right_mm: float
    height_mm: float
    first: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Face:
    """An upright face: one across value, two heights; `first` is its first point."""

    across_mm: float
    from_mm: float
    to_mm: float
    first: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Ridge:
    """A sloping segment from (across, height) to (across, height); `first` is its first point."""

    from_mm: tuple[float, float]
    to_mm: tuple[float, float]
    first: int


class ReferenceBlock(FileModel):
    """A block's certificate; lengths in mm at `reference_temperature_c`.

    `points` run from the left foot to the right foot facing downstream; upright faces repeat the
    across value. `u_across_mm` and `u_height_mm` are independent from point to point,
    `u_common_height_mm` is shared by all heights.
    """

    name: str
    serial: str = ""
    certificate: str = ""
    expansion_per_k: float = 0.0
    reference_temperature_c: float = 20.0  # ISO 1
    length_mm: Annotated[float, Field(gt=0)]
    u_length_mm: NotNegative
    u_square_mm: NotNegative = 0.0
    points: Annotated[tuple[tuple[float, float], ...], Field(min_length=4)]
    u_across_mm: NotNegative
    u_height_mm: NotNegative
    u_common_height_mm: NotNegative = 0.0
    reflectance: Annotated[float, Field(gt=0, le=1)] | None = None

    @model_validator(mode="after")
    def _closed_profile(self) -> Self:
        across, height = self.profile_mm.T

        if height[0] != 0 or height[-1] != 0:
            refuse(
                f"points: expected to start and end on the belt at height 0, got {height[0]:g} "
                f"and {height[-1]:g}"
            )
        for at in np.flatnonzero(height < 0):
            refuse(f"points: point {at + 1}: expected height >= 0, got {height[at]:g}")
        for at in np.flatnonzero(np.diff(across) < 0):
            refuse(
                f"points: point {at + 2}: across must not fall from left foot to right foot, got "
                f"{across[at]:g} then {across[at + 1]:g}"
            )
        for at in np.flatnonzero((np.diff(across) == 0) & (np.diff(height) == 0)):
            refuse(f"points: points {at + 1} and {at + 2} are the same")
        if across[0] == across[-1] or not height.any():
            refuse("points: expected a profile with width and height")
        return self

    @property
    def profile_mm(self) -> Floats:
        """The points as an array, shape (n, 2): across, height."""
        return np.array(self.points, dtype=np.float64).reshape(-1, 2)

    @property
    def width_mm(self) -> float:
        """Across the block, foot to foot."""
        return self.points[-1][0] - self.points[0][0]

    @property
    def height_mm(self) -> float:
        """The highest point."""
        return max(height for _, height in self.points)

    @property
    def treads(self) -> tuple[Tread, ...]:
        """Flat steps above the belt, left to right."""
        return tuple(
            Tread(left_mm=a[0], right_mm=b[0], height_mm=a[1], first=at)
            for at, (a, b) in self._segments()
            if a[1] == b[1] and a[1] > 0
        )

    @property
    def faces(self) -> tuple[Face, ...]:
        """Upright faces, left to right; from_mm < to_mm where the profile rises to the right."""
        return tuple(
            Face(across_mm=a[0], from_mm=a[1], to_mm=b[1], first=at)
            for at, (a, b) in self._segments()
            if a[0] == b[0]
        )

    @property
    def ridges(self) -> tuple[Ridge, ...]:
        """Sloping segments, left to right."""
        return tuple(
            Ridge(from_mm=a, to_mm=b, first=at)
            for at, (a, b) in self._segments()
            if a[0] != b[0] and a[1] != b[1]
        )

    def is_own_mirror_image(self, *, tolerance_mm: float = 0.1) -> bool:
        """Whether left and right look the same: mean height difference within the tolerance."""
        points = self.profile_mm
        across = self.points[0][0] + self.width_mm * (np.arange(4000) + 0.5) / 4000
        height = np.interp(across, points[:, 0], points[:, 1])
        return bool(np.mean(np.abs(height - height[::-1])) <= tolerance_mm)

    def turned_end_for_end(self) -> Self:
        """Give the block as it lies when its points run right to left facing downstream."""
        first = self.points[0][0]
        last = self.points[-1][0]
        points = tuple((first + (last - across), height) for across, height in self.points[::-1])
        return self.model_copy(update={"points": points})

    def at_temperature(self, temperature_c: float) -> Self:
        """Scale all lengths from the reference temperature to another."""
        scale = 1 + self.expansion_per_k * (temperature_c - self.reference_temperature_c)
        return self.model_copy(
            update={
                "points": tuple((scale * a, scale * h) for a, h in self.points),
                "length_mm": scale * self.length_mm,
                "reference_temperature_c": temperature_c,
            }
        )

    def _segments(
        self,
    ) -> list[tuple[int, tuple[tuple[float, float], tuple[float, float]]]]:
        return list(enumerate(zip(self.points[:-1], self.points[1:], strict=True)))


class RoundShape(FileModel):
    """A part of a ball, or of a lying cylinder, cut flat: what its certificate says.

    `height_mm` is that of its top over the belt: less than the radius for a cap, more for a ball
    that stands out below its widest part.
    """

    kind: Literal["sphere", "cylinder"]
    radius_mm: Annotated[float, Field(gt=0)]
    u_radius_mm: NotNegative
    height_mm: Annotated[float, Field(gt=0)]

    @model_validator(mode="after")
    def _not_higher_than_itself(self) -> Self:
        if self.height_mm > 2 * self.radius_mm:
            refuse(f"height_mm: expected at most the diameter, got {self.height_mm:g}")
        return self


class RoundReference(FileModel):
    """A certified ball or cylinder that probing errors are measured on; it cannot calibrate.

    Lengths in mm at `reference_temperature_c`.
    """

    name: str
    serial: str = ""
    certificate: str = ""
    expansion_per_k: float = 0.0
    reference_temperature_c: float = 20.0  # ISO 1
    shape: RoundShape

    def radius_at(self, temperature_c: float | None) -> float:
        """Give the radius at a temperature; that of the certificate where none is known."""
        if temperature_c is None:
            return self.shape.radius_mm
        scale = 1 + self.expansion_per_k * (temperature_c - self.reference_temperature_c)
        return scale * self.shape.radius_mm


def read_reference(path: Path) -> ReferenceBlock | RoundReference:
    """Read and check a reference-block file of either kind: with `points` or with `[shape]`.

    Raises
    ------
    InputError
        If the file is absent, of another kind, or what it describes is not a solid.
    """
    content = read_toml(path, "block")
    if "shape" in content:
        return parse_model(RoundReference, content, path)
    return parse_model(ReferenceBlock, content, path)


def read_block(path: Path) -> ReferenceBlock:
    """Read and check the file of a reference block with a profile.

    Raises
    ------
    InputError
        If the file is absent, of another kind, or its profile is not a closed solid.
    """
    found = read_reference(path)
    if isinstance(found, RoundReference):
        msg = f"{path}: shape: a {found.shape.kind} serves to verify: expected a block with points"
        raise InputError(msg)
    return found
