"""Weight as a linear model of what the scanner saw, fitted with errors in both."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.studies.statistics import t_quantile

__all__ = [
    "CheckWeights",
    "FitRows",
    "WeightFit",
    "design",
    "fit_weights",
    "robust_start",
    "scale_and_height",
]

Floats = npt.NDArray[np.float64]

#: Scatter from piece to piece that a first look assumes: 0.5 %, the standard deviation weighed for
#: lean pork trimmings (Adamczak et al. 2020, Molecules 25:1736).
USUAL_SCATTER = 0.005


def _none() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CheckWeights:
    """Certified weights that were put on the scale, with its readings; arrays of shape (m,)."""

    certified_g: Floats = field(default_factory=_none)
    reading_g: Floats = field(default_factory=_none)
    u_reading_g: Floats = field(default_factory=_none)

    def __len__(self) -> int:
        return self.certified_g.size


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FitRows:
    """Weighed pieces; every array has shape (n,).

    u_weight_g is the scale's standard uncertainty, u_own_cm3 that of the volume which is drawn anew
    for each piece, u_run_cm3 that which all pieces share. fat_cm3 is the part of volume_cm3 that
    counts as fat.
    """

    weight_g: Floats
    volume_cm3: Floats
    area_cm2: Floats
    fat_cm3: Floats
    u_weight_g: Floats
    u_own_cm3: Floats
    u_run_cm3: Floats

    def __len__(self) -> int:
        return self.weight_g.size

    def take(self, chosen: npt.NDArray[Any]) -> Self:
        """Choose rows by index or mask."""
        return type(self)(
            weight_g=self.weight_g[chosen],
            volume_cm3=self.volume_cm3[chosen],
            area_cm2=self.area_cm2[chosen],
            fat_cm3=self.fat_cm3[chosen],
            u_weight_g=self.u_weight_g[chosen],
            u_own_cm3=self.u_own_cm3[chosen],
            u_run_cm3=self.u_run_cm3[chosen],
        )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WeightFit:
    """A fitted model of weight.

    values, covariance: estimates in the order of `names` and in people's units: lean and fat in
    kg/m³, offset in mm (measured minus true height), zero in g, gain in percent. covariance holds
    what these weighings leave open; run_covariance what the scanner's common errors add. Both are
    first order; intervals use Student's t with dof.
    """

    names: tuple[str, ...]
    values: Floats
    covariance: Floats
    run_covariance: Floats
    dof: float
    scatter: float  #: relative, piece to piece, beyond the stated errors
    residual_g: Floats
    u_residual_g: Floats  #: expected standard deviation of a weighing about the model
    leverage: Floats
    fitted_g: Floats
    aicc: float  #: Akaike's criterion, corrected for few data

    def value(self, name: str) -> float:
        """Estimate by name; NaN where it was not fitted."""
        return float(self.values[self.names.index(name)]) if name in self.names else float("nan")

    def u(self, name: str) -> float:
        """Give the standard uncertainty, common errors included; NaN where not fitted."""
        if name not in self.names:
            return float("nan")
        index = self.names.index(name)
        return float(np.sqrt(self.covariance[index, index] + self.run_covariance[index, index]))

    def interval(self, name: str) -> tuple[float, float]:
        """95 % interval: Student's t on the fit's part, the normal's 1.96 on the common part."""
        index = self.names.index(name)
        half = np.hypot(
            t_quantile(0.975, self.dof) * np.sqrt(self.covariance[index, index]),
            t_quantile(0.975, np.inf) * np.sqrt(self.run_covariance[index, index]),
        )
        return float(self.values[index] - half), float(self.values[index] + half)

    @property
    def left_out_g(self) -> Floats:
        """Error of predicting each piece's weight from all the others."""
        return self.residual_g / (1 - self.leverage)

    @property
    def studentised(self) -> Floats:
        """Externally studentised residuals: Student's t with dof - 1 where all is well."""
        inner = self.residual_g / (self.u_residual_g * np.sqrt(1 - self.leverage))
        rest = np.maximum(self.dof - inner**2, 1e-9)
        return np.asarray(inner * np.sqrt((self.dof - 1) / rest))


def design(rows: FitRows, names: Sequence[str], mass_g: Floats) -> Floats:
    """Columns of the linear model: weight = density·(volume - offset·area) + ….

    Parameters
    ----------
    rows : FitRows
    names : sequence of str
        Of "lean", "fat", "offset", "zero", "gain"; lean comes first.
    mass_g : array of shape (n,)
        Mass that a scale's gain acts on, from an earlier look.

    Returns
    -------
    columns : array of shape (n, k)
    """
    columns = {
        "lean": rows.volume_cm3 - rows.fat_cm3 if "fat" in names else rows.volume_cm3,
        "fat": rows.fat_cm3,
        "offset": -rows.area_cm2,
        "zero": np.ones(len(rows)),
        "gain": mass_g,
    }
    return np.stack([columns[name] for name in names], axis=1)


def robust_start(columns: Floats, right: Floats, size: Floats) -> tuple[Floats, float]:
    """Fit that a minority of wrong rows can't move: least absolute values, then Tukey's biweight.

    Returns the coefficients and the scatter in units of `size` (scaled median of absolute values).
    Swapped labels move weights, not volumes, so the rows' leverage stays as it is.
    """
    a, b = columns / size[:, None], right / size
    beta = np.linalg.lstsq(a, b, rcond=None)[0]
    for step in range(60):
        rest = b - a @ beta
        scale = 1.4826 * float(np.median(np.abs(rest))) + 1e-12
        if step < 30:
            weight = 1 / np.maximum(np.abs(rest), 1e-3 * scale)
        else:
            weight = np.maximum(1 - (rest / (4.685 * scale)) ** 2, 0) ** 2
        root = np.sqrt(weight)
        beta = np.linalg.lstsq(a * root[:, None], b * root, rcond=None)[0]
    rest = b - a @ beta
    n, k = a.shape
    scale = 1.4826 * float(np.median(np.abs(rest))) * np.sqrt(n / max(n - k, 1))
    return np.asarray(beta, dtype=np.float64), float(scale)


def fit_weights(
    rows: FitRows,
    names: Sequence[str],
    *,
    checks: CheckWeights | None = None,
    fat_prior: tuple[float, float] | None = None,
    scatter: float | None = None,
) -> WeightFit:
    """Fit weight to volume, plan area and the scale's errors.

    Rows weigh by scale, volume and a scatter from piece to piece that is found so that the
    residuals come out as large as stated. The volumes' own errors are corrected for in the normal
    equations, so that they do not flatten the slope.

    Parameters
    ----------
    rows : FitRows
    names : sequence of str
        What to fit, "lean" first; "gain" only with check weights.
    checks : CheckWeights, optional
        They know nothing of density and tell the scale's errors apart from it.
    fat_prior : (float, float), optional
        Density of fat in kg/m³ and its standard uncertainty, known beforehand: it counts like one
        more observation.
    scatter : float, optional
        Known relative scatter from piece to piece; found from the residuals where absent.

    Raises
    ------
    InputError
        If there are no more rows than unknowns, the rows can't tell them apart at all, or no
        density that a food can have comes out.

    References
    ----------
    Fuller 1987, Measurement Error Models, 2.2: least squares adjusted for errors in the columns;
    Paule & Mandel 1982, J. Res. NBS 87:377: scatter beyond the stated errors.
    """
    names = tuple(names)
    checks = CheckWeights() if checks is None else checks
    n, others = len(rows), _other_rows(checks, names, fat_prior)
    if n + len(others.right) <= len(names):
        msg = f"density fit: expected more than {len(names)} weighed pieces, got {n}"
        raise InputError(msg)
    found = USUAL_SCATTER if scatter is None else scatter
    density = float(np.median(rows.weight_g / rows.volume_cm3))
    # scatter goes with what a piece should weigh: a slip of the pen must not set its own weight
    mass_g = density * rows.volume_cm3
    own = np.concatenate([rows.u_own_cm3**2, np.zeros_like(others.right)])
    for step in range(8):
        a = np.concatenate([design(rows, names, mass_g), others.columns])
        b = np.concatenate([rows.weight_g, others.right])
        known = rows.u_weight_g**2 + (density * rows.u_own_cm3) ** 2
        variance = np.concatenate([known + (found * mass_g) ** 2, others.variance])
        variance = np.maximum(variance, 1e-12)
        beta, inverse = _adjusted(a, b, variance, own)
        density = float(beta[0])
        rest = b - a @ beta
        leverage = np.einsum("ij,jk,ik->i", a, inverse, a) / variance
        dof = n - len(names) + float(leverage[n:].sum())
        before = found
        if scatter is None:
            found = _scatter(rest[:n], known, mass_g**2, dof)
        mass_g = a[:n, : _n_mass(names)] @ beta[: _n_mass(names)]
        if step >= 2 and abs(found - before) < 1e-9:
            break
    if not 0.2 <= density <= 2.0:
        msg = f"density fit: expected a density of 200 to 2000 kg/m³, found {1000 * density:.3g}"
        raise InputError(msg)
    likelihood = rest[:n] ** 2 / variance[:n] + np.log(2 * np.pi * variance[:n])
    fit = WeightFit(
        names=names,
        values=beta,
        covariance=inverse @ ((a / variance[:, None]).T @ a) @ inverse,
        run_covariance=_run_covariance(rows, a, inverse, variance, density),
        dof=dof,
        scatter=found,
        residual_g=rest[:n],
        u_residual_g=np.sqrt(variance[:n]),
        leverage=np.clip(leverage[:n], 0.0, 1 - 1e-9),
        fitted_g=rows.weight_g - rest[:n],
        aicc=_aicc(float(-0.5 * likelihood.sum()), n, len(names) + 1),
    )
    return _in_units(fit)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _OtherRows:
    """Rows of the fit that are no pieces: check weights, and what is known of fat."""

    columns: Floats
    right: Floats
    variance: Floats


def _other_rows(
    checks: CheckWeights, names: tuple[str, ...], fat_prior: tuple[float, float] | None
) -> _OtherRows:
    columns = _check_columns(checks, names)
    right, variance = checks.reading_g - checks.certified_g, checks.u_reading_g**2
    if fat_prior is not None and "fat" in names:
        row = np.zeros((1, len(names)))
        row[0, names.index("fat")] = 1.0
        columns = np.concatenate([columns, row])
        right = np.append(right, fat_prior[0] / 1000)
        variance = np.append(variance, (fat_prior[1] / 1000) ** 2)
    return _OtherRows(columns=columns, right=right, variance=variance)


def _aicc(log_likelihood: float, n: int, k: int) -> float:
    """Akaike's criterion, corrected for few data (Hurvich & Tsai 1989, Biometrika 76:297)."""
    if n - k - 1 <= 0:
        return float("inf")
    return -2 * log_likelihood + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def _n_mass(names: tuple[str, ...]) -> int:
    return sum(name not in {"zero", "gain"} for name in names)


def _check_columns(checks: CheckWeights, names: tuple[str, ...]) -> Floats:
    columns = np.zeros((len(checks), len(names)))
    if "zero" in names:
        columns[:, names.index("zero")] = 1.0
    if "gain" in names:
        columns[:, names.index("gain")] = checks.certified_g
    return columns


def _adjusted(a: Floats, b: Floats, variance: Floats, own: Floats) -> tuple[Floats, Floats]:
    """Weighted least squares, adjusted for the errors of the first column (lean volume)."""
    normal = (a / variance[:, None]).T @ a
    normal[0, 0] -= float(np.sum(own / variance))
    size = np.sqrt(np.abs(np.diag(normal)))
    size[size == 0] = 1.0
    scaled = normal / np.outer(size, size)
    if np.linalg.eigvalsh(scaled).min() < 1e-9:
        msg = "density fit: these pieces can't tell the unknowns apart (all alike)"
        raise InputError(msg)
    inverse = np.linalg.inv(scaled) / np.outer(size, size)
    return inverse @ ((a / variance[:, None]).T @ b), inverse


def _scatter(rest: Floats, known: Floats, moving: Floats, dof: float) -> float:
    """Relative scatter with which the residuals are as large as expected; 0 if they already are."""

    def excess(square: float) -> float:
        return float(np.sum(rest**2 / np.maximum(known + square * moving, 1e-12))) - dof

    if excess(0.0) <= 0:
        return 0.0
    low, high = 0.0, 1e-6
    while excess(high) > 0 and high < 1.0:
        low, high = high, 4 * high
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return float(np.sqrt((low + high) / 2))


def _run_covariance(
    rows: FitRows, a: Floats, inverse: Floats, variance: Floats, density: float
) -> Floats:
    """Add what the scanner's common errors do to the estimates.

    Only their size is known for each piece. Its square is parted into a share that grows with
    volume (scale) and one that grows with plan area (height); each moves all pieces at once.
    """
    if not np.any(rows.u_run_cm3 > 0):
        return np.zeros_like(inverse)
    scale, height = scale_and_height(rows)
    added = np.zeros_like(inverse)
    for change_cm3 in (scale * rows.volume_cm3, height * rows.area_cm2):
        change_g = np.concatenate([density * change_cm3, np.zeros(len(a) - len(rows))])
        shift = inverse @ (a.T @ (change_g / variance))
        added += np.outer(shift, shift)
    return added


def scale_and_height(rows: FitRows) -> tuple[float, float]:
    """Part the common errors of volume into a scale and a height that all pieces share.

    u_run² ≈ scale²·V² + height²·A² with both squares not negative; on average never below u_run.
    Returns scale (relative) and height (cm).
    """
    # each row counts by its relative square, so that large pieces do not drown the small ones
    parts = np.stack([rows.volume_cm3**2, rows.area_cm2**2], axis=1) / rows.volume_cm3[:, None] ** 2
    target = (rows.u_run_cm3 / rows.volume_cm3) ** 2
    best = np.zeros(2)
    best_rest = np.inf
    for chosen in ([0, 1], [0], [1]):
        solution = np.zeros(2)
        solution[chosen] = np.linalg.lstsq(parts[:, chosen], target, rcond=None)[0]
        rest = float(np.sum((parts @ solution - target) ** 2))
        if solution.min() >= 0 and rest < best_rest - 1e-30:
            best, best_rest = solution, rest
    covered = parts @ best
    if covered.mean() > 0:
        best = best * max(1.0, float(target.mean() / covered.mean()))
    return float(np.sqrt(best[0])), float(np.sqrt(best[1]))


def _in_units(fit: WeightFit) -> WeightFit:
    """Turn coefficients into kg/m³, mm, g and percent, with their covariance."""
    beta = fit.values
    values = beta.copy()
    jacobian = np.eye(len(fit.names))
    for index, name in enumerate(fit.names):
        if name in {"lean", "fat"}:
            values[index] *= 1000
            jacobian[index, index] = 1000
        elif name == "offset":
            # the coefficient is density times offset in cm
            values[index] = 10 * beta[index] / beta[0]
            jacobian[index, index] = 10 / beta[0]
            jacobian[index, 0] = -10 * beta[index] / beta[0] ** 2
        elif name == "gain":
            values[index] *= 100
            jacobian[index, index] = 100
    return replace(
        fit,
        values=values,
        covariance=jacobian @ fit.covariance @ jacobian.T,
        run_covariance=jacobian @ fit.run_covariance @ jacobian.T,
    )
