"""The shading that lies over a piece's light: place and slope, told apart from tissue by its steps.

Shading is a smooth function of place (laser power, vignetting, drift) and of slope (a tilted
surface sends less light back). It is found from differences between near blocks of cells: most
pairs lie within one tissue, and the few that straddle an outline are outliers.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.tissue.surface import Surface

__all__ = ["TERM_SIZES", "Blocks", "block_surface", "densest_value", "light_less_shading"]

Floats = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

#: Fits run on blocks of about this size; only the last pass sees every cell.
BLOCK_MM = 2.0
#: Knots of the slope along the belt between which shading runs straight: ±SLOPE_KNOTS.
SLOPE_KNOTS = (0.4, 0.9)
#: Fits leave steeper cells out: there shading is large and least known.
STEEPEST_FITTED = 1.5
#: Expected size of each term's coefficient, per its unit: a soft bound that decides only where the
#: light cannot (40 % vignetting over half a belt of 400 mm bends by 0.26 over 50 mm).
#: Terms: x, y, y² (50 mm), log cos of the slope, slope along x, along y, and four bends along x.
TERM_SIZES = np.array([0.05, 0.3, 0.05, 1.0, 0.7, 0.3, 0.7, 0.7, 0.7, 0.7])
_N_TERMS = 10
_KNOT_1, _KNOT_2 = SLOPE_KNOTS


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Blocks:
    """Block means of one piece and the shading found from their steps.

    known: blocks that carry a mean, (n_bx, n_by); light: mean log light of the known blocks,
    (n_known,); terms: shading terms there less centre, (n_terms, n_known); centre: mean of the
    terms, (n_terms,); coefficient: (n_terms,); middle_mm: where x and y of the terms are 0.
    """

    known: Mask
    light: Floats
    terms: Floats
    centre: Floats
    coefficient: Floats
    middle_mm: tuple[float, float]


@njit(nogil=True, cache=True, fastmath=True)
def _fill_terms(x, y, slope_x, slope_y, out):  # type: ignore[no-untyped-def]
    """Shading terms of one place."""
    u = x / 50.0
    v = y / 50.0
    s = min(max(slope_x, -3.0), 3.0)
    out[0] = u
    out[1] = v
    out[2] = v * v
    out[3] = 0.5 * np.log1p(min(slope_x * slope_x + slope_y * slope_y, 20.0))
    out[4] = s
    out[5] = min(max(slope_y, -3.0), 3.0)
    out[6] = max(-s - _KNOT_2, 0.0)
    out[7] = max(-s - _KNOT_1, 0.0)
    out[8] = max(s - _KNOT_1, 0.0)
    out[9] = max(s - _KNOT_2, 0.0)


@njit(nogil=True, cache=True, fastmath=True)
def _sum_blocks(light, weight, slope_x, slope_y, cell, mid_x, mid_y, n):  # type: ignore[no-untyped-def]
    n_x, n_y = light.shape
    n_bx, n_by = (n_x + n - 1) // n, (n_y + n - 1) // n
    count = np.zeros((n_bx, n_by), np.float32)
    total = np.zeros((n_bx, n_by), np.float32)
    terms = np.zeros((_N_TERMS, n_bx, n_by), np.float32)
    here = np.empty(_N_TERMS)
    for i in range(n_x):
        for j in range(n_y):
            if not weight[i, j]:
                continue
            _fill_terms(i * cell - mid_x, j * cell - mid_y, slope_x[i, j], slope_y[i, j], here)
            a, b = i // n, j // n
            count[a, b] += 1.0
            total[a, b] += light[i, j]
            for k in range(_N_TERMS):
                terms[k, a, b] += here[k]
    return count, total, terms


@njit(nogil=True, cache=True, fastmath=True)
def _take_shading(light, usable, slope_x, slope_y, cell, mid_x, mid_y, coefficient, level):  # type: ignore[no-untyped-def]
    n_x, n_y = light.shape
    out = np.zeros((n_x, n_y), np.float32)
    here = np.empty(_N_TERMS)
    for i in range(n_x):
        for j in range(n_y):
            if usable[i, j]:
                _fill_terms(i * cell - mid_x, j * cell - mid_y, slope_x[i, j], slope_y[i, j], here)
                shade = level
                for k in range(_N_TERMS):
                    shade += coefficient[k] * here[k]
                out[i, j] = light[i, j] - shade
    return out


def block_surface(surface: Surface) -> Blocks:
    """Average a piece over blocks and find its shading; needs at least one usable cell."""
    n = max(1, round(BLOCK_MM / surface.cell_mm))
    gentle = surface.usable & (
        surface.slope_x**2 + surface.slope_y**2 < STEEPEST_FITTED * STEEPEST_FITTED
    )
    weight = gentle if 2 * gentle.sum() > surface.usable.sum() else surface.usable
    n_x, n_y = surface.inside.shape
    middle_mm = (n_x - 1) / 2 * surface.cell_mm, (n_y - 1) / 2 * surface.cell_mm
    count, total, sums = _sum_blocks(
        surface.log_light, weight, surface.slope_x, surface.slope_y, surface.cell_mm, *middle_mm, n
    )
    known = count >= 0.7 * n * n
    if np.count_nonzero(known) < 3 * _N_TERMS:
        known = count > 0
    divisor = np.maximum(count, 1)
    light, terms = total / divisor, sums / divisor
    centre = terms[:, known].mean(axis=1)
    terms -= centre[:, None, None]
    return Blocks(
        known=known,
        light=light[known],
        terms=terms[:, known],
        centre=centre,
        coefficient=_coefficient_from_steps(light, terms, known),
        middle_mm=middle_mm,
    )


def light_less_shading(surface: Surface, blocks: Blocks, coefficient: Floats) -> Floats:
    """Log light less shading with the given coefficients, 0 where not usable; (n_x, n_y)."""
    flat: Floats = _take_shading(
        surface.log_light,
        surface.usable,
        surface.slope_x,
        surface.slope_y,
        surface.cell_mm,
        *blocks.middle_mm,
        coefficient,
        -float(coefficient @ blocks.centre),
    )
    return flat


def densest_value(values: Floats) -> float:
    """Find the densest place of a sample: halve to the shortest half until little is left.

    References
    ----------
    Robertson & Cryer 1974, J. American Statistical Association 69(348):1012.

    Examples
    --------
    >>> densest_value(np.r_[np.linspace(0, 9, 50), np.full(50, 4.0)])
    4.0
    """
    x = np.sort(values)
    while x.size > 20:
        half = (x.size + 1) // 2
        start = int(np.argmin(x[half - 1 :] - x[: x.size - half + 1]))
        x = x[start : start + half]
    return float(x.mean())


def _coefficient_from_steps(light: Floats, terms: Floats, known: Mask) -> Floats:
    """Regress differences of light on differences of the terms, outliers without weight.

    References
    ----------
    Beaton & Tukey 1974, Technometrics 16(2):147 (biweight).
    """
    step, change = _steps(light, terms, known, 2)
    coefficient = np.zeros(terms.shape[0])
    if step.size < 5 * coefficient.size:
        return coefficient
    for k in range(6):
        left = step - coefficient.astype(np.float32) @ change
        middle = step.size // 2
        scale = 1.4826 * float(np.partition(np.abs(left), middle)[middle]) + 1e-9
        reach = 8.0 if k == 0 else 4.685  # the first pass knows no shading yet
        weight = np.maximum(1 - (left * np.float32(1 / (reach * scale))) ** 2, 0) ** 2
        weighted = change * weight
        normal = (weighted @ change.T) / scale**2 + np.diag(1 / TERM_SIZES**2)
        coefficient = np.asarray(np.linalg.solve(normal, (weighted @ step) / scale**2))
    return coefficient


@njit(nogil=True, cache=True)
def _steps(light, terms, known, lag):  # type: ignore[no-untyped-def]
    """Differences of light (n_steps,) and of terms (n_terms, n_steps) along x, then along y."""
    n_terms, n_x, n_y = terms.shape
    step = np.empty(2 * n_x * n_y, np.float32)
    change = np.empty((n_terms, 2 * n_x * n_y), np.float32)
    n = 0
    for along_x, along_y in ((lag, 0), (0, lag)):
        for i in range(n_x - along_x):
            for j in range(n_y - along_y):
                a, b = i + along_x, j + along_y
                if known[i, j] and known[a, b]:
                    step[n] = light[a, b] - light[i, j]
                    for k in range(n_terms):
                        change[k, n] = terms[k, a, b] - terms[k, i, j]
                    n += 1
    return step[:n].copy(), change[:, :n].copy()
