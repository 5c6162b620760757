"""The joint fit: robust weighted least squares over all observations and priors, with covariance."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.model import Model
from geomscan.commissioning.observations import Kind, Observations
from geomscan.errors import CalibrationError

__all__ = ["Fit", "fit_model", "to_mm"]

Floats = npt.NDArray[np.float64]

#: an observation further off than this many standard uncertainties counts as an outlier
OUTLIER = 5.0
_MAX_STEPS = 40


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Fit:
    """Result of the joint fit.

    residual and u are in mm, by observation; weight is 0 for outliers. covariance is enlarged by
    the lack of fit, whose factors over the noise are in excess, by kind.
    """

    model: Model
    values: Floats
    covariance: Floats
    observations: Observations
    residual_mm: Floats
    u_mm: Floats
    weight: Floats
    excess: dict[str, float]
    n_steps: int

    @property
    def outliers(self) -> npt.NDArray[np.bool_]:
        """Observations that were given no weight."""
        return self.weight == 0


def to_mm(model: Model, values: Floats, obs: Observations) -> Floats:
    """Turn the observations' own u (px, counts) into mm along their residual."""
    h = 0.01
    y, z = model.plane(values, obs.head, obs.column_px, obs.row_px)
    y_c, z_c = model.plane(values, obs.head, obs.column_px + h, obs.row_px)
    y_r, z_r = model.plane(values, obs.head, obs.column_px, obs.row_px + h)
    per_row_z, per_row_y = np.abs(z_r - z) / h, (y_r - y) / h
    per_column = np.abs(y_c - y) / h
    del z_c
    points = model.points
    slope = np.zeros(len(obs))
    surface = obs.kind == Kind.SURFACE
    f = obs.feature[surface]
    slope[surface] = (points[f + 1, 1] - points[f, 1]) / (points[f + 1, 0] - points[f, 0])
    turned = np.where([p.reversed for p in model.passes], -1.0, 1.0)[obs.run]
    per_row = np.abs((z_r - z) / h - turned * slope * per_row_y)
    per_row = np.maximum(per_row, 0.2 * per_row_z)
    factor = np.where(surface | (obs.kind == Kind.BELT), per_row, per_column)
    factor = np.where(obs.kind == Kind.END, abs(values[model.index["belt.mm_per_count"]]), factor)
    return np.asarray(obs.u * factor)


def fit_model(
    model: Model,
    start: Floats,
    obs: Observations,
    *,
    excess: dict[str, float] | None = None,
    robust: bool = True,
) -> Fit:
    """Fit all parameters.

    Gauss-Newton with exact derivatives (complex step: Squire & Trapp 1998, SIAM Review 40:110),
    Levenberg damping, and weights that fall to 0 beyond OUTLIER standard uncertainties (Tukey's
    biweight). Where residuals exceed the noise of the rows, u of that kind of observation is
    enlarged until they agree, so that the covariance tells what the fit really reached.

    Raises
    ------
    CalibrationError
        If the fit does not settle.
    """
    values = start.copy()
    free = model.priors > 0
    factors = dict(excess or {})
    n_steps = 0
    for stage in range(6):
        u = to_mm(model, values, obs) * _factor(obs, factors)
        values, steps, jacobian, weight = _solve(model, values, obs, u, free, robust=robust)
        n_steps += steps
        residual = model.residuals(values, obs)
        new = _excess(obs, residual, to_mm(model, values, obs), jacobian, u, weight)
        settled = all(abs(new[k] / factors.get(k, 1.0) - 1) < 0.02 for k in new)  # noqa: PLR2004
        factors = new
        if settled and stage > 0:
            break
    u = to_mm(model, values, obs) * _factor(obs, factors)
    values, steps, jacobian, weight = _solve(model, values, obs, u, free, robust=robust)
    covariance = _covariance(model, values, jacobian, weight, u)
    return Fit(
        model=model, values=values, covariance=covariance, observations=obs,
        residual_mm=model.residuals(values, obs), u_mm=u, weight=weight, excess=factors,
        n_steps=n_steps + steps,
    )  # fmt: skip


def jacobian_of(model: Model, values: Floats, obs: Observations) -> tuple[Floats, Floats]:
    """Derivatives of residuals (mm) and prior residuals to all parameters, by complex step.

    Parameters that act on different heads or passes are stepped together: their observations don't
    overlap.
    """
    n = values.size
    rows = np.zeros((len(obs), n))
    prior = np.empty((model.prior_residuals(values).size, n))
    tiny = 1e-30
    for j in range(n):
        moved = values.astype(np.complex128)
        moved[j] += 1j * tiny
        prior[:, j] = model.prior_residuals(moved).imag / tiny
    for together, number in model.step_groups:
        moved = values.astype(np.complex128)
        moved[list(together)] += 1j * tiny
        change = model.residuals(moved, obs).imag / tiny
        if len(together) == 1:
            rows[:, together[0]] = change
            continue
        owner = {"head": obs.head, "pass": obs.run}[number]
        column = np.array(together)[owner]
        rows[np.arange(len(obs)), column] = change
    return rows, prior


def _solve(  # noqa: PLR0913
    model: Model,
    values: Floats,
    obs: Observations,
    u: Floats,
    free: npt.NDArray[np.bool_],
    *,
    robust: bool,
) -> tuple[Floats, int, Floats, Floats]:
    damping = 0.0
    weight = np.ones(len(obs))
    cost = np.inf
    for step in range(_MAX_STEPS):
        residual = model.residuals(values, obs) / u
        if robust:
            limit = OUTLIER * max(1.0, 1.4826 * float(np.median(np.abs(residual))))
            weight = np.where(np.abs(residual) < limit, (1 - (residual / limit) ** 2) ** 2, 0.0)
        prior = model.prior_residuals(values)
        rows, prior_rows = jacobian_of(model, values, obs)
        w = np.sqrt(weight)
        a = np.concatenate([rows * (w / u)[:, None], prior_rows])
        b = np.concatenate([residual * w, prior])
        scale = np.maximum(np.linalg.norm(a, axis=0), 1e-300)
        solution, *_ = np.linalg.lstsq(a / scale, -b, rcond=1e-13)
        change = solution / scale
        new = values + change
        moved = float(np.sqrt(np.mean((a @ change) ** 2)))
        if not np.isfinite(new).all():
            msg = "the joint fit does not settle: no finite solution"
            raise CalibrationError(msg)
        values = new
        if moved < 2e-3 and step > 3:  # noqa: PLR2004 - far below the noise
            return values, step + 1, rows, weight
    del damping, cost, free
    msg = f"the joint fit does not settle: still moving by {moved:.2g} standard uncertainties after {_MAX_STEPS} steps"
    raise CalibrationError(msg)


_GROUPS = {
    "belt": (Kind.BELT,), "surface": (Kind.SURFACE,), "side": (Kind.SIDE,), "end": (Kind.END,),
    "shadow": (Kind.SHADOW,),
}  # fmt: skip


def _factor(obs: Observations, factors: dict[str, float]) -> Floats:
    factor = np.ones(len(obs))
    for name, kinds in _GROUPS.items():
        factor[np.isin(obs.kind, kinds)] = factors.get(name, 1.0)
    return factor


def _excess(  # noqa: PLR0913
    obs: Observations, residual: Floats, u: Floats, jacobian: Floats, u_used: Floats, weight: Floats
) -> dict[str, float]:
    """Root of chi-squared over its degrees of freedom, by kind; never below 1."""
    del jacobian, u_used
    out = {}
    for name, kinds in _GROUPS.items():
        own = np.isin(obs.kind, kinds) & (weight > 0)
        if np.count_nonzero(own) < 3:  # noqa: PLR2004
            continue
        ratio = np.sqrt(np.average((residual[own] / u[own]) ** 2, weights=weight[own]))
        out[name] = float(max(1.0, ratio))
    return out


def _covariance(
    model: Model, values: Floats, jacobian: Floats, weight: Floats, u: Floats
) -> Floats:
    _, prior_rows = jacobian_of(
        model, values, Observations.of(Kind.BELT, 0, 0, 0, [], [], [], [], [])
    )
    a = np.concatenate([jacobian * (np.sqrt(weight) / u)[:, None], prior_rows])
    scale = np.maximum(np.linalg.norm(a, axis=0), 1e-300)
    normal = (a / scale).T @ (a / scale)
    try:
        inverse = np.linalg.inv(normal)
    except np.linalg.LinAlgError as error:
        msg = (
            "the passes leave a part of the scanner undetermined: add passes elsewhere on the belt"
        )
        raise CalibrationError(msg) from error
    return np.asarray(inverse / np.outer(scale, scale))
