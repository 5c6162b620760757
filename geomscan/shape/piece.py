"""From a window of rows to one finished piece."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.shape.belt_zero import LocalZero
from geomscan.shape.edges import find_rim
from geomscan.shape.fuse import FUSED
from geomscan.shape.hidden import fill_hidden
from geomscan.shape.piece_map import ErrorTerm, PieceMap

__all__ = ["PieceFrame", "finish_piece"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_CLOSE = np.ones((3, 3), np.uint8)
_CHANNEL = {name: k for k, name in enumerate(FUSED)}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PieceFrame:
    """Where a window of rows lies and what it was seen with.

    rows: fused channels, (n_x, n_channels, n_y); own: the piece's cells above threshold; others:
    cells of other pieces.
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
    n_heads: int


def finish_piece(
    frame: PieceFrame, *, lanes: Sequence[tuple[float, float]], flags: frozenset[str]
) -> PieceMap:
    """Height over the belt, rim, shadows and errors of one piece."""
    import cv2

    rows = frame.rows
    cover_seen = rows[:, 0].astype(np.float64)
    height = rows[:, 1].astype(np.float64) - frame.zero.zero_mm
    filled = fill_hidden(
        height, cover_seen, ~frame.others,
        sight=frame.sight, tan_tilt=frame.tan_tilt, cell_mm=frame.cell_mm, pitch_mm=frame.line_pitch_mm,
    )  # fmt: skip
    whole = np.where(frame.others, 0.0, filled.height_mm)
    core = (frame.own | ((filled.hidden > 0) & (whole > 0.5))) & ~frame.others
    core = np.asarray(cv2.morphologyEx(core.astype(np.uint8), cv2.MORPH_CLOSE, _CLOSE)) > 0
    core &= ~frame.others
    rim = find_rim(whole, core, ~frame.others, noise_mm=frame.noise_mm)
    cover = rim.cover
    on = cover > 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        thickness = np.where(on, np.maximum(whole, 0.0) / cover, np.nan)
    cell = frame.cell_mm
    variance = rows[:, _CHANNEL["variance"]].astype(np.float64)
    scale = np.sqrt(frame.line_pitch_mm * frame.column_pitch_mm) / cell
    u_independent = np.where(on, np.sqrt(np.maximum(np.nan_to_num(variance), 0.0)) * scale, 0.0)
    unlit = rows[:, _CHANNEL["unlit"]].astype(np.float64)
    doubt = filled.doubt_mm + rows[:, _CHANNEL["bound"]].astype(np.float64)
    volume = np.nan_to_num(thickness * cover)
    terms = (
        ErrorTerm(
            name="belt zero", scope="piece", delta_mm=np.where(on, frame.zero.u_zero_mm, 0.0)
        ),
        ErrorTerm(name="shadow", scope="piece", delta_mm=_on_cover(doubt, cover)),
    )
    shadow = np.zeros(cover.shape, dtype=np.uint8)
    shadow[(filled.hidden > 0.5) & on] = 1
    shadow[(unlit > 0.5) & on] = 2
    n_on = float(cover.sum())
    camera_share = float((filled.hidden * on).sum() / n_on)
    fan_share = float(unlit.sum() / n_on)
    x = frame.x_first_mm + cell * np.arange(cover.shape[0])
    y = frame.y_first_mm + cell * np.arange(cover.shape[1])
    y_centre = float((cover.sum(axis=0) * y).sum() / n_on)
    names = set(flags)
    if camera_share + fan_share > 0.01:
        names.add("shadowed")
    lane = 0
    middle = 0.0
    for number, (low, high) in enumerate(lanes, start=1):
        if low <= y_centre <= high:
            lane = number
            middle = 0.5 * (low + high)
            inside = (y >= low) & (y <= high)
            if cover[:, ~inside].sum() > 0.01 * n_on:
                names.add("crosses_lane_border")
    grey = rows[:, _CHANNEL["reflectance"]].astype(np.float64)
    width = rows[:, _CHANNEL["width"]].astype(np.float64)
    seen = on & (cover_seen > 0.3)
    extra = {
        "shadow_camera_fraction": camera_share,
        "shadow_fan_fraction": fan_share,
        "belt_zero_mm": float(frame.zero.zero_mm.mean()),
        "u_belt_zero_mm": frame.zero.u_zero_mm,
        "bare_belt_fraction": frame.zero.bare_share,
        "volume_cm3": float(volume.sum() * cell**2 / 1000.0),
        "x_mm": float((cover.sum(axis=1) * x).sum() / n_on),
        "y_mm": y_centre,
    }
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
        u_x0_mm=0.1,
        length_mm=(rim.last_x - rim.first_x) * cell,
        width_mm=(rim.last_y - rim.first_y) * cell,
        terms=terms,
        flags=frozenset(names),
        reflectance=np.where(seen, grey, np.nan),
        line_width_px=np.where(seen, width, np.nan),
        shadow=shadow,
        glare=seen & (rows[:, _CHANNEL["glare"]] > 0.5),
        extra=extra,
    )


def _on_cover(doubt: Floats, cover: Floats) -> Floats:
    """Spread an uncertainty of cell volume onto the thickness of covered cells, keeping its sum."""
    inside = cover > 0.0
    outside = float(doubt[~inside].sum())
    delta = np.where(inside, doubt / np.maximum(cover, 0.2), 0.0)
    lost = float(doubt.sum()) - float((delta * cover).sum())
    if lost != 0.0 and inside.any():
        # doubt about ground beside the piece goes to the cells beside it, here: to all alike
        delta[inside] += lost / float(cover.sum())
    del outside
    return delta
