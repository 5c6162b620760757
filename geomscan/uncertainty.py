"""Propagation of uncertainty: first order, budgets, Monte Carlo, least squares and lines.

Words and symbols follow the GUM (JCGM 100:2008) and its Supplement 1 (JCGM 101:2008):
u = standard uncertainty, cov = covariance, dof = degrees of freedom.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError

__all__ = [
    "U_ANYWHERE",
    "Budget",
    "BudgetRow",
    "LeastSquares",
    "LineFit",
    "MonteCarlo",
    "chi2_probability",
    "correlation",
    "coverage_factor",
    "fit_line",
    "fit_line_both",
    "jacobian",
    "monte_carlo",
    "parameter_covariance",
    "propagate",
    "shortest_interval",
    "weighted_least_squares",
]

Floats = npt.NDArray[np.float64]
ArrayLike = npt.ArrayLike
#: Of what lies anywhere between two bounds alike, over their distance (JCGM 100:2008, 4.3.7).
U_ANYWHERE = 1.0 / math.sqrt(12.0)
MOST_STEPS = 200  # of `fit_line_both`; ten are common


def propagate(sensitivity: ArrayLike, covariance: ArrayLike) -> Floats:
    """First-order propagation, C·V·Cᵀ.

    Parameters
    ----------
    sensitivity : (..., m, n)
        Partial derivatives of m results by n inputs.
    covariance : (n, n) or (..., n, n)
        Covariance of the inputs; (n,) standard uncertainties stand for independent ones.

    Returns
    -------
    covariance : (..., m, m)

    References
    ----------
    JCGM 102:2011, 6.2.1.3; JCGM 100:2008, Eq. (13).

    Examples
    --------
    >>> propagate([[1.0, 1.0]], [3.0, 4.0])
    array([[25.]])
    """
    c = np.asarray(sensitivity, dtype=np.float64)
    v = np.asarray(covariance, dtype=np.float64)
    if v.ndim == 1:
        v = np.diag(v**2)
    if c.ndim < 2 or v.shape[-2:] != (c.shape[-1], c.shape[-1]):
        msg = f"sensitivity {c.shape} and covariance {v.shape} do not fit: expected (m, n), (n, n)"
        raise InputError(msg)
    return np.asarray(c @ v @ np.swapaxes(c, -1, -2))


def jacobian(function: Callable[[Floats], ArrayLike], at: ArrayLike, u: ArrayLike) -> Floats:
    """Sensitivities by central differences over ± u, as JCGM 100:2008, 5.1.3 note 2, proposes.

    Parameters
    ----------
    function : callable
        Takes (n,) inputs, returns (m,) results or one number.
    at, u : (n,)
        Estimates and standard uncertainties; where u is 0 the step is the cube root of the
        machine's resolution.

    Returns
    -------
    sensitivity : (m, n)
    """
    x = np.asarray(at, dtype=np.float64)
    steps = np.broadcast_to(np.asarray(u, dtype=np.float64), x.shape)
    smallest = np.cbrt(np.finfo(np.float64).eps) * np.maximum(np.abs(x), 1.0)
    columns: list[Floats] = []
    for index, step in enumerate(np.where(steps > 0, steps, smallest)):
        up, down = x.copy(), x.copy()
        up[index] += step
        down[index] -= step
        high, low = (np.atleast_1d(np.asarray(function(p), np.float64)) for p in (up, down))
        columns.append((high - low) / (up[index] - down[index]))
    return np.asarray(np.stack(columns, axis=-1))


def correlation(covariance: ArrayLike) -> Floats:
    """Correlation matrix; a parameter without uncertainty correlates with nothing."""
    v = np.asarray(covariance, dtype=np.float64)
    u = np.sqrt(np.diag(v))
    scale = np.where(u > 0, u, 1.0)
    r: Floats = v / np.outer(scale, scale)
    np.fill_diagonal(r, 1.0)
    return r


@dataclass(frozen=True, kw_only=True, slots=True)
class BudgetRow:
    """One input of a budget: u in its own unit, the result's change per unit, dof of u."""

    name: str
    u: float
    sensitivity: float = 1.0
    dof: float = math.inf

    @property
    def contribution(self) -> float:
        """|sensitivity|·u, in the unit of the result."""
        return abs(self.sensitivity) * self.u


@dataclass(frozen=True, kw_only=True, slots=True)
class Budget:
    """Independent inputs of one result."""

    rows: tuple[BudgetRow, ...]

    @property
    def u(self) -> float:
        """Combined standard uncertainty, JCGM 100:2008, Eq. (10)."""
        return math.hypot(*(row.contribution for row in self.rows))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom by Welch and Satterthwaite, JCGM 100:2008, Eq. (G.2b)."""
        share = sum(row.contribution**4 / row.dof for row in self.rows if row.dof > 0)
        return self.u**4 / share if share > 0 else math.inf

    def expanded(self, probability: float = 0.95) -> float:
        """Half the interval of the given coverage, by Student's t of `dof` (untruncated)."""
        return coverage_factor(probability, self.dof) * self.u


def coverage_factor(probability: float = 0.95, dof: float = math.inf) -> float:
    """Two-sided factor k: Student's t, normal for endless dof; JCGM 100:2008, G.3.

    Examples
    --------
    >>> round(coverage_factor(0.95), 2), round(coverage_factor(0.99, 16), 2)
    (1.96, 2.92)
    """
    from scipy import special

    upper = 0.5 * (1 + probability)
    value = special.ndtri(upper) if math.isinf(dof) else special.stdtrit(dof, upper)
    return float(value)


def chi2_probability(chi2: float, dof: int) -> float:
    """Probability of a chi² at least as large, were model and uncertainties right.

    Examples
    --------
    >>> round(chi2_probability(9.488, 4), 4)  # the 95 % limit printed in chi-squared tables
    0.05
    """
    from scipy import special

    return float(special.chdtrc(dof, chi2))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class MonteCarlo:
    """Draws of one or more results, shape (n_draws,) or (n_draws, m)."""

    draws: Floats

    @property
    def mean(self) -> Floats:
        """Estimate, JCGM 101:2008, 7.6."""
        return np.asarray(self.draws.mean(axis=0))

    @property
    def u(self) -> Floats:
        """Standard uncertainty, JCGM 101:2008, 7.6."""
        return np.asarray(self.draws.std(axis=0, ddof=1))

    def interval(self, probability: float = 0.95) -> tuple[Floats, Floats]:
        """Probabilistically symmetric coverage interval, JCGM 101:2008, 7.7.2."""
        tail = 0.5 * (1 - probability)
        low, high = np.quantile(self.draws, [tail, 1 - tail], axis=0)
        return np.asarray(low), np.asarray(high)

    def shortest(self, probability: float = 0.95) -> tuple[Floats, Floats]:
        """Shortest coverage interval, JCGM 101:2008, 7.7.4."""
        return shortest_interval(self.draws, probability)


def monte_carlo(
    function: Callable[..., ArrayLike],
    draws: Sequence[Callable[[np.random.Generator, int], Floats]],
    *,
    n_draws: int = 200_000,
    seed: int = 0,
    n_per_call: int = 100_000,
) -> MonteCarlo:
    """Propagate distributions, JCGM 101:2008, 7.

    Parameters
    ----------
    function : callable
        Takes one array of draws for each input, returns the result for each draw along axis 0.
    draws : sequence of callables
        For each input, `draw(generator, n)` returning n values along axis 0.
    n_draws : int
        Trials; 7.2.2 asks for 10⁴ / (1 - p) at least, 200 000 at 95 %.
    seed : int
        Start of the generator.
    n_per_call : int
        Trials evaluated at once, which bounds the memory of `function`.
    """
    if n_draws < 2:
        msg = f"n_draws: expected 2 or more, got {n_draws}"
        raise InputError(msg)
    generator = np.random.default_rng(seed)
    parts = []
    for first in range(0, n_draws, n_per_call):
        n = min(n_per_call, n_draws - first)
        parts.append(np.asarray(function(*(draw(generator, n) for draw in draws)), np.float64))
    return MonteCarlo(draws=np.concatenate(parts))


def shortest_interval(draws: ArrayLike, probability: float = 0.95) -> tuple[Floats, Floats]:
    """Shortest interval that holds a share of the draws, along axis 0; JCGM 101:2008, 7.7.4."""
    values = np.sort(np.asarray(draws, np.float64), axis=0)
    n = values.shape[0]
    inside = int(probability * n + 0.5)
    if not 0 < inside < n:
        msg = f"{n} draws cannot hold {probability:g} of themselves in an interval"
        raise InputError(msg)
    widths = values[inside:] - values[: n - inside]
    at = np.argmin(widths, axis=0)
    low = np.take_along_axis(values, at[None], axis=0)[0]
    high = np.take_along_axis(values, at[None] + inside, axis=0)[0]
    return np.asarray(low), np.asarray(high)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LeastSquares:
    """Fitted parameters (p,) with covariance (p, p), from n observations.

    `residuals` are observed minus fitted, (n,); `chi2` their weighted sum of squares. Where the
    observations came without u, `scale` is the standard deviation seen, and is in `covariance`.
    """

    values: Floats
    covariance: Floats
    residuals: Floats
    chi2: float
    dof: int
    scale: float = 1.0

    @property
    def u(self) -> Floats:
        """Standard uncertainties, (p,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> Floats:
        """Correlation of the parameters, (p, p)."""
        return correlation(self.covariance)

    @property
    def lack_of_fit(self) -> float:
        """Probability of so large a chi²; small = model or stated u is wrong; NaN without dof."""
        return chi2_probability(self.chi2, self.dof) if self.dof > 0 else math.nan


def parameter_covariance(whitened: ArrayLike, *, names: Sequence[str] = ()) -> Floats:
    """Covariance of fitted parameters, (JᵀJ)⁻¹.

    Parameters
    ----------
    whitened : (n, p)
        Jacobian of the residuals, each row divided by its observation's u.
    names : sequence of str
        The parameters' names, for the message.

    Raises
    ------
    InputError
        If the observations do not determine all parameters.
    """
    j = np.asarray(whitened, np.float64)
    scale = np.linalg.norm(j, axis=0)
    if (scale == 0).any() or not np.isfinite(scale).all():
        _undetermined(int(np.argmin(scale)), names, j.shape)
    _, s, vt = np.linalg.svd(j / scale, full_matrices=False)
    if s.size < j.shape[1] or s[-1] <= s[0] * max(j.shape) * np.finfo(np.float64).eps:
        _undetermined(int(np.argmax(np.abs(vt[-1]))), names, j.shape)
    half = (vt.T / s) / scale[:, None]
    return np.asarray(half @ half.T)


def _undetermined(at: int, names: Sequence[str], shape: tuple[int, ...]) -> None:
    name = names[at] if at < len(names) else f"number {at}"
    msg = f"{shape[0]} observations do not determine {shape[1]} parameters: see {name}"
    raise InputError(msg)


def weighted_least_squares(
    design: ArrayLike, observed: ArrayLike, *, u: ArrayLike | None = None, names: Sequence[str] = ()
) -> LeastSquares:
    """Linear least squares, JCGM 100:2008, H.3 and ISO/TS 28037:2010, 6 and 9.

    Parameters
    ----------
    design : (n, p)
        observed ≈ design @ values.
    observed : (n,)
        Observations.
    u : number, (n,) or (n, n), optional
        Standard uncertainties, or the covariance of the observations. Where none is given all are
        equally good, and how good is estimated from the residuals.
    names : sequence of str
        As in `parameter_covariance`.

    Raises
    ------
    InputError
        If shapes do not fit, u is not positive, or a parameter is not determined.
    """
    a = np.asarray(design, np.float64)
    y = np.asarray(observed, np.float64)
    finite = np.isfinite(a).all() and np.isfinite(y).all()
    if a.ndim != 2 or y.shape != a.shape[:1] or not finite:
        msg = f"expected finite design (n, p) and observed (n,), got shapes {a.shape}, {y.shape}"
        raise InputError(msg)
    dof = a.shape[0] - a.shape[1]
    if u is None and dof < 1:
        msg = f"{a.shape[0]} observations without u leave nothing to judge {a.shape[1]} parameters"
        raise InputError(msg)
    wa, wy = _whiten(a, y, 1.0 if u is None else u)
    unscaled = parameter_covariance(wa, names=names)
    scale = np.linalg.norm(wa, axis=0)
    values = np.linalg.lstsq(wa / scale, wy, rcond=None)[0] / scale
    chi2 = float(np.sum((wy - wa @ values) ** 2))
    spread = math.sqrt(chi2 / dof) if u is None else 1.0
    return LeastSquares(
        values=values,
        covariance=unscaled * spread**2,
        residuals=y - a @ values,
        chi2=chi2,
        dof=dof,
        scale=spread,
    )


def _whiten(a: Floats, y: Floats, u: ArrayLike) -> tuple[Floats, Floats]:
    """Divide out the observations' uncertainty, so that each has u = 1 and none correlate."""
    weights = np.asarray(u, np.float64)
    if weights.ndim == 2:
        if weights.shape != (y.size, y.size):
            msg = f"u: expected a covariance of shape {(y.size, y.size)}, got {weights.shape}"
            raise InputError(msg)
        try:
            root = np.linalg.cholesky(weights)
        except np.linalg.LinAlgError as error:
            msg = "u: expected a positive definite covariance"
            raise InputError(msg) from error
        both = np.linalg.solve(root, np.column_stack([a, y]))
        return both[:, :-1], both[:, -1]
    if weights.shape not in {(), y.shape} or not (weights > 0).all():
        msg = f"u: expected one number or shape {y.shape}, all > 0, got shape {weights.shape}"
        raise InputError(msg)
    return a / weights.reshape(-1, 1), y / weights


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LineFit(LeastSquares):
    """y = intercept + slope·x: `values` and `covariance` in that order."""

    @property
    def intercept(self) -> float:
        """Height of the line at x = 0."""
        return float(self.values[0])

    @property
    def slope(self) -> float:
        """Rise of the line per x."""
        return float(self.values[1])

    @property
    def u_intercept(self) -> float:
        """Standard uncertainty of the intercept."""
        return float(self.u[0])

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope."""
        return float(self.u[1])

    def at(self, x: float, u_x: float = 0.0) -> tuple[float, float]:
        """Predict y and its u for an x that had no part in the fit; ISO/TS 28037:2010, 11.2."""
        sensitivity = [[1.0, x, self.slope]]
        cov = np.zeros((3, 3))
        cov[:2, :2], cov[2, 2] = self.covariance, u_x**2
        return self.intercept + self.slope * x, math.sqrt(propagate(sensitivity, cov)[0, 0])

    def inverse(self, y: float, u_y: float = 0.0) -> tuple[float, float]:
        """Find x and its u for a y that had no part in the fit; ISO/TS 28037:2010, 11.1."""
        if self.slope == 0:
            msg = "a line of slope 0 has no inverse"
            raise InputError(msg)
        x = (y - self.intercept) / self.slope
        cov = np.zeros((3, 3))
        cov[:2, :2], cov[2, 2] = self.covariance, u_y**2
        sensitivity = np.array([[-1.0, -x, 1.0]]) / self.slope
        return x, math.sqrt(propagate(sensitivity, cov)[0, 0])


def fit_line(x: ArrayLike, y: ArrayLike, *, u_y: ArrayLike | None = None) -> LineFit:
    """Fit a straight line to y with uncertainty, x being exact; ISO/TS 28037:2010, 6 and 9.

    `u_y` as in `weighted_least_squares`; where none is given `chi2` is the sum of squares.
    """
    at = np.asarray(x, np.float64)
    design = np.column_stack([np.ones_like(at), at])
    fit = weighted_least_squares(design, y, u=u_y, names=("intercept", "slope"))
    return LineFit(**{own.name: getattr(fit, own.name) for own in fields(fit)})


def fit_line_both(
    x: ArrayLike,
    y: ArrayLike,
    *,
    u_x: ArrayLike,
    u_y: ArrayLike,
    r_xy: ArrayLike = 0.0,
) -> LineFit:
    """Fit a straight line to points with uncertainty in x and y.

    Parameters
    ----------
    x, y, u_x, u_y : (n,)
        Points and their standard uncertainties; u_y > 0.
    r_xy : number or (n,)
        Correlation of a point's x and y.

    Raises
    ------
    InputError
        If there are fewer than two points, or the slope does not settle.

    References
    ----------
    York, Evensen, Martínez & De Basabe Delgado (2004), Am. J. Phys. 72, 367, Eq. (13); the same
    minimum as ISO/TS 28037:2010, 7.
    """
    px, py, ux, uy, r = np.broadcast_arrays(
        *(np.asarray(v, np.float64) for v in (x, y, u_x, u_y, r_xy))
    )
    if px.ndim != 1 or px.size < 2 or not (uy > 0).all() or not (ux >= 0).all():
        msg = "expected two points or more, with u_y > 0 and u_x >= 0"
        raise InputError(msg)
    slope = fit_line(px, py, u_y=uy).slope
    for _ in range(MOST_STEPS):
        variance = uy**2 + slope**2 * ux**2 - 2 * slope * r * ux * uy
        weight = 1 / variance
        mean_x, mean_y = np.average(px, weights=weight), np.average(py, weights=weight)
        dx, dy = px - mean_x, py - mean_y
        beta = weight * (dx * uy**2 + slope * dy * ux**2 - (slope * dx + dy) * r * ux * uy)
        before, slope = slope, float(np.sum(weight * beta * dy) / np.sum(weight * beta * dx))
        if abs(slope - before) <= 1e-13 * max(abs(slope), np.std(py) / np.std(px)):
            break
    else:
        msg = f"the slope did not settle in {MOST_STEPS} steps: last {before:g}, {slope:g}"
        raise InputError(msg)
    adjusted = mean_x + beta
    mean_adjusted = np.average(adjusted, weights=weight)
    var_slope = 1 / np.sum(weight * (adjusted - mean_adjusted) ** 2)
    var_intercept = 1 / np.sum(weight) + mean_adjusted**2 * var_slope
    both = -mean_adjusted * var_slope
    intercept = float(mean_y - slope * mean_x)
    residuals = py - intercept - slope * px
    return LineFit(
        values=np.array([intercept, slope]),
        covariance=np.array([[var_intercept, both], [both, var_slope]]),
        residuals=residuals,
        chi2=float(np.sum(weight * residuals**2)),
        dof=px.size - 2,
    )
