"""A recording: a folder with its manifest, line table and payloads, read in blocks of lines."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.files import path_inside
from geomscan.recording.encoder import LineTable, build_table
from geomscan.recording.line_file import find_line_file, read_line_file
from geomscan.recording.manifest import (
    MANIFEST_NAME,
    HeadManifest,
    RecordingManifest,
    read_manifest,
)
from geomscan.recording.payload import Payload, open_payload

__all__ = [
    "HeightBlock",
    "RangeBlock",
    "Recording",
    "open_recording",
    "open_tolerantly",
    "read_lines",
]

Array = npt.NDArray[Any]
Float32s = npt.NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class RangeBlock:
    """Lines reduced to positions, each array (k, n_columns) float32, NaN = no line seen.

    `row_px` counts from the whole sensor's row 0, rows being height. `reflectance` (grey) and
    `line_width` (as recorded) are None where there is no payload for them.
    """

    row_px: Float32s
    reflectance: Float32s | None = None
    line_width: Float32s | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class HeightBlock:
    """Lines reduced to height, each array (k, n_columns) float32, NaN = nothing seen."""

    height_mm: Float32s
    reflectance: Float32s | None = None
    line_width: Float32s | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Recording:
    """An open recording; lines are counted from 0 and keep their number whatever is selected.

    `n_lines` lines are whole in every head and in the line table; `first` and `stop` are the
    selected ones. `faults` says what is broken beyond them.
    """

    path: Path
    manifest: RecordingManifest
    lines: LineTable
    n_lines: int
    first: int
    stop: int
    faults: tuple[str, ...]
    _payloads: dict[str, dict[str, Payload]] = field(repr=False)

    @property
    def whole_lines(self) -> tuple[int, int]:
        """First and last line, inclusive, that every head and the line table hold."""
        return 0, self.n_lines - 1

    def head(self, name: str) -> HeadManifest:
        """Find the manifest of one head.

        Raises
        ------
        InputError
            If there is no head of that name.
        """
        for head in self.manifest.heads:
            if head.name == name:
                return head
        known = ", ".join(head.name for head in self.manifest.heads)
        msg = f'{self.path}: no head "{name}", expected one of: {known}'
        raise InputError(msg)

    def frame_shape(self, name: str) -> tuple[int, int]:
        """Rows and columns of a head's frames, rows being height; one row a line where reduced."""
        head = self.head(name)
        rows, columns = self._payloads[name]["payload"].page_shape
        if head.payload_is != "frames":
            return 1, columns
        return (rows, columns) if head.rows_are_height else (columns, rows)

    def dtype(self, name: str) -> np.dtype[Any]:
        """Tell the number type of a head's payload."""
        return self._payloads[self.head(name).name]["payload"].dtype

    def blocks(
        self,
        name: str,
        *,
        lines_per_block: int = 64,
        first: int | None = None,
        stop: int | None = None,
    ) -> Iterator[tuple[int, Array | RangeBlock | HeightBlock]]:
        """Read a head's lines in blocks.

        Parameters
        ----------
        name : str
            The head's name.
        lines_per_block : int
            Lines in each block; the last may be shorter.
        first, stop : int
            Lines to read, by default the selected ones.

        Yields
        ------
        first_line : int
        block : (k, n_rows, n_columns) array, RangeBlock or HeightBlock
            Frames are turned so that rows are height, and C-contiguous.

        Raises
        ------
        InputError
            If the head is unknown, the lines are not there, or a line cannot be decoded.
        """
        head = self.head(name)
        start = self.first if first is None else first
        end = self.stop if stop is None else stop
        if not 0 <= start <= end <= self.n_lines or lines_per_block < 1:
            msg = f"{self.path}: lines {start}:{end}: expected to lie in 0:{self.n_lines}"
            raise InputError(msg)
        for at in range(start, end, lines_per_block):
            yield at, self._block(head, at, min(at + lines_per_block, end))

    def close(self) -> None:
        """Close all payloads."""
        for payloads in self._payloads.values():
            for payload in payloads.values():
                payload.close()

    def __enter__(self) -> "Recording":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _block(self, head: HeadManifest, first: int, stop: int) -> Array | RangeBlock | HeightBlock:
        payloads = self._payloads[head.name]
        if head.payload_is == "frames":
            frames = payloads["payload"].read(first, stop)
            most = head.saturation_grey
            if frames.dtype.itemsize * 8 > head.bit_depth and frames.max() > most:
                msg = (
                    f'{self.path}: head "{head.name}": lines {first} to {stop - 1} hold '
                    f"{frames.max()}, expected at most {most} at {head.bit_depth} bit"
                )
                raise InputError(msg)
            if not head.rows_are_height:
                frames = frames.transpose(0, 2, 1)
            return np.ascontiguousarray(frames)
        main = read_lines(payloads["payload"], first, stop)
        others = {
            key: read_lines(payloads[key], first, stop).astype(np.float32)
            for key in ("reflectance", "line_width")
            if key in payloads
        }
        if head.payload_is == "range":
            assert head.counts_per_row is not None
            row_px = main.astype(np.float32) / np.float32(head.counts_per_row)
            row_px[main == 0] = np.nan
            return RangeBlock(row_px=row_px, **others)
        height_mm = main.astype(np.float32)
        if main.dtype.kind == "u":
            height_mm = height_mm * np.float32(head.height_step_mm) + np.float32(
                head.height_zero_mm
            )
            height_mm[main == 0] = np.nan
        return HeightBlock(height_mm=height_mm, **others)


def open_recording(path: Path, *, lines: tuple[int | None, int | None] | None = None) -> Recording:
    """Open a recording and check that its parts agree.

    Parameters
    ----------
    path : Path
        The recording's folder.
    lines : (first, stop), optional
        Select lines first to stop - 1; None stands for the first or last whole one. What is
        broken beyond the selection is then no error.

    Raises
    ------
    InputError
        If a part is absent, broken or at odds with another.
    """
    recording = open_tolerantly(path)
    if lines is None:
        if recording.faults:
            recording.close()
            msg = f"{path}: {recording.faults[0]}; whole are the lines 0:{recording.n_lines}"
            raise InputError(msg)
        return recording
    first = 0 if lines[0] is None else lines[0]
    stop = recording.n_lines if lines[1] is None else lines[1]
    if not 0 <= first < stop <= recording.n_lines:
        recording.close()
        msg = (
            f"{path}: lines {first}:{stop}: expected some of the whole lines 0:{recording.n_lines}"
        )
        raise InputError(msg)
    return Recording(
        path=recording.path,
        manifest=recording.manifest,
        lines=recording.lines,
        n_lines=recording.n_lines,
        first=first,
        stop=stop,
        faults=recording.faults,
        _payloads=recording._payloads,
    )


def open_tolerantly(path: Path) -> Recording:
    """Open a recording whose parts may end at different lines; `faults` says so.

    Raises
    ------
    InputError
        If nothing can be read from it.
    """
    if not path.is_dir():
        msg = f"{path}: no such recording, expected a folder with {MANIFEST_NAME}"
        raise InputError(msg)
    manifest = read_manifest(path)
    table_path = find_line_file(path)
    forward = 1 if manifest.belt.nominal_mm_per_count > 0 else -1
    table = read_line_file(table_path)
    lines = build_table(table.columns, forward=forward)
    payloads = {head.name: _open_head(path, head) for head in manifest.heads}
    faults, n_lines = [], lines.n_lines
    for head in manifest.heads:
        for key, payload in payloads[head.name].items():
            n = payload.n_pages * (1 if head.payload_is == "frames" else payload.page_shape[0])
            n_lines = min(n_lines, n)
            if n != lines.n_lines:  # what a killed writer began is no fault where the rest agrees
                faults.append(
                    f"heads.{head.name}.{key} holds {n} lines{_why(payload.path, payload.fault)}, "
                    f"{table_path.name} has {lines.n_lines} rows with a frame"
                    f"{_why(table_path, table.fault)}"
                )
    if n_lines == 0:
        msg = f"{path}: no whole line: {faults[0]}"
        raise InputError(msg)
    return Recording(
        path=path,
        manifest=manifest,
        lines=lines.until(n_lines),
        n_lines=n_lines,
        first=0,
        stop=n_lines,
        faults=tuple(faults),
        _payloads=payloads,
    )


def _why(path: Path, fault: str) -> str:
    return f" ({path.name} {fault})" if fault else ""


def _open_head(folder: Path, head: HeadManifest) -> dict[str, Payload]:
    as_map = head.payload_is != "frames"
    opened: dict[str, Payload] = {}
    for key in ("payload", "reflectance", "line_width"):
        name = getattr(head, key)
        if name is None:
            continue
        where = f"{folder / MANIFEST_NAME}: heads.{head.name}.{key}"
        opened[key] = open_payload(path_inside(folder, name, where=where), as_map=as_map)
    payload = opened["payload"]
    where = f'{payload.path}: head "{head.name}"'
    _check_type(head, payload, where)
    _check_size(head, payload, where)
    for key, other in opened.items():
        if other.page_shape[1] != payload.page_shape[1]:
            msg = (
                f"{other.path}: {key}: expected {payload.page_shape[1]} columns as in "
                f"{head.payload}, found {other.page_shape[1]}"
            )
            raise InputError(msg)
    return opened


def _check_size(head: HeadManifest, payload: Payload, where: str) -> None:
    """Compare the payload's size with the sensor it comes from."""
    if head.sensor_size is None:
        return
    rows, columns = payload.page_shape
    sizes = {"columns": columns, "rows": rows}
    if head.payload_is != "frames":  # a line's columns run along the rows of a turned sensor
        sizes = {"columns" if head.rows_are_height else "rows": columns}
    for at, axis in enumerate(("columns", "rows")):
        size, origin, sensor = sizes.get(axis, 0), head.roi_origin[at], head.sensor_size[at]
        if origin + size > sensor:
            msg = f"{where}: {size} {axis} from {origin} reach past the sensor's {sensor}"
            raise InputError(msg)


def _check_type(head: HeadManifest, payload: Payload, where: str) -> None:
    """Compare the payload's number type with what the manifest says it is."""
    kind = payload.dtype
    if head.payload_is == "frames":
        if kind not in (np.dtype(np.uint8), np.dtype(np.uint16)):
            msg = f"{where}: expected frames of uint8 or uint16, found {kind}"
        elif kind == np.uint16 and "bit_depth" not in head.model_fields_set:
            msg = f"{where}: bit_depth is required for uint16 frames, expected 8 to 16"
        elif kind == np.uint8 and head.bit_depth != 8:
            msg = f"{where}: bit_depth = {head.bit_depth} but the frames are uint8"
        else:
            return
    elif head.payload_is == "range":
        if kind == np.uint16:
            return
        msg = f"{where}: expected a range payload of uint16, found {kind}"
    elif kind == np.uint16:
        if head.height_step_mm is not None:
            return
        msg = f"{where}: height_step_mm and height_zero_mm are required for a uint16 height payload"
    elif kind.kind == "f":
        if head.height_step_mm is None:
            return
        msg = f"{where}: height_step_mm has no meaning for {kind} heights, which are mm"
    else:
        msg = f"{where}: expected heights of float32 or uint16, found {kind}"
    raise InputError(msg)


def read_lines(payload: Payload, first: int, stop: int) -> Array:
    """Lines of a payload whose pages hold one or more lines each, shape (k, n_columns)."""
    rows, columns = payload.page_shape
    page, last = first // rows, -(-stop // rows)
    lines = payload.read(page, last).reshape(-1, columns)
    return lines[first - page * rows : stop - page * rows]
