"""Side edges: the column at which the upper level of an upright face ends."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.model import Model
from geomscan.commissioning.observations import Kind, Observations
from geomscan.commissioning.pass_lines import PassLines
from geomscan.commissioning.predict import Predictor

__all__ = ["side_edges"]

Floats = npt.NDArray[np.float64]

#: columns about the edge, from outside (negative) to the tread; the last ones are wholly lit
_COLUMNS = np.arange(-4, 10)
_WHOLE = slice(8, 14)
_ROWS = np.arange(-7, 8)
#: lines of one group
_LINES = 8
#: a face seen less wide than this throws no light that matters
_SEEN_PX = 0.25
#: how far edges are misplaced as a whole where there are no pixels to judge by; seen on recordings
_UNPARTED_PX = 0.25
#: least standard uncertainty of one edge, px: pixels aren't squares of even response
_LEAST_U_PX = 0.01


#: face, whether it is seen, and by group of lines: column, row, travel, shift from the expected
_Found = tuple[int, bool, Floats, Floats, Floats, Floats]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Edge:
    """One face over a group of lines; arrays by line."""

    lines: npt.NDArray[np.intp]
    column: Floats  #: expected, sensor px
    level: Floats  #: row of the tread beside the edge
    slope: float  #: rows a column along the tread
    inward: float  #: +1 or −1: columns towards the tread
    foot_columns: float  #: how far the face reaches outwards on the sensor, columns
    foot_rows: float  #: and how many rows down


def side_edges(
    model: Model,
    values: Floats,
    lines: PassLines,
    along: Floats,
    *,
    head: int,
    run: int,
    from_frames: bool = True,
) -> Observations:
    """Find all side edges of one head in one pass.

    Where the face is turned away from camera and fan, light ends sharply at the edge. Where it is
    lit and seen, its light runs down beside the edge; both are then fitted together to the pixels:
    the tread up to the edge, the face from the edge to its foot. Edges of recordings without
    frames come from brightness alone.

    Parameters
    ----------
    along : ndarray, shape (n_lines,)
        The block's own length at each line, at its middle; NaN off the block.
    """
    predict = Predictor(model, values, head=head, run=run)
    margin = 3.0
    index = np.flatnonzero((along > margin) & (along < model.block.length_mm - margin))
    found: list[_Found] = []
    frames_seen = from_frames and lines.head.payload_is == "frames"
    if index.size >= _LINES:
        frames = lines.frames(int(index[0]), int(index[-1]) + 1) if from_frames else None
        for face in range(len(model.points) - 1):
            if model.points[face, 0] != model.points[face + 1, 0]:
                continue
            rows = [
                (edge, *_measure(lines, edge, frames, int(index[0])))
                for edge in _expect(model, predict, lines, index, face)
            ]
            good = [(e, shift, seen) for e, shift, seen in rows if np.isfinite(shift)]
            if len(good) < 3:
                continue
            found.append(
                (
                    face,
                    bool(np.median([e.foot_columns for e, *_ in good]) > _SEEN_PX),
                    np.array([e.column.mean() + s for e, s, _ in good]),
                    np.array([e.level.mean() for e, _, _ in good]),
                    np.array([lines.travel[e.lines].mean() for e, _, _ in good]),
                    np.array([s for _, s, _ in good]),
                )
            )
    return _table(found, head, run, from_pixels=frames_seen)


def _table(found: list[_Found], head: int, run: int, *, from_pixels: bool) -> Observations:
    """Make observations; u is how neighbouring groups scatter, by faces seen and unseen."""
    parts = [Observations.of(Kind.SIDE, head, run, 0, [], [], [], [], [])]
    for seen in (True, False):
        own = [part for part in found if part[1] == seen]
        if not own:
            continue
        steps = np.concatenate([np.diff(part[5]) for part in own])
        spread = max(float(np.sqrt(np.mean(steps**2) / 2)), _LEAST_U_PX)
        if not from_pixels:
            # neither a face's own light nor how far a column is lit can be told: all err alike
            spread = float(np.hypot(spread, _UNPARTED_PX * np.sqrt(len(own[0][2]))))
        parts += [
            Observations.of(Kind.SIDE, head, run, face, column, row, travel, spread, _LINES)
            for face, _, column, row, travel, _ in own
        ]
    return Observations.join(parts)


def _expect(
    model: Model, predict: Predictor, lines: PassLines, index: npt.NDArray[np.intp], face: int
) -> list[_Edge]:
    """Where a face's upper edge should be, in groups of lines that see enough of the tread."""
    at, low, high = model.points[face, 0], *np.sort(model.points[[face, face + 1], 1])
    towards = -1.0 if model.points[face, 1] > model.points[face + 1, 1] else 1.0
    travel = lines.travel[index]
    column, row = predict.pixel(at, high, travel)
    inner, inner_row = predict.pixel(at + towards, high, travel)
    foot, foot_row = predict.pixel(at, low, travel)
    inward = float(np.sign(np.median(inner - column)))
    slope = float(np.median((inner_row - row) / (inner - column)))
    near = _columns(lines, column, inward)[:, _WHOLE]
    if near.min() < 0 or near.max() >= lines.column_px.size:
        return []
    seen = lines.row_px[index[:, None], near]
    expected = row[:, None] + slope * (lines.column_px[near] - column[:, None])
    on = np.abs(seen - expected) < 3
    n = np.count_nonzero(on, axis=1)
    level = row + np.where(on, seen - expected, 0).sum(axis=1) / np.maximum(n, 1)
    whole = np.flatnonzero(n >= 4)
    return [
        _Edge(
            lines=index[part],
            column=column[part],
            level=level[part],
            slope=slope,
            inward=inward,
            foot_columns=float(np.median(foot - column)) * -inward,
            foot_rows=float(np.median(foot_row - row)),
        )
        for part in np.array_split(whole, max(1, whole.size // _LINES))
        if part.size >= 4
    ]


def _columns(lines: PassLines, column: Floats, inward: float) -> npt.NDArray[np.intp]:
    """Payload columns about each line's edge, outside first; shape (n, columns)."""
    middle = np.round(column - lines.column_px[0]).astype(np.intp)
    return np.asarray(middle[:, None] + (inward * _COLUMNS).astype(np.intp))


def _measure(
    lines: PassLines, edge: _Edge, frames: npt.NDArray[np.generic] | None, first: int
) -> tuple[float, float]:
    """Find how far the edge lies from where it was expected, in columns; the face's brightness."""
    near = _columns(lines, edge.column, edge.inward)
    if near.min() < 0 or near.max() >= lines.column_px.size:
        return np.nan, np.nan
    if frames is None:
        return _from_brightness(lines, edge, near), 0.0
    shift = _from_brightness(lines, edge, near)
    if not np.isfinite(shift):
        shift = 0.0
    row0 = lines.head.line_axes().row0
    middle = np.round(edge.level - row0).astype(np.intp)
    rows = middle[:, None] + _ROWS
    if rows.min() < 0 or rows.max() >= frames.shape[1]:
        return np.nan, np.nan
    patch = frames[(edge.lines - first)[:, None, None], rows[:, :, None], near[:, None, :]].astype(
        np.float64
    )
    patch -= lines.black
    level = edge.level[:, None] + edge.slope * (lines.column_px[near] - edge.column[:, None])
    off = (rows + row0)[:, :, None] - level[:, None, :]  # rows from the tread's course
    sigma = float(np.median(lines.width_px[edge.lines[:, None], near[:, _WHOLE]]))
    whole = patch[:, :, _WHOLE].sum(axis=1).mean(axis=1)
    if not np.isfinite(sigma) or sigma <= 0 or whole.min() <= 0:
        return np.nan, np.nan
    patch /= whole[:, None, None]
    # what the lower level adds must stay out of the patch
    down = np.sign(edge.foot_rows) * off
    weight = (down < max(0.5 * abs(edge.foot_rows), 1.0)).astype(np.float64)
    # sensor columns to columns counted inwards from the expected edge
    place = (lines.column_px[near] - edge.column[:, None]) * edge.inward
    face = edge if edge.foot_columns > _SEEN_PX else None
    best = shift * edge.inward
    brightness = 0.0
    for step in (0.3, 0.12, 0.05):
        trial = best + step * np.array([-1.0, 0.0, 1.0])
        cost = np.empty(3)
        for k, d in enumerate(trial):
            cost[k], brightness = _cost(d, patch, weight, place, off, sigma, face)
        curve = cost[0] - 2 * cost[1] + cost[2]
        move = (
            step * float(np.argmin(cost) - 1)
            if curve <= 0
            else 0.5 * step * (cost[0] - cost[2]) / curve
        )
        best += float(np.clip(move, -2 * step, 2 * step))
    return best * edge.inward, brightness


def _cost(
    shift: float,
    patch: Floats,
    weight: Floats,
    place: Floats,
    off: Floats,
    sigma: float,
    face: _Edge | None,
) -> tuple[float, float]:
    """Sum of squares of pixels less tread and face, edge shifted inwards; the face's brightness."""
    lit = np.clip(place + 0.5 - shift, 0.0, 1.0)
    tread = lit[:, None, :] * _bell(off, off, sigma)
    left = (patch - tread) * weight
    if face is None:
        return float(np.sum(left**2)), 0.0
    # the face covers columns from its foot (outside) to the edge and slants down from the level
    reach = face.foot_columns
    start = np.clip(place - 0.5, shift - reach, shift)
    stop = np.clip(place + 0.5, shift - reach, shift)
    per_column = face.foot_rows / reach
    upper, lower = (shift - stop) * per_column, (shift - start) * per_column
    light = (stop - start)[:, None, :] * _bell(
        off - upper[:, None, :], off - lower[:, None, :], sigma
    )
    light *= weight
    brightness = max(float(np.sum(left * light) / max(np.sum(light**2), 1e-12)), 0.0)
    return float(np.sum((left - brightness * light) ** 2)), brightness


def _bell(a: Floats, b: Floats, sigma: float) -> Floats:
    """Mean of a Gaussian of unit area, one row wide pixels, over centres from a to b rows away."""
    from scipy.special import ndtr

    width = b - a
    wide = np.abs(width) > 0.05
    middle = (a + b) / 2
    narrow = ndtr((middle + 0.5) / sigma) - ndtr((middle - 0.5) / sigma)
    if not wide.any():
        return np.asarray(narrow)
    safe = np.where(wide, width, 1.0)
    spread = (ndtr(b / sigma) - ndtr(a / sigma)) / safe
    return np.asarray(np.where(wide, spread, narrow))


def _from_brightness(lines: PassLines, edge: _Edge, near: npt.NDArray[np.intp]) -> float:
    """Find the edge from each column's brightness at the tread's row, one partial column a line."""
    index = edge.lines[:, None]
    row, light = lines.row_px[index, near], lines.brightness[index, near]
    level = edge.level[:, None] + edge.slope * (lines.column_px[near] - edge.column[:, None])
    share = np.where(np.abs(row - level) < 2.5, light, 0.0)
    share = share / np.maximum(np.median(share[:, _WHOLE], axis=1), 1e-9)[:, None]
    half = np.argmax(share > 0.5, axis=1)
    good = (half >= 1) & (half <= 7)
    if np.count_nonzero(good) < 3:
        return np.nan
    at = np.flatnonzero(good)
    half = half[good]
    partial = share[at, half - 1] + share[at, half]
    inner = half + 0.5 - partial  # in steps of _COLUMNS, from outside
    column = lines.column_px[near[at, 0]] + edge.inward * inner
    return float(np.median(column - edge.column[at]))
