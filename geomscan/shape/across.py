"""Lines onto the cells across the belt: each line integrated exactly, walls kept upright.

A line's samples are joined by straight pieces and integrated over the cells, so that no volume
moves. Where the light's fan leaves a gap behind a wall that faces away from its source, the surface
drops at the wall's upper edge; a flank that was turning down smoothly goes on as an arc instead.
Gaps that are neither such a shadow nor a few lost samples stay open.
"""

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.geometry import HeadLines
from geomscan.uncertainty import U_ANYWHERE

__all__ = ["CHANNELS", "U_WALL", "grid_across", "room_for_lines"]

#: Channels of gridded lines, each the integral over the cell in units of the cell.
CHANNELS = ("cover", "height", "reflectance", "width", "variance", "unlit", "bound", "glare")

Singles = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

#: Steps between neighbouring samples above this are walls; below it a straight line is as good.
_STEP_MM = 3.0
#: A gap without a step is bridged up to this width.
_BRIDGE_MM = 2.0
#: Standard uncertainty of what the fan's shadow hides, as a share of the triangle between drop and
#: ray: of a wall taken as upright, and more for a flank that was rounding off. Judged on simulated
#: pieces, no source.
U_WALL, _U_ARC = 0.06, 0.2


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _lay(out, square, u0, u1, z0, z1, r0, r1, w0, w1, v0, v1, g):  # type: ignore[no-untyped-def]
    """Integrate the straight piece from u0 to u1 (in cells); backwards counts negative."""
    n = out.shape[1]
    sign = np.float32(1.0)
    if u1 < u0:
        u0, u1 = u1, u0
        z0, z1 = z1, z0
        r0, r1 = r1, r0
        w0, w1 = w1, w0
        v0, v1 = v1, v0
        sign = np.float32(-1.0)
    if u1 <= 0.0 or u0 >= n or u1 == u0:
        return
    inverse = np.float32(1.0) / (u1 - u0)
    first = max(int(np.floor(u0)), 0)
    last = min(int(np.floor(u1)), n - 1)
    for c in range(first, last + 1):
        a = max(u0, np.float32(c))
        b = min(u1, np.float32(c + 1))
        length = b - a
        if length <= 0.0:
            continue
        t = (np.float32(0.5) * (a + b) - u0) * inverse
        length *= sign
        z = z0 + t * (z1 - z0)
        v = v0 + t * (v1 - v0)
        out[0, c] += length
        out[1, c] += length * z
        out[2, c] += length * (r0 + t * (r1 - r0))
        out[3, c] += length * (w0 + t * (w1 - w0))
        out[4, c] += length * v * v
        out[7, c] += length * g
        square[c] += length * z * z


@njit(nogil=True, cache=True, inline="always")
def _put(line, square, c, s0, s1, s2, s3, s4, s5, s6):  # type: ignore[no-untyped-def]
    line[0, c] += s0
    line[1, c] += s1
    line[2, c] += s2
    line[3, c] += s3
    line[4, c] += s4
    line[7, c] += s5
    square[c] += s6


@njit(nogil=True, cache=True)
def _lay_shadow(out, u0, u1, area):  # type: ignore[no-untyped-def]
    """Mark the cells between u0 and u1 as unlit and spread `area` (mm·cell) of doubt over them."""
    n = out.shape[1]
    if u1 < u0:
        u0, u1 = u1, u0
    width = u1 - u0
    if width <= 0.0:
        return
    for c in range(max(int(np.floor(u0)), 0), min(int(np.floor(u1)), n - 1) + 1):
        length = min(u1, c + 1.0) - max(u0, float(c))
        if length > 0.0:
            out[5, c] += length
            out[6, c] += area * length / width


@njit(nogil=True, cache=True)
def _arc_share(slope):  # type: ignore[no-untyped-def]
    """Share of the triangle between drop and ray that a flank arriving with this slope fills.

    An arc that becomes upright at its foot fills two thirds of the triangle, an edge none of it.
    """
    t = min(max((abs(slope) - 1.0) / 1.5, 0.0), 1.0)
    return t * t * (3.0 - 2.0 * t) * 2.0 / 3.0


@njit(nogil=True, cache=True)
def _lit_part(y, r, i, j, inward):  # type: ignore[no-untyped-def]
    """Where an edge lies beyond its last column j, in columns from j's middle, by its light.

    A column that the edge cuts gets less light than those inside it; half a column where the light
    tells nothing.
    """
    n = y.shape[1]
    total = 0.0
    n_used = 0
    for k in range(2, 5):
        m = j + inward * k
        if 0 <= m < n and y[i, m] == y[i, m] and r[i, m] > 0.0:
            total += r[i, m]
            n_used += 1
    next_one = j + inward
    if n_used < 2 or r[i, j] != r[i, j] or r[i, next_one] != r[i, next_one]:
        return 0.5
    inside = total / n_used
    lost = 2.0 - (r[i, j] + r[i, j + inward]) / inside
    return 0.5 - min(max(lost, -0.2), 1.5)


@njit(nogil=True, cache=True)
def _beyond_shadow(z, i, j, away):  # type: ignore[no-untyped-def]
    """Height of what a gap ends at: the middle one of three samples from column j on.

    The first sample past a shadow has part of its light only, and its row may be off by a pixel;
    by itself it would stand for all that the shadow hides.
    """
    a = z[i, j]
    k, m = j + away, j + 2 * away
    if not (0 <= m < z.shape[1] and z[i, k] == z[i, k] and z[i, m] == z[i, m]):
        return a
    b, c = z[i, k], z[i, m]
    return max(min(a, b), min(max(a, b), c))


@njit(nogil=True, cache=True)
def _end_at_light(line, square, y, z, v, r, w, g, i, j, inward, pitch, y_edge, scale):  # type: ignore[no-untyped-def]
    """Let what is seen end where its light ends, part of a column beyond or short of column j."""
    m = j + inward
    if not 0 <= m < y.shape[1] or y[i, m] != y[i, m] or abs(z[i, m] - z[i, j]) > pitch:
        return
    side = 1.0 if y[i, j] > y[i, m] else -1.0
    edge = y[i, j] + side * _lit_part(y, r, i, j, inward) * pitch
    a = (y[i, j] - y_edge) * scale
    b = (edge - y_edge) * scale
    if side < 0.0:
        a, b = b, a
    _lay(
        line,
        square,
        a,
        b,
        z[i, j],
        z[i, j],
        r[i, j],
        r[i, j],
        w[i, j],
        w[i, j],
        v[i, j],
        v[i, j],
        g[i, j],
    )


@njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _across(y, z, v, r, w, g, fan_y, fan_z, y_edge, cell, reverse, out, squares):  # type: ignore[no-untyped-def]
    n_lines, n_columns = y.shape
    n_cells = out.shape[2]
    half = np.float32(0.5)
    one = np.float32(1.0)
    nought = np.float32(0.0)
    scale = np.float32(1.0 / cell)
    y_edge = np.float32(y_edge)
    onward = -1 if reverse else 1
    for i in range(n_lines):
        line = out[i]
        square = squares[i]
        yi, zi, vi, ri, wi, gi = y[i], z[i], v[i], r[i], w[i], g[i]
        pitch = np.float32(cell)
        rise, over = nought, one  # of the piece that arrived at the previous sample
        have = False
        j0 = 0
        y0 = z0 = r0 = w0 = v0 = g0 = u0 = nought
        cell_now = -1
        s0 = s1 = s2 = s3 = s4 = s5 = s6 = nought
        for k in range(n_columns):
            j = n_columns - 1 - k if reverse else k
            at = np.uintp(j)  # unsigned: no look for indices that count from the end
            yj = yi[at]
            if yj != yj:
                continue
            zj = zi[at]
            rj = ri[at]
            wj = wi[at]
            vj = vi[at]
            gj = np.float32(gi[at])
            u1 = (yj - y_edge) * scale
            if have:
                i0 = j0
                step = zj - z0
                gap = abs(j - i0) - 1
                dy = yj - y0
                if abs(step) <= _STEP_MM and (gap == 0 or dy <= _BRIDGE_MM):
                    gm = half * (g0 + gj)
                    if u1 < u0 or u0 < nought or u1 >= n_cells:
                        _lay(line, square, u0, u1, z0, zj, r0, rj, w0, wj, v0, vj, gm)
                    else:
                        # the usual case: sums stay in registers until the cell is left
                        dz = zj - z0
                        dr = rj - r0
                        dw = wj - w0
                        dv = vj - v0
                        c = int(u0)
                        last = int(u1)
                        if c != cell_now:
                            if cell_now >= 0:
                                _put(line, square, cell_now, s0, s1, s2, s3, s4, s5, s6)
                            cell_now = c
                            s0 = s1 = s2 = s3 = s4 = s5 = s6 = nought
                        if c == last:
                            length = u1 - u0
                            zm = z0 + half * dz
                            vm = v0 + half * dv
                            s0 += length
                            s1 += length * zm
                            s2 += length * (r0 + half * dr)
                            s3 += length * (w0 + half * dw)
                            s4 += length * vm * vm
                            s5 += length * gm
                            s6 += length * zm * zm
                        else:
                            inverse = one / (u1 - u0)
                            begin = u0
                            while True:
                                end = min(u1, np.float32(c + 1))
                                length = end - begin
                                t = (half * (begin + end) - u0) * inverse
                                zm = z0 + t * dz
                                vm = v0 + t * dv
                                s0 += length
                                s1 += length * zm
                                s2 += length * (r0 + t * dr)
                                s3 += length * (w0 + t * dw)
                                s4 += length * vm * vm
                                s5 += length * gm
                                s6 += length * zm * zm
                                if c == last:
                                    break
                                _put(line, square, c, s0, s1, s2, s3, s4, s5, s6)
                                s0 = s1 = s2 = s3 = s4 = s5 = s6 = nought
                                c += 1
                                begin = end
                            cell_now = last
                    if gap == 0 and dy > nought:
                        pitch += np.float32(0.1) * (dy - pitch)
                elif abs(step) > _STEP_MM:
                    # a wall: which side is high, and does it face away from the light?
                    before, after = z0, zj  # heights on either side, in the order of the columns
                    if step < 0.0:
                        after = _beyond_shadow(z, i, j, onward)
                        y_high, z_high, z_low, y_low = y0, z0, after, yj
                        top_slope = rise / over
                        beyond = _lit_part(y, r, i, i0, -onward)
                    else:
                        before = _beyond_shadow(z, i, i0, -onward)
                        y_high, z_high, z_low, y_low = yj, zj, before, y0
                        top_slope = nought
                        beyond = _lit_part(y, r, i, j, onward)
                        j2 = j + onward
                        if 0 <= j2 < n_columns:
                            y2 = float(y[i, j2])
                            if y2 == y2 and y2 > yj:
                                top_slope = (float(z[i, j2]) - zj) / (y2 - yj)
                    per_mm = (y_high - fan_y) / (fan_z - z_high)  # the ray's dy per mm of descent
                    reach = (z_high - z_low) * per_mm
                    run = y_low - y_high
                    side = 1.0 if step < 0.0 else -1.0  # from the high to the low sample
                    away = run * side
                    if side * per_mm > 0.0 and away <= abs(reach) + 3.0 * pitch + 0.5:
                        triangle = 0.5 * (z_high - z_low) * abs(reach)
                        share = _arc_share(top_slope)
                        if abs(top_slope) > 1.0:
                            beyond = 0.5  # a flank that turns away grows dark of itself
                        edge = beyond * pitch + share * triangle / (z_high - z_low)
                        edge = y_high + side * min(edge, max(away, beyond * pitch))
                        middle = (edge - y_edge) * scale
                        _lay(
                            line, square, (y0 - y_edge) * scale, middle, before, before,
                            r[i, i0], r[i, i0], w[i, i0], w[i, i0], v[i, i0], v[i, i0], g[i, i0],
                        )  # fmt: skip
                        _lay(
                            line, square, middle, (yj - y_edge) * scale, after, after,
                            r[i, j], r[i, j], w[i, j], w[i, j], v[i, j], v[i, j], g[i, j],
                        )  # fmt: skip
                        doubt = (U_WALL + _U_ARC * share) * triangle
                        _lay_shadow(
                            line, (edge - y_edge) * scale, (y_low - y_edge) * scale, doubt * scale
                        )
                    elif (
                        (gap > 0 or away < 0.0)
                        and abs(dy) <= 3.0 * pitch + 0.1 * abs(step)
                        and abs(top_slope) < 1.0
                    ):
                        # the camera lost sight of the wall: it stands at the upper edge, unless
                        # another head saw it; anywhere in the step is as likely
                        guess = np.float32(abs(step) * U_ANYWHERE)
                        middle = (y_high + side * beyond * pitch - y_edge) * scale
                        _lay(
                            line, square, (y0 - y_edge) * scale, middle, z0, z0, r[i, i0], r[i, i0],
                            w[i, i0], w[i, i0], guess, guess, g[i, i0],
                        )  # fmt: skip
                        _lay(
                            line, square, middle, (yj - y_edge) * scale, zj, zj, r[i, j], r[i, j],
                            w[i, j], w[i, j], guess, guess, g[i, j],
                        )  # fmt: skip
                    elif gap == 0 or abs(dy) <= 3.0 * pitch:
                        _lay(
                            line, square, (y0 - y_edge) * scale, (yj - y_edge) * scale, z0, zj,
                            r[i, i0], r[i, j], w[i, i0], w[i, j], v[i, i0], v[i, j],
                            half * (g[i, i0] + g[i, j]),
                        )  # fmt: skip
                    else:
                        _end_at_light(
                            line, square, y, z, v, r, w, g, i, i0, -onward, pitch, y_edge, scale
                        )
                        _end_at_light(
                            line, square, y, z, v, r, w, g, i, j, onward, pitch, y_edge, scale
                        )
                else:
                    _end_at_light(
                        line, square, y, z, v, r, w, g, i, i0, -onward, pitch, y_edge, scale
                    )
                    _end_at_light(
                        line, square, y, z, v, r, w, g, i, j, onward, pitch, y_edge, scale
                    )
                rise, over = (step, dy) if dy > nought and gap == 0 else (nought, one)
            have = True
            j0 = j
            y0, z0, r0, w0, v0, g0, u0 = yj, zj, rj, wj, vj, gj, u1
        if cell_now >= 0:
            _put(line, square, cell_now, s0, s1, s2, s3, s4, s5, s6)


def grid_across(
    lines: HeadLines, *, fan_mm: tuple[float, float], y_edge_mm: float, cell_mm: float, n_y: int,
    room: tuple[Singles, Singles] | None = None,
) -> tuple[Singles, Singles]:  # fmt: skip
    """Integrate the lines of one head over cells across the belt.

    Parameters
    ----------
    lines
        Samples of n_lines lines.
    fan_mm
        (y, z) of the light's source.
    y_edge_mm
        Lower edge of the first cell.
    cell_mm, n_y
        Width and number of cells.
    room
        From `room_for_lines`, for at least as many lines: what is returned lies in it.

    Returns
    -------
    lines : ndarray, shape (n_lines, len(CHANNELS), n_y)
        Integrals over each cell divided by the cell's width: cover 0 to 1, cover times mean for the
        rest. `bound` is the standard uncertainty, in mm over the whole cell, of what the fan's
        shadow hides.
    square : ndarray, shape (n_lines, n_y)
        The same of height squared: how high the material in a cell stands.
    """
    y = np.ascontiguousarray(lines.y_mm, dtype=np.float32)
    n_lines = len(y)
    out, square = (part[:n_lines] for part in room or room_for_lines(n_lines, n_y))
    out.fill(0.0)
    square.fill(0.0)
    nothing = np.zeros(y.shape, dtype=np.float32)
    _across(
        y, _singles(lines.z_mm), _singles(lines.u_z_mm),
        nothing if lines.reflectance is None else _singles(lines.reflectance),
        nothing if lines.line_width_px is None else _singles(lines.line_width_px),
        np.zeros(y.shape, np.bool_) if lines.glare is None else np.ascontiguousarray(lines.glare),
        fan_mm[0], fan_mm[1], y_edge_mm, cell_mm, _falling(y), out, square,
    )  # fmt: skip
    return out, square


def room_for_lines(n_lines: int, n_y: int) -> tuple[Singles, Singles]:
    """Memory for what `grid_across` gives of up to n_lines lines."""
    return (
        np.empty((n_lines, len(CHANNELS), n_y), dtype=np.float32),
        np.empty((n_lines, n_y), dtype=np.float32),
    )


def _singles(values: Singles) -> Singles:
    """One kind of array, so that the kernel is compiled once."""
    if values.flags.c_contiguous and values.flags.writeable and values.dtype == np.float32:
        return values
    return np.array(values, dtype=np.float32, order="C")


def _falling(y: Singles) -> bool:
    """Whether y falls with the column."""
    for line in y:
        seen = np.flatnonzero(np.isfinite(line))
        if len(seen) > 1:
            return bool(line[seen[0]] > line[seen[-1]])
    return False
