"""How many lens terms: as many as foretell a pass that was left out."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.fit import Fit, fit_model, jacobian_of
from geomscan.commissioning.model import Model

__all__ = ["OrderChoice", "choose_order"]

Floats = npt.NDArray[np.float64]

#: numbers of lens terms tried: none, k1, k1 k2, k1 k2 p1 p2, all
ORDERS = (0, 1, 2, 4, 5)
#: a higher order must foretell left-out passes better by this share
_GAIN = 0.02


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderChoice:
    """How far left-out passes are missed, rms over noise, for each number of lens terms."""

    n_distortion: int
    misses: dict[int, float]


def choose_order(fit: Fit) -> OrderChoice:
    """Choose the number of lens terms by leaving one pass out.

    The richest model's weights are kept for all, so that a poor model can't call its misfit an
    outlier. Leaving out is done on the linearised problem: the passes are joined by the scanner's
    and the block's parameters only. With one pass, nothing can be left out and the two radial
    terms are taken.
    """
    model = fit.model
    if len(model.passes) < 2:
        return OrderChoice(n_distortion=min(1, model.n_distortion), misses={})
    misses = {n: _miss(fit, n) for n in ORDERS if n <= model.n_distortion}
    best = min(misses.values())
    chosen = min(n for n, miss in misses.items() if miss <= best * (1 + _GAIN))
    return OrderChoice(n_distortion=chosen, misses=misses)


def _miss(fit: Fit, n_distortion: int) -> float:
    model = replace(fit.model, n_distortion=n_distortion)
    values = carry_over(fit.model, fit.values, model)
    obs = fit.observations
    own = fit_model(model, values, obs, excess=fit.excess, weight=fit.weight)
    rows, prior_rows = jacobian_of(model, own.values, obs)
    w = np.sqrt(fit.weight) / fit.u_mm
    a, b = rows * w[:, None], own.residual_mm * w
    prior = model.prior_residuals(own.values)
    square, n = 0.0, 0
    for run, setup in enumerate(model.passes):
        here = obs.run == run
        pose = np.array([name.startswith(f"pass.{setup.name}.") for name in model.names])
        # without this pass: its pose is held by priors and a faint tie only
        normal = a[~here].T @ a[~here] + prior_rows.T @ prior_rows
        normal[pose, pose] += 1e-6
        right = a[~here].T @ b[~here] + prior_rows.T @ prior
        scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
        change = (
            -np.linalg.lstsq(normal / np.outer(scale, scale), right / scale, rcond=1e-12)[0] / scale
        )
        change[pose] = 0
        left = b[here] + a[here] @ change
        placed = np.linalg.lstsq(a[here][:, pose], -left, rcond=None)[0]
        left = left + a[here][:, pose] @ placed
        square += float(left @ left)
        n += int(np.count_nonzero(fit.weight[here] > 0))
    return float(np.sqrt(square / max(n, 1)))


def carry_over(old: Model, values: Floats, new: Model) -> Floats:
    """Values of one model as a start for another; parameters that are new begin at 0."""
    return np.array([values[old.index[n]] if n in old.index else 0.0 for n in new.names])
