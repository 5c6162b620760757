"""What all cuts of a run have in common: a blade set wrong, a wrong distance, a slipping belt."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, groupby

import numpy as np

__all__ = ["CutPlace", "RunErrors", "run_errors"]

_MEDIAN = 1.2533  # u of a median of normal values over that of their mean, √(π/2)


@dataclass(frozen=True, kw_only=True, slots=True)
class CutPlace:
    """One cut's errors as far as the run is concerned; NaN where not observable."""

    piece: int
    s_mm: float
    angle_error_deg: float
    u_angle_deg: float
    place_error_mm: float
    u_place_error_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class RunErrors:
    """Errors common to the cuts of a run: medians, so that one bad cut does not set them.

    slip_percent is by how much places drift along the pieces: above 0 the cuts fall ever later, as
    when the belt moves less than its encoder says while the blade is near.
    """

    angle_error_deg: float
    u_angle_error_deg: float
    place_error_mm: float
    u_place_error_mm: float
    slip_percent: float
    u_slip_percent: float
    named: tuple[str, ...]


def run_errors(
    cuts: Sequence[CutPlace],
    *,
    u_tilt_deg: float,
    least_angle_deg: float,
    least_place_mm: float,
    beyond: float,
) -> RunErrors:
    """Find what the cuts of a run have in common.

    Parameters
    ----------
    cuts
        All cuts, piece by piece.
    u_tilt_deg
        Standard uncertainty of the light sheet's tilt, the same for all of them.
    least_angle_deg, least_place_mm, beyond
        An error is named beyond this many u, if it is also larger than what matters; slip, if it
        would move a cut by least_place_mm within 100 mm.
    """
    angles = [cut for cut in cuts if math.isfinite(cut.angle_error_deg)]
    angle, u_angle = _median([cut.angle_error_deg for cut in angles]), math.nan
    if angles:
        u_own = math.sqrt(np.mean([max(c.u_angle_deg**2 - u_tilt_deg**2, 0) for c in angles]))
        u_angle = math.hypot(_MEDIAN * u_own / math.sqrt(len(angles)), u_tilt_deg)
    # the cuts of one piece share its leading edge: they count as one
    n_pieces = len({cut.piece for cut in cuts})
    place, u_place = _median([cut.place_error_mm for cut in cuts]), math.nan
    if cuts:
        u_own = math.sqrt(np.mean([cut.u_place_error_mm**2 for cut in cuts]))
        u_place = (_MEDIAN if n_pieces > 1 else 1.0) * u_own / math.sqrt(n_pieces)
    slip, u_slip = _slip(cuts)
    named = []
    if abs(angle) > max(beyond * u_angle, least_angle_deg):
        named.append("blade_angle")
    if abs(place) > max(beyond * u_place, least_place_mm):
        named.append("blade_place")
    if abs(slip) > max(beyond * u_slip, least_place_mm / 100):
        named.append("belt_slip")
    return RunErrors(
        angle_error_deg=angle,
        u_angle_error_deg=u_angle,
        place_error_mm=place,
        u_place_error_mm=u_place,
        slip_percent=100 * slip,
        u_slip_percent=100 * u_slip,
        named=tuple(named),
    )


def _median(values: Sequence[float]) -> float:
    return float(np.median(values)) if values else math.nan


def _slip(cuts: Sequence[CutPlace]) -> tuple[float, float]:
    """Median slope of place over s between all pairs of cuts of one piece."""
    slopes, information = [], 0.0
    for _, group in groupby(cuts, key=lambda cut: cut.piece):
        own = list(group)
        slopes += [
            (b.place_error_mm - a.place_error_mm) / (b.s_mm - a.s_mm)
            for a, b in combinations(own, 2)
        ]
        s = np.array([cut.s_mm for cut in own])
        u = np.array([cut.u_place_error_mm for cut in own])
        information += float(np.sum((s - s.mean()) ** 2 / u**2))
    if not slopes:
        return math.nan, math.nan
    return float(np.median(slopes)), _MEDIAN / math.sqrt(information)
