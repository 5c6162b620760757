"""The shading that lies over a piece's light: place and slope, told apart from tissue by its steps.

Shading is a smooth function of place (laser power, vignetting, drift) and of slope (a tilted
surface sends less light back). It is found from differences between near blocks of cells: most
pairs lie within one tissue, and the few that straddle an outline are outliers.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.tissue.surface import Surface

__all__ = ["TERM_SIZES", "Blocks", "block_surface", "densest_value", "light_without_shading"]

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

#: Fits run on blocks of about this size; only the last pass sees every cell.
BLOCK_MM = 2.0
#: Knots of the slope along the belt between which shading runs straight.
SLOPE_KNOTS = (-0.9, -0.4, 0.4, 0.9)
#: Fits leave steeper cells out: there shading is large and least known.
STEEPEST_FITTED = 1.5
#: Expected size of each term's coefficient, per its unit: a soft bound that decides only where the
#: light cannot (40 % vignetting over half a belt of 400 mm bends by 0.26 over 50 mm).
TERM_SIZES = np.array([0.05, 0.3, 0.05, 1.0, 0.7, 0.3, 0.7, 0.7, 0.7, 0.7])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Blocks:
    """Block means of one piece and the shading found from their steps.

    known: blocks that carry a mean, (n_bx, n_by); light: mean log light of the known blocks,
    (n_known,); terms: shading terms there, (n_terms, n_known); coefficient: (n_terms,);
    cell_terms: the terms of every cell, (n_terms, n_x, n_y).
    """

    known: Mask
    light: Floats
    terms: Floats
    coefficient: Floats
    cell_terms: Floats


def block_surface(surface: Surface) -> Blocks:
    """Average a piece over blocks and find its shading; needs at least one usable cell."""
    n = max(1, round(BLOCK_MM / surface.cell_mm))
    cell_terms = _terms(surface)
    steep = np.hypot(surface.slope_x, surface.slope_y)
    gentle = surface.usable & (steep < STEEPEST_FITTED)
    weight = (gentle if 2 * gentle.sum() > surface.usable.sum() else surface.usable).astype(float)
    count = _block_sums(weight, n)
    known = count >= 0.7 * n * n
    if np.count_nonzero(known) < 3 * TERM_SIZES.size:
        known = count > 0
    divisor = np.maximum(count, 1)
    light = _block_sums(surface.log_light * weight, n) / divisor
    terms = np.stack([_block_sums(term * weight, n) / divisor for term in cell_terms])
    return Blocks(
        known=known,
        light=light[known],
        terms=terms[:, known],
        coefficient=_coefficient_from_steps(light, terms, known),
        cell_terms=cell_terms,
    )


def light_without_shading(surface: Surface, blocks: Blocks) -> Floats:
    """Log light less shading, 0 at its most frequent value and where not usable; (n_x, n_y)."""
    level = densest_value(blocks.light - blocks.coefficient @ blocks.terms)
    flat = surface.log_light - np.tensordot(blocks.coefficient, blocks.cell_terms, 1) - level
    return np.where(surface.usable, flat, 0.0)


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


def _block_sums(values: Floats, n: int) -> Floats:
    """Sum over blocks of n × n cells; the last ones may be cut."""
    n_x, n_y = -(-values.shape[0] // n), -(-values.shape[1] // n)
    padded = np.zeros((n_x * n, n_y * n))
    padded[: values.shape[0], : values.shape[1]] = values
    return np.asarray(padded.reshape(n_x, n, n_y, n).sum((1, 3)))


def _terms(surface: Surface) -> Floats:
    """Shading terms, (n_terms, n_x, n_y), each centred over the usable cells."""
    usable = surface.usable
    u = (surface.x_mm - surface.x_mm[usable].mean()) / 50.0
    v = (surface.y_mm - surface.y_mm[usable].mean()) / 50.0
    slope = np.clip(surface.slope_x, -3, 3)
    fall = np.log1p(np.minimum(surface.slope_x**2 + surface.slope_y**2, 20.0)) / 2
    terms = [u, v, v * v, fall, slope, np.clip(surface.slope_y, -3, 3)]
    terms += [np.maximum(np.sign(knot) * (slope - knot), 0) for knot in SLOPE_KNOTS]
    stack = np.stack(terms)
    centred: Floats = stack - stack[:, usable].mean(1)[:, None, None]
    return centred


def _coefficient_from_steps(light: Floats, terms: Floats, known: Mask) -> Floats:
    """Regress differences of light on differences of the terms, outliers without weight.

    References
    ----------
    Beaton & Tukey 1974, Technometrics 16(2):147 (biweight).
    """
    lag = 2
    pairs_light, pairs_terms = [], []
    for axis in (0, 1):
        first = tuple(slice(0, -lag) if k == axis else slice(None) for k in (0, 1))
        second = tuple(slice(lag, None) if k == axis else slice(None) for k in (0, 1))
        both = known[first] & known[second]
        pairs_light.append((light[second] - light[first])[both])
        pairs_terms.append((terms[:, *second] - terms[:, *first])[:, both])
    step, change = np.concatenate(pairs_light), np.concatenate(pairs_terms, axis=1)
    coefficient = np.zeros(terms.shape[0])
    if step.size < 5 * coefficient.size:
        return coefficient
    for k in range(6):
        left = step - coefficient @ change
        scale = 1.4826 * float(np.median(np.abs(left))) + 1e-9
        reach = 8.0 if k == 0 else 4.685  # the first pass knows no shading yet
        weight = np.clip(1 - (left / (reach * scale)) ** 2, 0, None) ** 2
        normal = (change * weight) @ change.T / scale**2 + np.diag(1 / TERM_SIZES**2)
        coefficient = np.asarray(np.linalg.solve(normal, (change * weight) @ step / scale**2))
    return coefficient
