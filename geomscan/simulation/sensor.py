"""From stretches of line to grey values: pixels, speckle, shot and read noise, clipping."""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.simulation.chance import State, gamma, normal, poisson, uniform

__all__ = ["Sensor", "add_light", "digitise", "speckle_of"]

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]

REACH = 5.0  # a line is drawn to five standard deviations: 6e-7 of its light is left out
TABLE_STEP = 1 / 512
_z = np.arange(-REACH - 1, REACH + 1 + TABLE_STEP, TABLE_STEP)
NORMAL_CDF = np.array([0.5 * (1 + math.erf(v / math.sqrt(2))) for v in _z])


class Sensor(NamedTuple):
    """The chip: grey = electrons / gain + read noise + black level, rounded and clipped."""

    electrons_per_grey: float
    read_noise_grey: float
    black_level_grey: float
    ambient_grey: float
    full_grey: float
    psf_px: float
    speckle_row_px: float
    speckle_brightness: float
    second_peak_share: float


@njit(nogil=True, cache=True)
def speckle_of(sensor: Sensor, n: int, chance: State) -> tuple[Floats, Floats]:
    """Row displacement (px) and brightness factor of every column in one line."""
    move, bright = np.zeros(n), np.ones(n)
    contrast = sensor.speckle_brightness
    for k in range(n):
        if sensor.speckle_row_px > 0:
            move[k] = sensor.speckle_row_px * normal(chance)
        if contrast > 0:
            # a sum of M independent speckles: gamma with mean 1 and standard deviation 1 / sqrt(M)
            bright[k] = gamma(chance, 1 / contrast**2)
    return move, bright


@njit(nogil=True, cache=True)
def _cdf(z: float) -> float:
    at = (z + REACH + 1) / TABLE_STEP
    if at <= 0:
        return 0.0
    if at >= len(NORMAL_CDF) - 1:
        return 1.0
    k = int(at)
    return float(NORMAL_CDF[k] + (at - k) * (NORMAL_CDF[k + 1] - NORMAL_CDF[k]))


@njit(nogil=True, cache=True)
def _gauss(image: Floats32, a: int, at: float, sigma: float, light: float) -> None:
    """Add a pixel-integrated Gaussian to one column; pixel k covers k - 0.5 to k + 0.5."""
    low = max(int(np.ceil(at - REACH * sigma - 0.5)), 0)
    high = min(int(np.floor(at + REACH * sigma + 0.5)), image.shape[0] - 1)
    before = _cdf((low - 0.5 - at) / sigma)
    for k in range(low, high + 1):
        after = _cdf((k + 0.5 - at) / sigma)
        image[k, a] += light * (after - before)
        before = after


@njit(nogil=True, cache=True)
def _tail_cdf(v: float, sigma: float, tau: float) -> float:
    """Distribution of a Gaussian plus an exponential delay towards growing v."""
    z = v / sigma
    k = sigma / tau
    e = 0.5 * k * k - v / tau
    # for k large the two factors over- and underflow together: the tail is then no tail
    if e < 2:  # the table's error, 5e-7, is not blown up by the first factor
        return float(_cdf(z) - math.exp(e) * _cdf(z - k))
    part = math.exp(e) * 0.5 * math.erfc((k - z) / math.sqrt(2.0)) if e < 500 else 0.0
    return float(_cdf(z) - part)


@njit(nogil=True, cache=True)
def _tail(image: Floats32, a: int, at: float, sigma: float, shift: float, light: float) -> None:
    """Add light from below the surface: delayed by an exponential of mean `shift` px (signed)."""
    tau = abs(shift)
    if tau < 0.05 * sigma:
        _gauss(image, a, at + shift, sigma, light)
        return
    sign = 1.0 if shift > 0 else -1.0
    first, last = at - sign * REACH * sigma, at + sign * (REACH * sigma + 12 * tau)
    low = max(int(np.ceil(min(first, last) - 0.5)), 0)
    high = min(int(np.floor(max(first, last) + 0.5)), image.shape[0] - 1)
    before = _tail_cdf(sign * (low - 0.5 - at), sigma, tau)
    for k in range(low, high + 1):
        after = _tail_cdf(sign * (k + 0.5 - at), sigma, tau)
        image[k, a] += light * abs(after - before)
        before = after


@njit(nogil=True, cache=True)
def _passed(at: float, low: float, high: float, spread: float) -> float:
    """Share of the light left of `at`: even from `low` to `high`, blurred evenly over ±`spread`."""
    passed = _ramp(at - low, spread) - _ramp(at - high, spread)
    return float(passed / (high - low))


@njit(nogil=True, cache=True)
def _ramp(u: float, spread: float) -> float:
    if u >= spread:
        return u
    return (u + spread) ** 2 / (4 * spread) if u > -spread else 0.0


@njit(nogil=True, cache=True)
def add_light(
    image: Floats32,
    stretch: Floats,
    row0: float,
    gain: float,
    psf_px: float,
    move: Floats,
    bright: Floats,
) -> None:
    """Draw stretches into an image (rows are height, from `row0`), blurred by the lens.

    Across the columns the lens's blur is taken as even over ±sqrt(3) of its standard deviation,
    which has the same spread; along the rows it is part of each stretch's width.
    """
    spread = math.sqrt(3.0) * psf_px
    for k in range(len(stretch)):
        a0, h0, a1, h1 = stretch[k, 0], stretch[k, 1], stretch[k, 2], stretch[k, 3]
        light, sigma = gain * stretch[k, 4], stretch[k, 5]
        share, shift, lobe = stretch[k, 6], stretch[k, 7], stretch[k, 8] > 0
        parts = min(max(int(np.ceil(abs(h1 - h0) / (0.7 * sigma))), 1), 64)
        for part in range(parts):
            from_a = a0 + (a1 - a0) * part / parts
            to_a = a0 + (a1 - a0) * (part + 1) / parts
            h = h0 + (h1 - h0) * (part + 0.5) / parts - row0
            low, high = min(from_a, to_a), max(from_a, to_a)
            if high - low < 1e-9:
                high = low + 1e-9
            first = max(int(np.floor(low - spread + 0.5)), 0)
            last = min(int(np.floor(high + spread + 0.5)), image.shape[1] - 1)
            before = _passed(first - 0.5, low, high, spread)
            for a in range(first, last + 1):
                after = _passed(a + 0.5, low, high, spread)
                here = light / parts * (after - before) * bright[a]
                before = after
                if here <= 0:
                    continue
                _gauss(image, a, h + move[a], sigma, here * (1 - share))
                if share > 0 and lobe:
                    # broadened by its way through the tissue: as wide again as its shift
                    _gauss(
                        image, a, h + move[a] + shift, math.hypot(sigma, 0.5 * shift), here * share
                    )
                elif share > 0:
                    _tail(image, a, h + move[a], sigma, shift, here * share)


@njit(nogil=True, cache=True)
def add_second_peaks(image: Floats32, share: float, sigma_px: float, chance: State) -> None:
    """Give a share of the columns a second line, 0.6 to 1.6 times the first, somewhere else."""
    rows, columns = image.shape
    for a in range(columns):
        if uniform(chance) >= share:
            continue
        total, moment = 0.0, 0.0
        for k in range(rows):
            total += image[k, a]
            moment += k * image[k, a]
        if total <= 0:
            continue
        at = 2 + (rows - 5) * uniform(chance)
        if abs(at - moment / total) > 4 * sigma_px + 3:
            _gauss(image, a, at, sigma_px, total * (0.6 + uniform(chance)))


@njit(nogil=True, cache=True)
def add_ghost(image: Floats32, first: int, last: int, offset_px: float, strength: float) -> None:
    """Repeat the line of some columns at another height, as wet glare and side guides do."""
    rows = image.shape[0]
    whole = int(np.floor(offset_px))
    part = offset_px - whole
    for a in range(max(first, 0), min(last, image.shape[1] - 1) + 1):
        column = image[:, a].copy()
        for k in range(rows):
            for source, weight in ((k - whole, 1 - part), (k - whole - 1, part)):
                if 0 <= source < rows:
                    image[k, a] += strength * weight * column[source]


@njit(nogil=True, cache=True)
def digitise(image: Floats32, sensor: Sensor, frame: npt.NDArray[np.uint16], chance: State) -> None:
    """Turn expected grey values into a frame: photons arrive by chance, the chip adds its noise."""
    gain = sensor.electrons_per_grey
    rows, columns = image.shape
    # below this a pixel without light reads 0 whatever its noise does: the pedestal is 7 sigma away
    dark = sensor.ambient_grey == 0 and sensor.black_level_grey + 7 * sensor.read_noise_grey < 0.5
    for r in range(rows):
        for a in range(columns):
            mean = image[r, a]
            if dark and mean == 0:
                frame[r, a] = 0
                continue
            electrons = poisson(chance, gain * (mean + sensor.ambient_grey))
            grey = electrons / gain + sensor.black_level_grey
            grey += sensor.read_noise_grey * normal(chance)
            frame[r, a] = np.uint16(min(max(np.floor(grey + 0.5), 0.0), sensor.full_grey))
