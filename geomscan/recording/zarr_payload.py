"""A Zarr array as a payload (optional extra)."""

import re
from pathlib import Path
from typing import Any

import numpy as np

from geomscan.errors import InputError
from geomscan.recording.payload import Array, ArrayPayload, stack_shape
from geomscan.recording.tiff_payload import one_line

__all__ = ["open_zarr"]

#: A chunk's file by its place along the first axis, format 2 or 3, either separator.
CHUNK = re.compile(r"^(?:c[./])?([0-9]+)(?:[./][0-9]+)*$")


def open_zarr(path: Path, *, as_map: bool) -> ArrayPayload:
    """Open a Zarr array; chunks that were never written read back as zeros, so they end it.

    Raises
    ------
    InputError
        If the zarr package is absent or the array cannot be read.
    """
    try:
        import zarr
    except ImportError as error:
        msg = f"{path}: a Zarr payload needs the zarr package: install geomscan[zarr]"
        raise InputError(msg) from error
    try:
        array: Any = zarr.open_array(str(path), mode="r")
        shape = stack_shape(tuple(array.shape), as_map=as_map, path=path)
        written = _written_along_first_axis(path, array)
    except InputError:
        raise
    except Exception as error:  # zarr lets errors of many kinds out of a broken store
        msg = f"{path}: not a readable Zarr array ({one_line(error)})"
        raise InputError(msg) from error
    pages = shape[0] if array.ndim == 2 and not as_map else min(shape[0], written)
    fault = (
        ""
        if written >= array.shape[0]
        else f"is cut short: {written} of {array.shape[0]} lines were written"
    )
    if not pages or not written:
        msg = f"{path}: no line was written to it"
        raise InputError(msg)
    return ArrayPayload(path, _Stack(path, array, (pages, *shape[1:])), fault=fault)


def _written_along_first_axis(path: Path, array: Any) -> int:
    """Entries along the first axis up to the last chunk of which anything is there."""
    step = int((array.shards or array.chunks)[0])
    last = -1
    for file in path.rglob("*"):
        chunk = CHUNK.match(file.relative_to(path).as_posix())
        if chunk and file.is_file():
            last = max(last, int(chunk[1]))
    return min(int(array.shape[0]), (last + 1) * step)


class _Stack:
    """A Zarr array seen as (pages, rows, columns)."""

    def __init__(self, path: Path, array: Any, shape: tuple[int, int, int]) -> None:
        self._path = path
        self._array = array
        self.shape = shape
        self.dtype = np.dtype(array.dtype)

    def __getitem__(self, pages: slice) -> Array:
        whole = self.shape[0] == 1 and self._array.ndim == 2
        try:
            read = np.asarray(self._array[...] if whole else self._array[pages])
        except Exception as error:  # a broken chunk lets errors of many kinds out
            which = f"lines {pages.start} to {pages.stop - 1}"
            msg = f"{self._path}: {which} cannot be decoded ({one_line(error)})"
            raise InputError(msg) from error
        return read.reshape(-1, *self.shape[1:])
