"""From found blocks to a first model, good to a millimetre: which step is which, which way up."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.find_block import FoundBlock
from geomscan.commissioning.pass_lines import PassLines
from geomscan.errors import CalibrationError
from geomscan.recording.block import ReferenceBlock

__all__ = ["Match", "first_homography", "first_placement", "match_profile"]

Floats = npt.NDArray[np.float64]

#: the block file must explain the profile seen to this share of its height
_FITS = 0.12


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Match:
    """Correspondences of one head's middle profile with the block.

    across_mm is counted from the profile's first point; forward says that the profile's points run
    with growing column; misfit_share is the typical misfit over the block's height for this way,
    other_share for the other way round.
    """

    column_px: Floats
    row_px: Floats
    across_mm: Floats
    height_mm: Floats
    forward: bool
    misfit_share: float
    other_share: float


def match_profile(
    lines: PassLines, found: FoundBlock, block: ReferenceBlock, *, where: str
) -> Match:
    """Find which part of the middle profile belongs to which step or slope of the block.

    Raises
    ------
    CalibrationError
        If the profile is not that of the block in either direction.
    """
    middle = (found.first + found.last) // 2
    reach = max(2, (found.last - found.first) // 20)
    own = slice(found.left, found.right + 1)
    part = found.rise_px[middle - reach : middle + reach + 1, own]
    with np.errstate(invalid="ignore"):
        filled = np.isfinite(part).mean(axis=0) > 0.5
    rise = np.full(part.shape[1], np.nan)
    rise[filled] = np.nanmedian(part[:, filled], axis=0)
    points = block.profile_mm
    fits = {}
    for forward in (True, False):
        share = np.linspace(0, 1, rise.size)
        across = (share if forward else 1 - share) * block.width_mm + points[0, 0]
        fits[forward] = _fit_rise(rise, across, points)
    forward = fits[True][0] <= fits[False][0]
    misfit, gain, shear = fits[forward]
    if misfit > _FITS:
        msg = (
            f"{where}: wrong block: what lies on the belt is not {block.name}: its profile is "
            f"missed by {100 * misfit:.0f} % of its height either way round"
        )
        raise CalibrationError(msg)
    share = np.linspace(0, 1, rise.size)
    across = (share if forward else 1 - share) * block.width_mm + points[0, 0]
    across = across + shear * np.nan_to_num(rise)
    column, row, at, height = _correspondences(lines, found, rise, across, gain, points, forward)
    if column.size < 2:
        msg = f"{where}: wrong block: no step of {block.name} could be told from another"
        raise CalibrationError(msg)
    return Match(
        column_px=column, row_px=row, across_mm=at, height_mm=height, forward=forward,
        misfit_share=misfit, other_share=fits[not forward][0],
    )  # fmt: skip


def _fit_rise(rise: Floats, across: Floats, points: Floats) -> tuple[float, float, float]:
    """Rows per mm of height and mm of sideways shift per row that explain a profile best.

    Perspective shifts high parts outwards, in proportion to their height; the shift is searched.
    """
    seen = np.isfinite(rise)
    best = (np.inf, 1.0, 0.0)
    highest = points[:, 1].max()
    steepest = 0.3 * np.ptp(points[:, 0]) / max(np.nanmax(np.abs(rise)), 1)
    inner = np.zeros_like(rise)
    inner[len(rise) // 50 : len(rise) - len(rise) // 50] = 1
    for shear in np.linspace(-steepest, steepest, 31):
        # the ends are pinned to the outline, whose own shift goes with their own height
        shifted = across + shear * rise
        low, high = np.nanmin(shifted), np.nanmax(shifted)
        at = points[0, 0] + (shifted - low) * np.ptp(points[:, 0]) / max(high - low, 1e-9)
        height = np.interp(at[seen], points[:, 0], points[:, 1])
        strong = height > 0.2 * highest
        if np.count_nonzero(strong) < 5:
            continue
        gain = float(np.median(rise[seen][strong] / height[strong]))
        misfit = float(
            np.mean(np.minimum(np.abs(rise[seen] / gain - height), 0.3 * highest)) / highest
        )
        if misfit < best[0]:
            best = (misfit, gain, float(shear))
    return best


def _correspondences(
    lines: PassLines,
    found: FoundBlock,
    rise: Floats,
    across: Floats,
    gain: float,
    points: Floats,
    forward: bool,  # noqa: FBT001
) -> tuple[Floats, Floats, Floats, Floats]:
    """Middles of treads and quarter points of slopes, where they are seen at the level expected."""
    column0 = lines.column_px[found.left]
    belt = found.belt_row_px[found.left : found.right + 1]
    tolerance = 0.35 * _least_step(points)
    low, high = np.nanmin(across), np.nanmax(across)
    across = points[0, 0] + (across - low) * np.ptp(points[:, 0]) / (high - low)
    out: list[tuple[float, float, float, float]] = []
    for (a0, h0), (a1, h1) in pairwise(points):
        if a0 == a1:
            continue
        near = np.isfinite(rise) & (np.abs(across - (a0 + a1) / 2) < 0.75 * (a1 - a0) + 2)
        if h0 == h1:
            own = np.flatnonzero(near & (np.abs(rise / gain - h0) < tolerance))
            if own.size < 4 or h0 == 0:
                continue
            middle = int((own[0] + own[-1]) // 2)
            value = float(np.median(rise[own]))
            out.append((column0 + (own[0] + own[-1]) / 2, value + belt[middle], (a0 + a1) / 2, h0))
            continue
        for share in (0.25, 0.75):
            height = h0 + share * (h1 - h0)
            own = np.flatnonzero(near & (np.abs(rise / gain - height) < 0.15 * abs(h1 - h0)))
            rising = (h1 > h0) == forward
            if own.size < 2:
                continue
            slope = np.polyfit(own, np.abs(rise[own]), 1)[0]
            if (slope > 0) != rising:
                continue
            at = float(own.mean())
            row = float(np.median(rise[own])) + belt[round(at)]
            out.append((column0 + at, row, a0 + share * (a1 - a0), height))
    table = np.array(out).reshape(-1, 4)
    return table[:, 0], table[:, 1], table[:, 2], table[:, 3]


def _least_step(points: Floats) -> float:
    """Find the least difference in height between neighbouring levels."""
    levels = np.unique(points[:, 1])
    return float(np.diff(levels).min())


def first_placement(
    lines: PassLines,
    found: FoundBlock,
    block: ReferenceBlock,
    *,
    across_mm: float | None,
    reversed_: bool,
    columns_to_right: bool,
    mm_per_count: float,
) -> tuple[float, float, float]:
    """First guess of where the block lies: x and y of its first profile point, yaw.

    x and y are those of the corner where the block's own length and across are 0; the yaw is in
    radians, growing counter-clockwise seen from above (x to y).
    """
    per_column = block.width_mm / max(found.right - found.left, 1)
    per_line = mm_per_count * float(np.median(np.diff(lines.travel)))
    sign = 1.0 if columns_to_right else -1.0
    yaw = float(np.arctan(found.slant * sign * per_column / per_line))
    own = -1.0 if reversed_ else 1.0
    if across_mm is None:
        first = found.left if (columns_to_right != reversed_) else found.right
        middle = np.flatnonzero(np.isfinite(found.belt_row_px))
        y_middle = sign * per_column * (first - (middle[0] + middle[-1]) / 2)
        y = y_middle - own * np.sin(yaw) * block.length_mm / 2
    else:
        # `across_mm` is that of the trailing end: own length L where not turned, 0 where turned
        y = across_mm - (0.0 if reversed_ else np.sin(yaw) * block.length_mm)
    lead = mm_per_count * (lines.travel[found.first] + lines.travel[found.last]) / 2
    x = lead - own * (np.cos(yaw) * block.length_mm - np.sin(yaw) * block.width_mm) / 2
    return float(x), float(y), yaw


def first_homography(
    lines: Sequence[PassLines],
    matches: Sequence[Match],
    found: Sequence[FoundBlock],
    y_mm: Sequence[Floats],
) -> Floats:
    """Find the plane from correspondences and the bare belt, by direct linear transformation."""
    columns, rows = lines[0].sensor_size
    half = columns / 2
    equations: list[Floats] = []
    scale = max(float(np.abs(np.concatenate(y_mm)).max()), 1.0)
    for own, match, place, y in zip(lines, matches, found, y_mm, strict=True):
        u, v = (match.column_px - (columns - 1) / 2) / half, (match.row_px - (rows - 1) / 2) / half
        none, one = np.zeros_like(u), np.ones_like(u)
        ys, zs = y / scale, match.height_mm / scale
        equations.append(np.stack([u, v, one, none, none, none, -ys * u, -ys * v, -ys], 1))
        equations.append(np.stack([none, none, none, u, v, one, -zs * u, -zs * v, -zs], 1))
        seen = np.flatnonzero(np.isfinite(place.belt_row_px))[
            :: max(1, place.belt_row_px.size // 60)
        ]
        u = (own.column_px[seen] - (columns - 1) / 2) / half
        v = (place.belt_row_px[seen] - (rows - 1) / 2) / half
        none, one = np.zeros_like(u), np.ones_like(u)
        equations.append(np.stack([none, none, none, u, v, one, none, none, none], 1))
    matrix = np.concatenate(equations)
    if len(lines) == 1:
        # the middles of one staircase's steps lie in a line: an affine plane is all they hold
        solution = np.linalg.lstsq(matrix[:, :6], -matrix[:, 8], rcond=1e-3)[0]
        h = np.append(solution, [0.0, 0.0, 1.0]).reshape(3, 3)
    else:
        _, _, vectors = np.linalg.svd(matrix, full_matrices=False)
        h = vectors[-1].reshape(3, 3)
    h = np.diag([scale, scale, 1.0]) @ h
    return np.asarray(h / h[2, 2])


def columns_to_right(
    matches: Mapping[str, Match], reversed_: Mapping[str, bool], *, head: str
) -> bool:
    """Which way a head's columns run, from all passes and `reversed`.

    Raises
    ------
    CalibrationError
        If the passes contradict each other.
    """
    votes = {name: match.forward != reversed_[name] for name, match in matches.items()}
    clear = {
        name: vote
        for name, vote in votes.items()
        if matches[name].misfit_share < 0.6 * matches[name].other_share
    }
    if not clear:
        msg = f"head {head}: the block looks alike both ways round: it cannot tell left from right"
        raise CalibrationError(msg)
    right = sum(clear.values()) * 2 >= len(clear)
    wrong = [name for name, vote in clear.items() if vote != right]
    if wrong:
        msg = (
            f"{', '.join(wrong)}: the block lies the other way round than [block] reversed says, "
            f"judged by the other passes (head {head})"
        )
        raise CalibrationError(msg)
    return right
