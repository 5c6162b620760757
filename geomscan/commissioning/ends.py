"""Ends along the belt: where a line ends on a tread because the block's end passes under it."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.model import Model
from geomscan.commissioning.observations import ENDS, Kind, Observations
from geomscan.commissioning.pass_lines import PassLines
from geomscan.commissioning.predict import Predictor

__all__ = ["displaced_by", "end_crossings", "share_lines"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: an encoder counts whole steps: uniform over one count (GUM 4.3.7)
_U_COUNT = 1 / np.sqrt(12)
#: what lies this near a tread's side is not looked at
_SIDE_MM = 1.5
#: shares of a tread's columns between which a line counts as ending on it
_SOME, _MOST = 0.04, 0.96


def end_crossings(
    model: Model,
    values: Floats,
    lines: PassLines,
    along: Floats,
    across: Floats,
    up: Floats,
    *,
    head: int,
    run: int,
    tolerance_mm: float,
    near_mm: tuple[float, float],
    face_seen: tuple[bool, bool],
) -> tuple[Observations, float]:
    """Find where lines end on treads and slopes, at both ends of the block.

    A line that crosses the end's edge lights a tread up to one column and not beyond: there the
    sheet stands exactly over the edge. Where no line ends on a tread, the end lies between two
    lines, uniformly.

    Parameters
    ----------
    along, across, up : ndarray, shape (n_lines, n_columns)
        The block's own coordinates from the model so far.
    near_mm : tuple of float
        Light further below the tread has slid down the end face and does not count, where that is
        seen; elsewhere, and upwards, the second one holds: a thick sheet that an end cuts in two
        is seen displaced by a part of its thickness, upwards where the face is seen.
    face_seen : tuple of bool
        Whether the head sees the leading and the trailing end's face.

    Returns
    -------
    observations : Observations
    thickness : float
        Standard deviation of the sheet's thickness, counts, from how light fades at the ends; once
        less than half is left, light elsewhere is mostly brighter, so that what is seen of the
        fading counts twice.
    """
    block = model.block
    predict = Predictor(model, values, head=head, run=run)
    parts = [Observations.of(Kind.END, head, run, 0, [], [], [], [], [])]
    fades: list[float] = []
    for (a0, h0), (a1, h1) in zip(model.points[:-1], model.points[1:], strict=True):
        if a0 == a1 or (h0 == 0 and h1 == 0):
            continue
        surface = np.polynomial.Polynomial.fit([a0, a1], [h0, h1], 1, domain=[a0, a1])
        off = up - surface(across)
        own = np.abs(off) < tolerance_mm + 1.5
        own &= np.abs(across - (a0 + a1) / 2) < (a1 - a0) / 2 - _SIDE_MM
        if not own.any():
            continue
        # what a higher step beside hides from camera or fan is the same all along the block
        low, high = np.percentile(across[own], (2, 98)) + np.array([_SIDE_MM, -_SIDE_MM])
        for feature, end in enumerate((0.0, block.length_mm)):
            inner = abs(end - 0.3 * block.length_mm)
            on = own & (np.abs(along - (end + inner) / 2) < abs(inner - end) / 2 - 1)
            columns = _staying(predict, lines, on, surface, (low, high), (end, inner))
            if columns.size < 10:
                continue
            seen = on[:, columns]
            level = np.nanmedian(np.where(seen, lines.brightness[:, columns], np.nan), axis=0)
            height = np.nanmedian(np.where(seen, off[:, columns], np.nan), axis=0)
            leading = (feature == 1) == model.passes[run].reversed
            least = near_mm[0] if face_seen[0 if leading else 1] else near_mm[1]
            from_tread = off[:, columns] - height
            near = (from_tread > -least) & (from_tread < near_mm[1])
            share = np.where(near, lines.brightness[:, columns] / level, 0.0)
            whole = np.flatnonzero((share > 0.5).mean(axis=1) > _MOST)
            if whole.size < 5:
                continue
            start = int(whole[0] if leading else whole[-1])
            edge = np.linspace(low, high, 20)
            edge_column, edge_row = predict.at(end, edge, surface(edge))
            order = np.argsort(edge_column)
            ends, fade = _one_end(lines.travel, share, start, -1 if leading else 1)
            fades.append(fade)
            for kind, place, travel, u in ends:
                column = lines.column_px[columns[0]] + place
                row = float(np.interp(column, edge_column[order], edge_row[order]))
                parts.append(Observations.of(kind, head, run, feature, column, row, travel, u, 1))
    return Observations.join(parts), 2 * float(np.percentile(fades, 75)) if fades else 0.0


def displaced_by(thickness: float, face_seen: tuple[bool, bool]) -> tuple[float, float]:
    """How far leading and trailing ends may be misplaced by the sheet's thickness, all alike.

    Where an end's face is seen, its light hides where the tread's light halves: somewhere in the
    thickness (rectangular: JCGM 100:2008, 4.3.7); elsewhere brightness known to 5 % places it to an
    eighth of the thickness.
    """
    lead, trail = (thickness * (1 / np.sqrt(3) if seen else 1 / 8) for seen in face_seen)
    return float(lead), float(trail)


def _staying(
    predict: Predictor,
    lines: PassLines,
    on: Bools,
    surface: np.polynomial.Polynomial,
    across_mm: tuple[float, float],
    along_mm: tuple[float, float],
) -> npt.NDArray[np.intp]:
    """Columns that stay on a tread between two places along the block: yaw moves its sides."""
    n = np.count_nonzero(on, axis=0)
    first, last = -np.inf, np.inf
    sides = np.array(across_mm)
    for along in along_mm:
        columns = np.sort(predict.at(along, sides, surface(sides))[0])
        first, last = max(first, columns[0]), min(last, columns[1])
    inside = (lines.column_px > first) & (lines.column_px < last)
    seen = np.flatnonzero(inside & (n > 0.8 * max(int(n[inside].max(initial=0)), 1)))
    if seen.size == 0:
        return seen
    return np.arange(seen[0], seen[-1] + 1)


def share_lines(obs: Observations) -> Observations:
    """Enlarge u of ends that rest on one line: its count is wrong for all of them alike."""
    u = obs.u.copy()
    end = np.flatnonzero(np.isin(obs.kind, ENDS))
    if end.size:
        key = np.stack([obs.run[end].astype(np.float64), obs.travel[end]], axis=1)
        _, line = np.unique(key, axis=0, return_inverse=True)
        u[end] *= np.sqrt(np.bincount(line.reshape(-1))[line.reshape(-1)])
    return replace(obs, u=u)


def _one_end(
    travel: Floats, share: Floats, start: int, step: int
) -> tuple[list[tuple[Kind, float, float, float]], float]:
    """(kind, column index, travel, u in counts) of what one end of one tread tells.

    Also how far the light's end is smeared along travel, by the sheet's thickness: the standard
    deviation in counts of a Gaussian whose integral I fades as the light does, from the integral of
    I (1 - I), which is it over the root of pi.
    """
    lit = share > 0.5
    found = []
    inner, fade = start, 0.0
    for k in range(1, 12):
        i = start + step * k
        if not 0 <= i < share.shape[0]:
            return [], 0.0
        light = np.clip(share[i], 0, 1)
        step_counts = abs(float(travel[i] - travel[i - step]))
        fade += float(np.sqrt(np.pi) * np.mean(light * (1 - light)) * step_counts)
        fraction = lit[i].mean()
        if fraction < _SOME:
            outer = i
            break
        if fraction <= _MOST:
            place = _crossing(share[i], lit[i])
            if place is not None:
                found.append((Kind.END, place, float(travel[i]), _U_COUNT))
        inner = i
    else:
        return [], 0.0
    if found:
        return found, fade
    gap = abs(float(travel[outer] - travel[inner]))
    middle = (share.shape[1] - 1) / 2
    bright, dark = float(np.mean(share[inner])), float(np.mean(share[outer]))
    if bright < 0.9 or dark > 0.1:
        # a thick line is dimmed while it leaves: half its light marks the edge
        part = np.clip((bright - 0.5) / max(bright - dark, 1e-6), 0, 1)
        between = travel[inner] + part * (travel[outer] - travel[inner])
        return [(Kind.GAP, middle, float(between), float(np.hypot(0.1 * gap, _U_COUNT)))], fade
    between = (travel[inner] + travel[outer]) / 2
    u = float(np.hypot(gap / np.sqrt(12), _U_COUNT))
    return [(Kind.GAP, middle, float(between), u)], fade


def _crossing(share: Floats, lit: Bools) -> float | None:
    """Column index at which light ends; None where it does not end cleanly.

    The two columns about the best step share the partial one between them.
    """
    n = lit.size
    before = np.concatenate([[0], np.cumsum(lit)])  # lit ones among the first k
    left = before + (n - np.arange(n + 1)) - (before[-1] - before)  # agreements if lit up to k
    k_left, k_right = int(np.argmax(left)), int(np.argmin(left))
    on_left = left[k_left] >= n - left[k_right]
    k = k_left if on_left else k_right
    if max(left[k_left], n - left[k_right]) < 0.9 * n or not 2 <= k <= n - 2:
        return None
    partial = float(share[k - 1] + share[k])
    return k - 1.5 + partial if on_left else k + 0.5 - partial
