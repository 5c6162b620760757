"""Walls in the fan's shadow: upright, unless the piece's lit walls lean.

Behind a wall that faces away from the light the belt is dark, and the wall with it. Lines take such
a wall as upright. Where the walls on the piece's other side, which the light meets, lean by more
than what blurs an upright one, the dark ones are taken to lean as much, though never out of their
shadow.
"""

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.across import U_WALL
from geomscan.shape.hidden import Filled, first_crossing, smooth_step
from geomscan.uncertainty import U_ANYWHERE

__all__ = ["lean_unlit"]

Singles = npt.NDArray[np.float32]

#: Square of a wall's run over that of its blur: upright up to the first, leaning from the second.
_STANDS_OUT = (1.5, 2.5)
_LEAST_WALLS = 10  # rows that must show how the walls lean


@njit(nogil=True, cache=True)
def _unlit_walls(h, cover, unlit, bound, cell, walls):  # type: ignore[no-untyped-def]
    """List walls along x in the fan's shadow that were taken as upright; returns their number.

    walls: row, first and last dark cell, height and width (mm) of what is dark; the square of the
    run of the wall on the other side, NaN where not seen, of its askewness, and its height.
    """
    n_x, n_y = h.shape
    n = 0
    last = np.zeros(2)
    for i in range(n_x):
        place = np.zeros(2)
        c = 2
        while c < n_y:
            if unlit[i, c] < 0.02:
                c += 1
                continue
            first = c
            dark = doubt = 0.0
            while c < n_y and unlit[i, c] >= 0.02:
                dark += unlit[i, c] * cell
                doubt += bound[i, c] * cell
                c += 1
            if c + 1 >= n_y or n == len(walls):
                continue
            falling = h[i, c] < h[i, first - 1]
            top = h[i, first - 2] if falling else h[i, c + 1]
            drop = top - (h[i, c] if falling else h[i, first - 1])
            # the lines' doubt tells of what drop they made this shadow: of less where part of the
            # wall was lit, of more where it was rounding off and went on as an arc
            share = doubt / (0.5 * U_WALL * dark * max(drop, 1e-3))
            if drop < 3.0 or share > 1.35:
                continue
            side, inward = (0, -1) if falling else (1, 1)
            edge = first - 2 if falling else c + 1
            walls[n, 0], walls[n, 1], walls[n, 2] = i, first, c - 1
            walls[n, 3], walls[n, 4] = drop * min(share, 1.0), dark
            walls[n, 5], walls[n, 6], walls[n, 7] = np.nan, 0.0, top
            # to the wall on the other side
            k = edge
            while 0 <= k < n_y and h[i, k] > 0.02 * top + 0.1 and cover[i, k] >= 0.5:
                k += inward
            if 0 <= k < n_y and cover[i, k] >= 0.5 and unlit[i, k] <= 0.0:
                long = abs(k - edge) + 1
                upper = first_crossing(h[i], k, -inward, long, 0.9 * top)
                lower = first_crossing(h[i], k, -inward, long, 0.1 * top)
                if upper >= 0.0 and lower >= 0.0:
                    place[side] = k - inward * 0.5 * (upper + lower)
                    moved = abs(place[side] - last[side])
                    if last[side] > 0.0 and moved < 1.0:
                        run = (upper - lower) * cell / 0.8
                        walls[n, 5] = run * run
                        walls[n, 6] = moved * moved
            n += 1
        last[:] = place
    return n


@njit(nogil=True, cache=True)
def _lean_walls(walls, lean, u_lean, unlit, cell, column, height, doubt):  # type: ignore[no-untyped-def]
    """Put onto each wall what it holds when it runs out by `lean` per mm of descent."""
    for w in range(len(walls)):
        i, first, last = int(walls[w, 0]), int(walls[w, 1]), int(walls[w, 2])
        drop, dark = walls[w, 3], walls[w, 4]
        # the first sample on the belt lies half a column beyond where the light comes down
        ray = max(dark - 0.5 * column, 0.0)
        area = 0.5 * drop * min(lean * drop, ray)
        # upright or leaning: half of what the two differ by, as for hidden flanks
        off = np.hypot(0.5 * drop * min(u_lean * drop, U_ANYWHERE * ray), 0.5 * area)
        total = 0.0
        for c in range(first, last + 1):
            total += unlit[i, c]
        for c in range(first, last + 1):
            share = unlit[i, c] / max(total, 1e-9) / cell
            height[i, c] += area * share
            doubt[i, c] += off * share


def lean_unlit(
    filled: Filled, height_mm: Singles, cover: Singles, unlit: Singles, bound: Singles, *,
    cell_mm: float, pitch_mm: float, column_mm: float,
) -> None:  # fmt: skip
    """Put onto walls in the fan's shadow what they would hold if they leant as the lit ones do.

    Where the other walls don't tell, a wall may stand anywhere between upright and the ray: that
    goes into the doubt.

    Parameters
    ----------
    filled
        Its height_mm and doubt_mm are changed.
    height_mm, cover
        As for `fill_hidden`.
    unlit, bound
        Share of each cell in the fan's shadow, and the doubt (mm) that the lines have of it.
    """
    walls = np.zeros((4 * len(unlit), 8))
    walls = walls[: _unlit_walls(height_mm, cover, unlit, bound, cell_mm, walls)]
    # cells, what is read between their middles, columns, and lines that a wall runs askew to blur
    # it; its lean is what is left
    blur = 2.0 * cell_mm**2 + column_mm**2 + walls[:, 6] * (cell_mm**2 + pitch_mm**2)
    shown = np.isfinite(walls[:, 5])
    lean, u_lean = 0.0, np.inf
    if shown.sum() >= _LEAST_WALLS:
        # an upright wall shows as blur alone: what is to count as lean must stand out from it
        plain = smooth_step(float(np.median(walls[shown, 5] / blur[shown])), *_STANDS_OUT)
        square = np.median((walls[shown, 5] - blur[shown]) / walls[shown, 7] ** 2)
        most = float(np.sqrt(max(square, 0.0)))
        lean = plain * most
        u_lean = (most - lean) / np.sqrt(3.0)  # anywhere up to it alike
    _lean_walls(
        walls, lean, u_lean, unlit, cell_mm, column_mm, filled.height_mm, filled.doubt_mm
    )  # fmt: skip
