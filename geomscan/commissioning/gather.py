"""From lines to observations: averaged rows on belt and steps, side edges, ends."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.assemble import head_model
from geomscan.commissioning.ends import end_crossings
from geomscan.commissioning.find_block import FoundBlock
from geomscan.commissioning.model import Model
from geomscan.commissioning.observations import Kind, Observations
from geomscan.commissioning.pass_lines import PassLines
from geomscan.commissioning.shadows import shadow_ends
from geomscan.commissioning.sides import side_edges

__all__ = ["Noise", "gather_pass"]

Floats = npt.NDArray[np.float64]

#: columns of a bin on the block and on the belt
_BLOCK_COLUMNS = 8
_BELT_COLUMNS = 16
#: groups of lines along the block, and of bare lines
_BLOCK_GROUPS = 6
_BELT_GROUPS = 2
#: what lies this near an edge is not averaged
_MARGIN_MM = 1.5
#: no line is placed better than this, whatever neighbouring lines say
_LEAST_NOISE_PX = 0.003
#: a sheet cut in two is seen displaced by up to so many of its standard deviations
_NEAR_WIDTHS = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Noise:
    """Row noise of one head in one pass, px: from line to line, of single columns and bin means."""

    belt_px: float
    block_px: float
    belt_bin_px: float  #: noise of a bin's mean of one line, times √columns
    block_bin_px: float
    thickness: float = 0.0  #: of the sheet, standard deviation, counts
    face_seen: tuple[bool, bool] = (False, False)  #: of the leading and the trailing end


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Place:
    """Every column of every line in the block's own frame, from the model so far.

    Doubtful columns are placed too. per_row_mm is what a row is worth in height.
    """

    along: Floats
    across: Floats
    up: Floats
    per_row_mm: float


def gather_pass(
    model: Model,
    values: Floats,
    lines: PassLines,
    found: FoundBlock,
    *,
    head: int,
    run: int,
    tolerance_mm: float,
    fine: bool = True,
) -> tuple[Observations, Noise]:
    """Gather all observations of one head in one pass.

    tolerance_mm is how far the model so far may be off in height; fine asks for side edges from
    pixels, which is finer and slower.
    """
    place = _place(model, values, lines, head, run)
    noise = _noise(model, lines, found, place)
    parts = [
        _belt(lines, found, head, run, noise),
        _surfaces(model, lines, place, head, run, noise, tolerance_mm),
    ]
    along = _median(
        np.where(np.abs(place.up) < 2 * model.block.height_mm, place.along, np.nan), axis=1
    )
    face_seen = (found.shadow_before < 0, found.shadow_before > 0)
    ends, thickness = end_crossings(
        model,
        values,
        lines,
        place.along,
        place.across,
        place.up,
        head=head,
        run=run,
        tolerance_mm=tolerance_mm,
        near_mm=_near_mm(lines, found, noise, place),
        face_seen=face_seen,
    )
    return Observations.join(
        [
            *parts,
            ends,
            side_edges(model, values, lines, head=head, run=run, fine=fine),
            *([shadow_ends(model, values, lines, along, head=head, run=run)] if fine else []),
        ]
    ), replace(noise, thickness=thickness, face_seen=face_seen)


def _near_mm(
    lines: PassLines, found: FoundBlock, noise: Noise, place: _Place
) -> tuple[float, float]:
    """How far light on a tread may stand off its height: at least, and for a thick sheet."""
    least = max(0.5, 6 * noise.block_px)
    width = lines.width_px[found.first : found.last + 1, found.left : found.right + 1]
    seen = width[np.isfinite(width)]
    thick = max(least, _NEAR_WIDTHS * float(np.median(seen))) if seen.size else least
    return least * place.per_row_mm, thick * place.per_row_mm


def _place(model: Model, values: Floats, lines: PassLines, head: int, run: int) -> _Place:
    n_lines, n_columns = lines.row_px.shape
    column = np.tile(lines.column_px, n_lines)
    row = lines.seen_px.reshape(-1)
    size = row.size
    probe = Observations.of(
        Kind.BELT, head, run, 0, column, row, np.repeat(lines.travel, n_columns), 1.0, 1
    )
    own = head_model(model, values, model.heads[head])
    y, z = own.to_plane(column, row)
    x = model.travel_to_x(values, probe, y, z)
    own_scale = model.scale[run]
    along, across, up = model.to_block(values, np.full(size, run), x, y, z)
    shape = (n_lines, n_columns)
    return _Place(
        along=along.reshape(shape) / own_scale,
        across=across.reshape(shape) / own_scale,
        up=up.reshape(shape),
        per_row_mm=float(np.abs(own.mm_per_px(np.median(column), np.nanmedian(row))[3])),
    )


def _noise(model: Model, lines: PassLines, found: FoundBlock, place: _Place) -> Noise:
    """Row noise from differences between neighbouring lines at the same column."""
    block = model.block
    on = (place.along > 3) & (place.along < block.length_mm - 3)
    on &= (place.across > 0) & (place.across < block.width_mm) & (place.up > 2)
    near = np.zeros_like(on)
    for (a0, h0), (a1, h1) in zip(model.points[:-1], model.points[1:], strict=True):
        if a1 > a0 and (h0 > 0 or h1 > 0):
            near |= (place.across > a0 + _MARGIN_MM) & (place.across < a1 - _MARGIN_MM)
    on &= near
    bare = found.bare[:, None] & np.isfinite(lines.row_px)
    return Noise(
        belt_px=_line_noise(lines.row_px, bare, 1),
        block_px=_line_noise(lines.row_px, on, 1),
        belt_bin_px=_line_noise(lines.row_px, bare, _BELT_COLUMNS),
        block_bin_px=_line_noise(lines.row_px, on, _BLOCK_COLUMNS),
    )


def _line_noise(row: Floats, mask: npt.NDArray[np.bool_], columns: int) -> float:
    """Noise of one line's mean over so many columns, times √columns; differences undo slant."""
    own = np.where(mask, row, np.nan)
    # second differences along the belt: yaw and slope drop out
    change = own[:-2] - 2 * own[1:-1] + own[2:]
    n = change.shape[1] // columns
    change = change[:, : n * columns].reshape(change.shape[0], n, columns)
    whole = np.isfinite(change).all(axis=2)
    means = change[whole].mean(axis=1)
    if means.size < 10:
        return 0.03 if columns == 1 else _line_noise(row, mask, 1)
    spread = 1.4826 * np.median(np.abs(means - np.median(means)))
    return max(float(spread * np.sqrt(columns / 6)), _LEAST_NOISE_PX)


def _belt(lines: PassLines, found: FoundBlock, head: int, run: int, noise: Noise) -> Observations:
    index = np.flatnonzero(found.bare)
    row = lines.row_px.copy()
    row[np.abs(found.rise_px) > max(1.0, 8 * noise.belt_px)] = np.nan
    parts = [
        _bins(
            lines, np.where(np.isfinite(row), row, np.nan), group, 0, _BELT_COLUMNS,
            noise.belt_bin_px, Kind.BELT, head, run,
        )
        for group in np.array_split(index, _BELT_GROUPS)
        if group.size
    ]  # fmt: skip
    return Observations.join(parts)


def _surfaces(
    model: Model, lines: PassLines, place: _Place, head: int, run: int, noise: Noise,
    tolerance_mm: float,
) -> Observations:  # fmt: skip
    block = model.block
    pitch = float(np.median(np.abs(np.diff(_median(place.along, axis=1)))))
    margin = max(_MARGIN_MM, 2.5 * pitch) + 0.3 * tolerance_mm
    inside = (place.along > margin) & (place.along < block.length_mm - margin)
    index = np.flatnonzero(np.count_nonzero(inside, axis=1) > 0)
    parts = []
    for f, ((a0, h0), (a1, h1)) in enumerate(zip(model.points[:-1], model.points[1:], strict=True)):
        if a0 == a1 or (h0 == 0 and h1 == 0):
            continue
        side = _MARGIN_MM + 0.3 * tolerance_mm
        expected = h0 + (place.across - a0) / (a1 - a0) * (h1 - h0)
        own = inside & (place.across > a0 + side) & (place.across < a1 - side)
        own &= np.abs(place.up - expected) < tolerance_mm
        # robust: what departs from its own step by more than the noise does is left out
        row = np.where(own, lines.row_px, np.nan)
        for group in np.array_split(index, _BLOCK_GROUPS):
            if group.size == 0:
                continue
            parts.append(
                _bins(
                    lines,
                    row,
                    group,
                    f,
                    _BLOCK_COLUMNS,
                    noise.block_bin_px,
                    Kind.SURFACE,
                    head,
                    run,
                )
            )
    return Observations.join([part for part in parts if len(part)] or parts[:1])


def _bins(
    lines: PassLines, row: Floats, group: npt.NDArray[np.intp], feature: int, width: int,
    noise_px: float, kind: Kind, head: int, run: int,
) -> Observations:  # fmt: skip
    """Means of row, column and travel over a group of lines, by bins of columns."""
    n_bins = row.shape[1] // width
    shape = (group.size, n_bins, width)
    part = row[group, : n_bins * width].reshape(shape)
    column = np.broadcast_to(lines.column_px[: n_bins * width].reshape(n_bins, width), shape)
    travel = np.broadcast_to(lines.travel[group][:, None, None], shape)
    seen = np.isfinite(part)
    n = np.count_nonzero(seen, axis=(0, 2))
    full = n >= max(4, 0.4 * group.size * width)
    count = np.maximum(n, 1)

    def mean(value: Floats) -> Floats:
        return np.asarray(np.where(seen, value, 0).sum(axis=(0, 2)) / count)

    rows = mean(np.nan_to_num(part))
    return Observations.of(
        kind, head, run, feature, mean(column)[full], rows[full], mean(travel)[full],
        noise_px / np.sqrt(count[full]), n[full],
    )  # fmt: skip


def _median(values: Floats, *, axis: int) -> Floats:
    """Median of what is finite along an axis; NaN where nothing is."""
    ordered = np.sort(values, axis=axis)  # NaN last
    n = np.count_nonzero(np.isfinite(values), axis=axis)
    last = np.maximum(n - 1, 0)
    low = np.take_along_axis(ordered, np.expand_dims(last // 2, axis), axis).squeeze(axis)
    high = np.take_along_axis(ordered, np.expand_dims((last + 1) // 2, axis), axis).squeeze(axis)
    return np.asarray(np.where(n > 0, (low + high) / 2, np.nan))
