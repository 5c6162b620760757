"""One piece as a map: the unit that tissue, mass, profiles and cuts work on."""

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

__all__ = ["ErrorTerm", "PieceMap", "Sight"]

Floats = npt.NDArray[Any]  # of single precision, as pieces are found, or double


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ErrorTerm:
    """One common error of a piece: what one standard uncertainty of it does to every cell.

    delta_mm, shape (n_x, n_y), is the change of thickness that one standard uncertainty of the
    cause brings to each cell; errors along x or y are given as the change of thickness with the
    same effect on volume. Terms are independent of each other. scope "piece": drawn anew for each
    piece (belt zero, shadow, light under the surface); "run": one draw for all pieces of a run
    (block, calibration).
    """

    name: str
    scope: Literal["piece", "run"]
    delta_mm: Floats


@dataclass(frozen=True, kw_only=True, slots=True)
class Sight:
    """Where a piece's light came from and went to.

    viewpoints_mm: (x, y, z) of each camera's viewpoint, x from the sheet of light; fan_mm: (y, z)
    of the light's apparent source.
    """

    viewpoints_mm: tuple[tuple[float, float, float], ...]
    fan_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PieceMap:
    """Thickness map of one piece on the belt grid; arrays are (n_x, n_y): x along, y across.

    Cell (i, j) is centred at x = x_first_mm + i·cell_mm, y = y_first_mm + j·cell_mm. thickness_mm
    is the mean over the covered part of the cell, NaN where the piece is not; cover is the share of
    the cell's area that the piece covers, 0 to 1, so that volume = Σ cover·thickness·cell_mm².
    Optional surface maps are NaN where nothing was seen.
    """

    piece: int
    lane: int
    x_first_mm: float
    y_first_mm: float
    cell_mm: float
    thickness_mm: Floats
    cover: Floats
    u_independent_mm: Floats  #: independent from cell to cell (effective: sums in quadrature)
    x0_mm: float  #: leading edge: smallest x of the whole outline, belt x of s = 0
    u_x0_mm: float
    length_mm: float  #: extent along x
    width_mm: float  #: extent along y
    lane_middle_mm: float = 0.0  #: y_c of the conventions in DEVELOPERS.md
    encoder: float = float("nan")  #: unwrapped count when s = 0 passes the sheet at y = z = 0
    terms: tuple[ErrorTerm, ...] = ()
    flags: frozenset[str] = frozenset()
    reflectance: Floats | None = None  #: corrected for the response of the scanner
    line_width_px: Floats | None = None
    shadow: npt.NDArray[np.uint8] | None = None  #: 0 seen, 1 no camera, 2 unlit
    glare: npt.NDArray[np.bool_] | None = None
    sight: Sight | None = None  #: None where it isn't known of every head
    extra: dict[str, float] = field(default_factory=dict)  #: shares and figures for the report

    @property
    def cell_volume_mm3(self) -> npt.NDArray[np.float64]:
        """Volume in each cell, 0 where the piece is not; shape (n_x, n_y)."""
        covered: npt.NDArray[np.float64] = self.cover.astype(np.float64)
        return np.nan_to_num(self.thickness_mm * covered) * self.cell_mm**2
