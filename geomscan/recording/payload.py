"""Payloads: stacks of pages in open containers, told apart by content and read in blocks."""

import re
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError

__all__ = ["Array", "ArrayPayload", "Payload", "natural_order", "open_payload"]

Array = npt.NDArray[Any]

TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
NPY = b"\x93NUMPY"
EBML = b"\x1aE\xdf\xa3"
PNG = b"\x89PNG\r\n\x1a\n"


class Payload(Protocol):
    """A stack of pages of one shape (rows, columns) and type.

    `n_pages` counts the whole ones; `fault` says why the stack ends before its time, "" where it
    does not.
    """

    path: Path
    n_pages: int
    page_shape: tuple[int, int]
    dtype: np.dtype[Any]
    fault: str

    def read(self, first: int, stop: int) -> Array:
        """Pages first to stop, shape (stop - first, rows, columns)."""
        ...

    def close(self) -> None:
        """Let go of the file."""
        ...


class ArrayPayload:
    """Pages of an array on disk that is read as it is sliced, shape (n_pages, rows, columns)."""

    def __init__(self, path: Path, array: Any, *, fault: str = "") -> None:
        self.path = path
        self._array = array
        self.n_pages = int(array.shape[0])
        self.page_shape: tuple[int, int] = (int(array.shape[1]), int(array.shape[2]))
        self.dtype = native(array.dtype)
        self.fault = fault

    def read(self, first: int, stop: int) -> Array:
        """Pages first to stop."""
        return np.asarray(self._array[first:stop], dtype=self.dtype)

    def close(self) -> None:
        """Let go of the file's pages in memory."""
        self._array = np.empty((0, *self.page_shape), self.dtype)


def open_payload(path: Path, *, as_map: bool) -> Payload:
    """Open a payload; its content says what it is, not its ending.

    Parameters
    ----------
    path : Path
        File or folder.
    as_map : bool
        Rows are lines (range, height and what goes with them): a 2-D array is a stack of lines.

    Raises
    ------
    InputError
        If the content is none of the containers that geomscan reads, or is colour.
    """
    from geomscan.recording import folder_payload

    if path.is_dir():
        if (path / "zarr.json").is_file() or (path / ".zarray").is_file():
            from geomscan.recording.zarr_payload import open_zarr

            return open_zarr(path, as_map=as_map)
        return folder_payload.ImageFolder(path)
    try:
        with path.open("rb") as stream:
            head = stream.read(16)
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror or error})"
        raise InputError(msg) from error
    if head.startswith(TIFF):
        from geomscan.recording.tiff_payload import open_tiff

        return open_tiff(path, as_map=as_map)
    if head.startswith(NPY):
        return _open_npy(path, as_map=as_map)
    if head.startswith(PNG):
        return folder_payload.ImageFolder(path)
    if head.startswith(EBML):
        from geomscan.recording.video_payload import VideoPayload

        return VideoPayload(path)
    what = "is empty" if not head else f"begins with {head[:8]!r}"
    msg = (
        f"{path}: {what}; expected TIFF, .npy, a folder of PNG or TIFF images, "
        "FFV1 video in MKV, or Zarr"
    )
    raise InputError(msg)


def natural_order(name: str) -> list[tuple[int, int, str]]:
    """Sort key in which frame 2 comes before frame 10.

    Examples
    --------
    >>> sorted(["f10.png", "f2.png", "f1.png"], key=natural_order)
    ['f1.png', 'f2.png', 'f10.png']
    """
    parts = re.split(r"([0-9]+)", name)
    return [(0, int(part), part) if part.isdecimal() else (1, 0, part) for part in parts]


def native(dtype: npt.DTypeLike) -> np.dtype[Any]:
    """Numbers of the same kind in this machine's byte order."""
    return np.dtype(dtype).newbyteorder("=")


def stack_shape(shape: tuple[int, ...], *, as_map: bool, path: Path) -> tuple[int, int, int]:
    """(pages, rows, columns) of an array, or a refusal."""
    if len(shape) == 3 and min(shape) > 0:
        return shape[0], shape[1], shape[2]
    if len(shape) == 2 and min(shape) > 0:
        return (shape[0], 1, shape[1]) if as_map else (1, shape[0], shape[1])
    wanted = "(lines, columns)" if as_map else "(lines, rows, columns)"
    msg = f"{path}: expected an array of shape {wanted}, found {shape}"
    raise InputError(msg)


def _open_npy(path: Path, *, as_map: bool) -> ArrayPayload:
    """Map a .npy file; one that is cut short keeps the whole pages that are there."""
    readers = {
        (1, 0): np.lib.format.read_array_header_1_0,
        (2, 0): np.lib.format.read_array_header_2_0,
    }
    try:
        with path.open("rb") as stream:
            version = np.lib.format.read_magic(stream)
            shape, fortran, dtype = readers[version](stream)
            offset = stream.tell()
    except Exception as error:  # the header is parsed as Python text: many kinds come out
        msg = f"{path}: not a readable .npy file ({' '.join(str(error).split())[:120]})"
        raise InputError(msg) from error
    if dtype.hasobject or dtype.kind not in "uif":
        msg = f"{path}: holds {dtype}, expected whole or floating numbers"
        raise InputError(msg)
    if fortran and len(shape) > 1:
        msg = f"{path}: lies in Fortran order, expected C order (one line after the other)"
        raise InputError(msg)
    pages, rows, columns = stack_shape(shape, as_map=as_map, path=path)
    held = (path.stat().st_size - offset) // (rows * columns * dtype.itemsize)
    fault = "" if held >= pages else f"is cut short: {held} of {pages} pages are whole"
    if min(pages, held) <= 0:
        msg = f"{path}: {fault or 'holds no page'}"
        raise InputError(msg)
    array = np.memmap(path, dtype, "r", offset, (min(pages, held), rows, columns))
    return ArrayPayload(path, array, fault=fault)
