"""The weights file: what a check scale said, row by row."""

import csv
import math
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from geomscan.errors import InputError

__all__ = ["Weighing", "guess_resolution", "read_weights"]

NUMBERS = ("weight_g", "resolution_g", "temperature_c", "minutes_after_scan", "certified_g")
COLUMNS = (*NUMBERS, "recording", "piece", "lane", "order", "time", "product", "label")

#: No piece on a portioning line weighs a tonne.
HEAVIEST_G = 1e6

#: Steps in which scales count, in grams.
STEPS_G = (10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)


@dataclass(frozen=True, kw_only=True, slots=True)
class Weighing:
    """One row of a weights file; what the row does not say is NaN, None or empty.

    time_s counts from 1970 in UTC where the file gave a date, else from the file's own zero.
    """

    row: int  #: line of the file, 1 = header
    weight_g: float
    recording: str = ""
    piece: int | None = None
    lane: int | None = None
    order: float = float("nan")
    time_s: float = float("nan")
    resolution_g: float = float("nan")
    temperature_c: float = float("nan")
    minutes_after_scan: float = float("nan")
    certified_g: float = float("nan")
    product: str = ""
    label: str = ""

    @property
    def is_check(self) -> bool:
        """Whether a certified weight lay on the scale, not a piece."""
        return math.isfinite(self.certified_g)


def read_weights(path: Path) -> list[Weighing]:
    """Read a weights file (CSV, header row first, UTF-8; an empty cell is not known).

    Raises
    ------
    InputError
        If the file can't be read, has no weight_g, or a cell is not what its column expects.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream, strict=True, skipinitialspace=True)
            header = [(name or "").strip() for name in reader.fieldnames or []]
            reader.fieldnames = header
            rows = [(reader.line_num, row) for row in reader]
    except (OSError, csv.Error, UnicodeDecodeError) as error:
        msg = f"{path}: cannot be read as CSV ({error})"
        raise InputError(msg) from error
    if "weight_g" not in header:
        msg = f"{path}: expected a column weight_g, found {', '.join(header)[:200] or 'nothing'}"
        raise InputError(msg)
    if len(set(header)) < len(header):
        msg = f"{path}: expected each column once, found {', '.join(header)[:200]}"
        raise InputError(msg)
    unknown = [name for name in header if name not in COLUMNS]
    if unknown:
        warnings.warn(f"{path}: columns not used: {', '.join(unknown)[:200]}", stacklevel=2)
    weighings = []
    for number, row in rows:
        where = f"{path}: row {number}"
        if None in row or None in row.values():
            msg = f"{where}: expected {len(header)} cells, as many as the header has"
            raise InputError(msg)
        cells = {name: (text or "").strip() for name, text in row.items() if name in COLUMNS}
        if any(cells.values()):
            weighings.append(_weighing(cells, number, where))
    if not any(not weighing.is_check for weighing in weighings):
        msg = f"{path}: expected at least one row with the weight of a piece"
        raise InputError(msg)
    return weighings


def _weighing(cells: dict[str, str], number: int, where: str) -> Weighing:
    values = {name: _number(cells, name, where) for name in (*NUMBERS, "order")}
    weight_g = values.pop("weight_g")
    if not math.isfinite(weight_g):
        msg = f"{where}: weight_g: expected a weight in grams, got nothing"
        raise InputError(msg)
    low_g = -HEAVIEST_G if math.isfinite(values["certified_g"]) else 0.0
    if not low_g < weight_g < HEAVIEST_G:
        msg = f"{where}: weight_g: expected more than 0 g and less than 1 t, got {weight_g:g}"
        raise InputError(msg)
    if math.isfinite(values["resolution_g"]) and values["resolution_g"] < 0:
        msg = f"{where}: resolution_g: expected 0 or more, got {values['resolution_g']:g}"
        raise InputError(msg)
    return Weighing(
        row=number,
        weight_g=weight_g,
        recording=cells.get("recording", ""),
        piece=_whole(cells, "piece", where),
        lane=_whole(cells, "lane", where),
        time_s=_time(cells.get("time", ""), where),
        product=cells.get("product", ""),
        label=cells.get("label", ""),
        **values,
    )


def _number(cells: dict[str, str], name: str, where: str) -> float:
    text = cells.get(name, "")
    if not text:
        return float("nan")
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not math.isfinite(value):
        msg = f"{where}: {name}: expected a number or nothing, got {text[:40]!r}"
        raise InputError(msg)
    return value


def _whole(cells: dict[str, str], name: str, where: str) -> int | None:
    value = _number(cells, name, where)
    if math.isnan(value):
        return None
    if value != int(value) or value < 0:
        msg = f"{where}: {name}: expected a whole number, got {value:g}"
        raise InputError(msg)
    return int(value)


def _time(text: str, where: str) -> float:
    """Seconds: a plain number as it is, a date and time since 1970 (UTC where no zone is given)."""
    if not text:
        return float("nan")
    try:
        value = float(text)
        if math.isfinite(value):
            return value
    except ValueError:
        pass
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        msg = f"{where}: time: expected seconds or a date and time (ISO 8601), got {text[:40]!r}"
        raise InputError(msg) from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return moment.timestamp()


def guess_resolution(weights_g: list[float]) -> float:
    """Coarsest step of a scale that all readings are whole multiples of; 0 where none is.

    Examples
    --------
    >>> guess_resolution([231.0, 198.0, 305.0])
    1.0
    """
    for step_g in STEPS_G:
        if all(abs(value / step_g - round(value / step_g)) < 1e-6 for value in weights_g):
            return step_g
    return 0.0
