"""Compiled kernels of the slices: what a cell column gives to each slice, in closed form.

Every column is an upright prism: a footprint interval along x, a height, the belt as its foot. A
point of it lies at q = x − z·tan θ − y·tan φ, and the running sum at s is the part with q <= s.

Over one column, q is the sum of independent uniform parts (footprint along x, height, footprint
along y), so the running sum is a spline whose pieces are known in closed form: nothing is sampled.
"""

import math

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = [
    "add_blocks",
    "direct_slices",
    "highest_firm",
    "sheared_extent",
    "sloped_extent",
    "spread",
    "spread_tops",
    "upright_extent",
    "weigh_cells",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@njit(nogil=True, cache=True, fastmath={"nsz", "reassoc"})
def highest_firm(thickness_mm: Floats, cover: Floats, least_cover: float) -> float:
    """Find the greatest thickness among the cells that are covered well; 0 where there is none."""
    highest = 0.0
    for i in range(cover.shape[0]):
        for j in range(cover.shape[1]):
            h = thickness_mm[i, j]
            h = h if cover[i, j] >= least_cover and h == h else 0.0
            highest = max(highest, h)
    return highest


# Sums may be added up in any order ("reassoc"): eight at a time is as exact as one by one.
@njit(nogil=True, cache=True, fastmath={"contract", "nsz", "reassoc"})
def weigh_cells(
    thickness_mm: Floats,
    cover: Floats,
    contents: tuple[Floats, Floats, Floats],
    heights_mm: tuple[float, float],
    height: Floats,
    weight: Floats,
    row_sums: Floats,
    row_height: Floats,
    row_span: Ints,
) -> None:
    """Give each cell its height and what it holds per mm of height; both empty where it has none.

    Heights are brought within heights_mm, the least and the greatest, what a cell holds is kept.
    weight has shape (3, n_x, n_y); row_sums (n_x, 6) the contents and the weights added up along
    each row; row_span the first and last covered column of each row, −1 where there is none.
    """
    n_y = cover.shape[1]
    least, most = heights_mm
    first, second, third = contents
    for i in range(cover.shape[0]):
        highest = 0.0
        a, b, c, wa, wb, wc = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for j in range(n_y):
            h = thickness_mm[i, j]
            inside = cover[i, j] > 0.0 and h == h
            h = min(h, most) if inside and h > least else least
            keep = 1.0 if inside else 0.0
            per = keep / h
            height[i, j] = h
            weight[0, i, j] = first[i, j] * per
            weight[1, i, j] = second[i, j] * per
            weight[2, i, j] = third[i, j] * per
            a += first[i, j] * keep
            b += second[i, j] * keep
            c += third[i, j] * keep
            wa += first[i, j] * per
            wb += second[i, j] * per
            wc += third[i, j] * per
            highest = max(highest, h * keep)
        row_sums[i, 0], row_sums[i, 1], row_sums[i, 2] = a, b, c
        row_sums[i, 3], row_sums[i, 4], row_sums[i, 5] = wa, wb, wc
        row_height[i] = highest
        row_span[i, 0], row_span[i, 1] = -1, -1
        for j in range(n_y):
            if cover[i, j] > 0.0 and thickness_mm[i, j] == thickness_mm[i, j]:
                row_span[i, 0] = j
                break
        for j in range(n_y - 1, -1, -1):
            if cover[i, j] > 0.0 and thickness_mm[i, j] == thickness_mm[i, j]:
                row_span[i, 1] = j
                break


@njit(nogil=True, cache=True, fastmath=True)
def add_blocks(values: npt.NDArray[np.floating], side: int, power: int, out: Floats) -> None:
    """Add up values^power (1 or 2) over blocks of side × side cells, smaller at the far ends."""
    n_x, n_y = values.shape
    line = np.empty(n_y)
    for bi in range(out.shape[0]):
        line[:] = 0.0
        for i in range(bi * side, min(n_x, bi * side + side)):
            if power == 1:
                for j in range(n_y):
                    line[j] += values[i, j]
            else:
                for j in range(n_y):
                    line[j] += values[i, j] * values[i, j]
        for bj in range(out.shape[1]):
            total = 0.0
            for j in range(bj * side, min(n_y, bj * side + side)):
                total += line[j]
            out[bi, bj] = total


@njit(nogil=True, cache=True, fastmath={"contract", "nsz"})
def spread_tops(
    height: Floats,
    weight: Floats,
    row_span: Ints,
    row_low: Floats,
    row_width: Floats,
    slope: float,
    first_mm: float,
    step_mm: float,
    bins: Floats,
) -> None:
    """Do the same as `spread` for the tops of all cells, quicker: no box may be wider than a bin.

    From its far end on, a box acts as if all of it sat in its middle; before its near end not at
    all. So the middles are kept, with their distance from the bin's lower end, and for the one knot
    that can lie inside a box what the second integral there has beyond that of the middle alone.

    bins, shape (n_bins + 2, 3, 3): for each kind the sum, the sum times distance in steps, and that
    correction for the knot at the bin's lower end, in steps; added to.
    """
    flat = bins.ravel()
    for i in range(height.shape[0]):
        if row_span[i, 0] < 0:
            continue
        half = 0.5 * row_width[i] / step_mm
        per = 0.25 / half
        base = (row_low[i] - first_mm) / step_mm + half
        lean = slope / step_mm
        for j in range(row_span[i, 0], row_span[i, 1] + 1):
            middle = base - height[i, j] * lean
            k = int(middle)
            a = middle - k
            beyond = a > 0.5  # the next knot is the nearer one
            inside = max(half - (1.0 - a if beyond else a), 0.0)
            extra = inside * inside * per
            at = k * 9
            knot = at + 11 if beyond else at + 2
            v, m, f = weight[0, i, j], weight[1, i, j], weight[2, i, j]
            flat[at] += v
            flat[at + 1] += v * a
            flat[at + 3] += m
            flat[at + 4] += m * a
            flat[at + 6] += f
            flat[at + 7] += f * a
            flat[knot] += v * extra
            flat[knot + 3] += m * extra
            flat[knot + 6] += f * extra


@njit(nogil=True, cache=True)
def spread(
    low: Floats,
    width: Floats,
    weight: Floats,
    scale: float,
    first_mm: float,
    step_mm: float,
    sums: Floats,
    moments: Floats,
) -> None:
    """Spread boxes over bins: each box's share of a bin, and its moment about the bin's upper end.

    Parameters
    ----------
    low, width : arrays (n,)
        Each box reaches from low to low + width, in mm.
    weight : array (n, n_kinds)
        What each box holds; it is multiplied by scale.
    sums, moments : arrays (n_bins, n_kinds)
        Added to: ∫ e ds and ∫ e·(upper end − s) ds over each bin, e the density of all boxes.
    """
    n_kinds = weight.shape[1]
    last = sums.shape[0] - 1
    for n in range(low.shape[0]):
        start = (low[n] - first_mm) / step_mm
        r = max(width[n] / step_mm, 1e-9)
        k = min(max(math.floor(start), 0), last)
        a = start - k
        end = a + r
        each = scale / r
        while True:
            b = end if k == last else min(end, 1.0)
            share = (b - a) * each
            moment = (b - a) * (1.0 - 0.5 * (a + b)) * each * step_mm
            for m in range(n_kinds):
                sums[k, m] += weight[n, m] * share
                moments[k, m] += weight[n, m] * moment
            if b >= end:
                break
            k += 1
            a = 0.0
            end -= 1.0


@njit(nogil=True, cache=True)
def _pair_below(u: float, a: float, b: float) -> float:
    """Share of two summed uniform parts, widths a >= b from 0, that is <= u."""
    total = a + b
    if u <= 0.0:
        return 0.0
    if u >= total:
        return 1.0
    mirrored = u > 0.5 * total
    if mirrored:  # from the nearer end nothing cancels
        u = total - u
    share = 0.5 * u * u / (a * b) if u < b else (u - 0.5 * b) / a
    return float(1.0 - share) if mirrored else float(share)


@njit(nogil=True, cache=True)
def _share_below(u: float, a: float, b: float, c: float) -> float:
    """Share of three summed uniform parts, widths a >= b >= c from 0, that is <= u.

    Truncated powers: Σ over subsets S of (−1)^|S| (u − ΣS)³₊ / 6abc. They cancel where c is small;
    there the pair's share is averaged over c by three Gauss points.
    """
    total = a + b + c
    if u <= 0.0:
        return 0.0
    if u >= total:
        return 1.0
    if c <= 1e-9 * a:
        return float(_pair_below(u, a, b))
    if c <= 0.01 * a:
        far = 0.3872983346207417 * c  # √(3/5) / 2
        middle = u - 0.5 * c
        outer = _pair_below(middle - far, a, b) + _pair_below(middle + far, a, b)
        return float(8.0 * _pair_below(middle, a, b) + 5.0 * outer) / 18.0
    mirrored = u > 0.5 * total
    if mirrored:
        u = total - u
    value = u**3
    for single in (a, b, c):
        value -= max(u - single, 0.0) ** 3
    for pair in (a + b, a + c, b + c):
        value += max(u - pair, 0.0) ** 3
    share = value / (6.0 * a * b * c)
    return 1.0 - share if mirrored else share


@njit(nogil=True, cache=True)
def direct_slices(
    low: Floats,
    width: Floats,
    height: Floats,
    across: Floats,
    total: Floats,
    slope: float,
    plan_slope: float,
    cell_mm: float,
    at_surface: bool,  # noqa: FBT001
    first_mm: float,
    step_mm: float,
    sums: Floats,
) -> None:
    """Give each slice its part of every column, knot by knot: for any angles, also the smallest.

    total, shape (n, n_kinds), is what each column holds; with at_surface it sits at its top.
    """
    n_kinds = total.shape[1]
    last = sums.shape[0] - 1
    wy = cell_mm * abs(plan_slope)
    for n in range(low.shape[0]):
        wx = max(width[n], 1e-9)
        wz = 0.0 if at_surface else height[n] * abs(slope)
        base = low[n] - first_mm - across[n] * plan_slope - 0.5 * wy
        if at_surface or slope > 0:
            base -= height[n] * slope
        a, b, c = wx, wy, wz
        if a < b:
            a, b = b, a
        if b < c:
            b, c = c, b
        if a < b:
            a, b = b, a
        k = min(max(math.floor(base / step_mm), 0), last)
        before = 0.0
        while True:
            below = 1.0 if k == last else _share_below((k + 1) * step_mm - base, a, b, c)
            for m in range(n_kinds):
                sums[k, m] += total[n, m] * (below - before)
            if below >= 1.0:
                break
            before = below
            k += 1


@njit(nogil=True, cache=True)
def upright_extent(
    low: Floats,
    width: Floats,
    left: Floats,
    right: Floats,
    row_height: Floats,
    first_mm: float,
    step_mm: float,
    y_least: Floats,
    y_most: Floats,
    thickest: Floats,
) -> None:
    """Give extent across and greatest thickness of the rows that reach into each upright slice."""
    last = y_least.shape[0] - 1
    for i in range(low.shape[0]):
        if row_height[i] <= 0.0:
            continue
        k0 = math.floor((low[i] - first_mm) / step_mm + 1e-6)
        k1 = math.ceil((low[i] + width[i] - first_mm) / step_mm - 1e-6) - 1
        for k in range(min(max(k0, 0), last), min(max(k1, k0), last) + 1):
            y_least[k] = min(y_least[k], left[i])
            y_most[k] = max(y_most[k], right[i])
            thickest[k] = max(thickest[k], row_height[i])


@njit(nogil=True, cache=True)
def sloped_extent(
    thickness_mm: Floats,
    low: Floats,
    width: Floats,
    row_span: Ints,
    left: Floats,
    right: Floats,
    row_height: Floats,
    slope: float,
    first_mm: float,
    step_mm: float,
    y_first_mm: float,
    cell_mm: float,
    y_least: Floats,
    y_most: Floats,
    thickest: Floats,
) -> None:
    """Give extent across and greatest height of what lies in each slanted slice.

    A row's columns reach a slice once they are high enough; going from the foot's slice to the
    top's, the height that is needed only grows, so each row's edges are walked inwards once.
    """
    last = y_least.shape[0] - 1
    t = abs(slope)
    half = 0.5 * cell_mm
    for i in range(low.shape[0]):
        j0, j1 = row_span[i]
        if j0 < 0:
            continue
        lo, hi = low[i] - first_mm, low[i] + width[i] - first_mm
        high = row_height[i]
        if slope > 0:
            k = min(max(math.ceil(hi / step_mm - 1e-6) - 1, 0), last)
            stop = min(max(math.floor((lo - high * t) / step_mm + 1e-6), 0), last) - 1
            direction = -1
        else:
            k = min(max(math.floor(lo / step_mm + 1e-6), 0), last)
            stop = min(max(math.ceil((hi + high * t) / step_mm - 1e-6) - 1, 0), last) + 1
            direction = 1
        ja, jb = j0, j1
        while k != stop:
            s_low = k * step_mm
            if slope > 0:
                need = (lo - s_low - step_mm) / t
                reach = (hi - s_low) / t
            else:
                need = (s_low - hi) / t
                reach = (s_low + step_mm - lo) / t
            while ja < jb and not thickness_mm[i, ja] > need:
                ja += 1
            while jb > ja and not thickness_mm[i, jb] > need:
                jb -= 1
            y_least[k] = min(y_least[k], left[i] if ja == j0 else y_first_mm + ja * cell_mm - half)
            y_most[k] = max(y_most[k], right[i] if jb == j1 else y_first_mm + jb * cell_mm + half)
            thickest[k] = max(thickest[k], min(high, reach))
            k += direction


@njit(nogil=True, cache=True)
def sheared_extent(
    low: Floats,
    width: Floats,
    height: Floats,
    across: Floats,
    column: Ints,
    slope: float,
    plan_slope: float,
    first_mm: float,
    step_mm: float,
    y_first_mm: float,
    cell_mm: float,
    y_least: Floats,
    y_most: Floats,
    thickest: Floats,
) -> None:
    """Do the same as `sloped_extent` for a blade with a plan angle, cell by cell."""
    last = y_least.shape[0] - 1
    half = 0.5 * cell_mm
    wy = cell_mm * abs(plan_slope)
    for n in range(low.shape[0]):
        lo = low[n] - first_mm - across[n] * plan_slope - 0.5 * wy
        hi = lo + width[n] + wy
        start = lo - max(height[n] * slope, 0.0)
        end = hi - min(height[n] * slope, 0.0)
        k0 = min(max(math.floor(start / step_mm + 1e-6), 0), last)
        k1 = min(max(math.ceil(end / step_mm - 1e-6) - 1, k0), last)
        y = y_first_mm + column[n] * cell_mm
        for k in range(k0, k1 + 1):
            reach = height[n]
            if slope > 0:
                reach = min(reach, (hi - k * step_mm) / slope)
            elif slope < 0:
                reach = min(reach, (lo - (k + 1) * step_mm) / slope)
            y_least[k] = min(y_least[k], y - half)
            y_most[k] = max(y_most[k], y + half)
            thickest[k] = max(thickest[k], reach)
