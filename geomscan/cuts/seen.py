"""What a scanner will see of a portion: its upper side, whatever the blade left below."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["PieceSurface", "SeenPortion", "see_portion"]

Floats = npt.NDArray[np.float64]

_SMOOTH_LINES = 9  # lines of the map over which an end is averaged, a few mm


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PieceSurface:
    """Height of one piece on its grid, shape (n_x, n_y), NaN = nothing there.

    x_mm (n_x,) counts from the piece's leading edge; length_mm is its extent along x, volume_mm3
    its volume, which the map alone gives too large: cells at the outline are covered in part only.
    """

    height_mm: Floats
    x_mm: Floats
    y_mm: Floats
    cell_mm: float
    length_mm: float
    volume_mm3: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SeenPortion:
    """A portion as seen from above: heights on the piece's grid, extent along x, volume under them.

    Below a face that leans over there is a hollow which the view from above takes for product:
    volume_mm3 holds it, as the scanner's own figure will.
    """

    height_mm: Floats
    first_mm: float
    last_mm: float
    volume_mm3: float


def see_portion(
    surface: PieceSurface,
    from_mm: float,
    to_mm: float,
    *,
    from_deg: float,
    to_deg: float,
) -> SeenPortion:
    """Cut a portion out of a piece and look at it from above.

    Parameters
    ----------
    surface
        The piece before the cut.
    from_mm, to_mm
        Foot of the leading and of the trailing face; ±inf at an end of the piece that stays uncut.
    from_deg, to_deg
        Angles of the two faces: the plane of a cut is x = foot + z·tan(angle).

    Returns
    -------
    SeenPortion
    """
    top = surface.height_mm
    x = surface.x_mm[:, None]
    low, high = np.zeros_like(top), top.copy()
    for foot, angle, side in ((from_mm, from_deg, 1.0), (to_mm, to_deg, -1.0)):
        if not math.isfinite(foot):
            continue
        slope = math.tan(math.radians(angle))
        if slope == 0:
            high = np.where(side * (x - foot) > -0.5 * surface.cell_mm, high, np.nan)
            continue
        plane = (x - foot) / slope  # height of the blade's plane over each cell
        if side * slope > 0:  # the face looks up: product lies below the plane
            high = np.minimum(high, plane)
        else:
            low = np.maximum(low, plane)
    seen = np.where(high > low, high, np.nan)
    inside = np.isfinite(seen)
    if not inside.any():
        return SeenPortion(height_mm=seen, first_mm=math.nan, last_mm=math.nan, volume_mm3=0.0)
    first = _extent(surface, inside, from_mm, from_deg, leading=True)
    last = _extent(surface, inside, to_mm, to_deg, leading=False)
    volume = float(np.nansum(seen * _share_of_cells(surface, from_mm, to_mm, from_deg, to_deg)))
    volume *= surface.volume_mm3 / float(np.nansum(top))
    return SeenPortion(height_mm=seen, first_mm=first, last_mm=last, volume_mm3=volume)


def _share_of_cells(
    surface: PieceSurface, from_mm: float, to_mm: float, from_deg: float, to_deg: float
) -> Floats:
    """Give the share of each row that belongs to the portion: upright cuts go through cells."""
    edge = surface.x_mm[:, None] + 0.5 * surface.cell_mm * np.array([-1.0, 1.0])
    low, high = edge[:, :1], edge[:, 1:]
    if from_deg == 0:
        low = np.maximum(low, from_mm)
    if to_deg == 0:
        high = np.minimum(high, to_mm)
    return np.clip((high - low) / surface.cell_mm, 0, 1)


def _extent(
    surface: PieceSurface,
    inside: npt.NDArray[np.bool_],
    foot_mm: float,
    angle_deg: float,
    *,
    leading: bool,
) -> float:
    """Where the portion begins or ends along x, between the cells."""
    if not math.isfinite(foot_mm):
        return 0.0 if leading else surface.length_mm
    rows = np.flatnonzero(inside.any(axis=1))
    half = 0.5 * surface.cell_mm
    at = float(surface.x_mm[rows[0]] - half) if leading else float(surface.x_mm[rows[-1]] + half)
    slope = math.tan(math.radians(angle_deg))
    if slope == 0 or (slope > 0) == leading:
        # upright, or looking up: the foot is the farthest point, unless the piece ends before it
        return max(foot_mm, at - half) if leading else min(foot_mm, at + half)
    # leaning over: the farthest point is where the plane leaves through the upper side
    passed = surface.x_mm[:, None] - surface.height_mm * slope - foot_mm
    here, there = passed[:-1], passed[1:]
    with np.errstate(invalid="ignore", divide="ignore"):
        crossing = (here <= 0) != (there <= 0)
        crossing &= np.isfinite(here) & np.isfinite(there)
        share = here / (here - there)
    x = surface.x_mm[:-1, None] + surface.cell_mm * share
    if not crossing.any():
        return at
    side = -1.0 if leading else 1.0
    lines = crossing.any(axis=0)
    farthest = np.max(np.where(crossing, side * x, -np.inf), axis=0)[lines]
    found = side * float(np.max(_smooth(farthest)))
    return min(found, at + surface.cell_mm) if leading else max(found, at - surface.cell_mm)


def _smooth(values: Floats) -> Floats:
    """Average over neighbours: the greatest of many noisy values would be too great."""
    n = min(_SMOOTH_LINES, values.size)
    return np.convolve(values, np.full(n, 1 / n), mode="valid")
