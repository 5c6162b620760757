"""One piece as slices: running volume, mass and fat along the belt for a blade at any angle.

The blade passes through all points with x − z·tan θ − (y − y_c)·tan φ = s (conventions: see
DEVELOPERS.md). What lies before it is summed exactly over the cell columns of the piece's map.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.mass.mass_map import MassMap
from geomscan.profiles import kernels

__all__ = ["STEEPEST_DEG", "SliceProfile", "SliceTerm", "slice_profile", "slice_profiles"]

Floats = npt.NDArray[np.float64]

STEEPEST_DEG = 45.0  #: blade and plan angles reach to this on either side

# Below this slope the top and foot of a column lie so near each other in s that the difference of
# their ramps loses digits (about eps·length / (slope·height)); such columns are cut one by one.
_LEAST_SLOPE = 0.01
# Thinner columns count as this high: their volume stays, it moves in s by tan θ times this at most.
_LEAST_HEIGHT_MM = 1e-3
# Errors of the map are gathered in blocks of this side: an uncertainty needs no finer geometry.
_BLOCK_MM = 2.0


@dataclass(frozen=True, slots=True)
class SliceTerm:
    """One common error of the running sums: its name, and whether drawn per piece or per run."""

    name: str
    scope: str


@dataclass(frozen=True, kw_only=True, eq=False)
class SliceProfile:
    """Slices of one piece at one blade angle; every array has one value per knot, shape (n,).

    cumulative_* is what lies before the blade at s_mm in the same row: 0 in the first row, the
    whole piece in the last. *_per_mm, width_mm and thickness_max_mm belong to the slice from this
    knot to the next (last row 0): width_mm is its extent across, thickness_max_mm the greatest
    height of anything in it. Masses are NaN where no density was stated.

    Each row of term_cumulative_g (n_terms, n) says what one standard uncertainty of one common
    error does to the running mass, so that the mass between any two cuts gets its own uncertainty.
    """

    piece: int
    lane: int
    angle_deg: float
    plan_angle_deg: float
    step_mm: float
    s_mm: Floats
    volume_cm3_per_mm: Floats
    cumulative_cm3: Floats
    mass_g_per_mm: Floats
    cumulative_g: Floats
    fat_g_per_mm: Floats
    width_mm: Floats
    thickness_max_mm: Floats
    terms: tuple[SliceTerm, ...]
    term_cumulative_g: Floats
    term_cumulative_cm3: Floats
    independent_g2: Floats  #: variance of the running mass from what is independent cell by cell
    independent_cm6: Floats

    @cached_property
    def u_cumulative_common_g(self) -> Floats:
        """Part of u from errors common to the piece or to the run."""
        return _root_sum(self.term_cumulative_g)

    @cached_property
    def u_cumulative_independent_g(self) -> Floats:
        """Part of u from what is independent cell by cell."""
        return np.sqrt(self.independent_g2)

    @cached_property
    def u_cumulative_g(self) -> Floats:
        """Standard uncertainty of the running mass."""
        return np.hypot(self.u_cumulative_common_g, self.u_cumulative_independent_g)

    @cached_property
    def u_cumulative_cm3(self) -> Floats:
        """Standard uncertainty of the running volume."""
        return np.sqrt(_root_sum(self.term_cumulative_cm3) ** 2 + self.independent_cm6)

    @property
    def lean_g_per_mm(self) -> Floats:
        """What is not fat."""
        return self.mass_g_per_mm - self.fat_g_per_mm

    @property
    def has_mass(self) -> bool:
        """Whether a density was stated."""
        return bool(np.isfinite(self.cumulative_g[-1]))


def slice_profile(
    mass_map: MassMap, *, angle_deg: float, plan_angle_deg: float = 0.0, step_mm: float = 1.0
) -> SliceProfile:
    """Cut a piece into slices for one blade.

    Parameters
    ----------
    mass_map
        The piece, cell by cell.
    angle_deg
        Blade angle θ in the upright plane along the belt, −45° to 45°: with θ > 0 the top of the
        cut leans towards the trailing edge.
    plan_angle_deg
        Plan angle φ of the blade about the middle of the lane, −45° to 45°.
    step_mm
        Distance of the knots: all multiples of it between the piece's ends, and the ends.

    Returns
    -------
    SliceProfile

    Raises
    ------
    InputError
        If an angle or the step is out of range, or the piece has no cell.
    """
    return slice_profiles(
        mass_map, angles_deg=[angle_deg], plan_angle_deg=plan_angle_deg, step_mm=step_mm
    )[0]


def slice_profiles(
    mass_map: MassMap,
    *,
    angles_deg: Sequence[float],
    plan_angle_deg: float = 0.0,
    step_mm: float = 1.0,
) -> tuple[SliceProfile, ...]:
    """Cut a piece into slices for several blades; what they share is prepared once.

    See `slice_profile` for parameters and errors.
    """
    for name, value in (
        *(("angle_deg", a) for a in angles_deg),
        ("plan_angle_deg", plan_angle_deg),
    ):
        if not abs(value) <= STEEPEST_DEG:
            msg = f"{name}: expected −{STEEPEST_DEG:g} to {STEEPEST_DEG:g} degrees, got {value:g}"
            raise InputError(msg)
    if not 0 < step_mm < math.inf:
        msg = f"step_mm: expected a distance above 0, got {step_mm:g}"
        raise InputError(msg)
    cells, blocks = _gather(mass_map)
    return tuple(
        _slice(mass_map, cells, blocks, float(angle), float(plan_angle_deg), float(step_mm))
        for angle in angles_deg
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Columns:
    """Upright columns, one per cell or per block, with the sums along each row of them."""

    row: npt.NDArray[np.int64]
    column: npt.NDArray[np.int64]
    height: Floats
    weight: Floats  #: (n, n_kinds) per mm of height
    row_low: Floats  #: footprint along x, from the leading edge
    row_width: Floats
    row_total: Floats  #: (n_rows, n_kinds)
    row_weight: Floats
    first_y_mm: float
    cell_mm: float

    @cached_property
    def low(self) -> Floats:
        return self.row_low[self.row]

    @cached_property
    def width(self) -> Floats:
        return self.row_width[self.row]

    @cached_property
    def total(self) -> Floats:
        return np.ascontiguousarray(self.weight * self.height[:, None])


@dataclass(frozen=True, kw_only=True, eq=False)
class _Cells(_Columns):
    """The cells themselves; kinds: volume, mass, fat."""

    row_height: Floats
    row_span: npt.NDArray[np.int64]
    left: Floats
    right: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class _Blocks:
    """Errors by blocks: what acts on whole columns, and what acts at their tops."""

    bulk: _Columns
    surface: _Columns
    bulk_at: tuple[int, ...]  #: which terms these are, in the order of the mass map's
    surface_at: tuple[int, ...]


def _row_footprints(
    first_mm: float, cell_mm: float, n_rows: int, length_mm: float
) -> tuple[Floats, Floats]:
    """Rows of cells end where the piece ends, not at the cell's border."""
    edge = first_mm + cell_mm * (np.arange(n_rows + 1) - 0.5)
    least = 0.05 * cell_mm  # what little a map may hold beyond the outline stays inside it
    low = np.clip(edge[:-1], 0.0, max(length_mm - least, 0.0))
    width = np.maximum(np.clip(edge[1:], 0.0, length_mm) - low, least)
    return low, width


def _gather(mass_map: MassMap) -> tuple[_Cells, _Blocks]:
    piece = mass_map.piece
    cover = np.ascontiguousarray(piece.cover)
    thickness = np.ascontiguousarray(piece.thickness_mm)
    n_rows = cover.shape[0]
    n = kernels.count_cells(thickness, cover)
    if n == 0:
        msg = f"piece {piece.piece}: no covered cell in a map of shape {cover.shape}"
        raise InputError(msg)
    known = mass_map.has_density
    none = np.zeros((1, 1)) if known else np.zeros(cover.shape)
    row, column = np.empty(n, np.int64), np.empty(n, np.int64)
    height, weight = np.empty(n), np.empty((n, 3))
    row_total, row_weight, row_height = (
        np.zeros((n_rows, 3)),
        np.zeros((n_rows, 3)),
        np.zeros(n_rows),
    )
    row_span = np.empty((n_rows, 2), np.int64)
    kernels.gather_cells(
        thickness,
        cover,
        np.ascontiguousarray(mass_map.volume_mm3),
        np.ascontiguousarray(mass_map.mass_g) if known else none,
        np.ascontiguousarray(mass_map.fat_g) if known else none,
        _LEAST_HEIGHT_MM,
        row,
        column,
        height,
        weight,
        row_total,
        row_weight,
        row_height,
        row_span,
    )
    low, width = _row_footprints(
        piece.x_first_mm - piece.x0_mm, piece.cell_mm, n_rows, piece.length_mm
    )
    inside = np.arange(n_rows)
    first, last = row_span[:, 0], row_span[:, 1]
    # at its ends a row's covered part lies on the inner side of the cell
    left = piece.y_first_mm + piece.cell_mm * (first + 0.5 - np.minimum(cover[inside, first], 1))
    right = piece.y_first_mm + piece.cell_mm * (last - 0.5 + np.minimum(cover[inside, last], 1))
    cells = _Cells(
        row=row,
        column=column,
        height=height,
        weight=weight,
        row_low=low,
        row_width=width,
        row_total=row_total,
        row_weight=row_weight,
        row_height=row_height,
        row_span=row_span,
        left=left,
        right=right,
        first_y_mm=piece.y_first_mm,
        cell_mm=piece.cell_mm,
    )
    return cells, _gather_blocks(mass_map, cells, cover)


def _gather_blocks(mass_map: MassMap, cells: _Cells, cover: Floats) -> _Blocks:
    piece, known = mass_map.piece, mass_map.has_density
    side = max(1, round(_BLOCK_MM / piece.cell_mm))
    shape = (-(-cover.shape[0] // side), -(-cover.shape[1] // side))

    def add(values: Floats, *, squared: bool = False) -> Floats:
        out = np.zeros(shape)
        kernels.gather_blocks(np.ascontiguousarray(values), cover, side, squared, out)
        return out

    area = add(cover)
    rows, columns = np.nonzero(area > 0)
    height = np.maximum(add(piece.cell_volume_mm3)[rows, columns], 0) / piece.cell_mm**2
    height = np.maximum(height / area[rows, columns], _LEAST_HEIGHT_MM)
    starts = np.arange(0, cover.shape[0], side)
    low = np.minimum.reduceat(cells.row_low, starts)
    high = np.maximum.reduceat(cells.row_low + cells.row_width, starts)

    def columns_of(kinds: list[Floats]) -> _Columns:
        total = np.stack(kinds, axis=-1) if kinds else np.zeros((*shape, 0))
        weight = np.zeros_like(total)
        weight[rows, columns] = total[rows, columns] / height[:, None]
        return _Columns(
            row=rows,
            column=columns,
            height=height,
            weight=weight[rows, columns],
            row_low=low,
            row_width=high - low,
            row_total=total.sum(axis=1),
            row_weight=weight.sum(axis=1),
            first_y_mm=piece.y_first_mm + 0.5 * (side - 1) * piece.cell_mm,
            cell_mm=side * piece.cell_mm,
        )

    zero = np.zeros(shape)
    kinds: dict[bool, list[Floats]] = {False: [], True: []}
    at: dict[bool, list[int]] = {False: [], True: []}
    for number, term in enumerate(mass_map.terms):
        kinds[term.at_surface] += [add(term.delta_g) if known else zero, add(term.delta_mm3)]
        at[term.at_surface].append(number)
    kinds[True] += [
        add(mass_map.u_independent_g, squared=True) if known else zero,
        add(mass_map.u_independent_mm3, squared=True),
    ]
    return _Blocks(
        bulk=columns_of(kinds[False]),
        surface=columns_of(kinds[True]),
        bulk_at=tuple(at[False]),
        surface_at=tuple(at[True]),
    )


@dataclass(frozen=True, slots=True)
class _Blade:
    """Slopes of the blade and the bins of s that the piece needs."""

    slope: float
    plan_slope: float
    middle_mm: float
    step_mm: float
    first_mm: float  #: a multiple of the step
    n_bins: int
    ends_mm: tuple[float, float]

    @property
    def direct(self) -> bool:
        """Whether columns must be cut one by one."""
        return self.plan_slope != 0 or 0 < abs(self.slope) < _LEAST_SLOPE


def _aim(piece_middle_mm: float, cells: _Cells, angle: float, plan: float, step: float) -> _Blade:
    slope = math.tan(math.radians(angle)) if angle else 0.0
    plan_slope = math.tan(math.radians(plan)) if plan else 0.0
    used = cells.row_span[:, 0] >= 0
    low, high = cells.row_low[used], (cells.row_low + cells.row_width)[used]
    tall = cells.row_height[used]
    if plan_slope:
        across = (_across(cells, piece_middle_mm)) * plan_slope
        half = 0.5 * cells.cell_mm * abs(plan_slope)
        lean = cells.height * slope
        start = float(np.min(cells.low - np.maximum(lean, 0) - across) - half)
        end = float(np.max(cells.low + cells.width - np.minimum(lean, 0) - across) + half)
    else:
        start = float(np.min(low - np.maximum(tall * slope, 0)))
        end = float(np.max(high - np.minimum(tall * slope, 0)))
    near = 1e-6  # a knot that close to an end is that end
    k0 = math.floor(start / step + near)
    k1 = max(math.ceil(end / step - near), k0 + 1)
    return _Blade(slope, plan_slope, piece_middle_mm, step, k0 * step, k1 - k0, (start, end))


def _across(columns: _Columns, middle_mm: float) -> Floats:
    return columns.first_y_mm + columns.cell_mm * columns.column - middle_mm


def _running(columns: _Columns, blade: _Blade, *, at_surface: bool = False) -> Floats:
    """Sum every kind of the columns up to each knot, shape (n_bins + 1, n_kinds)."""
    n_kinds = columns.weight.shape[1]
    sums = np.zeros((blade.n_bins, n_kinds))
    moments = np.zeros((blade.n_bins, n_kinds))
    place = (blade.first_mm, blade.step_mm)
    if n_kinds == 0:
        return np.zeros((blade.n_bins + 1, 0))
    if blade.direct:
        kernels.direct_slices(
            columns.low,
            columns.width,
            columns.height,
            _across(columns, blade.middle_mm),
            columns.total,
            blade.slope,
            blade.plan_slope,
            columns.cell_mm,
            at_surface,
            *place,
            sums,
        )
    elif blade.slope == 0:
        kernels.spread(
            columns.row_low, columns.row_width, columns.row_total, 1.0, *place, sums, moments
        )
    else:
        top = columns.low - columns.height * blade.slope
        if at_surface:
            kernels.spread(top, columns.width, columns.total, 1.0, *place, sums, moments)
        else:
            # d/ds of the running sum is the plan area between the tops' and the feet's curve, over
            # the slope: x − s lies between 0 and z·tan θ there
            scale = 1.0 / blade.slope
            kernels.spread(top, columns.width, columns.weight, scale, *place, sums, moments)
            kernels.spread(
                columns.row_low,
                columns.row_width,
                columns.row_weight,
                -scale,
                *place,
                sums,
                moments,
            )
            per_mm = np.cumsum(sums, axis=0) - sums
            sums = blade.step_mm * per_mm + moments
    running = np.zeros((blade.n_bins + 1, n_kinds))
    np.cumsum(sums, axis=0, out=running[1:])
    running[-1] = columns.row_total.sum(axis=0)
    return running


def _slice(
    mass_map: MassMap, cells: _Cells, blocks: _Blocks, angle: float, plan: float, step: float
) -> SliceProfile:
    piece = mass_map.piece
    blade = _aim(piece.lane_middle_mm, cells, angle, plan, step)
    s_mm = blade.first_mm + step * np.arange(blade.n_bins + 1)
    s_mm[0], s_mm[-1] = blade.ends_mm
    running = _running(cells, blade)
    running *= (1e-3, 1.0, 1.0)  # mm³ to cm³
    if not mass_map.has_density:
        running[:, 1:] = np.nan
    per_mm = np.zeros_like(running)
    per_mm[:-1] = np.diff(running, axis=0) / np.diff(s_mm)[:, None]

    terms = [SliceTerm(term.name, term.scope) for term in mass_map.terms]
    effect = np.zeros((len(terms) + 1, 2, s_mm.size))
    bulk, surface = _running(blocks.bulk, blade), _running(blocks.surface, blade, at_surface=True)
    for place, number in enumerate(blocks.bulk_at):
        effect[number] = bulk[:, 2 * place : 2 * place + 2].T
    for place, number in enumerate(blocks.surface_at):
        effect[number] = surface[:, 2 * place : 2 * place + 2].T
    # where s = 0 sits: moving it moves every knot over the piece
    effect[-1] = piece.u_x0_mm * _at_knots(per_mm[:, [1, 0]] * (1.0, 1e3)).T
    terms.append(SliceTerm("leading edge", "piece"))
    width, thickest = _extents(piece.thickness_mm, cells, blade)
    nothing = np.nan if not mass_map.has_density else 1.0
    return SliceProfile(
        piece=piece.piece,
        lane=piece.lane,
        angle_deg=angle,
        plan_angle_deg=plan,
        step_mm=step,
        s_mm=s_mm,
        volume_cm3_per_mm=per_mm[:, 0],
        cumulative_cm3=running[:, 0],
        mass_g_per_mm=per_mm[:, 1],
        cumulative_g=running[:, 1],
        fat_g_per_mm=per_mm[:, 2],
        width_mm=width,
        thickness_max_mm=thickest,
        terms=tuple(terms),
        term_cumulative_g=effect[:, 0] * nothing,
        term_cumulative_cm3=effect[:, 1] * 1e-3,
        independent_g2=np.maximum(surface[:, -2], 0) * nothing,
        independent_cm6=np.maximum(surface[:, -1], 0) * 1e-6,
    )


def _at_knots(per_mm: Floats) -> Floats:
    """Mean of the slices on either side of each knot; outside the piece there is nothing."""
    before = np.vstack([np.zeros_like(per_mm[:1]), per_mm[:-1]])
    middle = 0.5 * (before + per_mm)
    middle[0] = middle[-1] = 0.0
    return middle


def _extents(thickness_mm: Floats, cells: _Cells, blade: _Blade) -> tuple[Floats, Floats]:
    least, most = np.full(blade.n_bins, np.inf), np.full(blade.n_bins, -np.inf)
    thickest = np.zeros(blade.n_bins + 1)
    place = (blade.first_mm, blade.step_mm)
    if blade.plan_slope:
        kernels.sheared_extent(
            cells.low,
            cells.width,
            cells.height,
            _across(cells, blade.middle_mm),
            cells.column,
            blade.slope,
            blade.plan_slope,
            *place,
            cells.first_y_mm,
            cells.cell_mm,
            least,
            most,
            thickest,
        )
    elif blade.slope == 0:
        kernels.upright_extent(
            cells.row_low,
            cells.row_width,
            cells.left,
            cells.right,
            cells.row_height,
            *place,
            least,
            most,
            thickest,
        )
    else:
        kernels.sloped_extent(
            np.ascontiguousarray(thickness_mm),
            cells.row_low,
            cells.row_width,
            cells.row_span,
            cells.left,
            cells.right,
            cells.row_height,
            blade.slope,
            *place,
            cells.first_y_mm,
            cells.cell_mm,
            least,
            most,
            thickest,
        )
    width = np.zeros(blade.n_bins + 1)
    width[:-1] = np.maximum(most - least, 0)
    return width, thickest


def _root_sum(rows: Floats) -> Floats:
    return np.sqrt(np.einsum("ij,ij->j", rows, rows))
