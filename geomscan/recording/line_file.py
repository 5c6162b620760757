"""lines.csv or lines.parquet: read into columns, written from them."""

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.files import write_whole

__all__ = ["find_line_file", "read_line_file", "write_line_file"]

REQUIRED = ("line", "encoder", "time_s")
WHOLE = {"line", "encoder", "dropped"}
KNOWN = (*REQUIRED, "exposure_us", "laser_power", "dropped")

Columns = dict[str, npt.NDArray[Any]]


def find_line_file(folder: Path) -> Path:
    """lines.csv or lines.parquet of a recording.

    Raises
    ------
    InputError
        If neither is there, or both are.
    """
    found = [folder / name for name in ("lines.csv", "lines.parquet") if (folder / name).is_file()]
    if len(found) != 1:
        what = "both are there, expected one" if found else "neither is there"
        msg = f"{folder}: lines.csv or lines.parquet: {what}"
        raise InputError(msg)
    return found[0]


def read_line_file(path: Path) -> Columns:
    """Read the line table as recorded, rows without a frame included.

    Returns
    -------
    columns : dict of (n,) arrays
        `line`, `encoder` int64; `time_s`, `exposure_us`, `laser_power` float64; `dropped` bool.
        The optional ones only where the file has them. Empty cells of float columns are NaN.

    Raises
    ------
    InputError
        If a column is missing, unknown or twice there, a cell is no number, or `line` does not grow.
    """
    raw = _read_parquet(path) if path.suffix == ".parquet" else _read_csv(path)
    missing = [name for name in REQUIRED if name not in raw]
    if missing:
        msg = f"{path}: column {missing[0]} is missing, expected {','.join(REQUIRED)}"
        raise InputError(msg)
    unknown = [name for name in raw if name not in KNOWN]
    if unknown:
        msg = f"{path}: unknown column {unknown[0]!r}, expected some of {','.join(KNOWN)}"
        raise InputError(msg)
    if not len(raw["line"]):
        msg = f"{path}: has no rows, expected one a line"
        raise InputError(msg)
    dropped = _flags(path, raw["dropped"]) if "dropped" in raw else np.zeros(len(raw["line"]), bool)
    columns: Columns = {}
    for name, values in raw.items():
        if name == "dropped":
            columns[name] = dropped
        elif name in WHOLE:
            columns[name] = _whole_numbers(path, name, values, dropped)
        else:
            columns[name] = _numbers(path, name, values)
    fallen = np.flatnonzero(np.diff(columns["line"]) <= 0)
    if fallen.size:
        at = int(fallen[0])
        one, other = columns["line"][at : at + 2]
        msg = f"{path}: row {at + 2}: line must grow from row to row, got {one} then {other}"
        raise InputError(msg)
    return columns


def write_line_file(path: Path, columns: Mapping[str, Sequence[Any] | npt.NDArray[Any]]) -> None:
    """Write lines.csv: header first, one row a trigger, not-known cells empty."""
    names = [name for name in KNOWN if name in columns]
    rows = [",".join(names)]
    for values in zip(*(np.asarray(columns[name]).tolist() for name in names), strict=True):
        rows.append(",".join(map(_cell, values)))
    write_whole(path, ("\n".join(rows) + "\n").encode())


def _cell(value: float | bool) -> str:  # noqa: FBT001 - a cell of the dropped column
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, float):
        return "" if not np.isfinite(value) else f"{value:.6f}".rstrip("0").rstrip(".")
    return str(value)


def _read_csv(path: Path) -> dict[str, list[str]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = [row for row in csv.reader(stream) if row]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        msg = f"{path}: cannot be read as CSV ({error})"
        raise InputError(msg) from error
    if not rows:
        msg = f"{path}: is empty, expected the header {','.join(REQUIRED)}"
        raise InputError(msg)
    names = [name.strip() for name in rows[0]]
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        msg = f"{path}: column {twice[0]!r} is there twice"
        raise InputError(msg)
    for number, row in enumerate(rows[1:], start=1):
        if len(row) != len(names):
            msg = f"{path}: row {number}: expected {len(names)} cells, found {len(row)}"
            raise InputError(msg)
    cells = list(zip(*rows[1:], strict=True)) or [()] * len(names)
    return {name: list(column) for name, column in zip(names, cells, strict=True)}


def _read_parquet(path: Path) -> dict[str, npt.NDArray[Any]]:
    import duckdb

    try:
        with duckdb.connect() as database:
            found = database.execute("select * from read_parquet(?)", [str(path)]).fetchnumpy()
    except duckdb.Error as error:
        msg = f"{path}: cannot be read as Parquet ({' '.join(str(error).split())})"
        raise InputError(msg) from error
    return {
        name: np.ma.filled(values.astype(np.float64), np.nan)
        if np.ma.is_masked(values)
        else np.asarray(values)
        for name, values in found.items()
    }


def _numbers(path: Path, name: str, values: Sequence[Any]) -> npt.NDArray[np.float64]:
    """Float column; empty cells are NaN."""
    cells = ["nan" if isinstance(v, str) and not v.strip() else v for v in values]
    try:
        numbers = np.array(cells, dtype=object).astype(np.float64)
    except (ValueError, TypeError):
        at = next(row for row, cell in enumerate(cells) if not _is_number(cell))
        msg = f"{path}: row {at + 1}: {name}: expected a number, got {cells[at]!r:.60}"
        raise InputError(msg) from None
    endless = np.flatnonzero(np.isinf(numbers))
    if endless.size:
        msg = f"{path}: row {endless[0] + 1}: {name}: expected a finite number"
        raise InputError(msg)
    return numbers


def _whole_numbers(
    path: Path, name: str, values: Sequence[Any], may_lack: npt.NDArray[np.bool_]
) -> npt.NDArray[np.int64]:
    """Integer column; a row without a frame may lack it and takes the value before it."""
    numbers = _numbers(path, name, values)
    lacking = np.isnan(numbers)
    wrong = np.flatnonzero(np.where(lacking, ~may_lack, numbers != np.floor(numbers)))
    if wrong.size or (np.abs(numbers[~lacking]) >= 2.0**53).any():
        at = int(wrong[0]) if wrong.size else int(np.nanargmax(np.abs(numbers)))
        msg = f"{path}: row {at + 1}: {name}: expected a whole number, got {values[at]!r:.60}"
        raise InputError(msg)
    if lacking.any():
        known = np.maximum.accumulate(np.where(lacking, -1, np.arange(numbers.size)))
        known[known < 0] = int(np.argmin(lacking))
        numbers = numbers[known]
    return numbers.astype(np.int64)


def _flags(path: Path, values: Sequence[Any]) -> npt.NDArray[np.bool_]:
    numbers = _numbers(path, "dropped", values)
    numbers = np.where(np.isnan(numbers), 0.0, numbers)
    wrong = np.flatnonzero((numbers != 0) & (numbers != 1))
    if wrong.size:
        msg = f"{path}: row {wrong[0] + 1}: dropped: expected 0 or 1, got {values[wrong[0]]!r:.60}"
        raise InputError(msg)
    return numbers.astype(bool)


def _is_number(cell: object) -> bool:
    try:
        float(cell)  # type: ignore[arg-type]
    except (ValueError, TypeError):
        return False
    return True
