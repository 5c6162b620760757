"""A piece on larger cells: what several cells hold, put together into one."""

from dataclasses import replace

import numpy as np
from numba import njit

from geomscan.shape.piece_map import PieceMap

__all__ = ["merge_cells"]


def merge_cells(piece: PieceMap, n: int) -> PieceMap:
    """Put n × n cells of a piece together into one.

    Cover is the mean, thickness and reflectance the means over what is covered; cells that glare or
    lie in shadow give no reflectance, and a cell counts as such where more than half of it does.
    The maps that tissue is not read from (line width, uncertainty, terms) are left out.

    Parameters
    ----------
    piece : PieceMap
        With a reflectance map, maps of shape (n_x, n_y).
    n : int
        Cells on a side; 1 gives the piece itself.

    Returns
    -------
    PieceMap
        Maps of shape (⌈n_x/n⌉, ⌈n_y/n⌉).
    """
    if n == 1:
        return piece
    nothing = np.zeros((1, 1), np.uint8)
    thickness_mm, cover, light, shadow, glare = _merge(
        piece.thickness_mm,
        piece.cover,
        piece.reflectance,
        nothing if piece.shadow is None else piece.shadow,
        nothing if piece.glare is None else piece.glare.view(np.uint8),
        n,
    )
    shift_mm = (n - 1) / 2 * piece.cell_mm
    return replace(
        piece,
        x_first_mm=piece.x_first_mm + shift_mm,
        y_first_mm=piece.y_first_mm + shift_mm,
        cell_mm=n * piece.cell_mm,
        thickness_mm=thickness_mm,
        cover=cover,
        u_independent_mm=np.zeros((0, 0)),
        terms=(),
        reflectance=light,
        line_width_px=None,
        shadow=shadow,
        glare=glare.view(np.bool_),
    )


@njit(nogil=True, cache=True)
def _merge(thickness, cover, light, shadow, glare, n):  # type: ignore[no-untyped-def]
    n_x, n_y = thickness.shape
    n_a, n_b = (n_x + n - 1) // n, (n_y + n - 1) // n
    mean_thickness = np.full((n_a, n_b), np.nan, np.float32)
    mean_cover = np.zeros((n_a, n_b), np.float32)
    mean_light = np.full((n_a, n_b), np.nan, np.float32)
    dark = np.zeros((n_a, n_b), np.uint8)
    bright = np.zeros((n_a, n_b), np.uint8)
    has_shadow, has_glare = shadow.shape == thickness.shape, glare.shape == thickness.shape
    for a in range(n_a):
        for b in range(n_b):
            n_inside = n_seen = n_good = 0
            area = volume = lit_area = sum_light = 0.0
            for i in range(a * n, min(a * n + n, n_x)):
                for j in range(b * n, min(b * n + n, n_y)):
                    share = cover[i, j]
                    if not (share > 0 and np.isfinite(thickness[i, j])):
                        continue
                    n_inside += 1
                    area += share
                    volume += share * thickness[i, j]
                    if not (light[i, j] > 0 and light[i, j] < np.inf):
                        continue
                    if has_shadow and shadow[i, j] != 0:
                        continue
                    n_seen += 1
                    if has_glare and glare[i, j]:
                        continue
                    n_good += 1
                    lit_area += share
                    sum_light += share * light[i, j]
            if n_inside == 0:
                continue
            mean_cover[a, b] = area / (n * n)
            mean_thickness[a, b] = volume / area
            if n_good:
                mean_light[a, b] = sum_light / lit_area
            dark[a, b] = 2 * n_seen < n_inside
            bright[a, b] = 2 * n_seen >= n_inside and 2 * n_good < n_inside
    return mean_thickness, mean_cover, mean_light, dark, bright
