"""Mass of one piece cell by cell, its errors kept apart: any part has mass and budget alike."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from geomscan.shape.piece_map import PieceMap

__all__ = ["MassMap", "MassTerm"]

Floats = npt.NDArray[np.float64]
Changes = npt.NDArray[np.floating]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class MassTerm:
    """One common error: change of each cell's mass and volume per standard uncertainty, (n_x, n_y).

    at_surface says where a change sits: True for errors of thickness (they add or take material at
    the top surface, which a slanted blade gives to another slice than the cell's middle), False for
    errors that scale the whole cell (density, tissue share).
    """

    name: str
    scope: Literal["piece", "run"]
    delta_g: Changes
    delta_mm3: Changes
    at_surface: bool


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class MassMap:
    """Cell masses of one piece, shape (n_x, n_y), 0 where the piece is not.

    density_g_mm3 is the mean density of each cell's column; mass = volume · density; without a
    stated density every mass is NaN and has_density is False. fat_g is the part of mass_g that is
    fat, fat_mm3 the part of volume_mm3. piece is the map that the masses belong to: where the
    density carries a height offset, its thickness is already corrected for it.
    """

    piece: PieceMap
    volume_mm3: Floats
    density_g_mm3: Floats
    mass_g: Floats
    fat_g: Floats
    u_independent_g: Changes
    u_independent_mm3: Changes
    terms: tuple[MassTerm, ...]
    has_density: bool
    fat_mm3: Floats | None = None
    #: figures for the report: height_offset_mm taken off, fat_depth_mm, fat_at_lean_density (0, 1)
    extra: dict[str, float] = field(default_factory=dict)
