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

    def modes(self, calibration_sha256: str = "") -> list[tuple[float, float, float]]:
        """Independent directions of the covariance, one standard uncertainty each.

        Each is a joint change of (lean_kg_m3, fat_kg_m3, height_offset_mm): density and height
        offset of one study lean on each other, and apart they would claim too much.
        """
        same = calibration_sha256 and calibration_sha256 in self.calibrations
        covariance = np.array(self.covariance_same_scanner if same else self.covariance)
        size = np.sqrt(np.diag(covariance))
        size[size == 0] = 1.0
        values, vectors = np.linalg.eigh(covariance / np.outer(size, size))
        modes = []
        for value, vector in zip(values, vectors.T, strict=True):
            if value > 1e-12:  # of a correlation matrix: rounding, not uncertainty
                lean, fat, offset = np.sqrt(value) * vector * size
                modes.append((float(lean), float(fat), float(offset)))
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
