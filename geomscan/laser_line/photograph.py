"""Laser lines in photographs: colour, room light, and a line that may run down the picture."""

from typing import Literal

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError

__all__ = ["photograph_to_frame"]

Pixels = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]


def photograph_to_frame(
    photograph: Pixels,
    *,
    dark: Pixels | None = None,
    channel: Literal["red", "green", "blue"] = "red",
    rows_are_height: bool = True,
) -> npt.NDArray[np.uint16]:
    """Turn a photograph of a laser line into one frame for `extract_lines`.

    The frame is that of a 16-bit camera: the channel's grey values less the dark picture's, plus a
    pedestal of 256 times 16, times 64 for 8-bit pictures: nothing is cut off below 0, where half
    of the noise lies. Pixels that clip in the photograph clip in the frame.

    Parameters
    ----------
    photograph : (n_rows, n_columns) or (n_rows, n_columns, 3) uint8 or uint16
        Colours in the order blue, green, red, as OpenCV reads them.
    dark : same shape, optional
        The same scene with the laser off.
    channel : "red", "green" or "blue"
        The laser's colour.
    rows_are_height : bool
        False where the line runs down the picture: it is turned, so that columns are its rows.

    Returns
    -------
    (1, n_rows, n_columns) uint16
        A grey level of an 8-bit photograph is 64 of the frame's; the level of no light is 4096.

    Raises
    ------
    InputError
        If shapes or types differ, or aren't those of a photograph.
    """
    line = _channel(photograph, channel)
    top = np.iinfo(line.dtype).max
    scale = 64.0 if top == 255 else 0.25
    light = line.astype(np.float64)
    if dark is not None:
        if dark.shape != photograph.shape or dark.dtype != photograph.dtype:
            msg = f"dark picture: expected {photograph.shape} {photograph.dtype}, got {dark.shape}"
            raise InputError(msg)
        light -= _channel(dark, channel)
    frame = np.clip(np.rint(light * scale + 4096), 0, 65534)
    frame[line == top] = 65535
    turned = frame if rows_are_height else frame.T
    return np.ascontiguousarray(turned[None].astype(np.uint16))


def _channel(photograph: Pixels, channel: str) -> Pixels:
    if photograph.ndim not in (2, 3) or photograph.dtype not in (np.uint8, np.uint16):
        msg = f"photograph: expected uint8 or uint16 rows, columns (, 3), got {photograph.shape}"
        raise InputError(msg)
    if photograph.ndim == 2:
        return photograph
    if photograph.shape[2] < 3 or channel not in ("blue", "green", "red"):
        msg = f"photograph: expected 3 colours and a channel, got {photograph.shape} and {channel}"
        raise InputError(msg)
    return photograph[:, :, ("blue", "green", "red").index(channel)]
