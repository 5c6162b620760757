"""Side edges: the column at which the upper level of an upright face ends."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.edge_pixels import EdgePixels, bell_share, fit_edges
from geomscan.commissioning.model import Model
from geomscan.commissioning.observations import Kind, Observations
from geomscan.commissioning.pass_lines import Frames, PassLines
from geomscan.commissioning.predict import Predictor
from geomscan.laser_line.noise import dark_level

__all__ = ["side_edges"]

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

#: columns about the edge, from outside (negative) to the tread; the last ones are wholly lit
_COLUMNS = np.arange(-4, 10)
_N_WHOLE = 6
#: how far off the edge is looked for at first: columns, and share of the tread's width
_FAR_PX, _FAR_SHARE = 30, 0.4
_ROWS = np.arange(-7, 8)
#: lines this near the block's ends are not looked at
_END_MM = 3.0
#: a dark level below this is that of pixels that read 0, which lose what is fainter
_CLIPPED_DARK = 0.5
#: lines of one group
_LINES = 8
#: a face seen less wide than this throws no light that matters
_SEEN_PX = 0.25
#: how far edges are misplaced as a whole where there are no pixels: a column is lit or not, and its
#: light ends somewhere in it; where the face is seen, one more column may be its own (rectangular:
#: JCGM 100:2008, 4.3.7)
_UNPARTED_PX, _UNPARTED_SEEN_PX = 1 / np.sqrt(12), 1 / np.sqrt(3)
#: least standard uncertainty of one edge, px: pixels aren't squares of even response
_LEAST_U_PX = 0.01


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Edge:
    """One face; arrays by line, the lines in groups that begin at `starts`."""

    face: int
    lines: Indices
    starts: Indices
    column: Floats  #: expected, sensor px
    level: Floats  #: row of the tread beside the edge
    slope: float  #: rows a column along the tread
    inward: float  #: +1 or −1: columns towards the tread
    foot_columns: float  #: how far the face reaches outwards on the sensor, columns
    foot_rows: float  #: and how many rows down
    around: npt.NDArray[np.int64]  #: columns about the edge that are looked at, inwards

    @property
    def is_seen(self) -> bool:
        """Whether the face itself shows beside the edge."""
        return self.foot_columns > _SEEN_PX

    def by_group(self, values: Floats) -> Floats:
        """Means over the lines of each group."""
        n = np.diff(np.append(self.starts, values.size))
        return np.asarray(np.add.reduceat(values, self.starts) / n)


def side_edges(
    model: Model,
    values: Floats,
    lines: PassLines,
    *,
    head: int,
    run: int,
    fine: bool = True,
) -> Observations:
    """Find all side edges of one head in one pass.

    Where the face is turned away from camera and fan, light ends sharply at the edge. Where it is
    lit and seen, its light runs down beside the edge; both are then fitted together to the pixels.
    Edges of recordings without frames come from brightness alone, and so do first guesses (not
    `fine`), which are looked for further off.
    """
    predict = Predictor(model, values, head=head, run=run)
    faces = [
        f for f in range(len(model.points) - 1) if model.points[f, 0] == model.points[f + 1, 0]
    ]
    edges = [_expect(model, predict, lines, face, fine=fine) for face in faces]
    found = [(edge, _from_brightness(lines, edge)) for edge in edges if edge is not None]
    from_pixels = fine and lines.head.payload_is == "frames"
    if from_pixels and found:
        first = min(int(edge.lines[0]) for edge, _ in found)
        frames = lines.frames(first, max(int(edge.lines[-1]) for edge, _ in found) + 1)
        assert frames is not None
        dark = dark_level(frames)
        inside = [(e, s, _pixels(lines, e, frames, first, dark)) for e, s in found]
        seen = [(edge, shift, pixels) for edge, shift, pixels in inside if pixels is not None]
        fitted, *_ = fit_edges(
            [pixels for _, _, pixels in seen],
            [np.nan_to_num(shift) * edge.inward for edge, shift, _ in seen],
            clipped_dark=dark < _CLIPPED_DARK,
        )
        found = [(e, s * e.inward) for (e, _, _), s in zip(seen, fitted, strict=True)]
    parts = [Observations.of(Kind.SIDE, head, run, 0, [], [], [], [], [])]
    for edge, shift, u in _with_scatter(found, from_pixels=from_pixels):
        good = np.isfinite(shift)
        parts.append(
            Observations.of(
                Kind.SIDE, head, run, edge.face, (edge.by_group(edge.column) + shift)[good],
                edge.by_group(edge.level)[good], edge.by_group(lines.travel[edge.lines])[good],
                u, _LINES,
            )
        )  # fmt: skip
    return Observations.join(parts)


def _with_scatter(
    found: list[tuple[_Edge, Floats]], *, from_pixels: bool
) -> list[tuple[_Edge, Floats, float]]:
    """Add u of a group of lines: how neighbouring groups scatter, by faces seen and unseen."""
    out = []
    for seen in (True, False):
        own = [
            (edge, shift)
            for edge, shift in found
            if edge.is_seen == seen and np.count_nonzero(np.isfinite(shift)) >= 3
        ]
        if not own:
            continue
        steps = np.concatenate([np.diff(shift[np.isfinite(shift)]) for _, shift in own])
        spread = max(float(np.sqrt(np.mean(steps**2) / 2)), _LEAST_U_PX)
        for edge, shift in own:
            # neither a face's own light nor how far a column is lit can be told: all err alike
            each = _UNPARTED_SEEN_PX if seen else _UNPARTED_PX
            common = 0.0 if from_pixels else each * np.sqrt(np.count_nonzero(np.isfinite(shift)))
            out.append((edge, shift, float(np.hypot(spread, common))))
    return out


def _expect(
    model: Model, predict: Predictor, lines: PassLines, face: int, *, fine: bool
) -> _Edge | None:
    """Where a face's upper edge should be, in lines that see enough of the tread."""
    at, low, high = model.points[face, 0], *np.sort(model.points[[face, face + 1], 1])
    falls = model.points[face, 1] > model.points[face + 1, 1]
    beside = model.points[face - 1 if falls else face + 2, 0]
    along = predict.along(at, high, lines.travel)
    index = np.flatnonzero((along > _END_MM) & (along < model.block.length_mm - _END_MM))
    if index.size < _LINES:
        return None
    travel = lines.travel[index]
    column, row = predict.pixel(at, high, travel)
    inner, inner_row = predict.pixel(beside, high, travel)
    foot, foot_row = predict.pixel(at, low, travel)
    inward = float(np.sign(np.median(inner - column)))
    slope = float(np.median((inner_row - row) / (inner - column)))
    far = int(min(_FAR_PX, _FAR_SHARE * np.median(np.abs(inner - column))))
    around = _COLUMNS if fine else np.arange(-far, far + _N_WHOLE)
    near = _columns(lines, column, inward, around)
    if near.min() < 0 or near.max() >= lines.column_px.size:
        return None
    near = near[:, -_N_WHOLE:]
    seen = lines.row_px[index[:, None], near]
    expected = row[:, None] + slope * (lines.column_px[near] - column[:, None])
    on = np.abs(seen - expected) < 3
    n = np.count_nonzero(on, axis=1)
    level = row + np.where(on, seen - expected, 0).sum(axis=1) / np.maximum(n, 1)
    whole = np.flatnonzero(n >= 4)
    if whole.size < _LINES:
        return None
    groups = np.array_split(whole, whole.size // _LINES)
    return _Edge(
        face=face,
        lines=index[whole],
        starts=np.cumsum([0, *(part.size for part in groups[:-1])]),
        column=column[whole],
        level=level[whole],
        slope=slope,
        inward=inward,
        foot_columns=float(np.median(foot - column)) * -inward,
        foot_rows=float(np.median(foot_row - row)),
        around=around,
    )


def _columns(
    lines: PassLines, column: Floats, inward: float, around: npt.NDArray[np.int64]
) -> Indices:
    """Payload columns about each line's edge, outside first; shape (n, columns)."""
    middle = np.round(column - lines.column_px[0]).astype(np.intp)
    return np.asarray(middle[:, None] + (inward * around).astype(np.intp))


def _pixels(
    lines: PassLines, edge: _Edge, frames: Frames, first: int, dark: float
) -> EdgePixels | None:
    """Cut the pixels about an edge out of the frames; None where they are not all there."""
    near = _columns(lines, edge.column, edge.inward, edge.around)
    row0 = lines.head.line_axes().row0
    middle = np.round(edge.level - row0).astype(np.intp)
    rows = middle[:, None] + _ROWS
    if rows.min() < 0 or rows.max() >= frames.shape[1]:
        return None
    light = frames[(edge.lines - first)[:, None, None], rows[:, :, None], near[:, None, :]].astype(
        np.float64
    )
    light -= dark
    level = edge.level[:, None] + edge.slope * (lines.column_px[near] - edge.column[:, None])
    off = (rows + row0)[:, :, None] - level[:, None, :]
    width = np.nanmedian(lines.width_px[edge.lines[:, None], near[:, -_N_WHOLE:]])
    if not width > 0 or light[:, :, -_N_WHOLE:].max() <= 0:
        return None
    # what the lower level adds must stay out
    down = np.sign(edge.foot_rows) * off
    return EdgePixels(
        grey=light,
        weight=(down < max(0.5 * abs(edge.foot_rows), 1.0)).astype(np.float64),
        place=(lines.column_px[near] - edge.column[:, None]) * edge.inward,
        off=off,
        sigma=float(width),
        whole=slice(-_N_WHOLE, None),
        starts=edge.starts,
        reach=edge.foot_columns if edge.is_seen else 0.0,
        drop=edge.foot_rows,
        bell=bell_share(off, off, float(width)),
    )


def _from_brightness(lines: PassLines, edge: _Edge) -> Floats:
    """Find how far edges lie off from each column's brightness, one partial column a line."""
    near = _columns(lines, edge.column, edge.inward, edge.around)
    shift = np.full(edge.starts.size, np.nan)
    index = edge.lines[:, None]
    row, light = lines.row_px[index, near], lines.brightness[index, near]
    level = edge.level[:, None] + edge.slope * (lines.column_px[near] - edge.column[:, None])
    share = np.where(np.abs(row - level) < 2.5, light, 0.0)
    share = share / np.maximum(np.median(share[:, -_N_WHOLE:], axis=1), 1e-9)[:, None]
    # from the tread outwards: what else lies on that row further out doesn't count
    dark = share[:, ::-1] <= 0.5
    half = near.shape[1] - np.argmax(dark & np.roll(dark, -1, axis=1), axis=1)
    good = (half >= 1) & (half <= near.shape[1] - _N_WHOLE)
    each = np.arange(half.size)
    half = np.where(good, half, 1)
    partial = share[each, half - 1] + share[each, half]
    inner = half + 0.5 - partial  # in steps of the columns, from outside
    off = lines.column_px[near[:, 0]] + edge.inward * inner - edge.column
    for g, part in enumerate(np.split(each, edge.starts[1:])):
        own = part[good[part]]
        if own.size >= 3:
            shift[g] = float(np.median(off[own]))
    return shift
