"""Multi-page TIFF and BigTIFF payloads."""

import logging
import os
import struct
import threading
import weakref
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from geomscan.errors import InputError
from geomscan.recording.payload import Array, ArrayPayload, Payload, native, stack_shape
from geomscan.recording.tiff_index import PageIndex, index_pages

__all__ = ["BROKEN", "decode_all", "one_line", "open_tiff"]

#: What tifffile and its codecs let out of a broken file.
BROKEN = (
    ArithmeticError,
    AttributeError,
    EOFError,
    LookupError,
    MemoryError,
    OSError,
    RuntimeError,
    TypeError,
    ValueError,
    struct.error,
    tifffile.TiffFileError,
)

#: Two threads decode: the codec is the bottleneck, and it lets go of the interpreter.
N_THREADS = min(2, os.cpu_count() or 1)

# tifffile writes its complaints to a log that a bare program prints; ours are raised instead
logging.getLogger("tifffile").addHandler(logging.NullHandler())


def decode_all(decode: Callable[[int], None], first: int, stop: int) -> None:
    """Run `decode` for each number from first to stop, on a few threads."""
    if stop - first < 2 or N_THREADS < 2:
        for at in range(first, stop):
            decode(at)
        return
    with ThreadPoolExecutor(N_THREADS) as pool:
        for _ in pool.map(decode, range(first, stop)):
            pass


class TiffPayload:
    """A page of the file for each page of the stack, decoded as it is asked for."""

    def __init__(self, path: Path, file: tifffile.TiffFile, index: PageIndex) -> None:
        self.path = path
        self._file = file
        self._index = index
        self._key: Any = file.pages[0]
        self.page_shape: tuple[int, int] = (int(self._key.shape[0]), int(self._key.shape[1]))
        self.dtype = native(self._key.dtype)
        self.n_pages = index.n_pages
        self.fault = index.fault
        self._lock = threading.RLock()
        self._closer = weakref.finalize(self, file.close)

    def read(self, first: int, stop: int) -> Array:
        """Pages first to stop."""
        out = np.empty((stop - first, *self.page_shape), self.dtype)

        def decode(at: int) -> None:
            page = tifffile.TiffFrame(
                self._file,
                at,
                keyframe=self._key,
                dataoffsets=tuple(self._index.offsets[at].tolist()),
                databytecounts=tuple(self._index.byte_counts[at].tolist()),
            )
            try:
                out[at - first] = page.asarray(lock=self._lock, maxworkers=1)
            except BROKEN as error:
                msg = f"{self.path}: page {at} cannot be decoded ({one_line(error)})"
                raise InputError(msg) from error

        decode_all(decode, first, stop)
        return out

    def close(self) -> None:
        """Close the file."""
        self._closer()


class StripPayload:
    """One page that holds all lines, read strip by strip: a page of the stack is one line."""

    def __init__(self, path: Path, file: tifffile.TiffFile, strips: PageIndex, fault: str) -> None:
        self.path = path
        self._file = file
        self._key: Any = file.pages[0]
        self._strips = strips
        n_rows, n_columns = int(self._key.shape[0]), int(self._key.shape[1])
        self._rows = min(int(self._key.rowsperstrip), n_rows)
        self.page_shape: tuple[int, int] = (1, n_columns)
        self.dtype = native(self._key.dtype)
        self.n_pages = min(n_rows, strips.n_pages * self._rows)
        self.fault = fault
        self._closer = weakref.finalize(self, file.close)
        self._held: tuple[int, Array] = (-1, np.empty((0, n_columns), self.dtype))

    def read(self, first: int, stop: int) -> Array:
        """Lines first to stop, shape (stop - first, 1, n_columns)."""
        parts = []
        for strip in range(first // self._rows, -(-stop // self._rows)):
            begin = strip * self._rows
            lines = self._decode(strip)
            parts.append(lines[max(first - begin, 0) : stop - begin])
        return np.concatenate(parts)[:, None, :]

    def close(self) -> None:
        """Close the file."""
        self._closer()

    def _decode(self, strip: int) -> Array:
        if self._held[0] == strip:
            return self._held[1]
        try:
            handle = self._file.filehandle
            handle.seek(int(self._strips.offsets[strip, 0]))
            data = handle.read(int(self._strips.byte_counts[strip, 0]))
            segment, _, shape = self._key.decode(data, strip)
            n_rows = min(self._rows, int(self._key.shape[0]) - strip * self._rows)
            lines = np.asarray(segment).reshape(shape)[0, :n_rows, :, 0].astype(self.dtype)
        except BROKEN as error:
            msg = f"{self.path}: strip {strip} cannot be decoded ({one_line(error)})"
            raise InputError(msg) from error
        self._held = (strip, lines)
        return lines


def open_tiff(path: Path, *, as_map: bool) -> Payload:
    """Open a TIFF: a page a frame, or one page that holds all.

    Raises
    ------
    InputError
        If it is broken, holds colour, or pages that differ.
    """
    try:
        file = tifffile.TiffFile(path)
        try:
            return _open(path, file, as_map=as_map)
        except BaseException:
            file.close()
            raise
    except InputError:
        raise
    except BROKEN as error:
        msg = f"{path}: not a readable TIFF file ({one_line(error)})"
        raise InputError(msg) from error


def _open(path: Path, file: tifffile.TiffFile, *, as_map: bool) -> Payload:
    page: Any = file.pages[0]
    shape = tuple(page.shape)
    if page.photometric in _COLOUR or page.samplesperpixel > 1:
        msg = f"{path}: is a colour image {shape}, expected one grey value a pixel"
        raise InputError(msg)
    if page.dtype is None or np.dtype(page.dtype).kind not in "uif" or page.bitspersample % 8:
        msg = f"{path}: holds {page.bitspersample} bit {page.dtype}, expected whole bytes a pixel"
        raise InputError(msg)
    if not file.pages.is_multipage:
        stack = tuple(file.series[0].shape)
        if len(stack) > 2 or len(shape) != 2:
            return _hyperstack(path, file, stack, as_map=as_map)
        if as_map and not page.is_tiled:
            return StripPayload(path, file, *_index_strips(path, page))
    if len(shape) != 2:
        msg = f"{path}: expected pages of shape (rows, columns), found {shape}"
        raise InputError(msg)
    return TiffPayload(path, file, index_pages(path))


_COLOUR = (
    tifffile.PHOTOMETRIC.RGB,
    tifffile.PHOTOMETRIC.PALETTE,
    tifffile.PHOTOMETRIC.YCBCR,
    tifffile.PHOTOMETRIC.SEPARATED,
    tifffile.PHOTOMETRIC.CIELAB,
)


def _hyperstack(
    path: Path, file: tifffile.TiffFile, stack: tuple[int, ...], *, as_map: bool
) -> ArrayPayload:
    """One page entry for a whole stack that lies in the file in one piece."""
    series = file.series[0]
    pages, rows, columns = stack_shape(stack, as_map=as_map, path=path)
    if series.dataoffset is None:
        msg = f"{path}: holds a compressed stack {stack} as one page, expected a page a frame"
        raise InputError(msg)
    kind = np.dtype(series.dtype).newbyteorder(file.byteorder)
    held = (path.stat().st_size - series.dataoffset) // (rows * columns * kind.itemsize)
    whole = min(pages, held)
    fault = "" if held >= pages else f"is cut short: {held} of {pages} pages are whole"
    if whole <= 0:
        msg = f"{path}: {fault}"
        raise InputError(msg)
    array = np.memmap(path, kind, "r", series.dataoffset, (whole, rows, columns))
    file.close()
    return ArrayPayload(path, array, fault=fault)


def _index_strips(path: Path, page: Any) -> tuple[PageIndex, str]:
    """Find the whole strips of one page, and say what is missing after them."""
    size = path.stat().st_size
    offsets = np.array(page.dataoffsets, np.int64)
    counts = np.array(page.databytecounts, np.int64)
    good = (offsets > 0) & (offsets + counts <= size)
    n_good = int(good.size if good.all() else np.argmin(good))
    fault = "" if n_good == good.size else f"is cut short: {n_good} of {good.size} strips are whole"
    if not n_good:
        msg = f"{path}: {fault or 'holds no strip'}"
        raise InputError(msg)
    index = PageIndex(
        offsets=offsets[:n_good, None], byte_counts=counts[:n_good, None], fault=fault
    )
    return index, fault


def one_line(error: BaseException) -> str:
    """Shorten an error of another library."""
    return f"{type(error).__name__}: {' '.join(str(error).split())}"[:160]
