"""Statistics of method comparison, each as its source states it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from geomscan.errors import InputError

__all__ = [
    "Agreement",
    "Anova",
    "Concordance",
    "Line",
    "Tost",
    "bland_altman",
    "concordance",
    "deming_line",
    "equivalence",
    "one_way",
    "slope_test",
    "t_quantile",
    "york_line",
]

Floats = npt.NDArray[np.float64]

NORMAL_95 = 1.959963984540054


def t_quantile(probability: float, dof: float) -> float:
    """Quantile of Student's t; infinite dof gives the normal's."""
    if np.isinf(dof):
        return float(special.ndtri(probability))
    return float(special.stdtrit(dof, probability))


@dataclass(frozen=True, kw_only=True, slots=True)
class Agreement:
    """Bland & Altman's limits of agreement of first minus second, with 95 % intervals."""

    n: int
    bias: float
    sd: float
    limits: tuple[float, float]
    bias_interval: tuple[float, float]
    low_interval: tuple[float, float]
    high_interval: tuple[float, float]
    u_limit: float


def bland_altman(first: Floats, second: Floats, *, factor: float = NORMAL_95) -> Agreement:
    """Limits of agreement of two methods on the same subjects, each measured once by each.

    Parameters
    ----------
    first, second : array of shape (n,)
    factor : float
        Standard deviations from the bias to a limit; the paper uses 2 for 1.96.

    Raises
    ------
    InputError
        If fewer than 3 pairs are given.

    References
    ----------
    Bland & Altman 1986, Lancet 327:307; standard error of a limit √(3 s²/n).
    """
    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    n = difference.size
    if n < 3:
        msg = f"limits of agreement: expected 3 pairs or more, got {n}"
        raise InputError(msg)
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = t_quantile(0.975, n - 1)
    u_limit = float(np.sqrt(3 * sd**2 / n))
    low, high = bias - factor * sd, bias + factor * sd
    return Agreement(
        n=n,
        bias=bias,
        sd=sd,
        limits=(low, high),
        bias_interval=(bias - t * sd / np.sqrt(n), bias + t * sd / np.sqrt(n)),
        low_interval=(low - t * u_limit, low + t * u_limit),
        high_interval=(high - t * u_limit, high + t * u_limit),
        u_limit=u_limit,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Concordance:
    """Lin's concordance correlation with its parts and 95 % interval."""

    coefficient: float
    correlation: float
    bias_factor: float
    interval: tuple[float, float]


def concordance(first: Floats, second: Floats) -> Concordance:
    """Concordance of two methods: 1 where all points lie on the line of equality.

    References
    ----------
    Lin 1989, Biometrics 45:255, with the corrected variance of Lin 2000, Biometrics 56:324.
    """
    x, y = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    n = x.size
    s_xy = float(np.mean((x - x.mean()) * (y - y.mean())))
    s_xx, s_yy = float(x.var()), float(y.var())
    r = s_xy / np.sqrt(s_xx * s_yy)
    shift = (x.mean() - y.mean()) / (s_xx * s_yy) ** 0.25
    c = 2 * s_xy / (s_xx + s_yy + (x.mean() - y.mean()) ** 2)
    u_c2 = (
        (1 - r**2) * c**2 * (1 - c**2) / r**2
        + 2 * c**3 * (1 - c) * shift**2 / r
        - 0.5 * c**4 * shift**4 / r**2
    ) / (n - 2)
    u_z = np.sqrt(u_c2) / (1 - c**2)
    z = np.arctanh(c)
    low, high = np.tanh(z - NORMAL_95 * u_z), np.tanh(z + NORMAL_95 * u_z)
    return Concordance(
        coefficient=float(c),
        correlation=float(r),
        bias_factor=float(c / r),
        interval=(float(low), float(high)),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """A straight line y = intercept + slope·x; covariance of (intercept, slope) where known."""

    intercept: float
    slope: float
    covariance: tuple[tuple[float, float], tuple[float, float]] | None = None
    chi2: float = float("nan")

    @property
    def u_intercept(self) -> float:
        """Standard uncertainty of the intercept for the stated errors of the points."""
        return float("nan") if self.covariance is None else self.covariance[0][0] ** 0.5

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope for the stated errors of the points."""
        return float("nan") if self.covariance is None else self.covariance[1][1] ** 0.5


def deming_line(x: Floats, y: Floats, *, variance_ratio: float = 1.0) -> Line:
    """Line through points with errors in both, of known ratio of variances.

    Parameters
    ----------
    x, y : array of shape (n,)
    variance_ratio : float
        Variance of y's errors over that of x's.

    References
    ----------
    Deming 1943, Statistical Adjustment of Data; closed form as in Fuller 1987, Eq. (1.3.7).
    """
    s_xx, s_yy = float(np.var(x, ddof=1)), float(np.var(y, ddof=1))
    s_xy = float(np.cov(x, y, ddof=1)[0, 1])
    part = s_yy - variance_ratio * s_xx
    slope = (part + np.sqrt(part**2 + 4 * variance_ratio * s_xy**2)) / (2 * s_xy)
    return Line(intercept=float(np.mean(y) - slope * np.mean(x)), slope=float(slope))


def york_line(x: Floats, y: Floats, u_x: Floats, u_y: Floats) -> Line:
    """Line through points with their own errors in both coordinates.

    Raises
    ------
    InputError
        If fewer than 3 points are given or an uncertainty is not positive.

    References
    ----------
    York, Evensen, López Martínez & De Basabe Delgado 2004, Am. J. Phys. 72:367.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if x.size < 3 or np.min(u_x) <= 0 or np.min(u_y) <= 0:
        msg = "line: expected 3 points or more with positive uncertainties"
        raise InputError(msg)
    slope = float(np.polyfit(x, y, 1)[0])
    for _ in range(200):
        weight = 1 / (u_y**2 + slope**2 * u_x**2)
        x_mean, y_mean = np.average(x, weights=weight), np.average(y, weights=weight)
        u, v = x - x_mean, y - y_mean
        beta = weight * (u * u_y**2 + slope * v * u_x**2)
        new = float(np.sum(weight * beta * v) / np.sum(weight * beta * u))
        done = abs(new - slope) <= 1e-14 * abs(new)
        slope = new
        if done:
            break
    weight = 1 / (u_y**2 + slope**2 * u_x**2)
    x_mean, y_mean = np.average(x, weights=weight), np.average(y, weights=weight)
    beta = weight * ((x - x_mean) * u_y**2 + slope * (y - y_mean) * u_x**2)
    x_fit = x_mean + beta
    x_fit_mean = float(np.average(x_fit, weights=weight))
    var_slope = 1 / float(np.sum(weight * (x_fit - x_fit_mean) ** 2))
    var_intercept = 1 / float(np.sum(weight)) + x_fit_mean**2 * var_slope
    shared = -x_fit_mean * var_slope
    intercept = float(y_mean - slope * x_mean)
    return Line(
        intercept=intercept,
        slope=slope,
        covariance=((var_intercept, shared), (shared, var_slope)),
        chi2=float(np.sum(weight * (y - intercept - slope * x) ** 2)),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Anova:
    """One-way analysis of variance."""

    ss_between: float
    ss_within: float
    dof_between: int
    dof_within: int
    f: float
    p: float

    @property
    def s_within(self) -> float:
        """Standard deviation within the groups."""
        return float(np.sqrt(self.ss_within / self.dof_within))


def one_way(groups: Sequence[Floats]) -> Anova:
    """Test whether groups' means differ by more than their scatter explains.

    Raises
    ------
    InputError
        If there are fewer than 2 groups or no group has 2 values.

    References
    ----------
    JCGM 100:2008 (GUM), H.5; NIST StRD, analysis of variance.
    """
    groups = [np.asarray(group, dtype=np.float64) for group in groups if len(group)]
    n = sum(group.size for group in groups)
    if len(groups) < 2 or n <= len(groups):
        msg = "analysis of variance: expected 2 groups or more and more values than groups"
        raise InputError(msg)
    grand = sum(float(group.sum()) for group in groups) / n
    ss_between = sum(group.size * (float(group.mean()) - grand) ** 2 for group in groups)
    ss_within = sum(float(np.sum((group - group.mean()) ** 2)) for group in groups)
    dof_between, dof_within = len(groups) - 1, n - len(groups)
    f = (ss_between / dof_between) / (ss_within / dof_within) if ss_within > 0 else float("inf")
    return Anova(
        ss_between=ss_between,
        ss_within=ss_within,
        dof_between=dof_between,
        dof_within=dof_within,
        f=f,
        p=float(special.fdtrc(dof_between, dof_within, f)),
    )


def slope_test(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Slope of y over x with its standard error and two-sided p; NaN where x does not vary.

    Ordinary least squares; Student's t with n - 2 degrees of freedom.
    """
    n = x.size
    spread = float(np.sum((x - x.mean()) ** 2))
    if n < 4 or np.ptp(x) <= 1e-9 * max(1.0, float(np.abs(x).max())):
        return float("nan"), float("nan"), float("nan")
    slope = float(np.sum((x - x.mean()) * y) / spread)
    rest = y - y.mean() - slope * (x - x.mean())
    u_slope = float(np.sqrt(np.sum(rest**2) / (n - 2) / spread))
    if u_slope == 0:
        return slope, 0.0, float("nan")
    return slope, u_slope, float(2 * special.stdtr(n - 2, -abs(slope / u_slope)))


@dataclass(frozen=True, kw_only=True, slots=True)
class Tost:
    """Two one-sided tests of whether a difference is surely within ± tolerance."""

    verdict: Literal["holds", "does not hold", "not settled"]
    p: float
    interval_90: tuple[float, float]


def equivalence(difference: float, u: float, dof: float, tolerance: float) -> Tost:
    """Test equivalence at the 5 % level, which "no difference seen" does not do.

    "holds": the 90 % interval lies within ± tolerance; "does not hold": it lies wholly outside;
    "not settled": it straddles a limit, and more data are needed.

    References
    ----------
    Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657: two one-sided tests.
    """
    half = t_quantile(0.95, dof) * u
    low, high = difference - half, difference + half
    if u > 0:
        t = (tolerance - abs(difference)) / u
        p = float(special.ndtr(-t) if np.isinf(dof) else special.stdtr(dof, -t))
    else:
        p = 0.0 if abs(difference) < tolerance else 1.0
    verdict: Literal["holds", "does not hold", "not settled"] = "not settled"
    if -tolerance < low and high < tolerance:
        verdict = "holds"
    elif low > tolerance or high < -tolerance:
        verdict = "does not hold"
    return Tost(verdict=verdict, p=p, interval_90=(low, high))
