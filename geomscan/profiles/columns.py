"""A piece's map as upright columns ready to be cut: cells for the sums, blocks for their errors."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.mass.mass_map import MassMap
from geomscan.profiles import kernels

__all__ = ["Cells", "Columns", "ErrorBlocks", "gather_blocks", "gather_cells"]

Floats = npt.NDArray[np.float64]
Values = npt.NDArray[np.floating]
Ints = npt.NDArray[np.int64]

# Thinner columns count as this high: their volume stays, it moves in s by tan θ times this at most.
_LEAST_HEIGHT_MM = 1e-3
# Less covered cells say little of a height (a small volume over a small area): none of them stands
# higher than the highest of the others.
_FIRM_COVER = 0.5
# Errors of the map are gathered in blocks of this side: an uncertainty needs no finer geometry.
_BLOCK_MM = 3.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Columns:
    """Columns on a grid, shape (n_x, n_y), each uniform from the belt to its height.

    weight, shape (n_kinds, n_x, n_y), is what a column holds per mm of its height. A row's
    footprint along x, seen from the leading edge, is row_low_mm to row_low_mm + row_width_mm.
    """

    height_mm: Floats
    weight: Floats
    used: npt.NDArray[np.bool_]
    row_low_mm: Floats
    row_width_mm: Floats
    row_total: Floats  #: (n_x, n_kinds)
    row_weight: Floats  #: (n_x, n_kinds)
    first_y_mm: float
    cell_mm: float

    @cached_property
    def place(self) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Row and column of the used columns, in the order of all that follows."""
        row, column = np.nonzero(self.used)
        return row, column

    @cached_property
    def low_mm(self) -> Floats:
        """Lower end of the footprint of each used column."""
        return self.row_low_mm[self.place[0]]

    @cached_property
    def width_mm(self) -> Floats:
        """Length of that footprint."""
        return self.row_width_mm[self.place[0]]

    @cached_property
    def heights_mm(self) -> Floats:
        """Height of each used column."""
        return self.height_mm[self.place]

    @cached_property
    def weights(self) -> Floats:
        """What each used column holds per mm of height, (n, n_kinds)."""
        return np.ascontiguousarray(self.weight[:, *self.place].T)

    @cached_property
    def totals(self) -> Floats:
        """What each used column holds, (n, n_kinds)."""
        return self.weights * self.heights_mm[:, None]

    def across_mm(self, middle_mm: float) -> Floats:
        """Distance across of each used column from a line along the belt."""
        return np.asarray(self.first_y_mm + self.cell_mm * self.place[1] - middle_mm)


@dataclass(frozen=True, kw_only=True, eq=False)
class Cells(Columns):
    """The cells of the map; kinds: volume in mm³, mass and fat in g."""

    row_height_mm: Floats
    row_span: Ints  #: first and last used column of each row, −1 where there is none
    left_mm: Floats
    right_mm: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class ErrorBlocks:
    """Errors by blocks of cells; kinds: g and mm³ of one term after the other.

    bulk acts on whole columns, surface at their tops; surface ends with the variances of what is
    independent from cell to cell. bulk_at and surface_at say which of the map's terms these are.
    """

    bulk: Columns
    surface: Columns
    bulk_at: tuple[int, ...]
    surface_at: tuple[int, ...]


def gather_cells(mass_map: MassMap) -> Cells:
    """List the cells of a piece with what they hold.

    Raises
    ------
    InputError
        If no cell is covered.
    """
    piece = mass_map.piece
    cover = np.ascontiguousarray(piece.cover)
    thickness = np.ascontiguousarray(piece.thickness_mm)
    n_rows = cover.shape[0]
    nothing = np.zeros(cover.shape) if not mass_map.has_density else None
    contents = (
        np.ascontiguousarray(mass_map.volume_mm3),
        np.ascontiguousarray(mass_map.mass_g) if nothing is None else nothing,
        np.ascontiguousarray(mass_map.fat_g) if nothing is None else nothing,
    )
    height, weight = np.empty(cover.shape), np.empty((3, *cover.shape))
    row_sums, row_height = np.empty((n_rows, 6)), np.empty(n_rows)
    row_span = np.empty((n_rows, 2), np.int64)
    firm = float(kernels.highest_firm(thickness, cover, _FIRM_COVER))
    heights = (_LEAST_HEIGHT_MM, firm if firm > _LEAST_HEIGHT_MM else np.inf)
    kernels.weigh_cells(
        thickness, cover, contents, heights, height, weight, row_sums, row_height, row_span
    )
    rows = np.arange(n_rows)
    first, last = row_span[:, 0], row_span[:, 1]
    if np.all(first < 0):
        msg = f"piece {piece.piece}: no covered cell in a map of shape {cover.shape}"
        raise InputError(msg)
    low, width = _footprints(
        piece.x_first_mm - piece.x0_mm, piece.cell_mm, n_rows, piece.length_mm, first >= 0
    )
    # at its ends a row's covered part lies on the inner side of the cell
    left = piece.y_first_mm + piece.cell_mm * (first + 0.5 - np.minimum(cover[rows, first], 1))
    right = piece.y_first_mm + piece.cell_mm * (last - 0.5 + np.minimum(cover[rows, last], 1))
    return Cells(
        height_mm=height,
        weight=weight,
        used=(cover > 0) & np.isfinite(thickness),
        row_low_mm=low,
        row_width_mm=width,
        row_total=row_sums[:, :3].copy(),
        row_weight=row_sums[:, 3:].copy(),
        first_y_mm=piece.y_first_mm,
        cell_mm=piece.cell_mm,
        row_height_mm=row_height,
        row_span=row_span,
        left_mm=np.asarray(left),
        right_mm=np.asarray(right),
    )


def _footprints(
    first_mm: float, cell_mm: float, n_rows: int, length_mm: float, used: npt.NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Rows of cells end where the piece ends, not at the cell's border."""
    edge = first_mm + cell_mm * (np.arange(n_rows + 1) - 0.5)
    least = 0.05 * cell_mm  # what little a map may hold beyond the outline stays inside it
    low = np.clip(edge[:-1], 0.0, max(length_mm - least, 0.0))
    width = np.maximum(np.clip(edge[1:], 0.0, length_mm) - low, least)
    return low, np.where(used, width, cell_mm)


def gather_blocks(mass_map: MassMap, cells: Cells) -> ErrorBlocks:
    """Gather the errors of a piece in blocks of cells."""
    piece, known = mass_map.piece, mass_map.has_density
    side = max(1, round(_BLOCK_MM / piece.cell_mm))
    n_x, n_y = piece.cover.shape
    shape = (-(-n_x // side), -(-n_y // side))
    bulk = [number for number, term in enumerate(mass_map.terms) if not term.at_surface]
    surface = [number for number, term in enumerate(mass_map.terms) if term.at_surface]

    area, content = np.empty(shape), np.empty(shape)
    kernels.add_blocks(np.ascontiguousarray(piece.cover), side, 1, area)
    kernels.add_blocks(np.ascontiguousarray(mass_map.volume_mm3), side, 1, content)
    used = area > 0
    height = np.full(shape, _LEAST_HEIGHT_MM)
    np.divide(content, area * piece.cell_mm**2, out=height, where=used)
    height = np.maximum(height, _LEAST_HEIGHT_MM)
    starts = np.arange(0, n_x, side)
    low = np.minimum.reduceat(cells.row_low_mm, starts)
    high = np.maximum.reduceat(cells.row_low_mm + cells.row_width_mm, starts)

    def columns(kinds: list[tuple[Values, int]]) -> Columns:
        total = np.zeros((len(kinds), *shape))
        added: dict[tuple[int, int], int] = {}  # an array that several terms share is added up once
        for number, (values, power) in enumerate(kinds):
            first = added.setdefault((id(values), power), number)
            if first < number:
                total[number] = total[first]
            else:
                kernels.add_blocks(np.ascontiguousarray(values), side, power, total[number])
        weight = total / height
        return Columns(
            height_mm=height,
            weight=weight,
            used=used,
            row_low_mm=low,
            row_width_mm=high - low,
            row_total=np.ascontiguousarray(total.sum(axis=2).T),
            row_weight=np.ascontiguousarray(weight.sum(axis=2).T),
            first_y_mm=piece.y_first_mm + 0.5 * (side - 1) * piece.cell_mm,
            cell_mm=side * piece.cell_mm,
        )

    # without a density the masses' places are kept, and filled with something that is known
    def effects(numbers: list[int]) -> list[tuple[Values, int]]:
        terms = [mass_map.terms[number] for number in numbers]
        pairs = [(term.delta_g if known else term.delta_mm3, term.delta_mm3) for term in terms]
        return [(values, 1) for pair in pairs for values in pair]

    independent = [
        (mass_map.u_independent_g if known else mass_map.u_independent_mm3, 2),
        (mass_map.u_independent_mm3, 2),
    ]
    return ErrorBlocks(
        bulk=columns(effects(bulk)),
        surface=columns([*effects(surface), *independent]),
        bulk_at=tuple(bulk),
        surface_at=tuple(surface),
    )
