"""The best cuts among all that the rules allow: dynamic programming over places and counts."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["Candidates", "best_cuts"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Candidates:
    """Places where a cut may fall, growing, shape (n,), and what a portion between two is worth.

    A portion from place i to place j holds mass end_units[j] − start_units[i] and measures
    end_size[j] − start_size[i] in the unit of the target. Masses are whole numbers of a small unit,
    so that equal yields are equal to the last digit however they are added up.
    """

    place_mm: Floats
    start_units: Ints
    end_units: Ints
    start_size: Floats
    end_size: Floats
    may_start: npt.NDArray[np.bool_]
    may_end: npt.NDArray[np.bool_]
    is_cut: npt.NDArray[np.bool_]  #: false at the piece's own ends


def best_cuts(
    candidates: Candidates,
    *,
    target: float,
    good: tuple[float, float],
    allowed: tuple[float, float],
    least_distance_mm: float,
    fewest: int,
    most: int,
) -> list[int] | None:
    """Choose the places that bound the portions.

    Largest yield first (mass of the portions of good size), then least sum of squared deviations
    from the target; no choice of places that the rules allow does better.

    Returns
    -------
    list of int or None
        Numbers of the places, one more than portions; None where no choice meets the rules.
    """
    chosen = _search(
        candidates.place_mm,
        candidates.start_units,
        candidates.end_units,
        candidates.start_size,
        candidates.end_size,
        candidates.may_start,
        candidates.may_end,
        candidates.is_cut,
        target,
        np.array([*good, *allowed]),
        least_distance_mm,
        fewest,
        most,
    )
    return [int(place) for place in chosen] if chosen.size else None


@njit(nogil=True, cache=True)
def _search(
    place_mm: Floats,
    start_units: Ints,
    end_units: Ints,
    start_size: Floats,
    end_size: Floats,
    may_start: npt.NDArray[np.bool_],
    may_end: npt.NDArray[np.bool_],
    is_cut: npt.NDArray[np.bool_],
    target: float,
    limits: Floats,
    least_distance_mm: float,
    fewest: int,
    most: int,
) -> Ints:
    n = place_mm.size
    slack = 1e-9 * target  # a portion exactly at a limit is within it
    good_low, good_high = limits[0] - slack, limits[1] + slack
    low, high = limits[2] - slack, limits[3] + slack
    # worth[k, j]: best yield of k portions that end at place j, −1 where there is none
    worth = np.full((most + 1, n), -1, np.int64)
    spread = np.full((most + 1, n), np.inf)
    came_from = np.full((most + 1, n), -1, np.int64)
    for j in range(n):
        if may_start[j]:
            worth[0, j], spread[0, j] = 0, 0.0
    best_worth, best_spread, best_k, best_j = -1, np.inf, -1, -1
    for k in range(most + 1):
        reached = False
        if k > 0:
            nearest = 0
            for j in range(1, n):
                while nearest < j and end_size[j] - start_size[nearest] > high:
                    nearest += 1
                for i in range(nearest, j):
                    size = end_size[j] - start_size[i]
                    if size < low:
                        break
                    if worth[k - 1, i] < 0:
                        continue
                    if is_cut[i] and is_cut[j] and place_mm[j] - place_mm[i] < least_distance_mm:
                        break
                    w, d = worth[k - 1, i], spread[k - 1, i] + (size - target) ** 2
                    if good_low <= size <= good_high:
                        w += end_units[j] - start_units[i]
                    if w > worth[k, j] or (w == worth[k, j] and d < spread[k, j]):
                        worth[k, j], spread[k, j], came_from[k, j] = w, d, i
                        reached = True
            if not reached:
                break
        if k < fewest:
            continue
        for j in range(n):
            w, d = worth[k, j], spread[k, j]
            # of equals the last: what is left over behind a cut is worth no cut of its own
            level = w == best_worth and d <= best_spread + 1e-9 * target**2
            if (
                may_end[j]
                and w >= 0
                and (w > best_worth or (level and (k == best_k or d < best_spread)))
            ):
                if k == 0 and not may_start[j]:
                    continue
                best_worth, best_spread, best_k, best_j = w, d, k, j
    chosen = np.empty(max(best_k + 1, 0), np.int64)
    for k in range(best_k, -1, -1):
        chosen[k] = best_j
        best_j = came_from[k, best_j]
    return chosen
