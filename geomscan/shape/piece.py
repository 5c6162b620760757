"""From a window of rows to finished pieces."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.shape.belt_zero import LocalZero
from geomscan.shape.budget import CalibrationErrors
from geomscan.shape.edges import Rim, find_rim
from geomscan.shape.fuse import FUSED
from geomscan.shape.hidden import Filled, fill_hidden
from geomscan.shape.piece_map import ErrorTerm, PieceMap
from geomscan.shape.settings import EdgeSettings
from geomscan.shape.split import split_touching

__all__ = ["PieceFrame", "finish_pieces"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_CLOSE = np.ones((3, 3), np.uint8)
_CHANNEL = {name: k for k, name in enumerate(FUSED)}
#: Share of a piece's volume that a cavity below its rim could hide before the rim is flagged.
_STEEP_SHARE = 0.01
#: Mean disagreement of two heads that is flagged, beyond three times what the calibration allows.
_DISAGREE_MM = 0.05


#: A hidden flank may stand anywhere between its upper edge's drop and the line of sight; what was
#: seen over simulated and ray-cast fillets scatters by this much. Common practice, no source.
U_HIDDEN_FRONT_MM = 0.9
_FRONT_CELLS = 6


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PieceFrame:
    """Where a window of rows lies and what it was seen with.

    rows: fused channels, (n_x, n_y, n_channels); own: the region's cells above threshold; others:
    cells of other regions; sight: see `fill_hidden`.
    """

    rows: npt.NDArray[np.float32]
    own: Bools
    others: Bools
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

    seen = frame.rows[:, :, 0].astype(np.float64)
    height = frame.rows[:, :, 1].astype(np.float64) - frame.zero.zero_mm
    filled = fill_hidden(
        height, seen, ~frame.others, sight=frame.sight, tan_tilt=frame.tan_tilt,
        cell_mm=frame.cell_mm, pitch_mm=frame.line_pitch_mm,
    )  # fmt: skip
    core = (frame.own | ((filled.hidden > 0) & (filled.height_mm > 0.5))) & ~frame.others
    core = np.asarray(cv2.morphologyEx(core.astype(np.uint8), cv2.MORPH_CLOSE, _CLOSE)) > 0
    core &= ~frame.others
    if not core.any():
        return []
    parts = split_touching(filled.height_mm, core, cell_mm=frame.cell_mm)
    if parts is None:
        allowed = ~frame.others
        return [
            _finish(
                frame, filled, core, allowed, lanes=lanes, flags=flags, errors=errors, edge=edge
            )
        ]
    pieces = []
    for name in range(1, int(parts.max()) + 1):
        own = parts == name
        allowed = ~frame.others & ((parts == name) | (parts == 0))
        # bare ground beside the other piece is not this one's
        nearer = _nearest(parts) == name
        pieces.append(
            _finish(
                frame, filled, own & core, allowed & nearer, lanes=lanes,
                flags=flags | {"touching"}, errors=errors, edge=edge,
            )
        )  # fmt: skip
    return pieces


def _u_hidden_front(filled: Filled, on: Bools, rim: Rim) -> float:
    """Further standard uncertainty of the leading edge where no camera saw the front."""
    first = max(int(rim.first_x), 0)
    front = on[first : first + _FRONT_CELLS]
    if not front.any():
        return 0.0
    share = float(filled.hidden[first : first + _FRONT_CELLS][front].mean())
    return U_HIDDEN_FRONT_MM * share


def _cover_at_a_credible_height(whole: Floats, cover: Floats) -> Floats:
    """Cover of partly covered cells such that none stands higher than the firm cells around it.

    What a cell holds is known (`whole`, mm over the whole cell); how much of it is covered comes
    from the outline, and a small error of that would put the same material on a needle.
    """
    import cv2

    firm = np.where(cover >= 0.999, whole, 0.0).astype(np.float32)
    highest = cv2.dilate(firm, np.ones((5, 5), np.uint8)).astype(np.float64)
    needle = (cover > 0.0) & (cover < 0.999) & (whole > cover * highest) & (highest > 0.0)
    mended = cover.copy()
    mended[needle] = np.minimum(whole[needle] / highest[needle], 1.0)
    return mended


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
    frame: PieceFrame, filled: Filled, core: Bools, allowed: Bools, *,
    lanes: Sequence[tuple[float, float]], flags: frozenset[str], errors: CalibrationErrors,
    edge: EdgeSettings,
) -> PieceMap:  # fmt: skip
    cell = frame.cell_mm
    rim = find_rim(filled.height_mm, core, allowed, noise_mm=frame.noise_mm)
    on = rim.cover > 0.0
    whole = np.where(on, np.maximum(filled.height_mm, 0.0), 0.0)
    cover = _cover_at_a_credible_height(whole, rim.cover)
    cavity = _cavity(rim, cell)
    undercut = np.zeros_like(whole)
    if edge.undercut_mm > 0.0 or edge.u_undercut_mm > 0.0:
        # a triangle of this depth and the rim's height, taken from the cells beside the rim
        undercut = _spread(cavity, cover, max(edge.undercut_mm, edge.u_undercut_mm), cell)
        undercut = np.minimum(undercut, whole / max(edge.undercut_mm, 1e-9))
        whole = whole - undercut * edge.undercut_mm
    thickness = np.full(whole.shape, np.nan)
    thickness[on] = whole[on] / cover[on]
    n_on = float(cover.sum())
    volume = float(whole.sum()) * cell**2
    x = frame.x_first_mm + cell * np.arange(cover.shape[0])
    y: Floats = frame.y_first_mm + cell * np.arange(cover.shape[1], dtype=np.float64)
    y_middle = float((cover.sum(axis=0) * y).sum() / n_on)

    unlit = frame.rows[:, :, _CHANNEL["unlit"]].astype(np.float64)
    beside = np.where(allowed, filled.doubt_mm + frame.rows[:, :, _CHANNEL["bound"]], 0.0)
    terms = [
        ErrorTerm(
            name="belt zero", scope="piece", delta_mm=np.where(on, frame.zero.u_zero_mm, 0.0)
        ),
        ErrorTerm(name="shadow", scope="piece", delta_mm=_on_cover(beside, cover, whole)),
        ErrorTerm(name="rim", scope="piece", delta_mm=_rim_error(frame, rim)),
    ]
    if edge.u_undercut_mm > 0.0:
        delta = np.zeros_like(whole)
        delta[on] = undercut[on] * edge.u_undercut_mm / cover[on]
        terms.append(ErrorTerm(name="edge correction", scope="run", delta_mm=delta))
    terms += errors.terms(y, thickness)

    names = set(flags)
    camera_share = float((filled.hidden * on).sum() / n_on)
    fan_share = float(np.where(allowed, unlit, 0.0).sum() / n_on)
    if camera_share + fan_share > 0.01:
        names.add("shadowed")
    if float(cavity.sum()) * 0.5 > _STEEP_SHARE * volume:
        names.add("steep_rim")
    lane, middle = _lane(y_middle, lanes)
    if lane:
        low, high = lanes[lane - 1]
        if cover[:, (y < low) | (y > high)].sum() > 0.01 * n_on:
            names.add("crosses_lane_border")
    if _outside(frame, thickness, y) > 0.01:
        names.add("outside_calibrated_region")
    gap, n_gap = _disagreement(frame, whole, on)
    if n_gap > 100 and abs(gap) > _DISAGREE_MM + 3.0 * errors.u_mm(
        y_middle, volume / (n_on * cell**2)
    ):
        names.add("heads_disagree")

    variance = np.maximum(np.nan_to_num(frame.rows[:, :, _CHANNEL["variance"]]), 0.0)
    scale = np.sqrt(frame.line_pitch_mm * frame.column_pitch_mm) / cell
    shadow = np.zeros(cover.shape, dtype=np.uint8)
    shadow[(filled.hidden > 0.5) & on] = 1
    shadow[(unlit > 0.5) & on] = 2
    seen = on & (frame.rows[:, :, 0] > 0.3)
    nothing = np.float64("nan")
    return PieceMap(
        piece=0,
        lane=lane,
        lane_middle_mm=middle,
        x_first_mm=frame.x_first_mm,
        y_first_mm=frame.y_first_mm,
        cell_mm=cell,
        thickness_mm=thickness,
        cover=cover,
        u_independent_mm=np.where(on, np.sqrt(variance.astype(np.float64)) * scale, 0.0),
        x0_mm=frame.x_first_mm + (rim.first_x - 0.5) * cell,
        u_x0_mm=float(np.hypot(rim.u_first_x * cell, _u_hidden_front(filled, on, rim))),
        length_mm=(rim.last_x - rim.first_x) * cell,
        width_mm=(rim.last_y - rim.first_y) * cell,
        terms=tuple(terms),
        flags=frozenset(names),
        reflectance=np.where(seen, frame.rows[:, :, _CHANNEL["reflectance"]], nothing),
        line_width_px=np.where(seen, frame.rows[:, :, _CHANNEL["width"]], nothing),
        shadow=shadow,
        glare=seen & (frame.rows[:, :, _CHANNEL["glare"]] > 0.5),
        extra={
            "shadow_camera_fraction": camera_share,
            "shadow_fan_fraction": fan_share,
            "belt_zero_mm": float(frame.zero.zero_mm.mean()),
            "u_belt_zero_mm": frame.zero.u_zero_mm,
            "bare_belt_fraction": frame.zero.bare_share,
            "heads_gap_mm": gap,
            "cavity_possible_fraction": float(cavity.sum()) * 0.5 / volume if volume > 0 else 0.0,
            "volume_cm3": volume / 1000.0,
            "x_mm": float((cover.sum(axis=1) * x).sum() / n_on),
            "y_mm": y_middle,
        },
    )


def _rim_error(frame: PieceFrame, rim: Rim) -> Floats:
    """Doubt about where the rim stands: a tenth of the distance of samples, on the toe's height.

    A millimetre is added to the toe: below it the flank is too near to the belt to be told from it.
    """
    pitch = np.sqrt(frame.line_pitch_mm * frame.column_pitch_mm)
    at_rim = np.isfinite(rim.toe_mm) & (rim.cover > 0.0)
    delta = np.zeros_like(rim.cover)
    area = 0.1 * pitch * (rim.toe_mm[at_rim] + 1.0)
    delta[at_rim] = area / frame.cell_mm / np.maximum(rim.cover[at_rim], 0.2)
    return delta


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


def _spread(cavity: Floats, cover: Floats, depth_mm: float, cell: float) -> Floats:
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


def _outside(frame: PieceFrame, thickness: Floats, y: Floats) -> float:
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
        inside |= region(across, z[on])
    return float(1.0 - inside.mean())


def _disagreement(frame: PieceFrame, whole: Floats, on: Bools) -> tuple[float, int]:
    """Mean of first head less second where both see surface that is not steep, and cells used."""
    gap = frame.rows[:, :, _CHANNEL["gap"]]
    steep = np.ones(on.shape, dtype=bool)
    rise = np.abs(whole[2:, 1:-1] - whole[:-2, 1:-1]) + np.abs(whole[1:-1, 2:] - whole[1:-1, :-2])
    steep[1:-1, 1:-1] = rise > 1.0 * frame.cell_mm
    use = on & np.isfinite(gap) & ~steep
    n = int(use.sum())
    return (float(np.median(gap[use])), n) if n else (float("nan"), 0)


def _on_cover(doubt: Floats, cover: Floats, whole: Floats) -> Floats:
    """Bring doubt about cell volume onto the thickness of covered cells, keeping its sum.

    Doubt about ground beside the piece goes to the outermost covered cells along with the rest.
    """
    total = float(doubt.sum())
    inside = np.where(cover > 0.0, doubt, 0.0)
    held = float(inside.sum())
    if total <= 0.0:
        return np.zeros_like(doubt)
    if held < 0.2 * total:
        # nearly all of it lies beside the piece: share it over the piece by volume
        inside = whole * (total / max(float(whole.sum()), 1e-9))
        held = total
    delta = np.zeros_like(doubt)
    on = cover > 0.0
    delta[on] = inside[on] / cover[on] * (total / held)
    return delta
