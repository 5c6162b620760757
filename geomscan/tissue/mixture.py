"""Two classes of tissue as a mixture, fitted to each piece together with the shading over it.

Model of a usable cell: log light = shading + class mean + noise. Laser power cancels, for only
differences inside a piece count.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.tissue.patches import drop_what_is_no_tissue, otsu_limit
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.shading import Blocks, densest_value, light_less_shading
from geomscan.tissue.surface import Surface, fill_from_neighbours, smooth_inside

__all__ = ["MixtureFit", "fit_mixture", "fit_two_gaussians", "mixture_probability"]

Floats = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

#: Light is averaged over this scale before cells are told apart: well under the smallest patch.
CELL_SCALE_MM = 0.7
#: Pull of a neighbourhood of one mind, in log-odds.
NEIGHBOUR_PULL = 3.0
N_ITERATIONS = 12
#: Classes of block means nearer than this many standard deviations are one class with noise.
LEAST_SEPARATION = 3.0
#: Price of an outline per block side, in units of half a squared standard deviation.
OUTLINE_PRICE = 2.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class MixtureFit:
    """Result of the fit: two classes over a shading.

    residual: log light less shading, (n_x, n_y), 0 where not usable. lean, fat: class means of the
    residual; sd: standard deviation of a class's smoothed residual; sd_cell: of single cells.
    """

    residual: Floats
    lean: float
    fat: float
    sd: float


def fit_two_gaussians(
    values: Floats, *, n_iterations: int = 200, tolerance: float = 1e-8
) -> tuple[Floats, Floats, Floats]:
    """Fit a mixture of two Gaussians with own variances by expectation and maximisation.

    Returns
    -------
    weights, means, sds : (2,) arrays
        The class with the smaller mean first.

    References
    ----------
    Dempster, Laird & Rubin 1977, J. Royal Statistical Society B 39(1):1.
    """
    limit = otsu_limit(values)
    upper = values > limit
    if upper.all() or not upper.any():
        mean, sd = float(values.mean()), float(values.std())
        return np.array([1.0, 0.0]), np.array([mean, mean]), np.array([sd, sd])
    share = upper.astype(float)
    floor = 1e-6 * max(float(values.var()), 1e-300)
    last = -np.inf
    weights = means = variances = np.zeros(2)
    for _ in range(n_iterations):
        part = np.stack([1 - share, share])
        total = part.sum(1)
        weights, means = total / values.size, part @ values / total
        variances = np.maximum((part * (values - means[:, None]) ** 2).sum(1) / total, floor)
        log_density = (
            np.log(weights)[:, None]
            - 0.5 * np.log(2 * np.pi * variances)[:, None]
            - 0.5 * (values - means[:, None]) ** 2 / variances[:, None]
        )
        log_sum = np.logaddexp(log_density[0], log_density[1])
        share = np.exp(log_density[1] - log_sum)
        mean_log = float(log_sum.mean())
        if mean_log - last < tolerance:
            break
        last = mean_log
    order = np.argsort(means)
    return weights[order], means[order], np.sqrt(variances[order])


def _upper_share(values: Floats, weights: Floats, means: Floats, sds: Floats) -> Floats:
    """Chance of each value to belong to the upper class of a fitted mixture."""
    if weights[1] == 0:
        return np.zeros(values.size)
    log_odds = np.log(weights[1] / weights[0]) + np.log(sds[0] / sds[1])
    log_odds = log_odds + 0.5 * (
        ((values - means[0]) / sds[0]) ** 2 - ((values - means[1]) / sds[1]) ** 2
    )
    return np.asarray(1 / (1 + np.exp(-np.clip(log_odds, -30, 30))))


def fit_mixture(surface: Surface, blocks: Blocks, settings: TissueSettings) -> MixtureFit:
    """Fit shading and two classes to one piece; classes may come out equal (one class only)."""
    y, phi, known, coefficient = blocks.light, blocks.terms, blocks.known, blocks.coefficient
    sizes = blocks.sizes
    residual = y - coefficient @ phi
    main = densest_value(residual)
    least = float(np.log(settings.least_contrast))
    starts = [
        np.zeros(y.size),
        _upper_share(residual, *fit_two_gaussians(residual, n_iterations=30)),
        (residual > main + least).astype(float),
        (residual > main - least).astype(float),
    ]
    # the first start holds one class; of the others only those with cells on both sides say more
    starts = starts[:1] + [q for q in starts[1:] if 0 < np.count_nonzero(q > 0.5) < q.size]
    fits = [_expect_and_maximise(y, phi, known, coefficient, q, sizes=sizes) for q in starts]
    sd = min(fit.sd for fit in fits)
    best = min(fits, key=lambda fit: _energy(fit, known, sizes=sizes, sd=sd, least=least))
    flat = light_less_shading(surface, blocks, best.coefficient)
    return MixtureFit(residual=flat, lean=best.lean, fat=best.fat, sd=best.sd)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _BlockFit:
    coefficient: Floats
    lean: float
    fat: float
    sd: float
    q: Floats
    off: Floats


def _expect_and_maximise(
    y: Floats, phi: Floats, known: Mask, coefficient: Floats, q: Floats, *, sizes: Floats
) -> _BlockFit:
    """From one start to a fit of shading and classes on the blocks."""
    one_class = not q.any()
    residual = y - coefficient @ phi
    pull_map = np.zeros(known.shape)
    lean = fat = sd = 0.0
    off = residual
    for k in range(N_ITERATIONS):
        lean = float(((1 - q) * residual).sum() / max(float((1 - q).sum()), 1e-9))
        fat = lean if one_class else float((q * residual).sum() / max(float(q.sum()), 1e-9))
        off = residual - lean - (fat - lean) * q
        sd = max(1.4826 * float(np.median(np.abs(off))), 0.01)
        if k == N_ITERATIONS - 1:
            break
        robust = 1 / np.maximum(1, np.abs(off) / (2.5 * sd))
        normal = (phi * robust) @ phi.T / sd**2 + np.diag(1 / sizes**2)
        centre = y - lean - (fat - lean) * q
        coefficient = np.asarray(np.linalg.solve(normal, (phi * robust) @ centre / sd**2))
        residual = y - coefficient @ phi
        if one_class:
            continue
        share = float(np.clip(q.mean(), 0.02, 0.98))
        pull_map[known] = 2 * q - 1
        pull = smooth_inside(pull_map, known, 1.0)[known]
        spread = max(sd, 0.15 * (fat - lean))
        odds = (fat - lean) * (residual - (fat + lean) / 2) / spread**2
        odds += np.log(share / (1 - share)) * 0.5 + NEIGHBOUR_PULL * pull
        q = 1 / (1 + np.exp(-np.clip(odds, -30, 30)))
    return _BlockFit(coefficient=coefficient, lean=lean, fat=fat, sd=sd, q=q, off=off)


def _energy(fit: _BlockFit, known: Mask, *, sizes: Floats, sd: float, least: float) -> float:
    """Sum up what a fit leaves unexplained and the price of its outlines; smaller is better."""
    one_class = not fit.q.any()
    if not one_class and fit.fat - fit.lean < max(least, LEAST_SEPARATION * fit.sd):
        return np.inf
    loss = np.minimum((fit.off / sd) ** 2, 3.5**2).sum() / 2
    fat = np.zeros(known.shape, dtype=np.int8)
    fat[known] = np.where(fit.q > 0.5, 1, -1)
    edges = np.count_nonzero(fat[1:] * fat[:-1] < 0)
    edges += np.count_nonzero(fat[:, 1:] * fat[:, :-1] < 0)
    return float(loss + OUTLINE_PRICE * edges + 0.5 * np.sum((fit.coefficient / sizes) ** 2))


def mixture_probability(surface: Surface, fit: MixtureFit, settings: TissueSettings) -> Floats:
    """Tell the cells apart with a fit, then drop what is no tissue; (n_x, n_y).

    Glitter is left out, patches without a step at their outline or smaller than the settings claim
    are dropped, and what was not seen takes its neighbours' value. Meaningless outside the piece.
    """
    least = float(np.log(settings.least_contrast))
    only = 0.0 if settings.one_class == "lean" else 1.0
    if fit.fat - fit.lean < least:
        return np.full(surface.inside.shape, only)
    usable = surface.usable
    glitter = usable & (fit.residual > fit.fat + max(4 * fit.sd, 0.6 * (fit.fat - fit.lean)))
    usable = usable & ~glitter
    # blur of the optics and of the light below the surface adds light, not logarithms of it: an
    # outline lies where the light is half way between the classes
    contrast = float(np.exp(fit.fat - fit.lean))
    ratio = smooth_inside(np.exp(fit.residual - fit.lean), usable, CELL_SCALE_MM / surface.cell_mm)
    spread = max(fit.sd * (1 + contrast) / 2, 0.1 * (contrast - 1))
    odds = (contrast - 1) * (ratio - (1 + contrast) / 2) / spread**2
    probability = 1 / (1 + np.exp(-np.clip(odds, -8, 8)))
    probability = fill_from_neighbours(probability, usable)
    drop_what_is_no_tissue(
        probability,
        surface.inside,
        settings,
        cell_mm=surface.cell_mm,
        light=fit.residual,
        usable=usable,
    )
    if not (probability[surface.inside] > 0.5).any():
        probability[:] = 0.0
    return probability
