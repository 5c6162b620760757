"""Single passes over the cells of a window: what is done cell by cell when a piece is finished.

Each stands for a dozen array expressions, which would go through memory a dozen times while the
planner waits.
"""

import numpy as np
from numba import njit

__all__ = [
    "describe_cells",
    "describe_rim",
    "gaps_where_flat",
    "hidden_front",
    "hold_volume",
    "over_belt",
    "polynomial_terms",
    "what_stands",
]


_FIRM = 0.999  # cover from which a cell counts as wholly covered


@njit(nogil=True, cache=True)
def over_belt(rows, level, drift, seen, height, unlit):  # type: ignore[no-untyped-def]
    """Cover, height over the belt, 0 where nothing was seen, and what is unlit, from fused rows."""
    for i in range(seen.shape[0]):
        for c in range(seen.shape[1]):
            seen[i, c] = rows[i, c, 0]
            z = rows[i, c, 1] - (level[c] + drift[i])
            height[i, c] = z if z == z else 0.0
            unlit[i, c] = rows[i, c, 5]


@njit(nogil=True, cache=True)
def what_stands(own, mine, hidden, unlit, height, core):  # type: ignore[no-untyped-def]
    """Mark cells of a piece: above threshold, or not seen and filled to more than half a mm."""
    none, half = np.float32(0.0), np.float32(0.5)
    for i in range(core.shape[0]):
        for c in range(core.shape[1]):
            unseen = (hidden[i, c] > none) | (unlit[i, c] > none)
            core[i, c] = (own[i, c] | (unseen & (height[i, c] > half))) & mine[i, c]


@njit(nogil=True, cache=True)
def _firm_around(height, cover, i, c, reach):  # type: ignore[no-untyped-def]
    """Height of the highest wholly covered one of the cells around one, 0 where there is none."""
    highest = 0.0
    for p in range(max(i - reach, 0), min(i + reach + 1, height.shape[0])):
        for q in range(max(c - reach, 0), min(c + reach + 1, height.shape[1])):
            if cover[p, q] >= _FIRM and (p != i or q != c):
                highest = max(highest, float(height[p, q]))
    return highest


@njit(nogil=True, cache=True)
def _gather_beyond(height, cover, allowed, i, c):  # type: ignore[no-untyped-def]
    """Sum what cells beside a covered one hold beyond the outline, its share of each."""
    n_x, n_y = cover.shape
    total = 0.0
    for p in range(max(i - 1, 0), min(i + 2, n_x)):
        for q in range(max(c - 1, 0), min(c + 2, n_y)):
            if cover[p, q] > 0.0 or not allowed[p, q]:
                continue
            sides = 0
            for k in range(max(p - 1, 0), min(p + 2, n_x)):
                for m in range(max(q - 1, 0), min(q + 2, n_y)):
                    sides += cover[k, m] > 0.0
            total += float(height[p, q]) / sides
    return total


@njit(nogil=True, cache=True)
def _highest_in_part(height, cover, allowed, i, c):  # type: ignore[no-untyped-def]
    """Find the cell around one that isn't wholly covered and stands highest; (-1, -1) for none."""
    best, at = -np.inf, (-1, -1)
    for p in range(max(i - 1, 0), min(i + 2, cover.shape[0])):
        for q in range(max(c - 1, 0), min(c + 2, cover.shape[1])):
            if cover[p, q] < _FIRM and allowed[p, q] and height[p, q] > best:
                best, at = height[p, q], (p, q)
    return at


@njit(nogil=True, cache=True)
def _at_outline(cover, i, c):  # type: ignore[no-untyped-def]
    """Whether one of the cells around isn't covered at all."""
    for p in range(max(i - 1, 0), min(i + 2, cover.shape[0])):
        for q in range(max(c - 1, 0), min(c + 2, cover.shape[1])):
            if cover[p, q] <= 0.0:
                return True
    return False


@njit(nogil=True, cache=True)
def hold_volume(height, rim_cover, places, allowed, whole, cover):  # type: ignore[no-untyped-def]
    """Fill what each cell holds (mm over the whole cell), and a cover that puts none on a needle.

    Lines and columns join the upper edge of a wall to the belt beside it: part of what belongs to
    the wall lies beyond the outline, in the next cell. How much of a cell is covered comes from the
    outline, and a small error of that would put the same material higher than the firm cells
    around it. places: rows and columns of the rim's cells, (2, n).
    """
    n_x, n_y = cover.shape
    none = np.float32(0.0)
    for i in range(n_x):
        for c in range(n_y):
            a = rim_cover[i, c]
            whole[i, c] = height[i, c] if (a > none) & (height[i, c] > none) else none
            cover[i, c] = a
    for k in range(places.shape[1]):
        i, c = places[0, k], places[1, k]
        a = rim_cover[i, c]
        if a <= 0.0:
            continue
        if _at_outline(rim_cover, i, c):
            beyond = _gather_beyond(height, rim_cover, allowed, i, c)
            whole[i, c] = max(whole[i, c] + beyond, 0.0)
        elif a >= 1.0:  # holds what it is itself high
            continue
        top = np.float32(_firm_around(height, rim_cover, i, c, 2))
        if top <= none or whole[i, c] <= a * top:
            continue
        cover[i, c] = min(whole[i, c] / top, np.float32(1.0))
        excess = whole[i, c] - top
        if excess > none:  # more than the cell holds: the wall stands in part of the next one
            p, q = _highest_in_part(height, cover, allowed, i, c)
            if p >= 0:
                whole[i, c] = top
                whole[p, q] += excess
                cover[p, q] = min(max(whole[p, q] / top, cover[p, q]), np.float32(1.0))


@njit(nogil=True, cache=True)
def hidden_front(height, hidden, doubt, cover, first, n_front):  # type: ignore[no-untyped-def]
    """Doubt and edge of the front that no camera saw, from its columns of cells.

    The front are n_front rows from the `first` one of the piece on. Returns the summed doubt
    (mm·cells) about what lies before the first cell that was seen, and those cells' summed height.
    """
    n_x, n_y = cover.shape
    total = top = 0.0
    for c in range(n_y):
        covered = False
        for i in range(first, min(first + n_front, n_x)):
            covered = covered or cover[i, c] > 0.0
        if not covered:
            continue
        edge = first
        while edge < n_x and not (hidden[edge, c] <= 0.0 and height[edge, c] > 0.5):
            edge += 1
        edge = edge if edge < n_x else first
        for i in range(first, edge):
            total += doubt[i, c]
        top += height[edge, c]
    return total, top


@njit(nogil=True, cache=True)
def gaps_where_flat(rows, whole, cover, limit, step, out):  # type: ignore[no-untyped-def]
    """Gather the gap of two heads from cells of every step-th row that aren't steep: how many."""
    n = 0
    for i in range(1, cover.shape[0] - 1, step):
        for c in range(1, cover.shape[1] - 1):
            gap = rows[i, c, 8]
            if cover[i, c] <= 0.0 or gap != gap:
                continue
            rise = abs(whole[i + 1, c] - whole[i - 1, c]) + abs(whole[i, c + 1] - whole[i, c - 1])
            if rise <= limit:
                out[n] = gap
                n += 1
    return n


@njit(nogil=True, cache=True, error_model="numpy")
def describe_cells(  # type: ignore[no-untyped-def]
    rows, whole, cover, hidden, doubt, allowed, u_zero, u_scale, thickness, u_independent,
    reflectance, width, glare, shadow, d_zero, d_shadow, along, across, sums,
):  # fmt: skip
    """Fill a piece's maps and the terms of belt zero and shadow; sum cells by rows and columns.

    sums: volume (mm·cells), covered cells, hidden ones, unlit ones.
    """
    n_x, n_y = cover.shape
    none, half, enough = np.float32(0.0), np.float32(0.5), np.float32(0.3)
    zero, scale = np.float32(u_zero), np.float32(u_scale)
    along[:] = 0.0
    across[:] = 0.0
    volume = covered = unseen = dark = total = held = np.float64(0.0)
    for i in range(n_x):
        for c in range(n_y):
            a, unlit, beside = cover[i, c], rows[i, c, 5], none
            if allowed[i, c]:
                beside = doubt[i, c] + rows[i, c, 6]
                total += beside
                dark += unlit
            shadow[i, c] = 0
            glare[i, c] = False
            reflectance[i, c] = width[i, c] = np.nan
            if a <= none:
                thickness[i, c] = np.nan
                d_shadow[i, c] = d_zero[i, c] = u_independent[i, c] = none
                continue
            volume += whole[i, c]
            covered += a
            unseen += hidden[i, c]
            held += beside
            along[i] += a
            across[c] += a
            thickness[i, c] = whole[i, c] / a
            d_zero[i, c] = zero
            d_shadow[i, c] = beside / a
            u_independent[i, c] = np.sqrt(max(rows[i, c, 4], none)) * scale
            if unlit > half:
                shadow[i, c] = 2
            elif hidden[i, c] > half:
                shadow[i, c] = 1
            if rows[i, c, 0] > enough:
                reflectance[i, c] = rows[i, c, 2]
                width[i, c] = rows[i, c, 3]
                glare[i, c] = rows[i, c, 7] > half
    sums[0], sums[1], sums[2], sums[3] = volume, covered, unseen, dark
    _bring_onto_cover(whole, cover, d_shadow, total, held, volume)


@njit(nogil=True, cache=True)
def _bring_onto_cover(whole, cover, delta, total, held, volume):  # type: ignore[no-untyped-def]
    """Scale doubt about the thickness of covered cells so that the whole of it is kept.

    Doubt about ground beside the piece goes to the outermost covered cells along with the rest;
    where nearly all of it lies beside the piece it is shared over the piece by volume.
    """
    if total <= 0.0:
        return
    none, one = np.float32(0.0), np.float32(1.0)
    by_volume = held < 0.2 * total
    factor = np.float32(total / max(volume, 1e-9) if by_volume else total / held)
    for i in range(cover.shape[0]):
        for c in range(cover.shape[1]):
            if by_volume:
                a = cover[i, c]
                delta[i, c] = whole[i, c] / (a if a > none else one)
            delta[i, c] *= factor


@njit(nogil=True, cache=True)
def describe_rim(places, toe, thickness, cover, pitch, cell, d_rim):  # type: ignore[no-untyped-def]
    """Fill the term of the rim; returns the area (mm²) that a cavity below it could have, twice."""
    d_rim[:] = 0.0
    cavity = 0.0
    for k in range(places.shape[1]):
        i, c = places[0, k], places[1, k]
        rim = float(toe[i, c])
        if rim >= 1.0:
            cavity += rim * rim * cell
        a = cover[i, c]
        if rim >= 0.0 and a > 0.0:
            d_rim[i, c] = 0.1 * pitch * max(rim, thickness[i, c]) / cell / max(a, 0.2)
    return cavity


@njit(nogil=True, cache=True)
def polynomial_terms(terms, y, thickness, scale, constant, out):  # type: ignore[no-untyped-def]
    """Give z·(t0 + t1·y + t2·z + t3·y² + t4·z·y + t5·z²) in scaled heights, 0 off the piece.

    One map a term in out[1:]; out[0] has the constant.
    """
    for i in range(thickness.shape[0]):
        for c in range(thickness.shape[1]):
            out[0, i, c] = constant if thickness[i, c] == thickness[i, c] else 0.0
    for k in range(len(terms)):
        t = terms[k]
        for i in range(thickness.shape[0]):
            for c in range(thickness.shape[1]):
                z = thickness[i, c]
                z = z * scale if z == z else 0.0
                out[k + 1, i, c] = z * (
                    t[0] + y[c] * (t[1] + y[c] * t[3]) + z * (t[2] + t[4] * y[c] + z * t[5])
                )
