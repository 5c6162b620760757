"""The shading that lies over a piece's light: place and slope, told apart from tissue by its steps.

What slope does is known from where cameras and light are (`surface`); what is left of it, and what
place does (laser power, vignetting, drift), is a smooth function. It is found from differences
between near blocks of cells: most pairs lie within one tissue, and the few that straddle an outline
are outliers.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.tissue.surface import Surface

__all__ = [
    "Blocks",
    "block_surface",
    "coefficient_per_cell",
    "densest_value",
    "light_less_shading",
    "shading_of",
]

Floats = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

#: Fits run on blocks of about this size; only the last pass sees every cell.
BLOCK_MM = 2.0
#: Expected size of each term's coefficient, per its unit: a soft bound that decides only where the
#: light cannot (40 % vignetting over half a belt of 400 mm bends by 0.26 over 50 mm).
#: Terms: x, y, y² (50 mm), log of the shade of the slope, slope along x, along y. Where the sight
#: is known its shade is taken off already: how far surfaces are from matt is left (a judgement, no
#: source), and heads of unequal light.
SIZES_SIGHT_KNOWN = np.array([0.05, 0.3, 0.05, 0.2, 0.1, 0.1])
SIZES_SIGHT_UNKNOWN = np.array([0.05, 0.3, 0.05, 1.0, 0.7, 0.3])
_N_TERMS, _N_PLACE_TERMS = 6, 3


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Blocks:
    """Block means of one piece and the shading found from their steps.

    known: blocks that carry a mean, (n_bx, n_by); light: mean log light of the known blocks,
    (n_known,); terms: shading terms there less centre, (n_terms, n_known); centre: mean of the
    terms, (n_terms,); sizes: expected sizes of the coefficients; coefficient: (n_terms,).
    """

    known: Mask
    light: Floats
    terms: Floats
    centre: Floats
    sizes: Floats
    coefficient: Floats


@njit(nogil=True, cache=True, fastmath=True)
def _clip(value, size):  # type: ignore[no-untyped-def]
    return min(max(value, -size), size)


@njit(nogil=True, cache=True, fastmath=True)
def _sum_blocks(light, shade, weight, slope_x, slope_y, cell, n):  # type: ignore[no-untyped-def]
    """Count of cells, sum of light and means of the terms of each block."""
    n_x, n_y = light.shape
    n_bx, n_by = (n_x + n - 1) // n, (n_y + n - 1) // n
    count = np.zeros((n_bx, n_by), np.float32)
    total = np.zeros((n_bx, n_by), np.float32)
    terms = np.zeros((_N_TERMS, n_bx, n_by), np.float32)
    most = np.float32(3)
    for i in range(n_x):
        a = i // n
        for b in range(n_by):
            c = t = h = along = across = np.float32(0)
            for j in range(b * n, min(b * n + n, n_y)):
                if weight[i, j]:
                    c += np.float32(1)
                    t += light[i, j]
                    h += shade[i, j]
                    along += _clip(slope_x[i, j], most)
                    across += _clip(slope_y[i, j], most)
            count[a, b] += c
            total[a, b] += t
            terms[3, a, b] += h
            terms[4, a, b] += along
            terms[5, a, b] += across
    for a in range(n_bx):
        u = ((a + 0.5) * n - 0.5 * n_x) * cell / 50.0
        for b in range(n_by):
            v = ((b + 0.5) * n - 0.5 * n_y) * cell / 50.0
            terms[0, a, b], terms[1, a, b], terms[2, a, b] = u, v, v * v
            if count[a, b] > 0:
                inverse = np.float32(1) / count[a, b]
                total[a, b] *= inverse
                for k in range(3, _N_TERMS):
                    terms[k, a, b] *= inverse
    return count, total, terms


@njit(nogil=True, cache=True, fastmath=True)
def shading_of(i, j, n_x, n_y, cell, shade, slope_x, slope_y, coefficient):  # type: ignore[no-untyped-def]
    """Shading of one cell by all terms, the centre's included."""
    most = np.float32(3)
    u = (np.float32(i) - np.float32(0.5) * np.float32(n_x - 1)) * cell
    v = (np.float32(j) - np.float32(0.5) * np.float32(n_y - 1)) * cell
    return (
        coefficient[0] * u
        + (coefficient[1] + coefficient[2] * v) * v
        + coefficient[3] * shade
        + coefficient[4] * _clip(slope_x, most)
        + coefficient[5] * _clip(slope_y, most)
    )


@njit(nogil=True, cache=True, fastmath=True)
def _take_shading(light, shade, usable, slope_x, slope_y, cell, coefficient, level):  # type: ignore[no-untyped-def]
    n_x, n_y = light.shape
    out = np.zeros((n_x, n_y), np.float32)
    for i in range(n_x):
        for j in range(n_y):
            if usable[i, j]:
                out[i, j] = (
                    light[i, j]
                    - level
                    - shading_of(
                        i, j, n_x, n_y, cell, shade[i, j], slope_x[i, j], slope_y[i, j], coefficient
                    )
                )
    return out


def block_surface(surface: Surface) -> Blocks:
    """Average a piece over blocks and find its shading; needs at least one usable cell."""
    n = max(1, round(BLOCK_MM / surface.cell_mm))
    enough = 2 * np.count_nonzero(surface.gentle) > np.count_nonzero(surface.usable)
    weight = surface.gentle if enough else surface.usable
    count, light, terms = _sum_blocks(
        surface.log_light,
        surface.log_shade,
        weight,
        surface.slope_x,
        surface.slope_y,
        surface.cell_mm,
        n,
    )
    known = count >= 0.7 * n * n
    if np.count_nonzero(known) < 5 * _N_TERMS:
        known = count > 0
    centre = terms[:, known].mean(axis=1)
    terms -= centre[:, None, None]
    sizes = SIZES_SIGHT_KNOWN if surface.sight_known else SIZES_SIGHT_UNKNOWN
    # the noise of slopes is in the shade that was taken off: on a flat face there is nothing else
    # in it, and regressing on it would put the shade back
    n_fitted = _N_PLACE_TERMS if surface.sight_known else _N_TERMS
    coefficient = np.zeros(_N_TERMS)
    coefficient[:n_fitted] = _coefficient_from_steps(
        light, terms[:n_fitted], known, sizes[:n_fitted]
    )
    return Blocks(
        known=known,
        light=light[known],
        terms=terms[:, known],
        centre=centre,
        sizes=sizes,
        coefficient=coefficient,
    )


def coefficient_per_cell(coefficient: Floats) -> npt.NDArray[np.float32]:
    """Coefficients as `shading_of` takes them: of places in mm, not in 50 mm."""
    per_cell = coefficient * np.array([1 / 50, 1 / 50, 1 / 2500, 1, 1, 1])
    return np.asarray(per_cell, dtype=np.float32)


def light_less_shading(surface: Surface, blocks: Blocks, coefficient: Floats) -> Floats:
    """Log light less shading with the given coefficients, 0 where not usable; (n_x, n_y)."""
    flat: Floats = _take_shading(
        surface.log_light,
        surface.log_shade,
        surface.usable,
        surface.slope_x,
        surface.slope_y,
        np.float32(surface.cell_mm),
        coefficient_per_cell(coefficient),
        np.float32(-coefficient @ blocks.centre),
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


def _coefficient_from_steps(light: Floats, terms: Floats, known: Mask, sizes: Floats) -> Floats:
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
        normal = (weighted @ change.T) / scale**2 + np.diag(1 / sizes**2)
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
