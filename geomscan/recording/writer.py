"""Writing recordings: pages that stay readable after a kill, line table, manifest."""

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Self

import numpy as np
import numpy.typing as npt
import tifffile

from geomscan.errors import InputError
from geomscan.files import NEWEST, write_whole
from geomscan.recording.line_file import write_line_file
from geomscan.recording.manifest import MANIFEST_NAME

__all__ = ["FrameWriter", "toml_text", "write_manifest", "write_recording"]

Array = npt.NDArray[Any]


class FrameWriter:
    """Append frames to a BigTIFF, deflate level 1, a page a frame.

    A frame is acknowledged when `write` returns: from then on it is readable even if the process
    is killed. Power loss is another matter.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.n_lines = 0
        self._like: tuple[tuple[int, ...], np.dtype[Any]] | None = None
        try:
            self._writer = tifffile.TiffWriter(path, bigtiff=True)
        except OSError as error:
            msg = f"{path}: cannot be written ({error.strerror or error})"
            raise InputError(msg) from error

    def write(self, frame: Array) -> None:
        """Append one page, shape (n_rows, n_columns).

        Raises
        ------
        InputError
            If the frame is not two-dimensional, differs from those before, or cannot be written.
        """
        like = self._like or (frame.shape, frame.dtype)
        if frame.ndim != 2 or frame.dtype.kind not in "uif" or (frame.shape, frame.dtype) != like:
            wanted = (
                f"{like[0]} {like[1]} as before" if self._like else "(n_rows, n_columns) numbers"
            )
            msg = f"{self.path}: expected a frame of {wanted}, got {frame.shape} {frame.dtype}"
            raise InputError(msg)
        self._like = like
        try:
            self._writer.write(
                np.ascontiguousarray(frame),
                photometric="minisblack",
                compression="zlib",
                compressionargs={"level": 1},
                contiguous=False,
                metadata=None,
                software=False,
            )
            self._writer.filehandle.flush()
        except OSError as error:
            msg = f"{self.path}: cannot be written ({error.strerror or error})"
            raise InputError(msg) from error
        self.n_lines += 1

    def close(self) -> None:
        """Close the file."""
        self._writer.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def write_recording(
    folder: Path,
    manifest: Mapping[str, Any],
    frames: Mapping[str, Iterable[Array]],
    lines: Mapping[str, Sequence[Any] | npt.NDArray[Any]],
) -> None:
    """Write a recording into an empty or new folder.

    Parameters
    ----------
    folder : Path
        The recording.
    manifest : mapping
        Content of recording.toml without its `format` line; every payload is a .tif here.
    frames : mapping from payload name (as in the manifest) to frames
        Each an iterable of (n_rows, n_columns) pages; a range or height payload is one page, or a
        page of some lines after the other.
    lines : mapping from column name to values
        `line`, `encoder`, `time_s` and what else is known.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, pages in frames.items():
        with FrameWriter(folder / name) as writer:
            for page in pages:
                writer.write(page)
    write_line_file(folder / "lines.csv", lines)
    write_manifest(folder, manifest)


def write_manifest(folder: Path, manifest: Mapping[str, Any]) -> None:
    """Write recording.toml from its content without the `format` line."""
    content = {"format": f"geomscan.recording/{NEWEST['recording']}", **manifest}
    write_whole(folder / MANIFEST_NAME, toml_text(content).encode())


def toml_text(data: Mapping[str, Any]) -> str:
    """Write mappings, lists, text, numbers, truth values and times as TOML, leaving None out."""
    return "\n".join(_table_lines(data, ())) + "\n"


def _table_lines(data: Mapping[str, Any], path: tuple[str, ...]) -> list[str]:
    lines: list[str] = []
    known = {key: value for key, value in data.items() if value is not None}
    nested = {k: v for k, v in known.items() if isinstance(v, Mapping) or _is_table_list(v)}
    lines += [f"{_key(k)} = {_value(v)}" for k, v in known.items() if k not in nested]
    for key, value in nested.items():
        where = (*path, key)
        dotted = ".".join(_key(part) for part in where)
        if isinstance(value, Mapping):
            lines += ["", f"[{dotted}]", *_table_lines(value, where)]
        else:
            for item in value:
                lines += ["", f"[[{dotted}]]", *_table_lines(item, where)]
    return lines


def _is_table_list(value: object) -> bool:
    return (
        isinstance(value, list | tuple)
        and len(value) > 0
        and all(isinstance(item, Mapping) for item in value)
    )


def _key(key: str) -> str:
    plain = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
    return key if plain else _text(key)


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: object) -> str:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else str(value)
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, np.ndarray):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(item) for item in value)}]"
    if isinstance(value, Mapping):
        return f"{{{', '.join(f'{_key(k)} = {_value(v)}' for k, v in value.items())}}}"
    msg = f"expected text, a number, a time or a list for TOML, got {type(value).__name__}"
    raise InputError(msg)
