"""From a window of rows to finished pieces."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from geomscan.shape.belt_zero import LocalZero
from geomscan.shape.budget import CalibrationErrors
from geomscan.shape.cells import (
    describe_cells,
    describe_rim,
    gaps_where_flat,
    hidden_front,
    hold_volume,
    over_belt,
    what_stands,
)
from geomscan.shape.edges import N_RIM_MAPS, Rim, find_rim
from geomscan.shape.hidden import N_HIDDEN_MAPS, Filled, fill_hidden
from geomscan.shape.maps import Maps, Room
from geomscan.shape.piece_map import ErrorTerm, PieceMap, Sight
from geomscan.shape.settings import EdgeSettings
from geomscan.shape.split import part_pieces
from geomscan.shape.unlit import lean_unlit

__all__ = ["N_KEPT", "N_SCRATCH", "PieceFrame", "finish_pieces"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

#: maps that a piece takes on the way, and those that are handed on with it beside its terms
N_SCRATCH = N_HIDDEN_MAPS + N_RIM_MAPS
N_KEPT = 8
_CLOSE = np.ones((3, 3), np.uint8)
#: Share of a piece's volume that a cavity below its rim could hide before the rim is flagged.
_STEEP_SHARE = 0.01
#: Mean disagreement of two heads that is flagged, beyond three times what the calibration allows.
_DISAGREE_MM = 0.05
_FRONT_CELLS = 6
_GAP_CELLS = 20_000  # that the heads' disagreement is read from: more tell no more


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PieceFrame:
    """Where a window of rows lies and what it was seen with.

    rows: fused channels, (n_x, n_y, n_channels); own: the region's cells above threshold; mine:
    cells of no other region; sight: see `fill_hidden`.
    """

    rows: npt.NDArray[np.float32]
    own: Bools
    mine: Bools
    zero: LocalZero
    x_first_mm: float
    y_first_mm: float
    cell_mm: float
    line_pitch_mm: float
    column_pitch_mm: float
    noise_mm: float
    sight: tuple[float, float]
    tan_tilt: float
    regions: tuple[Callable[[Floats, Floats], Bools], ...] = ()
    n_heads: int = 1
    room: Room = field(default_factory=Room)
    seen_from: Sight | None = None


def finish_pieces(
    frame: PieceFrame,
    *,
    lanes: Sequence[tuple[float, float]],
    flags: frozenset[str],
    errors: CalibrationErrors,
    edge: EdgeSettings,
) -> list[PieceMap]:
    """Heights over the belt, what was hidden, and the pieces that the region holds."""
    import cv2

    maps = frame.room.scratch(N_SCRATCH, frame.own.shape)
    seen, height, unlit = maps.take(), maps.take(), maps.take()
    over_belt(frame.rows, frame.zero.level_mm, frame.zero.drift_mm, seen, height, unlit)
    mine = frame.mine
    filled = fill_hidden(
        height, seen, mine, sight=frame.sight, tan_tilt=frame.tan_tilt,
        cell_mm=frame.cell_mm, pitch_mm=frame.line_pitch_mm,
        column_mm=frame.column_pitch_mm, maps=maps,
    )  # fmt: skip
    if unlit.any():
        lean_unlit(
            filled, height, seen, unlit, frame.rows[:, :, 6],
            cell_mm=frame.cell_mm, pitch_mm=frame.line_pitch_mm, column_mm=frame.column_pitch_mm,
        )  # fmt: skip
    core = np.empty(mine.shape, dtype=np.bool_)
    what_stands(frame.own, mine, filled.hidden, unlit, filled.height_mm, core)
    maps.give_back(seen, height, unlit)
    core = np.asarray(cv2.morphologyEx(core.view(np.uint8), cv2.MORPH_CLOSE, _CLOSE)).view(bool)
    core &= mine
    if not core.any():
        return []
    told = part_pieces(filled.height_mm, core, cell_mm=frame.cell_mm)
    parts = told.labels
    if told.doubtful:
        flags |= {"may_be_two"}
    if parts is None:
        piece = _finish(
            frame, filled, core, mine, maps, lanes=lanes, flags=flags, errors=errors, edge=edge
        )
        return [piece]
    pieces = []
    nearest = _nearest(parts)
    for name in range(1, int(parts.max()) + 1):
        own = parts == name
        # bare ground beside the other piece is not this one's
        allowed = mine & (own | ((parts == 0) & (nearest == name)))
        pieces.append(
            _finish(
                frame, filled, own & core, allowed, Maps(N_RIM_MAPS, core.shape),
                lanes=lanes,
                flags=flags | {"touching"}, errors=errors, edge=edge,
            )
        )  # fmt: skip
    return pieces


def _u_hidden_front(filled: Filled, cover: Singles, rim: Rim, cell: float) -> float:
    """Further standard uncertainty (mm) of the leading edge where no camera saw the front.

    A straight flank below an edge that is `top` high holds top·run / 2: doubt about what is hidden
    is doubt about where the foot lies, twice its area over the edge's height.
    """
    total, top = hidden_front(
        filled.height_mm, filled.hidden, filled.doubt_mm, cover, max(int(rim.first_x), 0),
        _FRONT_CELLS,
    )  # fmt: skip
    return 2.0 * total * cell / top if top > 0.0 else 0.0


def _nearest(parts: npt.NDArray[np.int32]) -> npt.NDArray[np.int32]:
    """Label of the part nearest to each cell."""
    import cv2

    best = np.full(parts.shape, np.inf, dtype=np.float32)
    name_of = np.zeros(parts.shape, dtype=np.int32)
    for name in range(1, int(parts.max()) + 1):
        away = cv2.distanceTransform((parts != name).astype(np.uint8), cv2.DIST_L2, 5)
        closer = away < best
        best[closer] = away[closer]
        name_of[closer] = name
    return name_of


def _finish(
    frame: PieceFrame, filled: Filled, core: Bools, allowed: Bools, scratch: Maps, *,
    lanes: Sequence[tuple[float, float]], flags: frozenset[str], errors: CalibrationErrors,
    edge: EdgeSettings,
) -> PieceMap:  # fmt: skip
    cell = frame.cell_mm
    shape = core.shape
    maps = frame.room.keep(N_KEPT + errors.n_maps, shape)
    rim = find_rim(
        filled.height_mm, core, allowed, noise_mm=frame.noise_mm,
        pitch=frame.line_pitch_mm / cell, maps=scratch,
    )  # fmt: skip
    whole, cover = scratch.take(), maps.take()
    hold_volume(filled.height_mm, rim.cover, rim.places, allowed, whole, cover)
    undercut = None
    if edge.undercut_mm > 0.0 or edge.u_undercut_mm > 0.0:
        # a triangle of this depth and the rim's height, taken from the cells beside the rim
        cavity = _cavity(rim, cell)
        undercut = _spread(cavity, cover, max(edge.undercut_mm, edge.u_undercut_mm), cell)
        undercut = np.minimum(undercut, whole / max(edge.undercut_mm, 1e-9))
        whole = (whole - undercut * edge.undercut_mm).astype(np.float32)
    thickness, u_independent, reflectance, width, d_zero, d_shadow, d_rim = (
        maps.take() for _ in range(7)
    )
    shadow, glare = np.empty(shape, dtype=np.uint8), np.empty(shape, dtype=bool)
    along, across, sums = np.empty(shape[0]), np.empty(shape[1]), np.empty(4)
    pitch = float(np.sqrt(frame.line_pitch_mm * frame.column_pitch_mm))
    describe_cells(
        frame.rows, whole, cover, filled.hidden, filled.doubt_mm, allowed, frame.zero.u_zero_mm,
        pitch / cell, thickness, u_independent, reflectance, width, glare, shadow, d_zero, d_shadow,
        along, across, sums,
    )  # fmt: skip
    cavity_mm3 = 0.5 * describe_rim(rim.places, rim.toe_mm, thickness, cover, pitch, cell, d_rim)
    n_on = float(sums[1])
    volume = float(sums[0]) * cell**2
    x = frame.x_first_mm + cell * np.arange(shape[0])
    y: Floats = frame.y_first_mm + cell * np.arange(shape[1], dtype=np.float64)
    y_middle = float((across * y).sum() / n_on)

    terms = [
        ErrorTerm(name="belt zero", scope="piece", delta_mm=d_zero),
        ErrorTerm(name="shadow", scope="piece", delta_mm=d_shadow),
        ErrorTerm(name="rim", scope="piece", delta_mm=d_rim),
    ]
    if undercut is not None and edge.u_undercut_mm > 0.0:
        delta = np.zeros(shape, dtype=np.float32)
        on = cover > 0.0
        delta[on] = undercut[on] * edge.u_undercut_mm / cover[on]
        terms.append(ErrorTerm(name="edge correction", scope="run", delta_mm=delta))
    terms += errors.terms(y, thickness, maps)

    names = set(flags)
    camera_share, fan_share = float(sums[2]) / n_on, float(sums[3]) / n_on
    if camera_share + fan_share > 0.01:
        names.add("shadowed")
    if cavity_mm3 > _STEEP_SHARE * volume:
        names.add("steep_rim")
    lane, middle = _lane(y_middle, lanes)
    if lane:
        low, high = lanes[lane - 1]
        if across[(y < low) | (y > high)].sum() > 0.01 * n_on:
            names.add("crosses_lane_border")
    if _outside(frame, thickness, y) > 0.01:
        names.add("outside_calibrated_region")
    gap, n_gap = _disagreement(frame, whole, cover)
    if n_gap > 100 and abs(gap) > _DISAGREE_MM + 3.0 * errors.u_mm(
        y_middle, volume / (n_on * cell**2)
    ):
        names.add("heads_disagree")

    return PieceMap(
        piece=0,
        lane=lane,
        lane_middle_mm=middle,
        x_first_mm=frame.x_first_mm,
        y_first_mm=frame.y_first_mm,
        cell_mm=cell,
        thickness_mm=thickness,
        cover=cover,
        u_independent_mm=u_independent,
        x0_mm=frame.x_first_mm + (rim.first_x - 0.5) * cell,
        u_x0_mm=float(np.hypot(rim.u_first_x * cell, _u_hidden_front(filled, cover, rim, cell))),
        length_mm=(rim.last_x - rim.first_x) * cell,
        width_mm=(rim.last_y - rim.first_y) * cell,
        terms=tuple(terms),
        flags=frozenset(names),
        reflectance=reflectance,
        line_width_px=width,
        shadow=shadow,
        glare=glare,
        sight=frame.seen_from,
        extra={
            "shadow_camera_fraction": camera_share,
            "shadow_fan_fraction": fan_share,
            "belt_zero_mm": float(frame.zero.level_mm.mean() + frame.zero.drift_mm.mean()),
            "u_belt_zero_mm": frame.zero.u_zero_mm,
            "bare_belt_fraction": frame.zero.bare_share,
            "heads_gap_mm": gap,
            "cavity_possible_fraction": cavity_mm3 / volume if volume > 0 else 0.0,
            "volume_cm3": volume / 1000.0,
            "x_mm": float((along * x).sum() / n_on),
            "y_mm": y_middle,
        },
    )


def _lane(y_mm: float, lanes: Sequence[tuple[float, float]]) -> tuple[int, float]:
    for number, (low, high) in enumerate(lanes, start=1):
        if low <= y_mm <= high:
            return number, 0.5 * (low + high)
    return 0, 0.0


def _cavity(rim: Rim, cell: float) -> Floats:
    """Area (mm²) below the rim, cell by cell, that an undercut at 45° would take twice half of.

    That is toe height squared times the rim's length in the cell.
    """
    toe = np.nan_to_num(rim.toe_mm)
    toe[toe < 1.0] = 0.0
    return np.asarray(toe**2 * cell)


def _spread(cavity: Floats, cover: Singles, depth_mm: float, cell: float) -> Floats:
    """Thickness that one mm of undercut takes from the cells within depth_mm of the rim."""
    import cv2

    toe = np.sqrt(cavity / cell)
    width = 2 * max(1, round(depth_mm / cell)) + 1
    on = (cover > 0.0).astype(np.float64)
    near = cv2.boxFilter(on, -1, (width, width), normalize=False, borderType=cv2.BORDER_CONSTANT)
    share = np.where(on > 0, 0.5 * toe * cell / cell**2 / np.maximum(near, 1.0), 0.0)
    spread = cv2.boxFilter(
        share, -1, (width, width), normalize=False, borderType=cv2.BORDER_CONSTANT
    )
    return np.asarray(spread * on)


def _outside(frame: PieceFrame, thickness: Singles, y: Floats) -> float:
    """Share of the piece outside every head's calibrated region, from every fourth cell."""
    if not frame.regions:
        return 0.0
    z = thickness[::4, ::4]
    on = np.isfinite(z)
    if not on.any():
        return 0.0
    across = np.broadcast_to(y[::4], z.shape)[on]
    inside = np.zeros(int(on.sum()), dtype=bool)
    for region in frame.regions:
        inside |= region(across, z[on].astype(np.float64))
    return float(1.0 - inside.mean())


def _disagreement(frame: PieceFrame, whole: Singles, cover: Singles) -> tuple[float, int]:
    """Median of first head less second where both see surface not steep, and cells used for it."""
    if frame.n_heads < 2:
        return float("nan"), 0
    step = max(1, cover.size // _GAP_CELLS)
    gaps = np.empty((len(cover) // step + 1) * cover.shape[1], dtype=np.float32)
    n = int(gaps_where_flat(frame.rows, whole, cover, frame.cell_mm, step, gaps))
    return (float(np.median(gaps[:n], overwrite_input=True)), n) if n else (float("nan"), 0)
