"""Folders of images and Zarr arrays as payloads."""

from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile

from geomscan.errors import InputError
from geomscan.recording.payload import Array, ArrayPayload, natural_order, stack_shape
from geomscan.recording.tiff_payload import BROKEN

__all__ = ["ImageFolder", "open_zarr"]

ENDINGS = {".png", ".tif", ".tiff"}


class ImageFolder:
    """A folder of PNG or TIFF images in natural order, an image a page; or one PNG."""

    def __init__(self, path: Path) -> None:
        self.path = path
        if path.is_dir():
            found = (p for p in path.iterdir() if p.suffix.lower() in ENDINGS and p.is_file())
            images = [p for p in found if not p.name.startswith(".")]
            self._images = sorted(images, key=lambda image: natural_order(image.name))
        else:
            self._images = [path]
        if not self._images:
            msg = f"{path}: holds no .png, .tif or .tiff image"
            raise InputError(msg)
        first = _read_image(self._images[0])
        self.n_pages = len(self._images)
        self.page_shape: tuple[int, int] = (first.shape[0], first.shape[1])
        self.dtype = first.dtype
        self.fault = ""

    def read(self, first: int, stop: int) -> Array:
        """Pages first to stop."""
        out = np.empty((stop - first, *self.page_shape), self.dtype)
        for at, image in enumerate(self._images[first:stop]):
            page = _read_image(image)
            if page.shape != self.page_shape or page.dtype != self.dtype:
                msg = (
                    f"{image}: expected {self.page_shape} {self.dtype} as in "
                    f"{self._images[0].name}, found {page.shape} {page.dtype}"
                )
                raise InputError(msg)
            out[at] = page
        return out

    def close(self) -> None:
        """Nothing is held open."""


def _read_image(path: Path) -> Array:
    try:
        content = path.read_bytes()
        if content.startswith(b"\x89PNG"):
            image = np.asarray(imagecodecs.png_decode(content))
        else:
            image = np.asarray(tifffile.imread(path))
    except (*BROKEN, imagecodecs.PngError) as error:
        msg = f"{path}: not a readable PNG or TIFF image ({' '.join(str(error).split())[:120]})"
        raise InputError(msg) from error
    if image.ndim != 2:
        msg = f"{path}: expected one grey value a pixel, found an image of shape {image.shape}"
        raise InputError(msg)
    return image


def open_zarr(path: Path, *, as_map: bool) -> ArrayPayload:
    """Open a Zarr array; chunks that were never written read back as zeros and are not counted.

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
    except Exception as error:  # noqa: BLE001 - zarr lets many kinds out of a broken store
        msg = f"{path}: not a readable Zarr array ({' '.join(str(error).split())[:120]})"
        raise InputError(msg) from error
    pages, _rows, _columns = stack_shape(tuple(array.shape), as_map=as_map, path=path)
    return ArrayPayload(path, _Lines(array, as_map=as_map), n_pages=pages)


class _Lines:
    """A Zarr array seen as a stack of pages."""

    def __init__(self, array: Any, *, as_map: bool) -> None:  # noqa: ANN401
        self._array = array
        self._flat = array.ndim == 2
        shape = tuple(array.shape)
        if self._flat:
            shape = (shape[0], 1, shape[1]) if as_map else (1, *shape)
        self._as_map = as_map
        self.shape = shape
        self.dtype = array.dtype

    def __getitem__(self, pages: slice) -> Array:
        if not self._flat:
            return np.asarray(self._array[pages])
        if self._as_map:
            return np.asarray(self._array[pages])[:, None, :]
        return np.asarray(self._array[...])[None][pages]
