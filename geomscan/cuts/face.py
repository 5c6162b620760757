"""The angle of a cut face that looks up, from the map of the portion behind the blade."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from geomscan.cuts.seen import PieceSurface, SeenPortion

__all__ = ["FaceAngle", "measure_face", "pool_scatter"]

Floats = npt.NDArray[np.float64]

_LEAST_CREST_MM = 4.0  # lower faces give no lever for an angle
_LEAST_CELLS = 3  # cells that the used part of a face must span along x
_LEAST_LINES = 6  # lines across the belt that must hold such a face
_LOW_SHARE, _HIGH_SHARE = 0.15, 0.85  # part of the face that is used: away from foot and crest
_STRIPS = 8
_FAR = 4.0  # robust standard deviations off the plane
_LEAST_STRIPS = 3  # fewer tell no scatter


@dataclass(frozen=True, kw_only=True, slots=True)
class FaceAngle:
    """Angle of one face, or why it cannot be known.

    The angle is the mean over n_strips strips across the face; strip_sd_deg is their scatter, so
    that errors which hang together from cell to cell count as they are. plan_angle_deg says how far
    the face is out of square to the belt.
    """

    observable: bool
    why: str = ""
    angle_deg: float = math.nan
    u_angle_deg: float = math.nan
    plan_angle_deg: float = math.nan
    strip_sd_deg: float = math.nan
    n_strips: int = 0


def measure_face(
    portion: PieceSurface,
    expected: SeenPortion,
    expected_surface: PieceSurface,
    *,
    planned_deg: float,
    u_tilt_deg: float = 0.0,
) -> FaceAngle:
    """Fit a plane to the face of a portion that looks up.

    With a planned angle above 0 that is the leading face, below 0 the trailing one; an upright face
    has no cell of its own on a map seen from above.

    Parameters
    ----------
    portion
        The portion as scanned behind the blade; x along the belt.
    expected, expected_surface
        The portion as the plan will have it, and the grid it is on (x = s).
    planned_deg
        Angle of the blade.
    u_tilt_deg
        Standard uncertainty of the light sheet's tilt, which leans every face alike.

    Returns
    -------
    FaceAngle
    """
    slope = math.tan(math.radians(planned_deg))
    crest, run = _crests(expected, expected_surface, slope)
    good = (crest >= _LEAST_CREST_MM) & np.isfinite(run)
    part = _HIGH_SHARE - _LOW_SHARE
    if not good.any():
        return FaceAngle(observable=False, why="the face is too low to give an angle")
    if part * np.median(run[good]) < _LEAST_CELLS * portion.cell_mm:
        lean = math.degrees(
            math.atan(_LEAST_CELLS * portion.cell_mm / (part * float(np.median(crest[good]))))
        )
        why = f"so near upright that it hides within {_LEAST_CELLS} cells (below {lean:.1f}°)"
        return FaceAngle(observable=False, why=why)
    x, y, z, top = _face_cells(portion, expected_surface, crest, run, slope)
    if np.unique(y).size < _LEAST_LINES:
        return FaceAngle(observable=False, why="too few lines of the map cross the face")
    fit, used = _robust_plane(x, y, z, top)
    strips = _strip_angles(x[used], y[used], z[used], fit)
    if strips.size < _LEAST_STRIPS:
        return FaceAngle(observable=False, why="the face is too narrow to tell its scatter")
    spread = float(np.std(strips, ddof=1))
    side = 1.0 if slope > 0 else -1.0
    return FaceAngle(
        observable=True,
        angle_deg=math.degrees(math.atan(1 / fit[1])),
        u_angle_deg=math.hypot(spread / math.sqrt(strips.size), u_tilt_deg),
        plan_angle_deg=math.degrees(math.atan2(-side * fit[2], side * fit[1])),
        strip_sd_deg=spread,
        n_strips=int(strips.size),
    )


def pool_scatter(faces: Sequence[FaceAngle], *, u_tilt_deg: float = 0.0) -> list[FaceAngle]:
    """Give all faces the scatter of all of them together: a few strips alone tell it badly."""
    seen = [face for face in faces if face.observable]
    freedom = sum(face.n_strips - 1 for face in seen)
    if not freedom:
        return list(faces)
    variance = sum((face.n_strips - 1) * face.strip_sd_deg**2 for face in seen) / freedom
    return [
        replace(face, u_angle_deg=math.hypot(math.sqrt(variance / face.n_strips), u_tilt_deg))
        if face.observable
        else face
        for face in faces
    ]


def _crests(expected: SeenPortion, surface: PieceSurface, slope: float) -> tuple[Floats, Floats]:
    """Height and run of the expected face on each line across: from its foot to its crest."""
    n_y = surface.y_mm.size
    if slope == 0:
        tall = np.nan_to_num(np.nanmax(np.nan_to_num(expected.height_mm), axis=0))
        return tall, np.zeros(n_y)
    seen = np.nan_to_num(expected.height_mm)
    foot = expected.first_mm if slope > 0 else expected.last_mm
    plane = (surface.x_mm[:, None] - foot) / slope
    # the cells where the plane is what is seen, not the piece's own upper side
    on_face = (seen > 0) & (seen >= plane - 1e-6) & (surface.height_mm > plane)
    crest = np.max(np.where(on_face, plane, 0.0), axis=0)
    return crest, crest * abs(slope)


def _face_cells(
    portion: PieceSurface,
    expected_surface: PieceSurface,
    crest: Floats,
    run: Floats,
    slope: float,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Pick the scanned cells on the face, line by line, each with the height of the crest there."""
    at = np.round((portion.y_mm - expected_surface.y_mm[0]) / expected_surface.cell_mm).astype(int)
    known = (at >= 0) & (at < crest.size)
    line = np.clip(at, 0, crest.size - 1)
    high = np.where(known & (crest[line] >= _LEAST_CREST_MM), crest[line], np.nan)
    height = portion.height_mm
    inside = np.isfinite(height)
    # distance from the outer end of each line, inwards
    n = height.shape[0]
    outer = np.argmax(inside, axis=0) if slope > 0 else n - 1 - np.argmax(inside[::-1], axis=0)
    depth = np.abs(np.arange(n)[:, None] - outer) * portion.cell_mm
    with np.errstate(invalid="ignore"):
        pick = inside & (height > 0) & (height < high)
        pick &= depth <= run[line] + 2 * portion.cell_mm
    i, j = np.nonzero(pick)
    return portion.x_mm[i], portion.y_mm[j], height[i, j], high[j]


def _robust_plane(
    x: Floats, y: Floats, z: Floats, crest: Floats
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Fit z = a + b·x + c·y to the middle part of the face, without cells far off the plane.

    After the first fit the middle part is where the plane says it is: to choose cells by their own
    noisy heights would favour high ones at its foot and low ones at its crest, and turn the plane.
    """
    share = z / crest
    used = (share >= _LOW_SHARE) & (share <= _HIGH_SHARE)
    fit: Floats = np.zeros(3)
    for _ in range(5):
        if used.sum() < 3:
            break
        design = np.column_stack([np.ones(int(used.sum())), x[used], y[used]])
        fit = np.asarray(np.linalg.lstsq(design, z[used], rcond=None)[0], dtype=np.float64)
        plane = fit[0] + fit[1] * x + fit[2] * y
        residual = z - plane
        spread = 1.4826 * float(np.median(np.abs(residual[used] - np.median(residual[used]))))
        share = plane / crest
        used = (share >= _LOW_SHARE) & (share <= _HIGH_SHARE)
        used &= np.abs(residual) <= max(_FAR * spread, 1e-9)
    return fit, used


def _strip_angles(x: Floats, y: Floats, z: Floats, fit: Floats) -> Floats:
    """Angle of each strip across the face, the plan angle held."""
    edges = np.quantile(y, np.linspace(0, 1, _STRIPS + 1))
    angles = []
    for low, high in pairwise(edges):
        inside = (y >= low) & (y < high)
        if inside.sum() < 5 or np.ptp(x[inside]) == 0:
            continue
        slope = np.polyfit(x[inside], z[inside] - fit[2] * y[inside], 1)[0]
        angles.append(math.degrees(math.atan(1 / slope)))
    return np.array(angles)
