"""What no head saw: estimated between the belt and the lines of sight, with the doubt that remains.

A camera looks along x: behind an edge it loses the surface until its line of sight comes down to
the belt again. A flank that was rounding off as it reached the line of sight goes on as the arc it
was on; an edge that broke off from a flat top is taken as an upright wall.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.maps import Maps

__all__ = ["N_HIDDEN_MAPS", "Filled", "fill_hidden"]

N_HIDDEN_MAPS = 3

Floats = npt.NDArray[np.float64]

_WHOLE = 0.97
#: Standard uncertainty of a hidden flank below an edge, as a share of what lies between belt and
#: line of sight: with the flank on the other side to go by, and without.
_U_SEEN, _U_GUESS = 0.08, 0.2


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Filled:
    """Height over the whole of every cell and what is known about the part not seen.

    height_mm is the mean over the whole cell; hidden the share of the cell not seen by any camera;
    doubt_mm the standard uncertainty of the estimate, fully correlated within a piece.
    """

    height_mm: Floats
    hidden: Floats
    doubt_mm: Floats


@njit(nogil=True, cache=True)
def _ramp(value, low, high):  # type: ignore[no-untyped-def]
    t = min(max((value - low) / (high - low), 0.0), 1.0)
    return t * t * (3.0 - 2.0 * t)


@njit(nogil=True, cache=True)
def _parabola(d, w, n):  # type: ignore[no-untyped-def]
    """Least-squares parabola through n points: constant, slope, curvature term.

    The normal equations, solved by Cramer's rule in plain numbers, which compile fast; zeros where
    they have no solution.
    """
    s1 = s2 = s3 = s4 = r0 = r1 = r2 = 0.0
    s0 = float(n)
    for k in range(n):
        d2 = d[k] * d[k]
        s1 += d[k]
        s2 += d2
        s3 += d2 * d[k]
        s4 += d2 * d2
        r0 += w[k]
        r1 += w[k] * d[k]
        r2 += w[k] * d2
    det = s0 * (s2 * s4 - s3 * s3) - s1 * (s1 * s4 - s3 * s2) + s2 * (s1 * s3 - s2 * s2)
    if abs(det) < 1e-9:
        return 0.0, 0.0, 0.0
    a = r0 * (s2 * s4 - s3 * s3) - s1 * (r1 * s4 - s3 * r2) + s2 * (r1 * s3 - s2 * r2)
    b = s0 * (r1 * s4 - s3 * r2) - r0 * (s1 * s4 - s3 * s2) + s2 * (s1 * r2 - r1 * s2)
    c = s0 * (s2 * r2 - r1 * s3) - s1 * (s1 * r2 - r1 * s2) + r0 * (s1 * s3 - s2 * s2)
    return a / det, b / det, c / det


@njit(nogil=True, cache=True)
def _flank(h, cover, start, step, c, cell, n_fit):  # type: ignore[no-untyped-def]
    """Fit the seen flank that ends at row `start`, going back along -step.

    Returns circle (middle, radius; radius 0 where the flank doesn't round off) and the parabola of
    z² over the distance, which counts outwards from the last whole cell's outer side; and the
    number of cells. The circle is fitted as a parabola over the flank's own chord: a circle fitted
    by its equation shrinks with noise.
    """
    n_x, n_y = h.shape
    d = np.empty(5 * n_fit)
    z = np.empty(5 * n_fit)
    s = np.empty(5 * n_fit)
    w = np.empty(5 * n_fit)
    n = 0
    mean_d = mean_z = 0.0
    for dc in range(-2, 3):
        if not 0 <= c + dc < n_y:
            continue
        for k in range(n_fit):
            i = start - step * k
            if i < 0 or i >= n_x or cover[i, c + dc] < _WHOLE:
                break
            d[n] = -(k + 0.5) * cell
            z[n] = h[i, c + dc]
            mean_d += d[n]
            mean_z += z[n]
            n += 1
    out = np.zeros(6)
    if n < 8:
        return out, n
    mean_d /= n
    mean_z /= n
    spread = slope = 0.0
    for k in range(n):
        w[k] = z[k] * z[k]
        spread += (d[k] - mean_d) ** 2
        slope += (d[k] - mean_d) * (z[k] - mean_z)
    out[3], out[4], out[5] = _parabola(d, w, n)
    slope /= max(spread, 1e-9)
    co = 1.0 / np.sqrt(1.0 + slope * slope)
    si = slope * co
    for k in range(n):
        s[k] = (d[k] - mean_d) * co + (z[k] - mean_z) * si
        w[k] = -(d[k] - mean_d) * si + (z[k] - mean_z) * co
    f0, f1, f2 = _parabola(s, w, n)
    if f2 > -1e-4:
        return out, n
    # the circle that the parabola hugs at the flank's end
    end = -mean_d * co + f0 * si
    grade = f1 + 2.0 * f2 * end
    radius = (1.0 + grade * grade) ** 1.5 / (-2.0 * f2)
    norm = np.sqrt(1.0 + grade * grade)
    w_end = f0 + f1 * end + f2 * end * end
    s_mid = end + radius * grade / norm
    w_mid = w_end - radius / norm
    out[0] = mean_d + s_mid * co - w_mid * si
    out[1] = mean_z + s_mid * si + w_mid * co
    out[2] = radius
    return out, n


@njit(nogil=True, cache=True)
def _other_flank(h, cover, start, step, c, cell, top):  # type: ignore[no-untyped-def]
    """Run per mm of descent of the flank opposite to row `start`; False where unseen."""
    n_x = h.shape[0]
    i = start
    upper = -1.0
    for k in range(n_x):
        i = start - step * k
        if i < 0 or i >= n_x or cover[i, c] < 0.5:
            return 0.0, False
        z = h[i, c]
        if upper < 0.0 and z < 0.8 * top:
            upper = float(k)
        if upper >= 0.0 and z > 0.9 * top:
            upper = -1.0  # it was only a dip
        if upper >= 0.0 and z < 0.2 * top:
            # a wall shows as one cell of its own; what is longer is the flank's run
            run = np.sqrt(max(((k - upper) * cell) ** 2 - cell**2, 0.0))
            return run / (0.6 * top), True
    return 0.0, False


@njit(nogil=True, cache=True)
def _on_circle(d, fit):  # type: ignore[no-untyped-def]
    """Height of the circle at distance d, -1 past its side."""
    if d < fit[0]:
        return fit[1] + fit[2]
    left = fit[2] ** 2 - (d - fit[0]) ** 2
    return fit[1] + np.sqrt(left) if left > 0.0 else -1.0


@njit(nogil=True, cache=True)
def _on_conic(d, fit):  # type: ignore[no-untyped-def]
    """Height at distance d of the conic that meets the belt upright, -1 past its foot."""
    if fit[5] > 0.0 and d > -0.5 * fit[4] / fit[5]:
        return -1.0
    left = fit[3] + d * (fit[4] + d * fit[5])
    return np.sqrt(left) if left > 0.0 else -1.0


@njit(nogil=True, cache=True)
def _fill(h, cover, mine, sight, tan_tilt, cell, pitch, height, hidden, doubt):  # type: ignore[no-untyped-def]
    """Fill each column of cells along x; sight: dx per mm of descent, by side."""
    n_x, n_y = h.shape
    for c in range(n_y):
        i = 0
        while i < n_x:
            if cover[i, c] >= _WHOLE:
                i += 1
                continue
            first = i
            while i < n_x and cover[i, c] < _WHOLE:
                i += 1
            stop = i  # rows first to stop - 1 are not whole
            before = h[first - 1, c] if first > 0 and mine[first - 1, c] else 0.0
            after = h[stop, c] if stop < n_x and mine[stop, c] else 0.0
            open_mm = 0.0
            for k in range(first, stop):
                open_mm += (1.0 - cover[k, c]) * cell
            if max(before, after) <= 0.3:
                for k in range(first, stop):
                    height[k, c] = cover[k, c] * (h[k, c] if cover[k, c] > 0.02 else 0.0)
                continue
            step = after - before
            if abs(step) <= 3.0:
                # lost samples on a surface that goes on
                for k in range(first, stop):
                    t = (k - first + 1.0) / (stop - first + 1.0)
                    line = before + t * step
                    seen = h[k, c] if cover[k, c] > 0.02 else 0.0
                    height[k, c] = cover[k, c] * seen + (1.0 - cover[k, c]) * line
                    if open_mm > 2.0 and mine[k, c]:
                        hidden[k, c] = 1.0 - cover[k, c]
                        doubt[k, c] = (1.0 - cover[k, c]) * 0.1 * max(line, 0.0)
                continue
            falling = step < 0.0  # the high end lies at smaller x
            run = sight[0] if falling else sight[1]
            top = before if falling else after
            low = after if falling else before
            edge = first if falling else stop - 1
            direction = 1 if falling else -1
            fit, n_seen = _flank(h, cover, edge - direction, direction, c, cell, 14)
            limit = np.arctan(1.0 / max(run, 0.05))
            angle = 0.0
            if n_seen >= 8 and fit[2] > abs(fit[0]) and fit[1] < top:
                angle = np.arctan(-fit[0] / np.sqrt(fit[2] ** 2 - fit[0] ** 2))
            smooth = _ramp(angle, limit - 0.45, limit - 0.15)
            if (step > 0.0) == (tan_tilt > 0.0) and open_mm < abs(step * tan_tilt) + pitch + cell:
                smooth = 0.0  # the leaning light leaves the foot of the wall dark
            opposite = 0.0
            known = False
            if smooth < 1.0:
                opposite, known = _other_flank(h, cover, edge - direction, direction, c, cell, top)
            n = stop - first
            for m in range(n):
                k = edge + direction * m
                share = 1.0 - cover[k, c]
                seen = h[k, c] if cover[k, c] > 0.02 else 0.0
                # of a cell cut by the edge the inner part was seen
                middle = (m + 0.5 * (1.0 + cover[k, c])) * cell
                line = max(top - middle / max(run, 0.05), low)
                # an edge goes down as the flank on the piece's other side does, where that is seen
                drop = max(top - middle / max(opposite, 0.02), low) if opposite > 0.02 else low
                drop = min(drop, line)
                arc = 0.0
                conic = 0.0
                if smooth > 0.0:
                    for part in range(4):
                        d = (m + (part + 0.5) * 0.25) * cell
                        bound = max(top - d / max(run, 0.05), low)
                        arc += 0.25 * min(max(_on_circle(d, fit), low), bound)
                        conic += 0.25 * min(max(_on_conic(d, fit), low), bound)
                # an arc replaces the seen part of a cut cell, too: that was carried on flat
                sharp = cover[k, c] * seen + share * drop
                height[k, c] = smooth * 0.5 * (arc + conic) + (1.0 - smooth) * sharp
                if line > low + 0.05:
                    hidden[k, c] = share
                    doubt[k, c] = share * (
                        smooth * (0.5 * abs(arc - conic) + 0.04 * max(line - low, 0.0))
                        + (1.0 - smooth) * (_U_SEEN if known else _U_GUESS) * max(line - low, 0.0)
                    )


def fill_hidden(
    height_mm: Floats, cover: Floats, mine: npt.NDArray[np.bool_], *,
    sight: tuple[float, float], tan_tilt: float, cell_mm: float, pitch_mm: float,
    maps: Maps | None = None,
) -> Filled:  # fmt: skip
    """Fill the cells of a piece that no head saw, or saw in part.

    Parameters
    ----------
    height_mm, cover
        Mean height over the seen part of each cell, 0 where nothing was seen, and the share seen,
        (n_x, n_y).
    mine
        False where another piece lies.
    sight
        dx per mm of descent of the steepest line of sight onto flanks that face upstream, and onto
        flanks that face downstream.
    tan_tilt
        Lean of the sheet.
    cell_mm, pitch_mm
        Cell and mean distance of lines along x.
    maps
        Room for N_HIDDEN_MAPS maps.
    """
    maps = maps or Maps(N_HIDDEN_MAPS, height_mm.shape)
    hidden, doubt, out = maps.take(0.0), maps.take(0.0), maps.take()
    out[:] = height_mm
    _fill(height_mm, cover, mine, np.array(sight), tan_tilt, cell_mm, pitch_mm, out, hidden, doubt)
    return Filled(height_mm=out, hidden=hidden, doubt_mm=doubt)
