"""Row of a line of which pixels are missing: clipped ones, or rows beyond the payload.

A Gaussian line is a parabola in log grey values. A weighted fit through the flanks starts it, a
scoring step on the grey values themselves finishes it: within a hundredth of the noise, the maximum
of the likelihood of the pixels that are left.
"""

import math
from typing import Any

import numpy as np
from numba import njit

__all__ = ["fit_flanks"]

#: rows of flank used on each side
_FLANK = 7


@njit(nogil=True)
def fit_flanks(
    frame: Any, column: int, peak: int, top: float, grey: float, noise: Any, out: Any
) -> bool:
    """Fit a Gaussian to one column without its clipped pixels.

    Parameters
    ----------
    frame : (n_rows, n_columns)
    column, peak : int
        Column, and the row of its first clipped (or brightest) pixel.
    top : float
        Grey value from which a pixel counts as clipped.
    grey : float
        Background.
    noise : tuple
        Gain, fixed variance, black level.
    out : (4,) float64
        Row, u of the row, light, standard deviation.

    Returns
    -------
    bool
        Whether the flanks hold a line; `out` is untouched otherwise.
    """
    n_rows = frame.shape[0]
    last = peak
    row = peak + 1
    while row < n_rows and row <= last + 2:
        if frame[row, column] >= top:
            last = row
        row += 1
    first, stop = max(0, peak - _FLANK), min(n_rows, last + 1 + _FLANK)
    middle = 0.5 * (peak + last)
    gain, fixed = noise[0], noise[1]
    dark = max(grey - noise[2], 0.0) / gain + fixed
    least = 3.0 * math.sqrt(dark)
    # the start takes the pixels that stand out in one run with the peak
    above, below = peak - 1, last + 1
    while above >= first and frame[above, column] - grey >= least:
        above -= 1
    while below < stop and frame[below, column] - grey >= least:
        below += 1
    a, b, c = 0.0, 0.0, 0.0
    i00, i01, i02, i11, i12, i22 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for step in range(2):
        s0, s1, s2, s3, s4, t0, t1, t2, n = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0
        for row in range(above + 1, below) if step == 0 else range(first, stop):
            pixel = float(frame[row, column])
            if pixel >= top:
                continue
            d, v = row - middle, pixel - grey
            if step == 0:
                if v < least:
                    continue
                model, z = v, math.log(v)
            else:
                log_model = min(a + d * (b + d * c), 30.0)
                model = math.exp(log_model)
                z = log_model + (v - model) / model
            w = model * model / (model / gain + dark)
            n += 1
            s0 += w
            s1 += w * d
            s2 += w * d * d
            s3 += w * d * d * d
            s4 += w * d * d * d * d
            t0 += w * z
            t1 += w * z * d
            t2 += w * z * d * d
        c00, c01, c02 = s2 * s4 - s3 * s3, s2 * s3 - s1 * s4, s1 * s3 - s2 * s2
        det = s0 * c00 + s1 * c01 + s2 * c02
        if n < 4 or det <= 1e-12 * s0 * s2 * s4:
            return False
        c11, c12, c22 = s0 * s4 - s2 * s2, s1 * s2 - s0 * s3, s0 * s2 - s1 * s1
        i00, i01, i02 = c00 / det, c01 / det, c02 / det
        i11, i12, i22 = c11 / det, c12 / det, c22 / det
        a = i00 * t0 + i01 * t1 + i02 * t2
        b = i01 * t0 + i11 * t1 + i12 * t2
        c = i02 * t0 + i12 * t1 + i22 * t2
        if c >= -1e-4:
            return False
    at = -0.5 * b / c
    if abs(at) > 0.5 * (last - peak) + 2 * _FLANK:
        return False
    # at = -b / 2c: d(at)/db = -1/2c, d(at)/dc = -at/c
    db, dc = -0.5 / c, -at / c
    sigma = math.sqrt(-0.5 / c)
    out[0] = middle + at
    out[1] = math.sqrt(db * db * i11 + 2 * db * dc * i12 + dc * dc * i22)
    out[2] = math.exp(min(a - 0.25 * b * b / c, 30.0)) * sigma * math.sqrt(2 * np.pi)
    out[3] = sigma
    return True


@njit(nogil=True)
def measure_span(frame: Any, column: int, peak: int, grey: float, u: float, out: Any) -> bool:
    """Middle of a line that spans many rows of one column, as on an upright face.

    The line is taken to end where it falls below half of its brightest pixel for two rows. Where
    in the span the wanted surface lies isn't known: u is that of a uniform distribution over it.

    Parameters
    ----------
    frame : (n_rows, n_columns)
    column, peak : int
        Column, and the row of its brightest pixel.
    grey, u : float
        Background; u of the row from noise.
    out : (4,) float64
        Row, u of the row, light, standard deviation.

    Returns
    -------
    bool
        Always True.
    """
    n_rows = frame.shape[0]
    least = grey + 0.5 * (float(frame[peak, column]) - grey)
    first, last = peak, peak
    while first > 0 and (
        frame[first - 1, column] > least or (first > 1 and frame[first - 2, column] > least)
    ):
        first -= 1
    while last < n_rows - 1 and (
        frame[last + 1, column] > least or (last < n_rows - 2 and frame[last + 2, column] > least)
    ):
        last += 1
    light = 0.0
    for row in range(first, last + 1):
        light += float(frame[row, column]) - grey
    spread = (last - first + 1) / math.sqrt(12.0)
    out[0] = 0.5 * (first + last)
    out[1] = math.sqrt(u * u + spread * spread)
    out[2] = light
    out[3] = spread
    return True
