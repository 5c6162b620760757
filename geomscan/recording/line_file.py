"""lines.csv or lines.parquet: read into columns, written from them."""

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.files import write_whole

__all__ = ["LineFile", "find_line_file", "read_line_file", "write_line_file"]

REQUIRED = ("line", "encoder", "time_s")
WHOLE = {"line", "encoder"}
KNOWN = (*REQUIRED, "exposure_us", "laser_power", "dropped")

Cells = Sequence[Any] | npt.NDArray[Any]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LineFile:
    """The line table as recorded, rows without a frame included; each column (n_rows,).

    `line`, `encoder` int64; `time_s`, `exposure_us`, `laser_power` float64; `dropped` bool; the
    optional ones only where the file has them. Empty cells of float columns are NaN. `fault` says
    why it ends before its time.
    """

    columns: dict[str, npt.NDArray[Any]]
    fault: str = ""


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


def read_line_file(path: Path) -> LineFile:
    """Read a line table.

    Raises
    ------
    InputError
        If a column is missing, unknown or twice there, a cell is no number, or `line` does not
        grow from row to row. A last row that was cut off is a fault, no error.
    """
    raw, fault = (_read_parquet(path), "") if path.suffix == ".parquet" else _read_csv(path)
    for name in REQUIRED:
        if name not in raw:
            msg = f"{path}: column {name} is missing, expected {','.join(REQUIRED)}"
            raise InputError(msg)
    for name in raw:
        if name not in KNOWN:
            msg = f"{path}: unknown column {name!r:.60}, expected some of {','.join(KNOWN)}"
            raise InputError(msg)
    if not len(raw["line"]):
        msg = f"{path}: has no rows, expected one a line"
        raise InputError(msg)
    dropped = _flags(path, raw["dropped"]) if "dropped" in raw else np.zeros(len(raw["line"]), bool)
    columns: dict[str, npt.NDArray[Any]] = {"dropped": dropped}
    for name, values in raw.items():
        if name in WHOLE:
            columns[name] = _whole_numbers(path, name, values, dropped)
        elif name != "dropped":
            columns[name] = _numbers(path, name, values)
    fallen = np.flatnonzero(np.diff(columns["line"]) <= 0)
    if fallen.size:
        at = int(fallen[0])
        one, other = columns["line"][at : at + 2]
        msg = f"{path}: row {at + 2}: line must grow from row to row, got {one} then {other}"
        raise InputError(msg)
    return LineFile(columns=columns, fault=fault)


def write_line_file(path: Path, columns: Mapping[str, Cells]) -> None:
    """Write lines.csv: header first, one row a trigger, cells that are not known empty.

    Raises
    ------
    InputError
        If a column is missing, unknown, or not as long as the others.
    """
    unknown = [name for name in columns if name not in KNOWN]
    missing = [name for name in REQUIRED if name not in columns]
    lengths = {len(values) for values in columns.values()}
    if unknown or missing or len(lengths) != 1:
        msg = (
            f"{path}: expected columns {','.join(REQUIRED)} of one length and some of "
            f"{','.join(KNOWN[3:])}, got {','.join(columns)} of lengths {sorted(lengths)}"
        )
        raise InputError(msg)
    names = [name for name in KNOWN if name in columns]
    rows = [",".join(names)]
    values = (np.asarray(columns[name]).tolist() for name in names)
    rows.extend(",".join(map(_cell, row)) for row in zip(*values, strict=True))
    write_whole(path, ("\n".join(rows) + "\n").encode())


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, float):
        return repr(round(value, 9)) if np.isfinite(value) else ""
    return str(value)


def _read_csv(path: Path) -> tuple[dict[str, Sequence[str]], str]:
    """Columns of text by name, and what is wrong with the last row."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = [row for row in csv.reader(stream) if row]
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror or error})"
        raise InputError(msg) from error
    except (UnicodeDecodeError, csv.Error) as error:
        msg = f"{path}: not valid UTF-8 CSV ({' '.join(str(error).split())[:100]})"
        raise InputError(msg) from error
    if not rows:
        msg = f"{path}: is empty, expected the header {','.join(REQUIRED)}"
        raise InputError(msg)
    names = [name.strip() for name in rows[0]]
    for name in names:
        if names.count(name) > 1:
            msg = f"{path}: column {name!r:.60} is there twice"
            raise InputError(msg)
    body, fault = rows[1:], ""
    if len(body) > 1 and len(body[-1]) < len(names):
        body, fault = body[:-1], f"is cut short in row {len(body)}"
    for number, row in enumerate(body, start=1):
        if len(row) != len(names):
            msg = f"{path}: row {number}: expected {len(names)} cells, found {len(row)}"
            raise InputError(msg)
    cells: list[Sequence[str]] = list(zip(*body, strict=True))
    return dict(zip(names, cells or [()] * len(names), strict=True)), fault


def _read_parquet(path: Path) -> dict[str, Cells]:
    import duckdb

    try:
        with duckdb.connect() as database:
            cursor = database.execute("select * from read_parquet(?)", [str(path)])
            names = [column[0] for column in cursor.description]
            rows = cursor.fetchall()
    except duckdb.Error as error:
        msg = f"{path}: not readable Parquet ({' '.join(str(error).split())[:120]})"
        raise InputError(msg) from error
    cells: list[Sequence[Any]] = list(zip(*rows, strict=True))
    return dict(zip(names, cells or [()] * len(names), strict=True))


def _numbers(path: Path, name: str, values: Cells) -> npt.NDArray[np.float64]:
    """Float column; empty cells are NaN."""
    cells = np.array(
        ["nan" if v is None or (isinstance(v, str) and not v.strip()) else v for v in values],
        dtype=object,
    )
    try:
        numbers = cells.astype(np.float64)
    except (ValueError, TypeError):
        at = next(row for row, cell in enumerate(cells) if not _is_number(cell))
        msg = f"{path}: row {at + 1}: {name}: expected a number, got {cells[at]!r:.60}"
        raise InputError(msg) from None
    endless = np.flatnonzero(np.isinf(numbers))
    if endless.size:
        msg = f"{path}: row {endless[0] + 1}: {name}: expected a finite number"
        raise InputError(msg)
    return np.asarray(numbers)


def _whole_numbers(
    path: Path, name: str, values: Cells, may_lack: npt.NDArray[np.bool_]
) -> npt.NDArray[np.int64]:
    """Integer column; where a row without a frame lacks its encoder it takes the one before."""
    numbers = _numbers(path, name, values)
    lacking = np.isnan(numbers)
    allowed = lacking & may_lack if name == "encoder" else np.zeros_like(lacking)
    good = (numbers == np.floor(numbers)) & (np.abs(numbers) < 2.0**53)
    wrong = np.flatnonzero(~(good | allowed))
    if wrong.size:
        at = int(wrong[0])
        msg = f"{path}: row {at + 1}: {name}: expected a whole number, got {values[at]!r:.60}"
        raise InputError(msg)
    if lacking.all():
        msg = f"{path}: {name}: every row is without a frame"
        raise InputError(msg)
    known = np.maximum.accumulate(np.where(lacking, -1, np.arange(numbers.size)))
    known[known < 0] = int(np.argmin(lacking))
    return numbers[known].astype(np.int64)


def _flags(path: Path, values: Cells) -> npt.NDArray[np.bool_]:
    numbers = np.nan_to_num(_numbers(path, "dropped", values))
    wrong = np.flatnonzero((numbers != 0) & (numbers != 1))
    if wrong.size:
        at = int(wrong[0])
        msg = f"{path}: row {at + 1}: dropped: expected 0 or 1, got {values[at]!r:.60}"
        raise InputError(msg)
    return numbers.astype(bool)


def _is_number(cell: Any) -> bool:
    try:
        float(cell)
    except (ValueError, TypeError):
        return False
    return True
