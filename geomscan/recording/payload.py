"""Payloads: stacks of pages in open containers, told apart by content and read in blocks."""

import re
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError

__all__ = ["ArrayPayload", "Payload", "natural_order", "open_payload"]

Array = npt.NDArray[Any]

_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_NPY = b"\x93NUMPY"
_EBML = b"\x1aE\xdf\xa3"
_PNG = b"\x89PNG\r\n\x1a\n"


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
    """Pages of an array that is read as it is sliced: .npy on disk, or any array-like."""

    def __init__(self, path: Path, array: Any, *, n_pages: int, fault: str = "") -> None:  # noqa: ANN401
        self.path = path
        self.array = array
        self.n_pages = n_pages
        self.page_shape: tuple[int, int] = (int(array.shape[1]), int(array.shape[2]))
        self.dtype = np.dtype(array.dtype)
        self.fault = fault

    def read(self, first: int, stop: int) -> Array:
        """Pages first to stop."""
        return np.asarray(self.array[first:stop])

    def close(self) -> None:
        """Nothing is held open."""


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
    if path.is_dir():
        if (path / "zarr.json").is_file() or (path / ".zarray").is_file():
            from geomscan.recording.other_payloads import open_zarr

            return open_zarr(path, as_map=as_map)
        from geomscan.recording.other_payloads import ImageFolder

        return ImageFolder(path)
    try:
        with path.open("rb") as stream:
            head = stream.read(16)
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror or error})"
        raise InputError(msg) from error
    if head.startswith(_TIFF):
        from geomscan.recording.tiff_payload import open_tiff

        return open_tiff(path, as_map=as_map)
    if head.startswith(_NPY):
        return _open_npy(path, as_map=as_map)
    if head.startswith(_PNG):
        from geomscan.recording.other_payloads import ImageFolder

        return ImageFolder(path)
    if head.startswith(_EBML):
        from geomscan.recording.video_payload import VideoPayload

        return VideoPayload(path)
    what = "is empty" if not head else f"begins with {head[:8]!r}"
    msg = (
        f"{path}: {what}; expected TIFF, .npy, a folder of PNG or TIFF images, "
        "FFV1 video in MKV, or Zarr"
    )
    raise InputError(msg)


def natural_order(name: str) -> list[tuple[int, int, str]]:
    """Sort key in which frame 2 comes before frame 10."""
    parts = re.split(r"(\d+)", name)
    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts]


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
    try:
        with path.open("rb") as stream:
            version = np.lib.format.read_magic(stream)
            read = {
                (1, 0): np.lib.format.read_array_header_1_0,
                (2, 0): np.lib.format.read_array_header_2_0,
            }[version]
            shape, fortran, dtype = read(stream)
            offset = stream.tell()
    except (OSError, ValueError, KeyError, SyntaxError) as error:
        msg = f"{path}: not a readable .npy file ({' '.join(str(error).split())})"
        raise InputError(msg) from error
    if dtype.hasobject or fortran or dtype.kind not in "uif":
        msg = f"{path}: expected a C-ordered array of numbers, found {dtype} in Fortran order: {fortran}"
        raise InputError(msg)
    pages, rows, columns = stack_shape(shape, as_map=as_map, path=path)
    held = (path.stat().st_size - offset) // (rows * columns * dtype.itemsize)
    whole = min(pages, held)
    fault = "" if held >= pages else f"is cut short: {held} of {pages} pages are whole"
    if whole == 0:
        msg = f"{path}: {fault or 'holds no page'}"
        raise InputError(msg)
    array = np.memmap(path, dtype, "r", offset, (whole, rows, columns))
    return ArrayPayload(path, array, n_pages=whole, fault=fault)
