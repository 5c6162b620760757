"""What no head saw: estimated between the belt and the lines of sight, with the doubt that remains.

A camera looks along x: behind an edge it loses the surface until its line of sight comes down to
the belt again. A flank that was rounding off as it reached the line of sight goes on as the arc it
was on; an edge that broke off from a flat top is taken as an upright wall.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["Filled", "fill_hidden"]

Floats = npt.NDArray[np.float64]

_WHOLE = 0.97


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
def _flank(h, cover, start, step, c, cell, n_fit):  # type: ignore[no-untyped-def]
    """Slope and curvature of the seen flank that ends at row `start`, going back along -step.

    Returns the angle of descent (radians, at the last whole cell) and the curvature (1/mm).
    """
    n_x = h.shape[0]
    s0 = 0.0
    s1 = 0.0
    s2 = 0.0
    s3 = 0.0
    s4 = 0.0
    t0 = 0.0
    t1 = 0.0
    t2 = 0.0
    for k in range(n_fit):
        i = start - step * k
        if i < 0 or i >= n_x or cover[i, c] < 0.97:
            break
        d = -k * cell
        z = h[i, c]
        s0 += 1.0
        s1 += d
        s2 += d * d
        s3 += d * d * d
        s4 += d * d * d * d
        t0 += z
        t1 += z * d
        t2 += z * d * d
    if s0 < 5.0:
        return 0.0, 0.0
    det = s0 * (s2 * s4 - s3 * s3) - s1 * (s1 * s4 - s3 * s2) + s2 * (s1 * s3 - s2 * s2)
    if abs(det) < 1e-12:
        return 0.0, 0.0
    b = (s0 * (t1 * s4 - s3 * t2) - t0 * (s1 * s4 - s3 * s2) + s2 * (s1 * t2 - t1 * s2)) / det
    q = (s0 * (s2 * t2 - t1 * s3) - s1 * (s1 * t2 - t1 * s2) + t0 * (s1 * s3 - s2 * s2)) / det
    angle = np.arctan(-b)
    curve = -2.0 * q / (1.0 + b * b) ** 1.5
    return angle, curve


@njit(nogil=True, cache=True)
def _arc(d, angle, curve, height):  # type: ignore[no-untyped-def]
    """Height at distance d beyond the edge of an arc that leaves it at `angle`, or -1 past its foot."""
    if curve < 1e-4:
        return height - d * np.tan(angle)
    s = np.sin(angle) + d * curve
    if s >= 1.0:
        return -1.0
    return height - (np.cos(angle) - np.sqrt(1.0 - s * s)) / curve


@njit(nogil=True, cache=True)
def _fill(h, cover, mine, sight, tan_tilt, cell, pitch, height, hidden, doubt):  # type: ignore[no-untyped-def]
    """Fill each column of cells along x; sight: dx per mm of descent, by side (downstream, upstream)."""
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
            # where the seen part of the edge's cell ends, plus the half pitch to the next line
            angle, curve = _flank(h, cover, edge - direction, direction, c, cell, 12)
            limit = np.arctan(1.0 / max(run, 0.05))
            smooth = _ramp(angle, limit - 0.45, limit - 0.15)
            if (step > 0.0) == (tan_tilt > 0.0) and open_mm < abs(step * tan_tilt) + pitch + cell:
                smooth = 0.0  # the leaning light leaves the foot of the wall dark
            n = stop - first
            passed = 0.0
            for m in range(n):
                k = edge + direction * m
                share = 1.0 - cover[k, c]
                seen = h[k, c] if cover[k, c] > 0.02 else 0.0
                d0 = passed
                d1 = passed + share * cell
                passed = d1
                wall = min(max(0.5 * pitch - d0, 0.0), d1 - d0)
                middle = 0.5 * (d0 + d1)
                line = max(top - middle / max(run, 0.05), low)
                drop = low
                if d1 > d0:
                    drop = low + (top - low) * wall / (d1 - d0)
                arc = min(max(_arc(middle, angle, max(curve, 0.0), top), drop), line)
                guess = smooth * arc + (1.0 - smooth) * drop
                height[k, c] = cover[k, c] * seen + share * guess
                if line > low + 0.05:
                    hidden[k, c] = share
                    doubt[k, c] = share * (
                        smooth * 0.15 * max(line - drop, 0.0)
                        + (1.0 - smooth) * 0.08 * (line - drop)
                    )


def fill_hidden(
    height_mm: Floats, cover: Floats, mine: npt.NDArray[np.bool_], *,
    sight: tuple[float, float], tan_tilt: float, cell_mm: float, pitch_mm: float,
) -> Filled:  # fmt: skip
    """Fill the cells of a piece that no head saw, or saw in part.

    Parameters
    ----------
    height_mm, cover
        Mean height over the seen part of each cell and the share seen, (n_x, n_y).
    mine
        False where another piece lies.
    sight
        dx per mm of descent of the steepest line of sight onto flanks that face upstream, and onto
        flanks that face downstream.
    tan_tilt
        Lean of the sheet.
    cell_mm, pitch_mm
        Cell and mean distance of lines along x.
    """
    whole = np.where(cover > 0.0, np.nan_to_num(height_mm), 0.0)
    hidden = np.zeros_like(whole)
    doubt = np.zeros_like(whole)
    out = whole.copy()
    _fill(
        np.nan_to_num(height_mm),
        cover,
        mine,
        np.array(sight),
        tan_tilt,
        cell_mm,
        pitch_mm,
        out,
        hidden,
        doubt,
    )
    return Filled(height_mm=out, hidden=hidden, doubt_mm=doubt)
