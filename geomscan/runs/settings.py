"""The settings file of a product: every section in one place."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import Field

from geomscan.files import FileModel, parse_model, read_toml, sha256_file
from geomscan.laser_line.settings import LineSettings
from geomscan.mass.density import DensitySettings
from geomscan.shape.settings import EdgeSettings, GridSettings, ShapeSettings
from geomscan.tissue.settings import TissueSettings

__all__ = ["BladeSettings", "LoadedSettings", "Settings", "load_settings"]

Angle = Annotated[float, Field(ge=-45, le=45)]


class BladeSettings(FileModel):
    """Section [blade]: how the machine downstream cuts."""

    angles_deg: Annotated[tuple[Angle, ...], Field(min_length=1, max_length=20)] = (0.0,)
    plan_angle_deg: Angle = 0.0
    step_mm: Annotated[float, Field(gt=0, le=20)] = 1.0
    kerf_mm: Annotated[float, Field(ge=0, le=20)] = 0.0


class Settings(FileModel):
    """A settings file; one per product."""

    density: DensitySettings = DensitySettings()
    grid: GridSettings = GridSettings()
    edge: EdgeSettings = EdgeSettings()
    line: LineSettings = LineSettings()
    tissue: TissueSettings = TissueSettings()
    blade: BladeSettings = BladeSettings()

    @property
    def shape(self) -> ShapeSettings:
        """The sections that the shape reads."""
        return ShapeSettings(grid=self.grid, edge=self.edge)


@dataclass(frozen=True, kw_only=True, slots=True)
class LoadedSettings:
    """Settings with the file they came from; density files are named relative to its folder."""

    settings: Settings
    path: Path | None = None
    sha256: str = ""

    @property
    def folder(self) -> Path:
        """Folder that names in the settings are relative to."""
        return Path() if self.path is None else self.path.parent


def load_settings(path: Path | None) -> LoadedSettings:
    """Read a settings file; without one everything is at its default and no density is stated.

    Raises
    ------
    InputError
        If the file breaks its contract.
    """
    if path is None:
        return LoadedSettings(settings=Settings())
    settings = parse_model(Settings, read_toml(path, "settings"), path)
    return LoadedSettings(settings=settings, path=path, sha256=sha256_file(path))
