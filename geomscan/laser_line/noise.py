"""What a grey level is worth: the noise model of a camera, given or measured from its frames."""

import itertools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.recording.recording import Recording

__all__ = ["QUANTISATION_GREY2", "NoiseModel", "dark_level", "noise_from_frames", "noise_of_head"]

Array = npt.NDArray[np.float64]

#: rows on each side of the brightest pixel that are looked at
_HALF = 8
#: a line has to stand this many grey levels (of 8 bit) above the background
_LEAST_PEAK = 8.0
#: grey levels of variance a grey level; less is taken for a camera without shot noise
_LEAST_SLOPE = 1e-6
#: a line that moves more than this between two frames isn't steady
_STEADY_PX = 0.2
#: nor is one whose brightness changes by more than this share
_STEADY_LIGHT = 0.25
#: lines that a recording's own noise is measured on
_OWN_LINES = 16
#: pixels that a fit needs at least
_LEAST_PIXELS = 3000

#: variance of rounding to whole grey levels: a uniform distribution one level wide
QUANTISATION_GREY2 = 1 / 12


@dataclass(frozen=True, kw_only=True, slots=True)
class NoiseModel:
    """Variance of one pixel at a mean of g grey levels.

    var = max(g - black_level_grey, 0) / electrons_per_grey + read_noise_grey² + 1/12: shot noise,
    read noise and rounding (the linear camera model of the photon transfer method).

    Raises
    ------
    InputError
        If a value is not finite, the gain is not positive or the read noise is negative.
    """

    electrons_per_grey: float
    read_noise_grey: float
    black_level_grey: float = 0.0

    def __post_init__(self) -> None:
        values = (self.electrons_per_grey, self.read_noise_grey, self.black_level_grey)
        if not all(math.isfinite(value) for value in values):
            msg = f"noise model: expected finite numbers, got {values}"
            raise InputError(msg)
        if self.electrons_per_grey <= 0 or self.read_noise_grey < 0:
            msg = f"noise model: expected a gain > 0 and a read noise >= 0, got {values[:2]}"
            raise InputError(msg)

    def variance_grey2(self, grey: float) -> float:
        """Variance of a pixel whose mean is `grey`."""
        shot = max(grey - self.black_level_grey, 0.0) / self.electrons_per_grey
        return shot + self.read_noise_grey**2 + QUANTISATION_GREY2


def noise_from_frames(
    frames: npt.NDArray[np.uint8] | npt.NDArray[np.uint16], *, bit_depth: int
) -> NoiseModel:
    """Measure gain and read noise from a recording's own frames, where its manifest has none.

    In windows around the line, the difference of neighbouring frames is freed from what moved:
    brighter or darker, shifted, or lifted as a whole (a regression on the line's own profile, its
    slope and a constant in every column). What is left is noise; its variance grows with the grey
    value, and the straight line through it gives gain and read noise (photon transfer; Janesick
    2007). Columns in which more than noise is left are set aside. The black level is taken as the
    level away from the line; where dark pixels clip at 0 only pixels well above 0 count, and the
    model then holds for these.

    Parameters
    ----------
    frames : (n_lines, n_rows, n_columns) uint8 or uint16
        At least two neighbouring frames; thirty of belt are plenty.
    bit_depth : int
        8 to 16.

    Raises
    ------
    InputError
        If there are fewer than two frames, or too few pixels of a steady, unclipped line.
    """
    if frames.ndim != 3 or frames.shape[0] < 2 or frames.shape[1] < 2 * _HALF + 1:
        msg = f"noise from frames: expected 2 frames of {2 * _HALF + 1} rows, got {frames.shape}"
        raise InputError(msg)
    finer = 2.0 ** (bit_depth - 8)
    dark = dark_level(frames)
    parts = [
        _pair_residuals(a, b, dark=dark, top=2.0**bit_depth - 1, least=_LEAST_PEAK * finer)
        for a, b in itertools.pairwise(frames)
    ]
    level, shot, flat, square = (
        np.concatenate([part[k] for part in parts], axis=1) for k in range(4)
    )
    if level.size < _LEAST_PIXELS:
        msg = (
            f"noise from frames: expected {_LEAST_PIXELS} pixels of a steady unclipped line, found "
            f"{level.size}: state electrons_per_grey and read_noise_grey in the manifest"
        )
        raise InputError(msg)
    slope, at_zero = _fit_variance(level, shot, flat, square)
    black = max(dark, 0.0)
    fixed = at_zero + slope * black - QUANTISATION_GREY2
    return NoiseModel(
        electrons_per_grey=1 / slope,
        read_noise_grey=math.sqrt(max(fixed, 0.0)),
        black_level_grey=black,
    )


def noise_of_head(recording: Recording, name: str) -> NoiseModel:
    """Give the noise that a head's manifest states; else measure it on the recording's first lines.

    Parameters
    ----------
    recording : Recording
        Its head's payload holds frames.
    name : str
        The head.

    Raises
    ------
    InputError
        If the manifest states none and the frames don't show it.
    """
    head = recording.head(name)
    if head.electrons_per_grey is not None and head.read_noise_grey is not None:
        return NoiseModel(
            electrons_per_grey=head.electrons_per_grey,
            read_noise_grey=head.read_noise_grey,
            black_level_grey=head.black_level_grey or 0.0,
        )
    first = recording.first
    stop = min(first + _OWN_LINES, recording.stop)
    _, frames = next(recording.blocks(name, lines_per_block=_OWN_LINES, first=first, stop=stop))
    if not isinstance(frames, np.ndarray):
        msg = f"{recording.path}: head {name}: noise is measured on frames"
        raise InputError(msg)
    try:
        return noise_from_frames(frames, bit_depth=head.bit_depth)
    except InputError as error:
        msg = f"{recording.path}: head {name}: {error}"
        raise InputError(msg) from error


def dark_level(frames: npt.NDArray[np.uint8] | npt.NDArray[np.uint16]) -> float:
    """Mean of the darker half of all pixels' central part: the level away from the line."""
    sample = frames[:: max(1, len(frames) // 8)]
    middle = float(np.median(sample))
    spread = 1.4826 * float(np.median(np.abs(sample.astype(np.float64) - middle)))
    inside = sample[np.abs(sample - middle) <= 3 * max(spread, 0.5)]
    return float(np.mean(inside))


def _pair_residuals(
    a: npt.NDArray[np.uint8] | npt.NDArray[np.uint16],
    b: npt.NDArray[np.uint8] | npt.NDArray[np.uint16],
    *,
    dark: float,
    top: float,
    least: float,
) -> tuple[Array, Array, Array, Array]:
    """Free the difference of two frames around the line from what moved.

    Returns (2 _HALF + 1, n) each: grey level; squares that a variance as large as the grey level
    would leave, and one of 1; squares seen, halved.
    """
    rows = a.argmax(0)
    close = np.abs(rows - b.argmax(0).astype(np.int64)) <= 1
    inside = (rows >= _HALF) & (rows < a.shape[0] - _HALF)
    columns = np.flatnonzero(close & inside)
    at = rows[columns] + np.arange(-_HALF, _HALF + 1)[:, None]
    first, second = a[at, columns].astype(np.float64), b[at, columns].astype(np.float64)
    peak = np.minimum(first.max(0), second.max(0))
    good = (peak - dark > least) & (np.maximum(first, second).max(0) < top)
    first, second = first[:, good], second[:, good]
    level = (first + second) / 2
    shape = np.stack([level - dark, np.gradient(level, axis=0), np.ones_like(level)])
    difference = first - second
    normal = np.einsum("irc,jrc->cij", shape, shape)
    normal += 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(3)
    inverse = np.linalg.inv(normal)
    weights = np.einsum("cij,jrc->irc", inverse, shape)
    coefficients = np.einsum("irc,rc->ic", weights, difference)
    fitted = np.einsum("ic,irc->rc", coefficients, shape)
    n_rows = level.shape[0]
    left = np.eye(n_rows)[:, :, None] - np.einsum("irc,isc->rsc", weights, shape)
    left **= 2
    shot = np.einsum("rsc,sc->rc", left, level)
    steady = (np.abs(coefficients[1]) < _STEADY_PX) & (np.abs(coefficients[0]) < _STEADY_LIGHT)
    kept = (level, shot, left.sum(1), (difference - fitted) ** 2 / 2)
    return kept[0][:, steady], kept[1][:, steady], kept[2][:, steady], kept[3][:, steady]


def _fit_variance(level: Array, shot: Array, flat: Array, square: Array) -> tuple[float, float]:
    """Straight line of variance over grey level: slope and value at 0 grey levels."""
    slope, at_zero = 0.02, 0.2
    for _ in range(5):
        expected = np.maximum(at_zero * flat + slope * shot, 0.3 * QUANTISATION_GREY2)
        # dark pixels that clip at 0 have lost part of their noise
        whole = level > 4 * np.sqrt(np.maximum(at_zero + slope * level, QUANTISATION_GREY2))
        n_whole = whole.sum(0)
        per_column = np.where(whole, square / expected, 0).sum(0) / np.maximum(n_whole, 1)
        enough = n_whole > 3
        if not enough.any():
            msg = "noise from frames: expected a line well above 0 grey levels"
            raise InputError(msg)
        use = whole & enough & (per_column < 2.5 * np.median(per_column[enough]))
        x, c, y, w = shot[use], flat[use], square[use], 1 / expected[use] ** 2
        normal = np.array(
            [[np.sum(w * x * x), np.sum(w * x * c)], [np.sum(w * x * c), np.sum(w * c * c)]]
        )
        slope, at_zero = np.linalg.solve(normal, [np.sum(w * x * y), np.sum(w * c * y)])
        # a camera whose noise doesn't grow with the light: as good as no shot noise
        slope = max(slope, _LEAST_SLOPE)
        at_zero = max(at_zero, QUANTISATION_GREY2 - slope * float(np.median(level)))
    return float(slope), float(at_zero)
