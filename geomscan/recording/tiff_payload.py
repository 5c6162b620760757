"""Multi-page TIFF and BigTIFF payloads."""

import os
import struct
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from geomscan.errors import InputError
from geomscan.recording.payload import Array, ArrayPayload, Payload, stack_shape

__all__ = ["TiffPayload", "open_tiff"]

#: What tifffile and its codecs let out of a broken file.
BROKEN = (
    tifffile.TiffFileError,
    struct.error,
    ValueError,
    IndexError,
    KeyError,
    TypeError,
    OSError,
    RuntimeError,
    EOFError,
    MemoryError,
    OverflowError,
    ZeroDivisionError,
    NotImplementedError,
    AttributeError,
)

#: Two threads decode: the codec is the bottleneck, and it lets go of the interpreter.
N_THREADS = min(2, os.cpu_count() or 1)


class TiffPayload:
    """Pages of a TIFF file, decoded as they are asked for."""

    def __init__(self, path: Path, file: tifffile.TiffFile) -> None:
        self.path = path
        self._file = file
        first = file.pages[0]
        self.page_shape: tuple[int, int] = (int(first.shape[0]), int(first.shape[1]))
        self.dtype = np.dtype(first.dtype)
        self._pages = list(file.pages)
        self._lock = threading.RLock()
        self._pool = ThreadPoolExecutor(N_THREADS)
        size = path.stat().st_size
        whole = len(self._pages)
        while whole and not _is_whole(self._pages[whole - 1], size):
            whole -= 1
        self.n_pages = whole
        n_cut = len(self._pages) - whole
        self.fault = f"is cut short: {whole} pages are whole, {n_cut} more began" if n_cut else ""
        if not whole:
            msg = f"{path}: {self.fault}"
            raise InputError(msg)

    def read(self, first: int, stop: int) -> Array:
        """Pages first to stop."""
        out = np.empty((stop - first, *self.page_shape), self.dtype)

        def decode(at: int) -> None:
            page = self._pages[at]
            if tuple(page.shape) != self.page_shape or page.dtype != self.dtype:
                msg = (
                    f"{self.path}: page {at}: expected {self.page_shape} {self.dtype} as in "
                    f"page 0, found {page.shape} {page.dtype}"
                )
                raise InputError(msg)
            try:
                out[at - first] = page.asarray(lock=self._lock, maxworkers=1)
            except InputError:
                raise
            except BROKEN as error:
                msg = f"{self.path}: page {at} cannot be decoded ({_one_line(error)})"
                raise InputError(msg) from error

        for _ in self._pool.map(decode, range(first, stop)):
            pass
        return out

    def close(self) -> None:
        """Close the file and its threads."""
        self._pool.shutdown()
        self._file.close()


def open_tiff(path: Path, *, as_map: bool) -> Payload:
    """Open a TIFF: a page a frame, or one page that holds all.

    Raises
    ------
    InputError
        If it is broken, holds colour, or pages of differing shapes.
    """
    try:
        file = tifffile.TiffFile(path)
        n_pages = len(file.pages)
        first = file.pages[0]
        shape, dtype = tuple(first.shape), first.dtype
        if first.photometric in _COLOUR or (len(shape) == 3 and first.samplesperpixel > 1):
            msg = f"{path}: is a colour image {shape}, expected one grey value a pixel"
            raise InputError(msg)
        if dtype is None or np.dtype(dtype).kind not in "uif":
            msg = f"{path}: holds {dtype}, expected whole or floating numbers"
            raise InputError(msg)
        if n_pages == 1 and (file.series[0].ndim > 2 or as_map):
            return _one_page(path, file, as_map=as_map)
        return TiffPayload(path, file)
    except InputError:
        raise
    except BROKEN as error:
        msg = f"{path}: not a readable TIFF file ({_one_line(error)})"
        raise InputError(msg) from error


_COLOUR = (
    tifffile.PHOTOMETRIC.RGB,
    tifffile.PHOTOMETRIC.PALETTE,
    tifffile.PHOTOMETRIC.YCBCR,
    tifffile.PHOTOMETRIC.SEPARATED,
    tifffile.PHOTOMETRIC.CIELAB,
)


def _one_page(path: Path, file: tifffile.TiffFile, *, as_map: bool) -> Payload:
    series = file.series[0]
    shape = stack_shape(tuple(series.shape), as_map=as_map, path=path)
    if series.dataoffset is not None:
        array: Any = np.memmap(path, series.dtype, "r", series.dataoffset, shape)
    else:
        array = series.asarray(maxworkers=N_THREADS).reshape(shape)
    file.close()
    return ArrayPayload(path, array, n_pages=shape[0])


def _is_whole(page: Any, size: int) -> bool:  # noqa: ANN401 - tifffile's page
    ends = [o + n for o, n in zip(page.dataoffsets, page.databytecounts, strict=True)]
    return bool(ends) and min(page.dataoffsets) > 0 and max(ends) <= size


def _one_line(error: BaseException) -> str:
    return f"{type(error).__name__}: {' '.join(str(error).split())}"[:160]
