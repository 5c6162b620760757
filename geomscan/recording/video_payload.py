"""Lossless video (FFV1 in MKV) as a payload, through OpenCV."""

from pathlib import Path
from typing import Any

import numpy as np

from geomscan.errors import InputError
from geomscan.recording.payload import Array

__all__ = ["VideoPayload"]


class VideoPayload:
    """Frames of a grey FFV1 video, read in order; going back starts over from the first."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._video = self._open()
        first = self._next(0)
        self.page_shape: tuple[int, int] = (first.shape[0], first.shape[1])
        self.dtype = first.dtype
        self._at = 1
        import cv2

        self.n_pages = int(self._video.get(cv2.CAP_PROP_FRAME_COUNT))
        if self.n_pages <= 0:  # a recorder that was killed leaves no length behind
            self.n_pages = 1
            while self._video.grab():
                self.n_pages += 1
            self._at = self.n_pages
        self.fault = ""

    def read(self, first: int, stop: int) -> Array:
        """Frames first to stop."""
        if first < self._at:
            self._video.release()
            self._video = self._open()
            self._at = 0
        while self._at < first:
            self._video.grab()
            self._at += 1
        out = np.empty((stop - first, *self.page_shape), self.dtype)
        for at in range(first, stop):
            out[at - first] = self._next(at)
            self._at += 1
        return out

    def close(self) -> None:
        """Close the video."""
        self._video.release()

    def _open(self) -> Any:  # noqa: ANN401 - OpenCV carries no types
        import cv2

        video = cv2.VideoCapture(str(self.path), cv2.CAP_FFMPEG)
        video.set(cv2.CAP_PROP_CONVERT_RGB, 0)
        code = int(video.get(cv2.CAP_PROP_FOURCC))
        name = bytes((code >> shift) & 255 for shift in (0, 8, 16, 24))
        if not video.isOpened() or name != b"FFV1":
            msg = f"{self.path}: expected lossless FFV1 video, found {name!r}"
            raise InputError(msg)
        return video

    def _next(self, at: int) -> Array:
        good, frame = self._video.read()
        if not good:
            msg = f"{self.path}: frame {at} cannot be decoded"
            raise InputError(msg)
        page = np.asarray(frame)
        if page.ndim == 3 and page.shape[2] == 1:
            page = page[:, :, 0]
        if page.ndim != 2:
            msg = f"{self.path}: expected grey video, found frames of shape {page.shape}"
            raise InputError(msg)
        return page
