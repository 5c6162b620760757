"""The joint fit: robust weighted least squares over observations and priors, with covariance."""

import contextlib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.model import Model
from geomscan.commissioning.observations import ENDS, Kind, Observations
from geomscan.errors import CalibrationError, InputError
from geomscan.uncertainty import LeastSquares, weighted_least_squares

__all__ = ["Fit", "fit_model", "jacobian_of", "to_mm"]

Floats = npt.NDArray[np.float64]

#: an observation further off than this many standard uncertainties counts as an outlier
OUTLIER = 5.0
#: E[w r²] / E[w] of a standard normal r under that weight: (1 − 6/25 + 15/625) / (1 − 2/25 + 3/625)
_BIWEIGHT_SHARE = (1 - 6 / 25 + 15 / 625) / (1 - 2 / 25 + 3 / 625)
_MAX_STEPS = 60
#: weights and factors that still wander to and fro after so many steps are kept as they are
_KEEP_FROM = 30
#: share of rounding's u that ends are off at least, once so many degrees of freedom tell of it: a
#: line's end is told to about half a column, 0.15 mm, which at 3° of yaw is 5 µm along travel, a
#: third of what rounding brings at 0.05 mm a count
_LEAST_ROUNDING, _TELLING_DOF = 0.35, 20
#: steps below this many standard uncertainties (rms) end the fit
_SETTLED = 2e-3

#: kinds of observations whose u is enlarged together where residuals exceed the noise
_GROUPS = {
    "belt": Kind.BELT,
    "surface": Kind.SURFACE,
    "side": Kind.SIDE,
    "end": Kind.END,
    "shadow": Kind.SHADOW,
    "gap": Kind.GAP,
}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Fit:
    """Result of the joint fit.

    residual_mm and u_mm go by observation; weight is 0 for outliers. u_mm and covariance are
    enlarged by the excess of residuals over noise, a factor by kind of observation.
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

    def value(self, name: str) -> float:
        """One parameter."""
        return float(self.values[self.model.index[name]])

    def u(self, name: str) -> float:
        """Its standard uncertainty."""
        at = self.model.index[name]
        return float(np.sqrt(self.covariance[at, at]))


def fit_model(
    model: Model,
    start: Floats,
    obs: Observations,
    *,
    excess: dict[str, float] | None = None,
    weight: Floats | None = None,
) -> Fit:
    """Fit all parameters.

    Gauss-Newton with exact derivatives (complex step: Squire & Trapp 1998, SIAM Review 40:110)
    and weights that fall to 0 beyond OUTLIER standard uncertainties (Tukey's biweight). Where
    residuals exceed the noise of the rows, u of that kind of observation is enlarged until they
    agree, so that the covariance tells what the fit really reached.

    Parameters
    ----------
    excess : dict of float, optional
        Factors to begin with, by kind of observation.
    weight : ndarray, optional
        Weights and factors to keep as they are, instead of finding them.

    Raises
    ------
    CalibrationError
        If the fit does not settle, or leaves parameters undetermined.
    """
    values = start.copy()
    factors = dict(excess or {})
    kept = weight
    moved = np.inf
    for step in range(_MAX_STEPS):
        noise_mm = to_mm(model, values, obs)
        u = noise_mm * _factor(obs, factors)
        residual = model.residuals(values, obs)
        weight = _weights(residual / u, obs.kind) if kept is None else kept
        rows, prior_rows = jacobian_of(model, values, obs)
        w = np.sqrt(weight)
        a = np.concatenate([rows * (w / u)[:, None], prior_rows])
        b = np.concatenate([residual / u * w, model.prior_residuals(values)])
        change, covariance = _solve(a, b)
        values = values + change
        moved = float(np.sqrt(np.mean((a @ change) ** 2)))
        if step == _KEEP_FROM:
            kept = weight
        old = factors
        if kept is None:
            leverage = np.sum((a[: len(obs)] @ covariance) * a[: len(obs)], axis=1)
            factors = _excess(obs, model.residuals(values, obs), noise_mm, weight, leverage)
        drift = max((abs(factors[k] / old.get(k, 1.0) - 1) for k in factors), default=0.0)
        if moved < _SETTLED and drift < _SETTLED:
            last = _last_step(a, b, model.names)
            values, covariance = values - change + last.values, last.covariance
            return Fit(
                model=model,
                values=values,
                covariance=covariance,
                observations=obs,
                residual_mm=model.residuals(values, obs),
                u_mm=u,
                weight=weight,
                excess=factors,
                n_steps=step + 1,
            )
    msg = (
        f"the joint fit does not settle: still moving by {moved:.2g} standard uncertainties "
        f"after {_MAX_STEPS} steps"
    )
    raise CalibrationError(msg)


def jacobian_of(model: Model, values: Floats, obs: Observations) -> tuple[Floats, Floats]:
    """Differentiate residuals (mm) and prior residuals to all parameters, by complex step.

    Parameters that act on different heads or passes are stepped together: no observation has both.
    """
    rows = np.zeros((len(obs), values.size))
    own_parameter, own_run = model.prior_owners
    prior = np.zeros((own_run.size, values.size))
    tiny = 1e-30
    every = np.arange(len(obs))
    plane = model.plane(values, obs.head, obs.column_px, obs.row_px)  # of the heads alone
    for together, owner in model.step_groups:
        moved = values.astype(np.complex128)
        moved[list(together)] += 1j * tiny
        own_plane = None if owner == "head" else plane
        change = model.residuals(moved, obs, plane=own_plane).imag / tiny
        change_prior = model.prior_residuals(moved).imag / tiny
        if len(together) == 1:
            rows[:, together[0]] = change
            prior[:, together[0]] = change_prior
        else:
            of = obs.head if owner == "head" else obs.run
            rows[every, np.array(together)[of]] = change
            for run, j in enumerate(together):
                own = (own_parameter == j) | ((owner == "pass") & (own_run == run))
                prior[own, j] = change_prior[own]
    return rows, prior


def to_mm(model: Model, values: Floats, obs: Observations) -> Floats:
    """Turn the observations' own u (px, counts) into mm along their residual."""
    h = 0.01
    y, z = model.plane(values, obs.head, obs.column_px, obs.row_px)
    y_c, _ = model.plane(values, obs.head, obs.column_px + h, obs.row_px)
    y_r, z_r = model.plane(values, obs.head, obs.column_px, obs.row_px + h)
    per_column = np.abs(y_c - y) / h
    surface = obs.kind == Kind.SURFACE
    slope = np.zeros(len(obs))
    before, after = model.points[obs.feature[surface]], model.points[obs.feature[surface] + 1]
    slope[surface] = (after[:, 1] - before[:, 1]) / (after[:, 0] - before[:, 0])
    turned = np.array([-1.0 if p.reversed else 1.0 for p in model.passes])[obs.run]
    per_row = np.abs((z_r - z) - turned * slope * (y_r - y)) / h
    per_row = np.maximum(per_row, 0.2 * np.abs(z_r - z) / h)
    factor = np.where(surface | (obs.kind == Kind.BELT), per_row, per_column)
    factor[np.isin(obs.kind, ENDS)] = abs(values[model.index["belt.mm_per_count"]])
    return np.asarray(obs.u * factor)


def _last_step(a: Floats, b: Floats, names: tuple[str, ...]) -> LeastSquares:
    """Take the last step once more by the package's own least squares, for its covariance."""
    try:
        return weighted_least_squares(a, -b, u=1.0, names=names)
    except InputError as error:
        msg = f"the passes leave a part of the scanner undetermined: {error}"
        raise CalibrationError(msg) from error


def _solve(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Step and covariance from the normal equations, columns scaled to unit length."""
    normal = a.T @ a
    scale = np.sqrt(np.diag(normal))
    inverse = np.full(normal.shape, np.nan)
    if (scale > 0).all():
        with contextlib.suppress(np.linalg.LinAlgError):
            inverse = np.linalg.inv(normal / np.outer(scale, scale))
    if not np.isfinite(inverse).all():
        msg = (
            "the passes leave a part of the scanner undetermined: add passes elsewhere on the belt"
        )
        raise CalibrationError(msg)
    covariance = inverse / np.outer(scale, scale)
    return -covariance @ (a.T @ b), covariance


def _weights(ratio: Floats, kind: npt.NDArray[np.int64]) -> Floats:
    """Tukey's biweight; its limit is wider for kinds of observation that are still far off."""
    weight = np.ones_like(ratio)
    for which in _GROUPS.values():
        own = kind == which
        if not own.any():
            continue
        part = np.abs(ratio[own])
        limit = OUTLIER * max(1.0, 1.4826 * float(np.median(part)))
        weight[own] = np.where(part < limit, (1 - (part / limit) ** 2) ** 2, 0.0)
    return weight


def _factor(obs: Observations, factors: dict[str, float]) -> Floats:
    factor = np.ones(len(obs))
    for name, kind in _GROUPS.items():
        factor[obs.kind == kind] = factors.get(name, 1.0)
    return factor


def _excess(
    obs: Observations, residual: Floats, u: Floats, weight: Floats, leverage: Floats
) -> dict[str, float]:
    """Root of chi-squared over its degrees of freedom, by kind; never below 1 for measured noise.

    That an encoder's counts are rounded is an assumption: many ends may show that they are not, as
    where counts themselves trigger the lines. The biweight takes a known share of a normal
    distribution's own spread away, which is put back.
    """
    out = {}
    for name, kind in _GROUPS.items():
        own = (obs.kind == kind) & (weight > 0)
        dof = float(np.sum(weight[own] - leverage[own]))
        if np.count_nonzero(own) < 3 or dof < 1:
            continue
        chi2 = float(np.sum(weight[own] * (residual[own] / u[own]) ** 2)) / _BIWEIGHT_SHARE
        least = _LEAST_ROUNDING if kind == Kind.END and dof >= _TELLING_DOF else 1.0
        out[name] = max(least, float(np.sqrt(chi2 / dof)))
    return out
