"""What no head saw: estimated between the belt and the lines of sight, with the doubt that remains.

A camera looks along x: behind an edge it loses the surface until its line of sight comes down to
the belt again; the light of the fan does the same along y. A hidden flank is taken to be like the
flank on the piece's other side, where that one was seen: read at its levels, stretched to go on as
the hidden one did where sight of it was lost, and never beyond the line of sight. Where nothing was
seen of another flank, one that was rounding off goes on as the arc it was on, and an edge that
broke off from a flat top is taken as an upright wall.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.maps import Maps
from geomscan.uncertainty import U_ANYWHERE

__all__ = ["N_HIDDEN_MAPS", "Filled", "fill_hidden", "first_crossing", "smooth_step"]

N_HIDDEN_MAPS = 3

Singles = npt.NDArray[np.float32]

_WHOLE = 0.97
#: Standard uncertainty of a hidden flank that was rounding off, as a share of what lies between
#: belt and line of sight: with a flank on the other side that ran alike as far as both were seen
#: (by how much they differed there comes on top), and without one (half of what two ways to carry
#: the arc on differ by comes on top). Judged on simulated pieces, no source.
_U_SEEN, _U_GUESS = 0.04, 0.2
#: How much longer than at the belt's middle a line of sight may run per mm of descent: it is
#: flatter from what stands high, and what hides a place may stand beside it. No source.
_FLATTER = 1.5
#: Levels, as shares of the upper edge's height, at which a seen flank's place is read.
_LEVELS = np.array([1.0, 0.9, 0.8, 0.65, 0.5, 0.35, 0.2, 0.1, 0.0])
_N_LEVELS = len(_LEVELS)
#: Levels between the edge that hides a flank and the section's top, as shares of that rise, at
#: which the flanks on both sides are compared.
_RISES = np.array([0.25, 0.5, 0.75, 0.9])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Filled:
    """Height over the whole of every cell and what is known about the part not seen.

    height_mm is the mean over the whole cell; hidden the share of the cell not seen by any camera;
    doubt_mm the standard uncertainty of the estimate, fully correlated within a piece.
    """

    height_mm: Singles
    hidden: Singles
    doubt_mm: Singles


@njit(nogil=True, cache=True)
def smooth_step(value, low, high):  # type: ignore[no-untyped-def]
    """Rise from 0 at `low` to 1 at `high`."""
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
def first_crossing(z, outer, inward, n, level):  # type: ignore[no-untyped-def]
    """Cells from `outer` inwards to where the section first rises through a level; -1: never."""
    before = 0.0
    for k in range(n):
        here = z[outer + inward * k]
        if here >= level:
            return k - (here - level) / (here - before) if k > 0 and here > before else float(k)
        before = here
    return -1.0


@njit(nogil=True, cache=True)
def _unlikeness(z, edge, inward, outer, n, top, highest, level, stretch):  # type: ignore[no-untyped-def]
    """How much two flanks differ in run where both were seen, relative, rms over levels.

    The one at `edge` is compared with the one at `outer`, which stands as high as the edge `level`
    cells inwards, after stretching it. _U_GUESS where too little was seen to tell.
    """
    total = 0.0
    count = 0
    for share in _RISES:
        height = top + share * (highest - top)
        mine = first_crossing(z, edge, inward, n, height)
        other = first_crossing(z, outer, -inward, n, height) - level
        if mine >= 0.0 and other > 1.0:
            total += (mine / (other * stretch) - 1.0) ** 2
            count += 1
    return np.sqrt(total / count) if count > 0 else _U_GUESS


@njit(nogil=True, cache=True)
def _other_flank(  # type: ignore[no-untyped-def]
    z, seen, edge, inward, cell, blur_mm, along_mm, last, top, at,
):  # fmt: skip
    """Read the flank opposite to cell `edge` of a section: how far out it lies at each level.

    Fills `at` with distances (mm) outwards from where the flank stands as high as the edge. Cells
    and samples blur a wall by blur_mm, and by along_mm for every cell that it has moved since the
    section before, where it stood at `last` (0: not known); that is taken off in quadrature.
    The flank at `edge` may have run longer or shorter than this one while both came down to the
    edge's height: so much longer or shorter the rest of it is taken. Returns whether the flank was
    seen, its place, and how unlike the two are.
    """
    n = 0
    highest = 0.0
    i = edge
    while 0 <= i < len(z) and z[i] > 0.02 * top + 0.1:
        if seen[i] < 0.5:
            return False, 0.0, 0.0
        highest = max(highest, z[i])
        n += 1
        i += inward
    if n < 4 or not 0 <= i < len(z) or seen[i] < 0.5:
        return False, 0.0, 0.0
    outer, back = i, -inward
    n += 1
    upper = first_crossing(z, outer, back, n, 0.9 * top)
    lower = first_crossing(z, outer, back, n, 0.1 * top)
    if upper < 0.0 or lower < 0.0:
        return False, 0.0, 0.0
    place = outer + back * 0.5 * (upper + lower)
    moved = abs(place - last) if last > 0.0 else 0.0
    # of a step blurred over a width, 0.8 of it lie between a tenth and nine tenths
    blur = 0.8 * np.sqrt(blur_mm**2 + (moved * along_mm) ** 2)
    run = (upper - lower) * cell
    sharpened = np.sqrt(1.0 - (blur / run) ** 2) if run > blur else 0.0
    for k in range(1, _N_LEVELS - 1):
        at[k] = (upper - first_crossing(z, outer, back, n, _LEVELS[k] * top)) * cell * sharpened
    at[_N_LEVELS - 1] = 2.0 * at[_N_LEVELS - 2] - at[_N_LEVELS - 3]
    at[0] = at[1] - (at[2] - at[1])
    stretch, unlike = 1.0, _U_GUESS
    beyond = min(0.25 * top, 0.7 * (highest - top))
    if beyond > 0.5:  # both flanks were seen above the edge, too
        level = first_crossing(z, outer, back, n, top)
        at[0] = min((upper - level) * cell, 0.0)
        mine = first_crossing(z, edge, inward, n, top + beyond)
        other = first_crossing(z, outer, back, n, top + beyond)
        if mine >= 0.0 and other >= 0.0:
            stretch = min(max(mine / max(other - level, 0.2), 0.5), 2.0)
        unlike = _unlikeness(z, edge, inward, outer, n, top, highest, level, stretch)
    first = at[0]
    at[0] = 0.0
    for k in range(1, _N_LEVELS):
        at[k] = max((at[k] - first) * stretch, at[k - 1])
    return True, place, unlike


@njit(nogil=True, cache=True)
def _on_flank(d, at, top):  # type: ignore[no-untyped-def]
    """Height at distance d beyond the edge of a flank read by `_other_flank`."""
    if d < 0.0:
        return top
    for k in range(1, _N_LEVELS):
        if d < at[k]:
            t = (d - at[k - 1]) / (at[k] - at[k - 1])
            return top * (_LEVELS[k - 1] + t * (_LEVELS[k] - _LEVELS[k - 1]))
    return 0.0


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
def _not_whole(cover):  # type: ignore[no-untyped-def]
    """First and last cell of each column that was not seen whole; the last is -1 if all were."""
    n_x, n_y = cover.shape
    first, last = np.full(n_y, n_x, dtype=np.int32), np.full(n_y, -1, dtype=np.int32)
    for i in range(n_x):
        for c in range(n_y):
            open_ = cover[i, c] < _WHOLE
            first[c] = min(first[c], i) if open_ else first[c]
            last[c] = i if open_ else last[c]
    return first, last


@njit(nogil=True, cache=True)
def _fill(h, cover, mine, sight, tan_tilt, cell, pitch, column, height, hidden, doubt):  # type: ignore[no-untyped-def]
    """Fill each column of cells along x; sight: dx per mm of descent, by side."""
    n_x, n_y = h.shape
    at = np.zeros(_N_LEVELS)
    z, seen = np.empty(n_x), np.empty(n_x)
    along = np.hypot(cell, column)
    last = np.zeros(2)  # where the flank facing either way stood in the column before
    first_open, last_open = _not_whole(cover)
    for c in range(n_y):
        place = np.zeros(2)
        i = first_open[c]
        copied = False
        while i <= last_open[c]:
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
                    own = h[k, c] if cover[k, c] > 0.02 else 0.0
                    height[k, c] = cover[k, c] * own + (1.0 - cover[k, c]) * line
                    if open_mm > 2.0 and mine[k, c]:
                        hidden[k, c] = 1.0 - cover[k, c]
                        doubt[k, c] = (1.0 - cover[k, c]) * 0.1 * max(line, 0.0)
                continue
            falling = step < 0.0  # the high end lies at smaller x
            side = 0 if falling else 1
            run = sight[side]
            top = before if falling else after
            low = after if falling else before
            edge = first if falling else stop - 1
            direction = 1 if falling else -1
            fit, n_seen = _flank(h, cover, edge - direction, direction, c, cell, 14)
            limit = np.arctan(1.0 / max(run, 0.05))
            angle = 0.0
            if n_seen >= 8 and fit[2] > abs(fit[0]) and fit[1] < top:
                angle = np.arctan(-fit[0] / np.sqrt(fit[2] ** 2 - fit[0] ** 2))
            smooth = smooth_step(angle, limit - 0.45, limit - 0.15)
            away = (step > 0.0) == (tan_tilt > 0.0)  # from the leaning light
            if away and open_mm < abs(step * tan_tilt) + pitch + cell:
                smooth = 0.0  # it leaves the foot of the wall dark
            n = stop - first
            # an upright edge stands where the seen part ends, which may lie within a cell; a
            # rounded one is as high as its last whole cell in that cell's middle
            begin = -0.5 * cell * smooth
            for m in range(n):
                k = edge + direction * m
                if cover[k, c] <= 0.02 or h[k, c] < 0.5 * (top + low):
                    break
                begin += (1.0 - smooth) * cover[k, c] * cell
            if stop < n_x and first > 0:
                # the line of sight runs from this edge to where the surface is seen again
                width = n * cell - begin
                for m in range(n):
                    k = edge + direction * (n - 1 - m)
                    if cover[k, c] <= 0.02 or h[k, c] > 0.5 * (top + low):
                        break
                    width -= cover[k, c] * cell
                run = min(run * _FLATTER, width / (top - low))
            run = max(run, 0.02)
            if not copied:
                z[:], seen[:] = h[:, c], cover[:, c]
                copied = True
            # where the seen wall faces away from the leaning light its foot is dark
            dark = 0.0 if away else abs(tan_tilt) * top
            known, place[side], differ = _other_flank(
                z, seen, edge - direction, -direction, cell,
                np.sqrt(cell**2 + pitch**2 + dark**2), along, last[side], top, at,
            )  # fmt: skip
            # like the other flank, or anywhere alike, that is half way between upright and the line
            # of sight: weighed by the variances of the two
            u_like = np.hypot(_U_SEEN, differ)
            unlike = smooth * u_like**2 / (u_like**2 + U_ANYWHERE**2)
            if known and smooth < 1.0:  # a flank like the other one would have been seen
                unlike += (1.0 - smooth) * smooth_step(at[_N_LEVELS - 1] / (run * top), 1.1, 1.4)
            apart = total = 0.0
            for m in range(n):
                k = edge + direction * m
                share = 1.0 - cover[k, c]
                line = arc = conic = flank = 0.0
                for part in range(4):
                    d = (m + (part + 0.5) * 0.25) * cell
                    bound = max(top - max(d - begin, 0.0) / run, low)
                    line += 0.25 * bound
                    if known:
                        like = min(max(_on_flank(d - begin, at, top), low), bound)
                        half = max(top - 2.0 * max(d - begin, 0.0) / run, low)
                        flank += 0.25 * (like + unlike * (half - like))
                    if smooth > 0.0:
                        arc += 0.25 * min(max(_on_circle(d, fit), low), bound)
                        conic += 0.25 * min(max(_on_conic(d, fit), low), bound)
                if known:
                    height[k, c] = flank
                else:
                    own = h[k, c] if cover[k, c] > 0.02 else 0.0
                    upright = cover[k, c] * own + share * low
                    # an arc replaces the seen part of a cut cell, too: that was carried on flat
                    height[k, c] = smooth * 0.5 * (arc + conic) + (1.0 - smooth) * upright
                    apart += arc - conic
                if line > low + 0.05:
                    hidden[k, c] = share
                    doubt[k, c] = share * (line - low)
                    total += doubt[k, c]
            if known:
                u = u_like * U_ANYWHERE / np.hypot(u_like, U_ANYWHERE)
            else:
                u = min(np.hypot(_U_GUESS, 0.5 * apart / max(total, 1e-9)), U_ANYWHERE)
            # below an edge nothing of the flank was seen: a blade leaves parallel faces, one
            # leaning and one hanging, and nothing tells them from a box's
            u = smooth * u + (1.0 - smooth) * U_ANYWHERE
            for k in range(first, stop):
                doubt[k, c] *= u
        last[:] = place


def fill_hidden(
    height_mm: Singles, cover: Singles, mine: npt.NDArray[np.bool_], *,
    sight: tuple[float, float], tan_tilt: float, cell_mm: float, pitch_mm: float,
    column_mm: float, maps: Maps | None = None,
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
    cell_mm, pitch_mm, column_mm
        Cell, and mean distances of lines along x and of columns along y.
    maps
        Room for N_HIDDEN_MAPS maps.
    """
    maps = maps or Maps(N_HIDDEN_MAPS, height_mm.shape)
    hidden, doubt, out = maps.take(0.0), maps.take(0.0), maps.take()
    out[:] = height_mm
    _fill(
        height_mm, cover, mine, np.array(sight), tan_tilt, cell_mm, pitch_mm, column_mm, out,
        hidden, doubt,
    )  # fmt: skip
    return Filled(height_mm=out, hidden=hidden, doubt_mm=doubt)
