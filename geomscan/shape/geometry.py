"""What the shape needs to know about the scanner, and the lines that come in."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.shape.piece_map import Sight

__all__ = [
    "BeltLines",
    "CommonModes",
    "HeadGeometry",
    "HeadLines",
    "ShapeGeometry",
    "lines_of_sight",
]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CommonModes:
    """Common errors of a head's coordinates, tabulated on a coarse grid of the sheet.

    delta_mm, shape (n_modes, 3, n_y, n_z), holds what one standard uncertainty of each independent
    cause does to (x, y, z) at the nodes y_mm, z_mm; stretch, shape (n_modes,), is the relative
    stretch along the belt.
    """

    y_mm: Floats
    z_mm: Floats
    delta_mm: Floats
    stretch: Floats


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class HeadGeometry:
    """One head and the sheet it watches, in the belt frame.

    A lit point has x = e + offset + z·tan(tilt) + y·tan(skew), e being the belt travel. fan_mm is
    the (y, z) of the light's apparent source, viewpoint_mm the camera's (x, y, z) from the sheet's
    foot; None where not known: then the light is taken to come from 900 mm above the middle of the
    belt, and lines of sight as 45° steep on both sides.
    """

    tilt_deg: float = 0.0
    skew_deg: float = 0.0
    offset_mm: float = 0.0
    fan_mm: tuple[float, float] | None = None
    viewpoint_mm: tuple[float, float, float] | None = None
    modes: CommonModes | None = None
    mm_per_row: float = 0.0  #: height a sensor row stands for
    #: (y, z) -> inside the calibrated region
    in_region: Callable[[Floats, Floats], npt.NDArray[np.bool_]] | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ShapeGeometry:
    """The scanner as far as the shape is concerned; y_first_mm to y_last_mm is gridded."""

    heads: Mapping[str, HeadGeometry]
    y_first_mm: float
    y_last_mm: float
    mm_per_count: float = float("nan")
    first_count: float = 0.0  #: unwrapped count of the line with belt travel 0

    def __post_init__(self) -> None:
        if not self.y_last_mm > self.y_first_mm:
            msg = f"belt: expected y first < last, got {self.y_first_mm} to {self.y_last_mm} mm"
            raise InputError(msg)
        if not self.heads:
            msg = "shape geometry: expected at least one head, got none"
            raise InputError(msg)

    @property
    def seen_from(self) -> Sight | None:
        """Where the cameras and the light are, if that is known of all heads."""
        heads = list(self.heads.values())
        points = tuple(head.viewpoint_mm for head in heads if head.viewpoint_mm is not None)
        fan_mm = heads[0].fan_mm
        if fan_mm is None or len(points) < len(heads):
            return None
        return Sight(viewpoints_mm=points, fan_mm=fan_mm)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BeltLines:
    """Belt travel of consecutive lines, shape (n_lines,); it may stand still, run back or jump.

    n_missing_before says how many lines were lost just before each line.
    """

    e_mm: Floats
    n_missing_before: npt.NDArray[np.int64] | None = None

    def part(self, lines: slice) -> "BeltLines":
        """Give some of the lines."""
        missing = self.n_missing_before
        return BeltLines(
            e_mm=self.e_mm[lines],
            n_missing_before=None if missing is None else missing[lines],
        )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class HeadLines:
    """One head's samples of consecutive lines in the sheet, shape (n_lines, n_columns).

    y_mm and z_mm are NaN where there is no line. u_z_mm is the independent standard uncertainty of
    height (row noise times the mm a row stands for). The optional maps follow the samples.
    """

    y_mm: Singles
    z_mm: Singles
    u_z_mm: Singles
    reflectance: Singles | None = None
    line_width_px: Singles | None = None
    glare: npt.NDArray[np.bool_] | None = None

    def part(self, lines: slice) -> "HeadLines":
        """Give some of the lines."""
        maps = (self.reflectance, self.line_width_px)
        grey, width = (None if m is None else m[lines] for m in maps)
        return HeadLines(
            y_mm=self.y_mm[lines],
            z_mm=self.z_mm[lines],
            u_z_mm=self.u_z_mm[lines],
            reflectance=grey,
            line_width_px=width,
            glare=None if self.glare is None else self.glare[lines],
        )


def lines_of_sight(heads: Iterable[HeadGeometry]) -> tuple[float, float]:
    """Flattest sight that some head has onto flanks facing upstream (+x), and downstream.

    Given as dx per mm of descent at the belt; a head on the flank's own side sees it whole.
    """
    slopes = []
    for head in heads:
        if head.viewpoint_mm is None:
            slopes += [-1.0, 1.0]  # could be either
        else:
            slopes.append(head.viewpoint_mm[0] / head.viewpoint_mm[2])
    facing_up = max(-max(slopes), 0.05)
    facing_down = max(min(slopes), 0.05)
    if any(head.viewpoint_mm is None for head in heads):
        facing_up = facing_down = 1.0
    return facing_up, facing_down
