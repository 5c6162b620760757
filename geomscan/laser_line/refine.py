"""The biweight row of straightened columns, with its uncertainty, light and width."""

from typing import Any

import numpy as np
from numba import njit

from geomscan.laser_line.biweight import R_OVER_SIGMA

__all__ = ["GREY", "KINDS", "LIGHT", "PEAK", "ROW", "TILE", "WIDTH", "U", "refine"]

#: columns a tile
TILE = 256
#: places in the buffer
KINDS = 11
ROW, U, LIGHT, WIDTH, PEAK, GREY, M, F, Q, SCALE, SHIFT = range(0, KINDS * TILE, TILE)

_REACH = np.float32(R_OVER_SIGMA)
_LEAST_SIGMA = np.float32(0.7)
_ROOT_2_PI = np.float32(2.5066283)
#: (sigma/R)² and spread for which the polynomials hold
_MOST_X, _LEAST_SPREAD, _MOST_SPREAD = np.float32(0.36), np.float32(0.003), np.float32(0.1112)
_ONE, _ZERO, _LEAST = np.float32(1), np.float32(0), np.float32(0.25)


@njit(nogil=True, fastmath=True, error_model="numpy")
def _polynomial(c: Any, x: Any) -> Any:
    return ((((c[0] * x + c[1]) * x + c[2]) * x + c[3]) * x + c[4]) * x + c[5]


@njit(nogil=True, fastmath=True, error_model="numpy")
def _weigh_first(tile: Any, first: int, stop: int, n: int, w: Any) -> None:
    """Sum w v and w e v over rows first to stop into M and F.

    e = (row - y) / R = row · scale + shift, w = (1 - e²)² inside |e| < 1.
    """
    w[M : M + n] = _ZERO
    w[F : F + n] = _ZERO
    for k in range(first, stop, 4):
        p0, p1, p2, p3 = tile[k][:n], tile[k + 1][:n], tile[k + 2][:n], tile[k + 3][:n]
        a0, a1 = np.float32(k), np.float32(k + 1)
        a2, a3 = np.float32(k + 2), np.float32(k + 3)
        for c in range(n):
            r, o, g = w[c + SCALE], w[c + SHIFT], w[c + GREY]
            e = a0 * r + o
            t = _ONE - e * e
            t = t if t > _ZERO else _ZERO
            wv = t * t * (np.float32(p0[c]) - g)
            we = wv * e
            ms, fs = wv, we
            e = a1 * r + o
            t = _ONE - e * e
            t = t if t > _ZERO else _ZERO
            wv = t * t * (np.float32(p1[c]) - g)
            we = wv * e
            ms += wv
            fs += we
            e = a2 * r + o
            t = _ONE - e * e
            t = t if t > _ZERO else _ZERO
            wv = t * t * (np.float32(p2[c]) - g)
            we = wv * e
            ms += wv
            fs += we
            e = a3 * r + o
            t = _ONE - e * e
            t = t if t > _ZERO else _ZERO
            wv = t * t * (np.float32(p3[c]) - g)
            we = wv * e
            ms += wv
            fs += we
            w[c + M] += ms
            w[c + F] += fs


@njit(nogil=True, fastmath=True, error_model="numpy")
def _weigh(tile: Any, first: int, stop: int, n: int, w: Any) -> None:
    """Sum w v, w e v, w e² v over rows first to stop into M, F and Q.

    e = (row - y) / R = row · scale + shift, w = (1 - e²)² inside |e| < 1.
    """
    w[M : M + n] = _ZERO
    w[F : F + n] = _ZERO
    w[Q : Q + n] = _ZERO
    for k in range(first, stop, 4):
        p0, p1, p2, p3 = tile[k][:n], tile[k + 1][:n], tile[k + 2][:n], tile[k + 3][:n]
        a0, a1 = np.float32(k), np.float32(k + 1)
        a2, a3 = np.float32(k + 2), np.float32(k + 3)
        for c in range(n):
            r, o, g = w[c + SCALE], w[c + SHIFT], w[c + GREY]
            e = a0 * r + o
            t = _ONE - e * e
            t = t if t > _ZERO else _ZERO
            wv = t * t * (np.float32(p0[c]) - g)
            we = wv * e
            ms, fs, qs = wv, we, we * e
            e = a1 * r + o
            t = _ONE - e * e
            t = t if t > _ZERO else _ZERO
            wv = t * t * (np.float32(p1[c]) - g)
            we = wv * e
            ms += wv
            fs += we
            qs += we * e
            e = a2 * r + o
            t = _ONE - e * e
            t = t if t > _ZERO else _ZERO
            wv = t * t * (np.float32(p2[c]) - g)
            we = wv * e
            ms += wv
            fs += we
            qs += we * e
            e = a3 * r + o
            t = _ONE - e * e
            t = t if t > _ZERO else _ZERO
            wv = t * t * (np.float32(p3[c]) - g)
            we = wv * e
            ms += wv
            fs += we
            qs += we * e
            w[c + M] += ms
            w[c + F] += fs
            w[c + Q] += qs


@njit(nogil=True, fastmath=True, error_model="numpy")
def refine(tile: Any, n: int, n_rows: int, half: int, noise: Any, constants: Any, w: Any) -> None:
    """Biweight rows of the first n columns of a tile.

    All columns' numbers lie in one buffer, each kind `TILE` places after the one before: told so,
    the compiler knows that they don't overlap, and makes vector code.

    Parameters
    ----------
    tile : (>= n_rows, >= n) straightened pixels
    n, n_rows : columns, and rows of the tile (a multiple of 4)
    half : largest reach of the weights
    noise : (gain, fixed variance, black level)
    constants : `BiweightConstants` as plain tuples
    w : (KINDS * TILE,) float32. In: `ROW`, row of the brightest pixel in the tile, `PEAK`, its grey
        value, `GREY`, background. Out: `ROW`, the line's row, `U`, `LIGHT` (weighted with the
        first step's wide weights) and `WIDTH`
    """
    gain, share, x_over_spread, shot, flat = constants
    widest = np.float32(half)
    for c in range(n):
        w[c + SCALE] = _ONE / widest
        w[c + SHIFT] = -w[c + ROW] / widest
    for step in range(3):
        first, stop = _rows_in_reach(n, n_rows, w)
        if step == 0:
            _weigh_first(tile, first, stop, n, w)
            _first_width(n, widest, share, w)
        else:
            _weigh(tile, first, stop, n, w)
        _move(n, gain, w)
        if step > 0:
            _see_width(n, x_over_spread, w)
        if step == 1:
            _adopt_width(n, w)
        if step < 2:
            _aim(n, widest, w)
    _uncertainty(n, widest, noise, gain, share, shot, flat, w)


@njit(nogil=True, fastmath=True, error_model="numpy")
def _rows_in_reach(n: Any, n_rows: Any, w: Any) -> Any:
    """Rows of the tile, a multiple of 4, in which |e| < 1 for any column."""
    # whole numbers: a float minimum isn't turned into vector code
    least: Any = np.int32(n_rows)
    most: Any = np.int32(3)
    for c in range(n):
        reach = _ONE / w[c + SCALE]
        least = min(least, np.int32(w[c + ROW] - reach))
        most = max(most, np.int32(w[c + ROW] + reach))
    stop = min(n_rows, most + 1)
    first = max(0, stop - 4 * ((stop - max(0, least) + 3) // 4))
    return first, stop


@njit(nogil=True, fastmath=True, error_model="numpy")
def _move(n: int, gain: Any, w: Any) -> None:
    """One Newton step of the row."""
    for c in range(n):
        scale, sigma = w[c + SCALE], w[c + WIDTH]
        total = w[c + M] if w[c + M] > _LEAST else _LEAST
        move = _polynomial(gain, sigma * sigma * scale * scale) * w[c + F] / (total * scale)
        move = move if move < sigma else sigma
        w[c + ROW] += move if move > -sigma else -sigma


@njit(nogil=True, fastmath=True, error_model="numpy")
def _see_width(n: int, x_over_spread: Any, w: Any) -> None:
    """From the spread in Q to (sigma/R)², left in Q."""
    for c in range(n):
        total = w[c + M] if w[c + M] > _LEAST else _LEAST
        spread = w[c + Q] / total
        spread = spread if spread > _LEAST_SPREAD else _LEAST_SPREAD
        spread = spread if spread < _MOST_SPREAD else _MOST_SPREAD
        w[c + Q] = spread * _polynomial(x_over_spread, spread)


@njit(nogil=True, fastmath=True, error_model="numpy")
def _adopt_width(n: int, w: Any) -> None:
    """Take the width as the weights see it: speckle raises the peak, but not that."""
    for c in range(n):
        sigma = np.sqrt(w[c + Q]) / w[c + SCALE]
        w[c + WIDTH] = sigma if sigma > _LEAST_SIGMA else _LEAST_SIGMA


@njit(nogil=True, fastmath=True, error_model="numpy")
def _aim(n: int, widest: Any, w: Any) -> None:
    """Centre the weights on the row, with a reach that suits the width."""
    for c in range(n):
        reach = _REACH * w[c + WIDTH]
        scale = _ONE / (reach if reach < widest else widest)
        w[c + SCALE] = scale
        w[c + SHIFT] = -w[c + ROW] * scale


@njit(nogil=True, fastmath=True, error_model="numpy")
def _first_width(n: int, widest: Any, share: Any, w: Any) -> None:
    """Take the width from light over peak."""
    for c in range(n):
        total = w[c + M] if w[c + M] > _LEAST else _LEAST
        w[c + LIGHT] = total
        height = w[c + PEAK] - w[c + GREY]
        height = height if height > _LEAST else _LEAST
        broad = total / (height * _ROOT_2_PI)
        x = broad * broad * w[c + SCALE] * w[c + SCALE]
        broad /= _polynomial(share, x if x < _MOST_X else _MOST_X)
        broad = broad if broad > _LEAST_SIGMA else _LEAST_SIGMA
        w[c + WIDTH] = broad if broad < np.float32(0.33) * widest else np.float32(0.33) * widest


@njit(nogil=True, fastmath=True, error_model="numpy")
def _uncertainty(
    n: int, widest: Any, noise: Any, gain: Any, share: Any, shot: Any, flat: Any, w: Any
) -> None:
    """Row uncertainty from shot and fixed noise, and the light."""
    per_electron, fixed = _ONE / np.float32(noise[0]), np.float32(noise[1])
    black = np.float32(noise[2])
    for c in range(n):
        x = w[c + Q]
        reach = _ONE / w[c + SCALE]
        sigma = reach * np.sqrt(x)
        w[c + WIDTH] = sigma
        total = w[c + M] if w[c + M] > _LEAST else _LEAST
        seen, response = total / _polynomial(share, x), total / _polynomial(gain, x)
        lit = w[c + GREY] - black
        dark = (lit if lit > _ZERO else _ZERO) * per_electron + fixed
        variance = _polynomial(shot, x) * sigma * sigma * per_electron / seen
        variance += dark * flat * reach * reach * reach / (response * response)
        w[c + U] = np.sqrt(variance)
        wide = sigma / widest
        w[c + LIGHT] /= _polynomial(share, wide * wide)
