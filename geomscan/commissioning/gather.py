"""From lines to observations: averaged rows on belt and steps, side edges, ends."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.assemble import head_model
from geomscan.commissioning.find_block import FoundBlock
from geomscan.commissioning.model import Model
from geomscan.commissioning.observations import Kind, Observations
from geomscan.commissioning.pass_lines import PassLines

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
#: the line's own rows about its place, within which light belongs to it
_NEAR_PX = 3.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Noise:
    """Row noise of one head in one pass, px: from line to line, of single columns and bin means."""

    belt_px: float
    block_px: float
    belt_bin_px: float  #: noise of a bin's mean of one line, times √columns
    block_bin_px: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Place:
    """Every column of every line in the block's own frame, from the model so far."""

    along: Floats
    across: Floats
    up: Floats
    rows_per_mm: float
    columns_per_mm: float


def gather_pass(  # noqa: PLR0913
    model: Model,
    values: Floats,
    lines: PassLines,
    found: FoundBlock,
    *,
    head: int,
    run: int,
    tolerance_mm: float,
) -> tuple[Observations, Noise]:
    """Gather all observations of one head in one pass.

    tolerance_mm is how far the model so far may be off in height.
    """
    place = _place(model, values, lines, head, run)
    noise = _noise(model, lines, found, place, run)
    parts = [
        _belt(lines, found, head, run, noise),
        _surfaces(model, lines, place, head, run, noise, tolerance_mm),
    ]
    ends, sides = [], []
    plateau = _plateau(lines.brightness)
    predict = _Predictor(model, values, head, run)
    sides = _sides(model, lines, place, predict, plateau, head, run)
    ends = _ends(model, lines, place, predict, head, run, tolerance_mm)
    return Observations.join([*parts, *sides, *ends]), noise


class _Predictor:
    """Where the model so far expects block points on the sensor."""

    def __init__(self, model: Model, values: Floats, head: int, run: int) -> None:
        self.model, self.values, self.run = model, values, run
        name = model.heads[head]
        self.head = head_model(model, values, name)
        laser = model.lasers[head]
        self.tilt, self.skew = (
            np.tan(np.radians(values[model.index[f"sheet.{laser}.{what}_deg"]]))
            for what in ("tilt", "skew")
        )
        at = model.index.get(f"sheet.{laser}.offset_mm", -1)
        self.offset = values[at] if at >= 0 else 0.0
        self.per_count = values[model.index["belt.mm_per_count"]]

    def pixel(self, across: Floats, up: Floats, travel: Floats) -> tuple[Floats, Floats]:
        """Sensor position of block points (across, up) when the belt has travelled so far."""
        model, values = self.model, self.values
        across, up, travel = np.broadcast_arrays(across, up, travel)
        run = np.full(across.shape, self.run)
        along = np.full(across.shape, model.block.length_mm / 2)
        for _ in range(3):
            y, z = model.to_sheet(values, run, along, across, up)
            x = self.per_count * travel + self.offset + z * self.tilt + y * self.skew
            along = model.to_block(values, run, x, y, z)[0]
        return self.head.from_plane(*model.to_sheet(values, run, along, across, up))


def _place(model: Model, values: Floats, lines: PassLines, head: int, run: int) -> _Place:
    n_lines, n_columns = lines.row_px.shape
    column = np.tile(lines.column_px, n_lines)
    row = lines.row_px.reshape(-1)
    size = row.size
    probe = Observations.of(
        Kind.BELT, head, run, 0, column, row, np.repeat(lines.travel, n_columns), 1.0, 1
    )
    y, z = model.plane(values, probe.head, column, row)
    x = model.travel_to_x(values, probe, y, z)
    own_scale = model.scale[run]
    along, across, up = model.to_block(values, np.full(size, run), x, y, z)
    shape = (n_lines, n_columns)
    middle = np.array([np.nanmedian(row)]), np.array([lines.column_px.mean()])
    at = np.array([head])
    y0, z0 = model.plane(values, at, middle[1], middle[0])
    y1, _ = model.plane(values, at, middle[1] + 1, middle[0])
    _, z2 = model.plane(values, at, middle[1], middle[0] + 1)
    return _Place(
        along=along.reshape(shape) / own_scale,
        across=across.reshape(shape) / own_scale,
        up=up.reshape(shape),
        rows_per_mm=float(abs(1 / (z2 - z0)[0])),
        columns_per_mm=float(abs(1 / (y1 - y0)[0])),
    )


def _noise(model: Model, lines: PassLines, found: FoundBlock, place: _Place, run: int) -> Noise:
    """Row noise from differences between neighbouring lines at the same column."""
    block = model.block
    on = (place.along > 3) & (place.along < block.length_mm - 3)  # noqa: PLR2004 - mm
    on &= (place.across > 0) & (place.across < block.width_mm) & (place.up > 2)  # noqa: PLR2004
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
    """Noise of one line's mean over so many columns, times √columns; slant cancels by differences."""
    own = np.where(mask, row, np.nan)
    # second differences along the belt: yaw and slope drop out
    change = own[:-2] - 2 * own[1:-1] + own[2:]
    n = change.shape[1] // columns
    change = change[:, : n * columns].reshape(change.shape[0], n, columns)
    whole = np.isfinite(change).all(axis=2)
    means = change[whole].mean(axis=1)
    if means.size < 10:  # noqa: PLR2004 - too few to say
        return 0.03 if columns == 1 else _line_noise(row, mask, 1)
    spread = 1.4826 * np.median(np.abs(means - np.median(means)))
    return float(spread * np.sqrt(columns / 6))


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


def _surfaces(  # noqa: PLR0913
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


def _bins(  # noqa: PLR0913
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
        return np.where(seen, value, 0).sum(axis=(0, 2)) / count

    rows = mean(np.nan_to_num(part))
    return Observations.of(
        kind, head, run, feature, mean(column)[full], rows[full], mean(travel)[full],
        noise_px / np.sqrt(count[full]), n[full],
    )  # fmt: skip


def _plateau(brightness: Floats) -> Floats:
    """Brightness that a column would have if wholly lit: the median over a few columns about it."""
    return brightness


def _sides(  # noqa: PLR0913
    model: Model, lines: PassLines, place: _Place, predict: _Predictor, brightness: Floats,
    head: int, run: int,
) -> list[Observations]:  # fmt: skip
    """Columns where the upper level of each upright face ends, by light within partial columns."""
    block = model.block
    lit = np.isfinite(lines.row_px)
    inside = (place.along > 3) & (place.along < block.length_mm - 3) & (place.up > 2)  # noqa: PLR2004
    index = np.flatnonzero(np.count_nonzero(inside, axis=1) > 4)  # noqa: PLR2004
    parts: list[Observations] = []
    column0 = lines.column_px[0]
    for f in range(len(model.points) - 1):
        (a0, h0), (a1, h1) = model.points[f], model.points[f + 1]
        if a0 != a1:
            continue
        upper = max(h0, h1)
        column, row = predict.pixel(
            np.full(index.size, a0), np.full(index.size, upper), lines.travel[index]
        )
        inward = -1.0 if h0 > h1 else 1.0  # across, towards the upper tread
        beyond, _ = predict.pixel(
            np.full(index.size, a0 + inward), np.full(index.size, upper), lines.travel[index]
        )
        step = np.sign(np.median(beyond - column))  # columns towards the upper tread
        reach = np.arange(-5, 13)
        near = np.round(column - column0).astype(int)[:, None] + (step * reach).astype(int)
        ok = (near >= 0) & (near < lines.column_px.size)
        ok = ok.all(axis=1)
        if np.count_nonzero(ok) < 6:  # noqa: PLR2004
            continue
        rows = index[ok][:, None]
        own_row = lines.row_px[rows, near[ok]]
        # the tread's own course: its median row a few columns inside
        level = _median(np.where(lit[rows, near[ok]], own_row, np.nan)[:, 9:], axis=1)
        light = np.where(
            np.abs(own_row - level[:, None]) < _NEAR_PX, brightness[rows, near[ok]], 0.0
        )
        full = np.median(light[:, 8:], axis=1)
        share = np.minimum(light / np.maximum(full, 1e-9)[:, None], 1.3)
        good = np.isfinite(level) & (full > 0) & (share[:, 9:].min(axis=1) > 0.3)  # noqa: PLR2004
        # first column, from outside, that is lit by half
        half = np.argmax(share > 0.5, axis=1)  # noqa: PLR2004
        good &= (half >= 2) & (half <= 8)  # noqa: PLR2004
        if np.count_nonzero(good) < 6:  # noqa: PLR2004
            continue
        share, half, own = share[good], half[good], index[ok][good]
        at = np.arange(share.shape[0])
        fill = sum(np.minimum(share[at, half + k], 1.0) for k in (-1, 0))
        # edge in steps of reach: one column past the outermost partial one
        edge_step = half + 0.5 - (fill - 1) - 0.5 + 0.5
        edge_step = (half + 1) - fill - 0.5
        edge = lines.column_px[near[ok][good][at, 0]] + step * edge_step
        for group in np.array_split(np.arange(edge.size), 4):
            if group.size < 3:  # noqa: PLR2004
                continue
            slope = np.polyfit(own[group], edge[group], 1) if group.size > 4 else None  # noqa: PLR2004
            left = edge[group] - (
                np.polyval(slope, own[group]) if slope is not None else edge[group].mean()
            )
            spread = max(1.4826 * float(np.median(np.abs(left))), 0.05)
            keep = np.abs(left) < 4 * spread
            group = group[keep]
            parts.append(
                Observations.of(
                    Kind.SIDE,
                    head,
                    run,
                    f,
                    edge[group].mean(),
                    level[good][group].mean(),
                    lines.travel[own[group]].mean(),
                    max(spread / np.sqrt(group.size), 0.02),
                    group.size,
                )
            )
    return parts


def _ends(  # noqa: PLR0913
    model: Model, lines: PassLines, place: _Place, predict: _Predictor, head: int, run: int,
    tolerance_mm: float,
) -> list[Observations]:  # fmt: skip
    """Places where a line ends on a tread because the block's end passes under it."""
    block = model.block
    lit = np.isfinite(lines.row_px)
    parts: list[Observations] = []
    for f in range(len(model.points) - 1):
        (a0, h0), (a1, h1) = model.points[f], model.points[f + 1]
        if h0 != h1 or h0 == 0:
            continue
        own = (
            lit
            & (np.abs(place.up - h0) < tolerance_mm + 1.5)
            & (np.abs(place.across - (a0 + a1) / 2) < (a1 - a0) / 2 - _MARGIN_MM)
        )
        middle = (place.along > 0.25 * block.length_mm) & (place.along < 0.75 * block.length_mm)
        n_middle = np.count_nonzero(own & middle, axis=0)
        columns = np.flatnonzero(n_middle > 0.8 * n_middle.max()) if n_middle.max() > 0 else []
        if len(columns) < 6:  # noqa: PLR2004
            continue
        columns = columns[2:-2]
        inside = own[:, columns]
        # brightness over that of the wholly lit tread at the same column
        level = _median(
            np.where(inside & middle[:, columns], lines.brightness[:, columns], np.nan), axis=0
        )
        share = np.where(inside, lines.brightness[:, columns] / level, 0.0)
        rows = _median(np.where(inside, lines.row_px[:, columns], np.nan), axis=0)
        per_line = (share > 0.5).mean(axis=1)  # noqa: PLR2004
        whole = np.flatnonzero(per_line > 0.9)  # noqa: PLR2004
        if whole.size < 5:  # noqa: PLR2004
            continue
        for leading in (True, False):
            at = whole[0] if leading else whole[-1]
            out = _one_end(lines, share, columns, rows, int(at), leading=leading)
            feature = int(leading == model.passes[run].reversed)
            parts += [
                Observations.of(Kind.END, head, run, feature, c, r, t, u, n)
                for c, r, t, u, n in out
            ]
    return parts


def _one_end(
    lines: PassLines,
    share: Floats,
    columns: npt.NDArray[np.intp],
    rows: Floats,
    at: int,
    *,
    leading: bool,
) -> list[tuple[float, float, float, float, int]]:
    """Where lines end on one tread at one end: (column, row, travel, u in counts, n)."""
    step = -1 if leading else 1
    found: list[tuple[float, float, float, float, int]] = []
    lit = share > 0.5  # noqa: PLR2004
    last = at
    for k in range(1, 9):
        i = at + step * k
        if not 0 <= i < share.shape[0]:
            return []
        fraction = lit[i].mean()
        if fraction < 0.04:  # noqa: PLR2004 - dark: the end lies between this line and the last lit one
            break
        last = i
    dark = last + step
    partial = [
        i
        for i in range(min(at, dark) + (0 if leading else 1), max(at, dark) + (1 if leading else 0))
        if 0.04 <= lit[i].mean() <= 0.96
    ]  # noqa: PLR2004
    pitch = float(abs(lines.travel[min(at + 1, len(lines.travel) - 1)] - lines.travel[at - 1]) / 2)
    for i in partial:
        n_lit = float(np.minimum(share[i], 1.0).sum())
        on_left = lit[i][: columns.size // 2].mean() > lit[i][columns.size // 2 :].mean()
        n_hard = lit[i].sum()
        edge = n_hard if on_left else columns.size - n_hard
        model = (np.arange(columns.size) < edge) == on_left
        if np.mean(model == lit[i]) < 0.9:  # noqa: PLR2004 - not a clean end
            continue
        place = (n_lit if on_left else columns.size - n_lit) - 0.5
        place = min(max(place, 0.0), columns.size - 1.0)
        column = lines.column_px[columns[0]] + place
        found.append(
            (
                column,
                float(np.interp(place, np.arange(columns.size), rows)),
                float(lines.travel[i]),
                0.01 * pitch,
                1,
            )
        )
    if not found:
        inner, outer = lines.travel[last], lines.travel[dark]
        found.append(
            (
                float(lines.column_px[columns].mean()),
                float(np.nanmean(rows)),
                float((inner + outer) / 2),
                float(abs(outer - inner) / np.sqrt(12)),
                1,
            )
        )
    return found


def _median(values: Floats, *, axis: int) -> Floats:
    """Median of what is finite along an axis; NaN where nothing is."""
    ordered = np.sort(values, axis=axis)  # NaN last
    n = np.count_nonzero(np.isfinite(values), axis=axis)
    last = np.maximum(n - 1, 0)
    low = np.take_along_axis(ordered, np.expand_dims(last // 2, axis), axis).squeeze(axis)
    high = np.take_along_axis(ordered, np.expand_dims((last + 1) // 2, axis), axis).squeeze(axis)
    return np.where(n > 0, (low + high) / 2, np.nan)
