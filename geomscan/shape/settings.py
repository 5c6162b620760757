"""Settings of the shape: the grid and the edge."""

from typing import Annotated

from pydantic import Field

from geomscan.files import FileModel

__all__ = ["EdgeSettings", "GridSettings", "ShapeSettings"]


class GridSettings(FileModel):
    """The belt grid that samples are brought onto."""

    cell_mm: Annotated[float, Field(ge=0.1, le=5.0)] = 0.5
    longest_piece_mm: Annotated[float, Field(ge=100.0, le=10_000.0)] = 2500.0
    smallest_piece_cm3: Annotated[float, Field(gt=0.0, le=100.0)] = 0.3


class EdgeSettings(FileModel):
    """Correction for material that is absent below an overhanging rim; off unless asked for.

    undercut_mm is how far the foot of a steep rim lies inside its outline, on the mean over the
    rim; the cavity's section is taken as a triangle of that depth and the rim's height.
    """

    undercut_mm: Annotated[float, Field(ge=0.0, le=30.0)] = 0.0
    u_undercut_mm: Annotated[float, Field(ge=0.0, le=30.0)] = 0.0


class ShapeSettings(FileModel):
    """Tables `[grid]` and `[edge]` of a settings file."""

    grid: GridSettings = GridSettings()
    edge: EdgeSettings = EdgeSettings()
