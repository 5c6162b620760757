"""Lossless video (FFV1 in MKV) as a payload, through OpenCV."""

import os
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from geomscan.errors import InputError
from geomscan.recording.payload import Array, native

__all__ = ["VideoPayload"]

SEGMENT = b"\x18\x53\x80\x67"  # the Matroska element that holds all else (RFC 9559)


class VideoPayload:
    """Frames of a grey FFV1 video, read in order; going back starts over from the first.

    A frame with damaged bytes comes back mended from its neighbours, without a word: the decoder
    offers no way to tell. Other containers say so; prefer them.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._cv2 = _import_cv2(path)
        self._video = self._open()
        first = self._next(0)
        self._at = 1
        self.page_shape: tuple[int, int] = (first.shape[0], first.shape[1])
        self.dtype = native(first.dtype)
        promised = int(self._video.get(self._cv2.CAP_PROP_FRAME_COUNT))
        self.fault = ""
        self.n_pages = promised
        if promised <= 0 or _is_cut(path):  # a recorder that was killed leaves no length behind
            while self._video.grab():
                self._at += 1
            self.n_pages = self._at
            if promised > self.n_pages:
                self.fault = f"is cut short: {self.n_pages} of {promised} frames are whole"

    def read(self, first: int, stop: int) -> Array:
        """Frames first to stop."""
        if first < self._at:
            self._video.release()
            self._video = self._open()
            self._at = 0
        while self._at < first:
            if not self._video.grab():
                self._refuse(self._at)
            self._at += 1
        out = np.empty((stop - first, *self.page_shape), self.dtype)
        for at in range(first, stop):
            out[at - first] = self._next(at)
            self._at += 1
        return out

    def close(self) -> None:
        """Close the video."""
        self._video.release()

    def _open(self) -> Any:
        log = self._cv2.utils.logging
        level = log.getLogLevel()
        log.setLogLevel(log.LOG_LEVEL_ERROR)  # it warns of every grey video
        try:
            grey = [self._cv2.CAP_PROP_CONVERT_RGB, 0]
            video = self._cv2.VideoCapture(str(self.path), self._cv2.CAP_FFMPEG, grey)
        finally:
            log.setLogLevel(level)
        code = int(video.get(self._cv2.CAP_PROP_FOURCC)) if video.isOpened() else 0
        if code.to_bytes(4, "little").upper() != b"FFV1":
            found = code.to_bytes(4, "little").decode("ascii", "replace") if code else "no video"
            msg = f"{self.path}: expected lossless FFV1 video in grey, found {found}"
            raise InputError(msg)
        return video

    def _next(self, at: int) -> Array:
        good, frame = self._video.read()
        if not good:
            self._refuse(at)
        page = np.asarray(frame)
        if page.ndim == 3 and page.shape[2] == 1:
            page = page[:, :, 0]
        if page.ndim != 2:
            msg = f"{self.path}: is colour video {page.shape}, expected one grey value a pixel"
            raise InputError(msg)
        return page

    def _refuse(self, at: int) -> NoReturn:
        msg = f"{self.path}: frame {at} cannot be decoded"
        raise InputError(msg)


def _import_cv2(path: Path) -> Any:
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")  # silent: faults are raised here
    try:
        import cv2
    except ImportError as error:
        msg = (
            f"{path}: video needs OpenCV, which does not load here ({error}): install "
            "opencv-python-headless, or the system's libGL and libxcb"
        )
        raise InputError(msg) from error
    return cv2


def _is_cut(path: Path) -> bool:
    """Whether the file ends before its segment does."""
    with path.open("rb") as stream:
        head = stream.read(4096)
    at = head.find(SEGMENT)
    if at < 0 or len(head) < at + 12:
        return False
    length = 8 - head[at + 4].bit_length() + 1
    size = int.from_bytes(head[at + 4 : at + 4 + length], "big") & ((1 << 7 * length) - 1)
    unknown = size == (1 << 7 * length) - 1
    return unknown or at + 4 + length + size > path.stat().st_size
