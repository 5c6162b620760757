"""Single passes over the cells of a piece: what would take a dozen array expressions each."""

from numba import njit

__all__ = ["change_by", "sum_of_cells", "sum_of_squares", "weigh_columns"]


@njit(nogil=True, cache=True)
def weigh_columns(  # type: ignore[no-untyped-def]
    thickness, cover, fat_share, cell_mm2, lower_mm, fat_depth_mm, lean, fat, maps
):
    """Fill the nine maps of `masses._Columns` in their order, each (n_x, n_y).

    thickness (mm, lower_mm is taken off) and fat_share are NaN where nothing is known; lean and fat
    are g/mm³.
    """
    n_x, n_y = cover.shape
    for i in range(n_x):
        for c in range(n_y):
            t = thickness[i, c]
            inside = t == t and cover[i, c] > 0.0
            if not inside:
                for k in range(len(maps)):
                    maps[k][i, c] = 0.0
                maps[4][i, c] = maps[5][i, c] = 0.0 * lean  # without a density every mass is NaN
                maps[6][i, c] = maps[7][i, c] = lean
                continue
            t = t if lower_mm == 0.0 else max(t - lower_mm, 0.0)
            share = fat_share[i, c]
            share = min(max(share, 0.0), 1.0) if share == share else 0.0
            area = cover[i, c] * cell_mm2
            deep = min(t, fat_depth_mm)
            volume = area * t
            fat_mm3 = area * share * deep
            fat_g = fat_mm3 * fat
            mass = (volume - fat_mm3) * lean + fat_g
            maps[0][i, c] = area
            maps[1][i, c] = deep
            maps[2][i, c] = volume
            maps[3][i, c] = fat_mm3
            maps[4][i, c] = mass
            maps[5][i, c] = fat_g
            maps[6][i, c] = mass / volume if volume > 0.0 else lean
            # at the column's foot lies lean, or fat where the whole column is fat
            maps[7][i, c] = lean + (fat - lean) * share if t < fat_depth_mm else lean
            maps[8][i, c] = area * share if t > fat_depth_mm else 0.0


@njit(nogil=True, cache=True)
def change_by(delta, area, factor, volume, mass):  # type: ignore[no-untyped-def]
    """Fill volume with delta · area, NaN as 0, and mass with that times factor."""
    for i in range(area.shape[0]):
        for c in range(area.shape[1]):
            d = delta[i, c]
            change = area[i, c] * d if d == d else 0.0
            volume[i, c] = change
            mass[i, c] = change * factor[i, c]


# Sums may be added up in any order ("reassoc"): eight at a time is as exact as one by one.
@njit(nogil=True, cache=True, fastmath={"contract", "nsz", "reassoc"})
def sum_of_cells(cells):  # type: ignore[no-untyped-def]
    """Sum of a map in double precision, whatever its own."""
    total = 0.0
    for i in range(cells.shape[0]):
        for c in range(cells.shape[1]):
            total += cells[i, c]
    return total


@njit(nogil=True, cache=True, fastmath={"contract", "nsz", "reassoc"})
def sum_of_squares(cells):  # type: ignore[no-untyped-def]
    """Sum of the squares of a map in double precision, whatever its own."""
    total = 0.0
    for i in range(cells.shape[0]):
        for c in range(cells.shape[1]):
            value = float(cells[i, c])
            total += value * value
    return total
