"""A results folder, read back: pieces, profiles, maps and the run that made them."""

import csv
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.files import FileModel, parse_model, read_json
from geomscan.shape.piece_map import Sight

__all__ = ["GridMap", "Results", "read_map", "read_profiles", "read_results", "read_sight"]

#: Columns of pieces.csv that hold text; every other one is a number or empty (not known).
TEXT_COLUMNS = frozenset({"flags", "recording", "tissue_method"})


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Results:
    """One results folder: its run.json and a row a piece; unknown numbers are NaN."""

    path: Path
    run: dict[str, Any]
    pieces: list[dict[str, Any]]

    @property
    def recording(self) -> str:
        """Name of the recording's folder."""
        return str((self.run.get("recording") or {}).get("name", self.path.name))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class GridMap:
    """One map of a results folder: values, shape (n_x, n_y), NaN = nothing there."""

    values: npt.NDArray[np.float32]
    x_first_mm: float
    y_first_mm: float
    cell_mm: float


class _RunSight(FileModel):
    """The part of run.json that says where cameras and light were."""

    sight: Sight | None


def read_results(path: Path) -> Results:
    """Read the run and the pieces of one results folder.

    Raises
    ------
    InputError
        If the folder is not a results folder, or a number in pieces.csv is none.
    """
    if not path.is_dir():
        msg = f"{path}: expected a results folder made by `geomscan measure`"
        raise InputError(msg)
    run = read_json(path / "run.json", "run")
    table = path / "pieces.csv"
    try:
        with table.open(newline="", encoding="utf-8") as stream:
            rows = list(csv.DictReader(stream, strict=True))
    except (OSError, csv.Error, UnicodeDecodeError) as error:
        msg = f"{table}: cannot be read ({error})"
        raise InputError(msg) from error
    return Results(
        path=path,
        run=run,
        pieces=[_typed(row, f"{table}: row {number}") for number, row in enumerate(rows, 2)],
    )


def _typed(row: dict[str | None, str | None], where: str) -> dict[str, Any]:
    typed: dict[str, Any] = {}
    for name, text in row.items():
        if name is None or text is None:
            msg = f"{where}: expected as many cells as the header has"
            raise InputError(msg)
        if name in TEXT_COLUMNS:
            typed[name] = text
            continue
        try:
            typed[name] = float(text) if text else float("nan")
        except ValueError as error:
            msg = f"{where}: {name}: expected a number or nothing, got {text[:40]!r}"
            raise InputError(msg) from error
        if name in {"piece", "lane"} and typed[name] == typed[name]:
            typed[name] = int(typed[name])
    return typed


def read_profiles(path: Path) -> dict[str, npt.NDArray[np.float64]]:
    """Read profiles.parquet of a results folder: a column each, a row a slice.

    Raises
    ------
    InputError
        If the file is absent or not Parquet.
    """
    import duckdb

    table = path / "profiles.parquet"
    try:
        with duckdb.connect() as connection:
            columns = connection.read_parquet(str(table)).fetchnumpy()
    except duckdb.Error as error:
        msg = f"{table}: cannot be read as Parquet ({' '.join(str(error).split())[:120]})"
        raise InputError(msg) from error
    return {
        name: np.ma.filled(np.ma.asarray(values).astype(np.float64), np.nan)
        for name, values in columns.items()
    }


def read_map(path: Path, name: str) -> GridMap:
    """Read one map of a results folder; names and units are in `geomscan.results.maps.MAPS`.

    Raises
    ------
    InputError
        If the folder has no such map (maps can be left out) or it is broken.
    """
    import tifffile

    file = path / "maps" / f"{name}.tif"
    try:
        with tifffile.TiffFile(file) as tiff:
            about = json.loads(tiff.pages[0].description)
            values = tiff.pages[0].asarray()
        return GridMap(
            values=np.asarray(values, dtype=np.float32),
            x_first_mm=float(about["x_first_mm"]),
            y_first_mm=float(about["y_first_mm"]),
            cell_mm=float(about["cell_mm"]),
        )
    except FileNotFoundError as error:
        msg = f"{file}: no such map; was `measure` run with --no-maps?"
        raise InputError(msg) from error
    except Exception as error:  # the TIFF reader lets many kinds out of a broken file
        msg = f"{file}: cannot be read as a map ({type(error).__name__})"
        raise InputError(msg) from error


def read_sight(path: Path) -> Sight | None:
    """Read where a run's cameras and light were; None where not known, as in older folders.

    Raises
    ------
    InputError
        If run.json is absent or broken.
    """
    file = path / "run.json"
    return parse_model(_RunSight, {"sight": read_json(file, "run").get("sight")}, file).sight
