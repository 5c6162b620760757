"""Lines with a one-sided tail: light that enters the surface and comes out again further on.

The core is a Gaussian; a share of the light is smeared by an exponential decay on one side
(together an exponentially modified Gaussian; Grushka 1972, Anal. Chem. 44:1733). The row is the
core's: where the surface is. That the tail is exponential is an assumption; the decay, the share
and the width are fitted in every column, which makes the row 2 to 4 times as noisy as a symmetric
estimator's, and free of its bias (on a line without a tail the share, which can't be negative,
leaves about 0.02 px). Cost: about 35 µs a column and thread, a thousand times the symmetric
estimator's.
"""

import math
from typing import Any

import numpy as np
from numba import njit

from geomscan.laser_line.compiled import source_stamp
from geomscan.laser_line.lines import Quality

__all__ = ["fit_tails", "tail_side"]

_SKIP = np.uint8(Quality.NO_LINE | Quality.AT_BORDER | Quality.WIDE)

#: rows that are fitted before the line and on the tail's side
_BEFORE, _BEHIND = 10, 22
_STEPS = 15
#: columns that share a background
_BLOCK = 32
#: a priori: ln(decay / px) is about ln 4 ± 1; keeps the fit on its feet where there is no tail
_LOG_DECAY, _U_LOG_DECAY = math.log(4.0), 1.0


@njit(nogil=True, cache=True)
def tail_side(frames: Any, row_px: Any, quality: Any, step: int) -> int:
    """Side of the tail: +1 towards larger rows, -1 towards smaller ones.

    From the third moment about the biweight row of every step-th column of clean lines.
    """
    n_lines, n_rows, n_columns = frames.shape
    total = 0.0
    for line in range(0, n_lines, max(1, n_lines // 16)):
        for c in range(0, n_columns, step):
            if quality[line, c] != 0:
                continue
            y = row_px[line, c]
            third, light = 0.0, 0.0
            middle = round(y)
            if middle < 12 or middle > n_rows - 13:
                continue
            dark = 0.5 * (float(frames[line, middle - 12, c]) + float(frames[line, middle + 12, c]))
            for r in range(middle - 12, middle + 13):
                v, d = float(frames[line, r, c]) - dark, r - y
                third += v * d * d * d
                light += v
            if light > 0:
                total += third / light
    return 1 if total >= 0 else -1


@njit(nogil=True)
def _edge(d: float, s: float, t: float, out: Any) -> None:
    """Distribution function, density and derivatives at d: Gaussian and smeared Gaussian."""
    z = d / s
    phi = math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    below = 0.5 * math.erfc(-z / math.sqrt(2.0))
    zt = z - s / t
    power = 0.5 * s * s / (t * t) - d / t
    # exp(power) Phi(zt), by the scaled tail where the factors alone would overflow
    if zt > -6.0:
        e = math.exp(min(power, 700.0)) * 0.5 * math.erfc(-zt / math.sqrt(2.0))
    else:
        e = phi / (-zt) * (1 - 1 / (zt * zt) + 3 / (zt * zt * zt * zt))
    out[0], out[1] = below, phi / s
    out[2], out[3] = below - e, e / t
    out[4] = -phi * d / (s * s)  # Gaussian's derivative to s
    out[5] = phi / t - s / (t * t) * e  # smeared one's to s
    out[6] = -(e * (d / (t * t) - s * s / (t * t * t)) + phi * s / (t * t))  # and to t


@njit(nogil=True)
def _solve(a: Any, b: Any, n: int) -> bool:
    """Cholesky solution of a x = b in place (x in b); False where a isn't positive definite."""
    for i in range(n):
        for j in range(i + 1):
            total = a[i, j]
            for k in range(j):
                total -= a[i, k] * a[j, k]
            if i == j:
                if total <= 0:
                    return False
                a[i, i] = math.sqrt(total)
            else:
                a[i, j] = total / a[j, j]
    for i in range(n):
        for k in range(i):
            b[i] -= a[i, k] * b[k]
        b[i] /= a[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            b[i] -= a[k, i] * b[k]
        b[i] /= a[i, i]
    return True


@njit(nogil=True)
def _normal(
    v: Any, weight: Any, n: int, p: Any, matrix: Any, right: Any, model: Any, work: Any
) -> float:
    """Set up one step's normal equations at p = (y, ln light, ln sigma, share, ln decay)."""
    y, light, s, f, t = p[0], math.exp(p[1]), math.exp(p[2]), p[3], math.exp(p[4])
    matrix[:] = 0.0
    right[:] = 0.0
    chi2 = 0.0
    old, new, slope = work[0], work[1], work[2]
    _edge(-0.5 - y, s, t, old)
    for r in range(n):
        _edge(r + 0.5 - y, s, t, new)
        core, tail = new[0] - old[0], new[2] - old[2]
        mean = light * ((1 - f) * core + f * tail)
        model[r] = mean
        w = weight[r]
        if w > 0:
            slope[0] = -light * ((1 - f) * (new[1] - old[1]) + f * (new[3] - old[3]))
            slope[1] = mean
            slope[2] = light * s * ((1 - f) * (new[4] - old[4]) + f * (new[5] - old[5]))
            slope[3] = light * (tail - core)
            slope[4] = light * t * f * (new[6] - old[6])
            left = v[r] - mean
            chi2 += left * left * w
            for i in range(5):
                right[i] += w * slope[i] * left
                for j in range(i + 1):
                    matrix[i, j] += w * slope[i] * slope[j]
        old, new = new, old
    prior = 1.0 / (_U_LOG_DECAY * _U_LOG_DECAY)
    matrix[4, 4] += prior
    right[4] += prior * (_LOG_DECAY - p[4])
    return float(chi2 + prior * (p[4] - _LOG_DECAY) ** 2)


@njit(nogil=True)
def _fit_one(
    v: Any, weight: Any, n: int, dark: float, gain: float, p: Any, buffers: Any, model: Any
) -> float:
    """Levenberg-Marquardt fit of one column; returns u of the row, NaN where it fails.

    The weights come from the grey values first, then twice from the line fitted before.
    """
    work, matrix, factor = buffers
    right, step, tried = work[3], work[4], work[5]
    for r in range(n):
        model[r] = v[r]
    for _ in range(3):
        for r in range(n):
            if weight[r] > 0:
                weight[r] = 1.0 / (dark + max(model[r], 0.0) / gain)
        damping = 1e-3
        chi2 = _normal(v, weight, n, p, matrix, right, model, work)
        for _ in range(_STEPS):
            for i in range(5):
                step[i] = right[i]
                for j in range(i + 1):
                    factor[i, j] = matrix[i, j]
                factor[i, i] = matrix[i, i] * (1 + damping) + 1e-12
            if not _solve(factor, step, 5):
                return np.nan
            for i in range(5):
                tried[i] = p[i] + min(max(step[i], -0.7), 0.7)
            tried[2] = min(max(tried[2], -0.7), 2.3)
            tried[3] = min(max(tried[3], 0.0), 0.95)
            tried[4] = min(max(tried[4], -0.7), 3.0)
            moved = abs(tried[0] - p[0])
            new = _normal(v, weight, n, tried, factor, step, model, work)
            better = new <= chi2
            done = abs(chi2 - new) < 1e-3 and moved < 2e-3
            if better:
                for i in range(5):
                    p[i] = tried[i]
                damping *= 0.2
            else:
                damping *= 8.0
            chi2 = _normal(v, weight, n, p, matrix, right, model, work)
            if done or damping > 1e5:
                break
    for i in range(5):
        step[i] = 1.0 if i == 0 else 0.0
        for j in range(i + 1):
            factor[i, j] = matrix[i, j]
        factor[i, i] += 1e-12
    if not _solve(factor, step, 5):
        return np.nan
    return math.sqrt(step[0])


@njit(nogil=True)
def _fit_tails(
    frames: Any,
    first: int,
    stop: int,
    side: int,
    top: float,
    noise: Any,
    row_px: Any,
    u_px: Any,
    light: Any,
    width: Any,
    quality: Any,
) -> None:
    """Fit core and tail in frames first to stop, starting from the symmetric rows.

    Columns without a line, at the border and wide ones keep what they have; so does a column in
    which the fit fails. Clipped pixels are left out.

    Parameters
    ----------
    frames : (n_lines, n_rows, n_columns)
    side : +1 where the tail lies towards larger rows, -1 towards smaller ones
    top : grey value that clips
    noise : (gain, fixed variance, black level)
    row_px, u_px, light, width, quality : (n_lines, n_columns), changed in place
    """
    _, n_rows, n_columns = frames.shape
    most = _BEFORE + _BEHIND + 1
    v, weight, model = np.empty(most), np.empty(most), np.empty(most)
    p = np.empty(5, np.float64)
    buffers = (np.empty((6, 7)), np.empty((5, 5)), np.empty((5, 5)))
    grey = np.empty(n_columns, np.float64)
    for line in range(first, stop):
        for c0 in range(0, n_columns, _BLOCK):
            c1 = min(n_columns, c0 + _BLOCK)
            grey[c0:c1] = _far_grey(frames[line], c0, c1, side, row_px[line], noise)
        for c in range(n_columns):
            if quality[line, c] & _SKIP:
                continue
            start = row_px[line, c]
            origin = round(start) - side * _BEFORE
            n = 0
            for k in range(most):
                r = origin + side * k
                weight[k], v[k] = 0.0, 0.0
                if 0 <= r < n_rows:
                    n = k + 1
                    pixel = float(frames[line, r, c])
                    v[k] = pixel - grey[c]
                    weight[k] = 1.0 if pixel < top else 0.0
            p[0] = (start - origin) * side - 0.15 * width[line, c]
            p[1] = math.log(max(light[line, c], 1.0))
            p[2] = math.log(max(0.8 * width[line, c], 0.6))
            p[3], p[4] = 0.2, _LOG_DECAY
            dark = noise[1] + max(grey[c] - noise[2], 0.0) / noise[0]
            u = _fit_one(v, weight, n, dark, noise[0], p, buffers, model)
            if np.isfinite(u) and abs(p[0] - (start - origin) * side) < 2 * _BEFORE / 3:
                row_px[line, c] = origin + side * p[0]
                u_px[line, c] = u
                light[line, c] = math.exp(p[1])
                width[line, c] = math.exp(p[2])


@njit(nogil=True)
def _far_grey(frame: Any, c0: int, c1: int, side: int, row_px: Any, noise: Any) -> float:
    """Mean grey value of a block of columns away from the line; what stands out is left out."""
    n_rows = frame.shape[0]
    limit, mean = 1e9, 0.0
    for _ in range(3):
        total, n = 0.0, 0
        for c in range(c0, c1):
            for r in range(n_rows):
                away = (row_px[c] - r) * side
                pixel = float(frame[r, c])
                if not (-_BEHIND - 4 <= away <= _BEFORE + 2) and pixel <= limit:
                    total += pixel
                    n += 1
        mean = total / n if n > 0 else noise[2]
        limit = mean + 5 * math.sqrt(max(mean - noise[2], 0.0) / noise[0] + noise[1])
    return mean


def _kept(stamp: str) -> Any:
    """Keep the compiled code on disk for as long as no source of this package changes."""

    @njit(nogil=True, cache=True)
    def fit_tails(*arguments: Any) -> Any:
        assert stamp
        return _fit_tails(*arguments)

    return fit_tails


#: compiled `_fit_tails`
fit_tails = _kept(source_stamp())
