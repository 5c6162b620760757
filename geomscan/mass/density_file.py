"""The density file: what a density study found, for `measure` to use."""

from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field

from geomscan.errors import InputError
from geomscan.files import FileModel, parse_model, read_json, write_json

__all__ = ["DensityFile", "read_density_file", "write_density_file"]

Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]


class DensityFile(FileModel):
    """Result of a density study (JSON, `geomscan.density/1`).

    covariance is that of (lean_kg_m3, fat_kg_m3, height_offset_mm) in their own units, with the
    scanner's common errors; covariance_same_scanner is without them, for use with one of the
    calibrations the study was made with. Rows and columns of what was not fitted are 0.
    height_offset_mm is measured minus true height.
    """

    lean_kg_m3: Annotated[float, Field(ge=200, le=2000)]
    u_lean_kg_m3: Annotated[float, Field(ge=0)]
    fat_kg_m3: Annotated[float, Field(ge=200, le=2000)] | None = None
    u_fat_kg_m3: Annotated[float, Field(ge=0)] | None = None
    height_offset_mm: Annotated[float, Field(ge=-10, le=10)] | None = None
    u_height_offset_mm: Annotated[float, Field(ge=0)] | None = None
    covariance: Matrix
    covariance_same_scanner: Matrix
    piece_scatter_percent: Annotated[float, Field(ge=0, le=50)] = 0.0
    calibrations: tuple[str, ...] = ()
    n_used: Annotated[int, Field(ge=1)]
    thickness_mm: tuple[float, float] | None = None
    temperature_c: float | None = None
    product: str = ""
    model: str = ""
    made: str = ""
    inputs: dict[str, str] = Field(default_factory=dict)
    version: str = ""

    def modes(self, calibration_sha256: str = "") -> dict[str, tuple[float, float, float]]:
        """Independent errors behind the covariance, one standard uncertainty each, by name.

        Each is a joint change of (lean_kg_m3, fat_kg_m3, height_offset_mm): density and height
        offset of one study lean on each other, and apart they would claim too much. The first
        takes all of the height offset with what hangs on it, the others what is left of the
        densities (Cholesky factor).
        """
        same = calibration_sha256 and calibration_sha256 in self.calibrations
        left = np.array(self.covariance_same_scanner if same else self.covariance)
        smallest = 1e-12 * np.diag(left)
        modes = {}
        for name, place in (("height offset", 2), ("density of fat", 1), ("density of lean", 0)):
            variance = left[place, place]
            if variance > smallest[place]:
                lean, fat, offset = left[:, place] / np.sqrt(variance)
                modes[f"{name}, by the study"] = (float(lean), float(fat), float(offset))
                left = left - np.outer(left[:, place], left[place]) / variance
        return modes


def read_density_file(path: Path) -> DensityFile:
    """Read a density file.

    Raises
    ------
    InputError
        If it can't be read, or its covariance is none.
    """
    study = parse_model(DensityFile, read_json(path, "density"), path)
    for name in ("covariance", "covariance_same_scanner"):
        matrix = np.array(getattr(study, name))
        scale = float(np.abs(matrix).max())
        symmetric = np.allclose(matrix, matrix.T, rtol=1e-6, atol=1e-12 * scale)
        size = np.sqrt(np.clip(np.diag(matrix), 0, None))
        size[size == 0] = 1.0
        if not symmetric or np.linalg.eigvalsh(matrix / np.outer(size, size)).min() < -1e-6:
            msg = f"{path}: {name}: expected a covariance matrix (symmetric, not negative)"
            raise InputError(msg)
    return study


def write_density_file(path: Path, study: DensityFile) -> None:
    """Write a density file; it appears whole or not at all."""
    write_json(path, "density", study.model_dump())
