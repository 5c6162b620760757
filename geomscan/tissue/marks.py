"""Patches that a person marked as lean or fat: a mask image, or rectangles in millimetres."""

import math
from pathlib import Path
from typing import Annotated, Self

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator

from geomscan.errors import InputError
from geomscan.files import FileModel, parse_model, read_toml

__all__ = ["FAT", "LEAN", "MapGrid", "read_marks"]

LEAN, FAT = 1, 2
Marks = npt.NDArray[np.uint8]
#: Larger images are no mask of a results map.
MOST_CELLS = 400_000_000


class MapGrid(FileModel):
    """Grid of a results map: cell (i, j) is centred at first + (i, j)·cell, x along, y across."""

    n_x: Annotated[int, Field(ge=1)]
    n_y: Annotated[int, Field(ge=1)]
    x_first_mm: float
    y_first_mm: float
    cell_mm: Annotated[float, Field(gt=0)]


class Rectangle(FileModel):
    """One marked patch; recording names its results folder where there are several."""

    x_mm: tuple[float, float]
    y_mm: tuple[float, float]
    recording: str | None = None

    @model_validator(mode="after")
    def _grows(self) -> Self:
        if self.x_mm[0] >= self.x_mm[1] or self.y_mm[0] >= self.y_mm[1]:
            msg = "x_mm and y_mm: expected [smaller, larger]"
            raise ValueError(msg)
        return self


class MarksFile(FileModel):
    """A marks file: rectangles of lean and of fat."""

    lean: Annotated[tuple[Rectangle, ...], Field(min_length=1)]
    fat: Annotated[tuple[Rectangle, ...], Field(min_length=1)]


def read_marks(path: Path, grids: dict[str, MapGrid]) -> dict[str, Marks]:
    """Read marks for one or more results folders.

    Parameters
    ----------
    path : Path
        A TOML file (`format = "geomscan.marks/1"`, tables `[[lean]]` and `[[fat]]`, each with
        `x_mm` and `y_mm`), or an image of the map's own size: 0 nothing, 1 lean, 2 fat; rows
        along x.
    grids : dict
        Grid of each results folder's maps, by the folder's name.

    Returns
    -------
    dict of name to (n_x, n_y) array: 0 nothing, 1 lean, 2 fat.

    Raises
    ------
    InputError
        If the file is neither, has other values or another size, or a rectangle lies off every map.
    """
    if path.suffix.lower() == ".toml":
        return _from_rectangles(path, grids)
    if len(grids) != 1:
        msg = f"{path}: a mask image marks one results folder, got {len(grids)}; use a TOML file"
        raise InputError(msg)
    name, grid = next(iter(grids.items()))
    return {name: _from_image(path, grid)}


def _from_rectangles(path: Path, grids: dict[str, MapGrid]) -> dict[str, Marks]:
    file = parse_model(MarksFile, read_toml(path, "marks"), path)
    marks = {name: np.zeros((grid.n_x, grid.n_y), np.uint8) for name, grid in grids.items()}
    for kind, value in (("lean", LEAN), ("fat", FAT)):
        for number, rectangle in enumerate(getattr(file, kind), 1):
            where = f"{path}: {kind} {number}"
            if rectangle.recording is None and len(grids) > 1:
                msg = f"{where}: recording: required with several results folders"
                raise InputError(msg)
            name = rectangle.recording or next(iter(grids))
            if name not in grids:
                known = ", ".join(sorted(grids))
                msg = f"{where}: recording: expected one of {known}, got {name!r:.60}"
                raise InputError(msg)
            part = _cells(rectangle, grids[name])
            cells = marks[name][part]
            if cells.size == 0:
                msg = f"{where}: covers no cell of the map {_extent(grids[name])}"
                raise InputError(msg)
            if np.any((cells != 0) & (cells != value)):
                msg = f"{where}: overlaps a rectangle of the other tissue"
                raise InputError(msg)
            marks[name][part] = value
    return marks


def _cells(rectangle: Rectangle, grid: MapGrid) -> tuple[slice, slice]:
    """Cells whose centre lies in the rectangle."""
    parts = []
    for (low, high), first, n in (
        (rectangle.x_mm, grid.x_first_mm, grid.n_x),
        (rectangle.y_mm, grid.y_first_mm, grid.n_y),
    ):
        start = max(0, math.ceil(min((low - first) / grid.cell_mm, n)))
        stop = min(n - 1, math.floor(max((high - first) / grid.cell_mm, -1.0)))
        parts.append(slice(start, max(start, stop + 1)))
    return parts[0], parts[1]


def _extent(grid: MapGrid) -> str:
    x_last = grid.x_first_mm + (grid.n_x - 1) * grid.cell_mm
    y_last = grid.y_first_mm + (grid.n_y - 1) * grid.cell_mm
    return f"(x {grid.x_first_mm:.1f} to {x_last:.1f}, y {grid.y_first_mm:.1f} to {y_last:.1f} mm)"


def _from_image(path: Path, grid: MapGrid) -> Marks:
    try:
        content = path.read_bytes()
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror or error})"
        raise InputError(msg) from error
    import cv2

    values = None
    if content:
        try:
            values = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_UNCHANGED)
        except cv2.error:
            values = None
    if values is None:
        msg = f"{path}: expected a marks file (.toml) or a mask image (PNG or TIFF)"
        raise InputError(msg)
    values = np.asarray(values)
    if values.ndim == 3 and np.all(values[..., :3] == values[..., :1]):
        values = values[..., 0]
    if values.ndim != 2:
        msg = f"{path}: expected a grey mask with values 0, 1 (lean) and 2 (fat), found colours"
        raise InputError(msg)
    if values.shape != (grid.n_x, grid.n_y):
        msg = (
            f"{path}: expected the size of the maps, {grid.n_x} rows (x) × {grid.n_y} columns (y), "
            f"found {values.shape[0]} × {values.shape[1]}"
        )
        raise InputError(msg)
    odd = np.setdiff1d(np.unique(values), [0, LEAN, FAT])
    if odd.size:
        msg = f"{path}: expected the values 0, 1 (lean) and 2 (fat), found {odd[0]}"
        raise InputError(msg)
    for kind, value in (("lean", LEAN), ("fat", FAT)):
        if not np.any(values == value):
            msg = f"{path}: expected cells marked {kind} ({value}), found none"
            raise InputError(msg)
    return values.astype(np.uint8)
