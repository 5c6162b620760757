"""A folder of images as a payload."""

from pathlib import Path

import imagecodecs
import numpy as np
import tifffile

from geomscan.errors import InputError
from geomscan.recording.payload import PNG, Array, native, natural_order
from geomscan.recording.tiff_payload import BROKEN, decode_all, one_line

__all__ = ["ImageFolder"]

ENDINGS = {".png", ".tif", ".tiff"}


class ImageFolder:
    """A folder of PNG or TIFF images in natural order, an image a page; or one PNG image."""

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

        def decode(at: int) -> None:
            image = _read_image(self._images[at])
            if image.shape != self.page_shape or image.dtype != self.dtype:
                msg = (
                    f"{self._images[at]}: expected {self.page_shape} {self.dtype} as in "
                    f"{self._images[0].name}, found {image.shape} {image.dtype}"
                )
                raise InputError(msg)
            out[at - first] = image

        decode_all(decode, first, stop)
        return out

    def close(self) -> None:
        """Nothing is held open."""


def _read_image(path: Path) -> Array:
    try:
        content = path.read_bytes()
        if content.startswith(PNG):
            image = np.asarray(imagecodecs.png_decode(content))
        else:
            image = np.asarray(tifffile.imread(path))
    except BROKEN as error:
        msg = f"{path}: not a readable PNG or TIFF image ({one_line(error)})"
        raise InputError(msg) from error
    if image.ndim != 2:
        what = "a colour image" if image.ndim == 3 and image.shape[-1] in {2, 3, 4} else "a stack"
        msg = f"{path}: is {what} {image.shape}, expected one grey value a pixel"
        raise InputError(msg)
    return image.astype(native(image.dtype), copy=False)
