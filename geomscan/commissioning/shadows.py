"""Where the fan's shadows end: light comes back on the level below a face that is turned away."""

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.assemble import viewpoint
from geomscan.commissioning.model import Model
from geomscan.commissioning.observations import Kind, Observations
from geomscan.commissioning.pass_lines import PassLines
from geomscan.commissioning.predict import Predictor

__all__ = ["first_fan", "shadow_ends"]

Floats = npt.NDArray[np.float64]

#: columns searched beyond the edge
_REACH = 60
#: dark columns beside the edge that prove a shadow of the fan: what the block merely hides from the
#: camera leaves no dark gap
_GAP = 2
#: how far past the block's end a line of sight must lie to be trusted
_PAST_MM = 3.0
_LINES = 8
#: noise of one line's end, px: seen on recordings; the fit enlarges it where it is not enough
_U_PX = 0.15


def shadow_ends(
    model: Model, values: Floats, lines: PassLines, along: Floats, *, head: int, run: int
) -> Observations:
    """Find the shadows' ends of all faces that throw one the camera sees.

    Parameters
    ----------
    along : ndarray, shape (n_lines,)
        The block's own length at each line, at its middle; NaN off the block.
    """
    predict = Predictor(model, values, head=head, run=run)
    camera = viewpoint(
        predict.head,
        tilt=predict.tilt,
        skew=predict.skew,
        mirrored=not lines.head.rows_are_height,
    )
    if camera is None:
        return Observations.of(Kind.SHADOW, head, run, 0, [], [], [], [], [])
    index = np.flatnonzero((along > 3) & (along < model.block.length_mm - 3))
    parts = [Observations.of(Kind.SHADOW, head, run, 0, [], [], [], [], [])]
    for face in range(len(model.points) - 1):
        (a, h0), (a1, h1) = model.points[face], model.points[face + 1]
        if a != a1 or index.size < _LINES:
            continue
        high, low = max(h0, h1), min(h0, h1)
        outward = 1.0 if h0 > h1 else -1.0  # across, away from the upper tread
        room = _room(model, face, outward)
        travel = lines.travel[index]
        edge, _ = predict.pixel(a, high, travel)
        beyond, _ = predict.pixel(a + outward, high, travel)
        step = float(np.sign(np.median(beyond - edge)))
        _, row = predict.pixel(a + outward * min(3.0, room), low, travel)
        far, _ = predict.pixel(a + outward * room, low, travel)
        found = [
            _end(lines, int(line), c, step, r, abs(f - c))
            for line, c, r, f in zip(index, edge, row, far, strict=True)
        ]
        at = np.array([np.nan if place is None else place for place in found])
        clear = _clear(model, values, predict, camera, a, at, row, travel)
        good = np.isfinite(at) & clear
        if np.count_nonzero(good) < _LINES:
            continue
        for part in np.array_split(
            np.flatnonzero(good), max(1, int(np.count_nonzero(good)) // _LINES)
        ):
            middle = float(np.median(at[part]))
            part = part[np.abs(at[part] - middle) < 1.0]
            if part.size < 4:
                continue
            parts.append(
                Observations.of(
                    Kind.SHADOW, head, run, face, at[part].mean(), row[part].mean(),
                    travel[part].mean(), _U_PX / np.sqrt(part.size), part.size,
                )
            )  # fmt: skip
    return Observations.join(parts)


def _clear(
    model: Model,
    values: Floats,
    predict: Predictor,
    camera: tuple[float, float, float],
    face: float,
    column: Floats,
    row: Floats,
    travel: Floats,
) -> npt.NDArray[np.bool_]:
    """Whether the camera sees a shadow's end past the block's front or back end.

    Else the block's own upper edge may hide it, and what is seen is the camera's shadow.
    """
    y, z = predict.head.to_plane(column, row)
    e = predict.per_count * travel + predict.offset
    run = np.full(y.shape, predict.run)
    point = model.to_block(values, run, e + z * predict.tilt + y * predict.skew, y, z)
    eye = model.to_block(values, run, e + camera[0], *(np.full(y.shape, v) for v in camera[1:]))
    # where the line of sight crosses the face's plane
    with np.errstate(invalid="ignore", divide="ignore"):
        part = (face - point[1]) / (eye[1] - point[1])
        along = point[0] + part * (eye[0] - point[0])
        past = (along < -_PAST_MM) | (along > model.block.length_mm + _PAST_MM)
        return np.asarray(past & (part > 0) & (part < 1))


def first_fan(model: Model, values: Floats, obs: Observations) -> dict[str, tuple[float, float]]:
    """Where each sheet's fan starts, from the lines through edges and the ends of their shadows."""
    shadow = obs.where(obs.kind == Kind.SHADOW)
    fans = {}
    for s, laser in enumerate(model.sheets):
        own = shadow.where(model.sheet_of_head[shadow.head] == s)
        if len(own) < 4 or np.unique(own.run * 1000 + own.feature).size < 2:
            continue
        y, z = model.plane(values, own.head, own.column_px, own.row_px)
        x = model.travel_to_x(values, own, y, z)
        along, _, _ = model.to_block(values, own.run, x, y, z)
        f, scale = own.feature, model.scale[own.run]
        high = np.maximum(model.points[f, 1], model.points[f + 1, 1]) * scale
        edge_y, edge_z = model.to_sheet(values, own.run, along, scale * model.points[f, 0], high)
        lean = (edge_y - y) / (edge_z - z)
        a = np.stack([np.ones_like(lean), -lean], axis=1)
        b = edge_y - lean * edge_z
        weight = np.ones(b.size)
        for _ in range(10):  # least absolute deviations, by reweighting
            (fan_y, fan_z), *_ = np.linalg.lstsq(a * weight[:, None], b * weight, rcond=None)
            weight = 1 / np.sqrt(np.maximum(np.abs(a @ [fan_y, fan_z] - b), 1.0))
        if fan_z > edge_z.max():
            fans[laser] = (float(fan_y), float(fan_z))
    return fans


def _room(model: Model, face: int, outward: float) -> float:
    """Mm of lower surface beside a face; the belt beside the block has room enough."""
    points = model.points
    at = face + 2 if outward > 0 else face - 1
    if not 0 <= at < len(points):
        return 40.0
    return float(abs(points[at, 0] - points[face, 0]))


def _end(
    lines: PassLines, line: int, edge: float, step: float, row: float, reach: float
) -> float | None:
    """Sensor column at which light begins on the lower level beyond a dark gap."""
    first = round(edge - lines.column_px[0])
    n = int(min(_REACH, reach)) - 1
    columns = first + (step * np.arange(n)).astype(int)
    if n < 8 or columns.min() < 0 or columns.max() >= lines.column_px.size:
        return None
    lit = np.abs(lines.row_px[line, columns] - row) < 3
    light = np.where(lit, lines.brightness[line, columns], 0.0)
    start = np.flatnonzero(lit[:-4] & lit[1:-3] & lit[2:-2] & lit[3:-1])
    if start.size == 0 or start[0] < _GAP:
        return None
    whole = float(np.median(light[start[0] + 2 : start[0] + 8]))
    share = light / max(whole, 1e-9)
    half = int(np.argmax(share > 0.5))
    if half < _GAP or lit[1 : half - 1].any():
        return None
    partial = share[half - 1] + share[half]
    return float(lines.column_px[columns[0]] + step * (half + 0.5 - partial))
