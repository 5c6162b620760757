"""One piece as slices: running volume, mass and fat along the belt for a blade at any angle.

The blade passes through all points with x − z·tan θ − (y − y_c)·tan φ = s (conventions: see
DEVELOPERS.md). What lies before it is summed exactly over the cell columns of the piece's map.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.mass.mass_map import MassMap
from geomscan.profiles import kernels
from geomscan.profiles.columns import Cells, Columns, ErrorBlocks, gather_blocks, gather_cells
from geomscan.shape.piece_map import PieceMap

__all__ = [
    "STEEPEST_DEG",
    "SliceProfile",
    "SliceTerm",
    "slice_profile",
    "slice_profiles",
    "turning_line_mm",
]

Floats = npt.NDArray[np.float64]

STEEPEST_DEG = 45.0  #: blade and plan angles reach to this on either side

# Below this slope the top and foot of a column lie so near each other in s that the difference of
# their ramps loses digits (about eps·length / (slope·height)); such columns are cut one by one.
_LEAST_SLOPE = 0.01


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


# The last pieces stay gathered: a call for each angle then costs what one call for all does.
# A map is told from others by identity: it is frozen, and must not be changed in place.
@lru_cache(maxsize=2)
def _gather(mass_map: MassMap) -> tuple[Cells, ErrorBlocks]:
    cells = gather_cells(mass_map)
    return cells, gather_blocks(mass_map, cells)


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


def turning_line_mm(piece: PieceMap) -> float:
    """Give the y about which a plan angle turns: the lane's middle, else the belt's, y = 0."""
    return piece.lane_middle_mm if math.isfinite(piece.lane_middle_mm) else 0.0


def _aim(middle_mm: float, cells: Cells, angle: float, plan: float, step: float) -> _Blade:
    slope = math.tan(math.radians(angle)) if angle else 0.0
    plan_slope = math.tan(math.radians(plan)) if plan else 0.0
    if plan_slope:
        low, width, height = cells.low_mm, cells.width_mm, cells.heights_mm
        half = 0.5 * cells.cell_mm * abs(plan_slope)
        across = cells.across_mm(middle_mm) * plan_slope
    else:
        some = cells.row_span[:, 0] >= 0
        low, width, height = (
            cells.row_low_mm[some],
            cells.row_width_mm[some],
            cells.row_height_mm[some],
        )
        half, across = 0.0, np.zeros(low.shape)
    lean = height * slope
    start = float(np.min(low - np.maximum(lean, 0) - across)) - half
    end = float(np.max(low + width - np.minimum(lean, 0) - across)) + half
    near = 1e-6  # a knot that close to an end is that end
    k0 = math.floor(start / step + near)
    k1 = max(math.ceil(end / step - near), k0 + 1)
    return _Blade(slope, plan_slope, middle_mm, step, k0 * step, k1 - k0, (start, end))


def _running(columns: Columns, blade: _Blade, *, at_surface: bool = False) -> Floats:
    """Sum every kind of the columns up to each knot, shape (n_bins + 1, n_kinds)."""
    n_kinds = columns.row_total.shape[1]
    if n_kinds == 0:
        return np.zeros((blade.n_bins + 1, 0))
    if blade.direct:
        sums = _directly(columns, blade, at_surface=at_surface)
    elif blade.slope == 0:
        sums, _ = _spread(columns.row_low_mm, columns.row_width_mm, columns.row_total, blade)
    elif at_surface:
        top = columns.low_mm - columns.heights_mm * blade.slope
        sums, _ = _spread(top, columns.width_mm, columns.totals, blade)
    else:
        sums = _slanted(columns, blade)
    running = np.zeros((blade.n_bins + 1, n_kinds))
    np.cumsum(sums, axis=0, out=running[1:])
    running[-1] = columns.row_total.sum(axis=0)
    return running


def _spread(
    low: Floats, width: Floats, weight: Floats, blade: _Blade, scale: float = 1.0
) -> tuple[Floats, Floats]:
    sums = np.zeros((blade.n_bins, weight.shape[1]))
    moments = np.zeros_like(sums)
    kernels.spread(low, width, weight, scale, blade.first_mm, blade.step_mm, sums, moments)
    return sums, moments


def _directly(columns: Columns, blade: _Blade, *, at_surface: bool) -> Floats:
    sums = np.zeros((blade.n_bins, columns.row_total.shape[1]))
    kernels.direct_slices(
        columns.low_mm,
        columns.width_mm,
        columns.heights_mm,
        columns.across_mm(blade.middle_mm),
        columns.totals,
        blade.slope,
        blade.plan_slope,
        columns.cell_mm,
        at_surface,
        blade.first_mm,
        blade.step_mm,
        sums,
    )
    return sums


def _slanted(columns: Columns, blade: _Blade) -> Floats:
    """Slices of whole columns from their tops and feet alone.

    A point of a column lies on the blade's plane at height (x − s)/tan θ. The plane is inside it
    from where it meets the top (x − h·tan θ) to where it meets the foot (x), so the running sum
    rises by [what the tops have passed − what the feet have passed] / tan θ per mm.
    """
    scale = 1.0 / blade.slope
    step = blade.step_mm
    feet, feet_moment = _spread(
        columns.row_low_mm, columns.row_width_mm, columns.row_weight, blade, -scale
    )
    extra: Floats | float = 0.0
    if isinstance(columns, Cells) and float(columns.row_width_mm.max()) <= step:
        bins = np.zeros((blade.n_bins + 2, 3, 3))
        kernels.spread_tops(
            columns.height_mm,
            columns.weight,
            columns.row_span,
            columns.row_low_mm,
            columns.row_width_mm,
            blade.slope,
            blade.first_mm,
            step,
            bins,
        )
        bins *= scale
        rise = bins[:-2, :, 0]
        moment = step * (rise - bins[:-2, :, 1])
        extra = step * np.diff(bins[:-1, :, 2], axis=0)
    else:
        top = columns.low_mm - columns.heights_mm * blade.slope
        rise, moment = _spread(top, columns.width_mm, columns.weights, blade, scale)
    rise = rise + feet
    return np.asarray(step * (np.cumsum(rise, axis=0) - rise) + moment + feet_moment + extra)


def _slice(
    mass_map: MassMap, cells: Cells, blocks: ErrorBlocks, angle: float, plan: float, step: float
) -> SliceProfile:
    piece = mass_map.piece
    blade = _aim(turning_line_mm(piece), cells, angle, plan, step)
    s_mm = blade.first_mm + step * np.arange(blade.n_bins + 1, dtype=np.float64)
    s_mm[0], s_mm[-1] = blade.ends_mm
    running = _running(cells, blade)
    running[:, 0] *= 1e-3  # mm³ to cm³
    if not mass_map.has_density:
        running[:, 1:] = np.nan
    per_mm = np.zeros_like(running)
    per_mm[:-1] = np.diff(running, axis=0) / np.diff(s_mm)[:, None]
    effect, variance = _errors(mass_map, blocks, blade, per_mm)
    width, thickest = _extents(cells, blade)
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
        terms=(
            *(SliceTerm(term.name, term.scope) for term in mass_map.terms),
            SliceTerm("leading edge", "piece"),
        ),
        term_cumulative_g=effect[:, 0],
        term_cumulative_cm3=effect[:, 1] * 1e-3,
        independent_g2=variance[0],
        independent_cm6=variance[1] * 1e-6,
    )


def _errors(
    mass_map: MassMap, blocks: ErrorBlocks, blade: _Blade, per_mm: Floats
) -> tuple[Floats, Floats]:
    """Effect of each term, (n_terms, 2, n knots) in g and mm³, and the independent variances."""
    bulk = _running(blocks.bulk, blade).T
    surface = _running(blocks.surface, blade, at_surface=True).T
    effect = np.zeros((len(mass_map.terms) + 1, 2, per_mm.shape[0]))
    for rows, numbers in ((bulk, blocks.bulk_at), (surface, blocks.surface_at)):
        for place, number in enumerate(numbers):
            effect[number] = rows[2 * place : 2 * place + 2]
    # where s = 0 sits: moving it moves every knot over the piece
    at_knot = 0.5 * (per_mm[1:-1] + per_mm[:-2]) * mass_map.piece.u_x0_mm
    effect[-1, :, 1:-1] = at_knot[:, 1], at_knot[:, 0] * 1e3
    variance = np.maximum(surface[-2:], 0)
    if not mass_map.has_density:
        effect[:, 0], variance[0] = np.nan, np.nan
    return effect, variance


def _extents(cells: Cells, blade: _Blade) -> tuple[Floats, Floats]:
    """Extent across and greatest height in each slice."""
    least, most = np.full(blade.n_bins, np.inf), np.full(blade.n_bins, -np.inf)
    thickest = np.zeros(blade.n_bins + 1)
    place = (blade.first_mm, blade.step_mm)
    rows = (cells.row_low_mm, cells.row_width_mm)
    sides = (cells.left_mm, cells.right_mm, cells.row_height_mm)
    grid = (cells.first_y_mm, cells.cell_mm)
    found = (least, most, thickest)
    if blade.plan_slope:
        kernels.sheared_extent(
            cells.low_mm,
            cells.width_mm,
            cells.heights_mm,
            cells.across_mm(blade.middle_mm),
            cells.place[1],
            blade.slope,
            blade.plan_slope,
            *place,
            *grid,
            *found,
        )
    elif blade.slope == 0:
        kernels.upright_extent(*rows, *sides, *place, *found)
    else:
        kernels.sloped_extent(
            cells.height_mm, *rows, cells.row_span, *sides, blade.slope, *place, *grid, *found
        )
    width = np.zeros(blade.n_bins + 1)
    width[:-1] = np.maximum(most - least, 0)
    return width, thickest


def _root_sum(rows: Floats) -> Floats:
    return np.asarray(np.sqrt(np.sum(rows**2, axis=0)))
