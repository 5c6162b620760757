"""Propagation of uncertainty against published and certified values, and against scatter seen."""

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.uncertainty import (
    Budget,
    BudgetRow,
    LineFit,
    correlation,
    coverage_factor,
    fit_line,
    fit_line_both,
    jacobian,
    monte_carlo,
    parameter_covariance,
    propagate,
    shortest_interval,
    weighted_least_squares,
)

Floats = npt.NDArray[np.float64]


class TestEndGauge:
    """Reference: JCGM 100:2008 (GUM), H.1; inputs and results as in its table H.1, in nm."""

    VALUES = (50_000_623.0, 215.0, 11.5e-6, -0.1, 0.0, 0.0)
    U = (25.0, 9.7, 1.2e-6, 0.41, 0.58e-6, 0.029)  # as printed
    DOF = (18, 25.6, math.inf, math.inf, 50, 2)
    NAMES = ("ls", "d", "alpha_s", "theta", "d_alpha", "d_theta")

    @staticmethod
    def length_nm(inputs: Floats) -> Floats:
        """Evaluate the measurement function, H.1.2."""
        ls, d, alpha_s, theta, d_alpha, d_theta = inputs
        return np.asarray(ls + d - ls * (d_alpha * theta + alpha_s * d_theta))

    def budget(self) -> Budget:
        """Build the budget of table H.1."""
        sensitivity = jacobian(self.length_nm, self.VALUES, self.U)[0]
        rows = zip(self.NAMES, self.U, sensitivity, self.DOF, strict=True)
        return Budget(
            rows=tuple(
                BudgetRow(name=name, u=u, sensitivity=float(c), dof=dof) for name, u, c, dof in rows
            )
        )

    def test_estimate(self) -> None:
        """H.1.4: 50.000 838 mm."""
        assert self.length_nm(np.array(self.VALUES)) == 50_000_838

    def test_contributions(self) -> None:
        """Table H.1, last column."""
        seen = [row.contribution for row in self.budget().rows]
        # the last input's u, 0.05 / sqrt(3), is printed as 0.029: 0.5 % more
        assert seen == pytest.approx([25, 9.7, 0, 0, 2.9, 16.6], abs=0.05, rel=0.005)

    def test_combined(self) -> None:
        """H.1.4 and H.1.6."""
        budget = self.budget()
        assert budget.u == pytest.approx(31.71, abs=0.01)  # printed: 32
        assert budget.dof == pytest.approx(16.7, abs=0.05)  # printed: 16, cut to a whole number
        assert coverage_factor(0.99, 16) == pytest.approx(2.92, abs=0.005)
        assert 2.92 * budget.u == pytest.approx(93, abs=0.5)
        assert budget.expanded(0.99) == pytest.approx(92.1, abs=0.1)  # dof not cut

    def test_propagate_agrees_with_the_budget(self) -> None:
        """Two ways through the same figures."""
        sensitivity = jacobian(self.length_nm, self.VALUES, self.U)
        u = math.sqrt(propagate(sensitivity, np.array(self.U))[0, 0])
        assert u == pytest.approx(self.budget().u, rel=1e-12)


class TestThermometerLine:
    """Reference: JCGM 100:2008 (GUM), H.3, table H.6 and its results."""

    T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010])
    T = np.append(T, 26.511)
    B = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])

    def test_line(self) -> None:
        """H.3.3."""
        line = fit_line(self.T - 20, self.B)

        assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
        assert line.u_intercept == pytest.approx(0.0029, abs=5e-5)
        assert line.slope == pytest.approx(0.00218, abs=5e-6)
        assert line.u_slope == pytest.approx(0.00067, abs=5e-6)
        assert correlation(line.covariance)[0, 1] == pytest.approx(-0.930, abs=5e-4)
        assert math.sqrt(line.chi2 / line.dof) == pytest.approx(0.0035, abs=5e-5)
        # the same to all digits, calculated apart from this project
        assert line.intercept == pytest.approx(-0.171203790, abs=5e-10)
        assert line.u_slope == pytest.approx(0.000667939, abs=5e-10)

    def test_prediction(self) -> None:
        """H.3.4."""
        b, u_b = fit_line(self.T - 20, self.B).at(30 - 20)
        assert b == pytest.approx(-0.1494, abs=5e-5)
        assert u_b == pytest.approx(0.0041, abs=5e-5)
        assert (b, u_b) == pytest.approx((-0.149376813, 0.004138596), abs=5e-10)

    def test_common_error_moves_the_intercept_alone(self) -> None:
        """Reference: the same data in the GTC package's test of H.3: u(y1) becomes 0.005769."""
        alone = fit_line(self.T - 20, self.B)
        noise = alone.chi2 / alone.dof
        cov = noise * np.eye(self.T.size) + 0.005**2
        line = fit_line(self.T - 20, self.B, u_y=cov)
        assert line.u_intercept == pytest.approx(0.005769, abs=5e-7)
        assert line.u_slope == pytest.approx(alone.u_slope, rel=1e-9)


class TestStraightLines:
    """Reference: ISO/TS 28037:2010, examples of clauses 6, 7, 9, 11, read in a public page."""

    X = np.arange(1.0, 7.0)

    def test_equal_weights(self) -> None:
        """Clause 6, first example."""
        line = fit_line(self.X, [3.3, 5.6, 7.1, 9.3, 10.7, 12.1], u_y=0.5)
        assert (line.intercept, line.u_intercept) == pytest.approx((1.867, 0.465), abs=6e-4)
        assert (line.slope, line.u_slope) == pytest.approx((1.757, 0.120), abs=6e-4)
        assert line.covariance[0, 1] == pytest.approx(-0.050, abs=5e-4)
        assert line.chi2 == pytest.approx(1.665, abs=5e-4)
        assert line.lack_of_fit > 0.05  # the limit of 6.3: chi² below its 95 % value

    def test_unequal_weights(self) -> None:
        """Clause 6, second example."""
        u_y = [0.5, 0.5, 0.5, 1, 1, 1]
        line = fit_line(self.X, [3.2, 4.3, 7.6, 8.6, 11.7, 12.8], u_y=u_y)
        assert (line.intercept, line.u_intercept) == pytest.approx((0.885, 0.530), abs=5e-4)
        assert (line.slope, line.u_slope) == pytest.approx((2.057, 0.178), abs=5e-4)
        assert line.covariance[0, 1] == pytest.approx(-0.082, abs=5e-4)
        assert line.chi2 == pytest.approx(4.131, abs=5e-4)

    def test_errors_in_both(self) -> None:
        """Both x and y with uncertainty."""
        line = fit_line_both(
            [1.2, 1.9, 2.9, 4.0, 4.7, 5.9],
            [3.4, 4.4, 7.2, 8.5, 10.8, 13.5],
            u_x=0.2,
            u_y=[0.2, 0.2, 0.2, 0.4, 0.4, 0.4],
        )
        assert (line.intercept, line.u_intercept) == pytest.approx((0.5788, 0.4764), abs=5e-5)
        assert line.slope == pytest.approx(2.159, abs=1e-3)  # printed 2.159, calculates to 2.1597
        assert line.u_slope == pytest.approx(0.1355, abs=5e-5)
        assert line.covariance[0, 1] == pytest.approx(-0.0577, abs=5e-5)
        assert line.chi2 == pytest.approx(2.743, abs=5e-4)

    def test_unknown_uncertainty(self) -> None:
        """Clause 6 with the spread taken from the residuals."""
        line = fit_line(self.X, [3.014, 5.225, 7.004, 9.061, 11.201, 12.762])
        assert (line.intercept, line.u_intercept) == pytest.approx((1.172, 0.159), abs=5e-4)
        assert (line.slope, line.u_slope) == pytest.approx((1.964, 0.041), abs=5e-4)
        assert line.covariance[0, 1] == pytest.approx(-0.006, abs=5e-4)
        assert line.chi2 == pytest.approx(0.1165, abs=5e-5)

    def test_inverse_and_forward(self) -> None:
        """Clause 11."""
        line = fit_line(self.X, [3.3, 5.6, 7.1, 9.3, 10.7, 12.1], u_y=0.5)
        assert line.inverse(10.5, 0.5) == pytest.approx((4.91327913, 0.32203556), abs=5e-9)
        assert line.at(3.5, 0.2) == pytest.approx((8.01666667, 0.40640953), abs=5e-9)


class TestPearsonYork:
    """A line through points with uncertainty in x and y."""

    X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])

    def test_weights_of_york(self) -> None:
        """Reference: York et al. (2004), Am. J. Phys. 72, 367, table II (values from memory)."""
        w_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
        w_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
        line = fit_line_both(self.X, self.Y, u_x=w_x**-0.5, u_y=w_y**-0.5)
        assert line.intercept == pytest.approx(5.47991022, abs=5e-9)
        assert line.slope == pytest.approx(-0.480533407, abs=5e-10)
        assert (line.u_intercept, line.u_slope) == pytest.approx((0.294971, 0.0579850), rel=2e-6)
        assert line.chi2 / line.dof == pytest.approx(1.4833, abs=5e-5)

    U_X = np.array([0.03, 0.03, 0.04, 0.035, 0.07, 0.11, 0.13, 0.22, 0.74, 1.0])
    U_Y = np.array([1.0, 0.74, 0.5, 0.35, 0.22, 0.22, 0.12, 0.12, 0.1, 0.04])

    def test_orthogonal_distance_regression(self) -> None:
        """Reference: ODRPACK's result, in scipy/odr/tests/test_odr.py::test_pearson.

        ODRPACK stops once the sum of squares has settled to 1.5e-8 of itself, which leaves the
        parameters good to about 1e-6.
        """
        line = fit_line_both(self.X, self.Y, u_x=self.U_X, u_y=self.U_Y)
        assert line.intercept == pytest.approx(5.4767400299, rel=1e-6)
        assert line.slope == pytest.approx(-0.4796082368, rel=2e-6)
        spread = math.sqrt(line.chi2 / line.dof)  # ODRPACK scales by the residuals
        assert line.u_intercept * spread == pytest.approx(0.3590121691, rel=1e-5)
        assert line.u_slope * spread == pytest.approx(0.0706291186, rel=1e-5)
        assert line.covariance[0, 1] == pytest.approx(-0.0161807025, rel=1e-5)

    def test_ours_is_the_lower_minimum(self) -> None:
        """Where we and ODRPACK differ, ours has the smaller sum."""
        line = fit_line_both(self.X, self.Y, u_x=self.U_X, u_y=self.U_Y)

        def chi2(a: float, b: float) -> float:
            return float(
                np.sum((self.Y - a - b * self.X) ** 2 / (self.U_Y**2 + b**2 * self.U_X**2))
            )

        assert chi2(line.intercept, line.slope) == pytest.approx(line.chi2, rel=1e-12)
        assert line.chi2 <= chi2(5.4767400299231674, -0.4796082367610305)

    def test_level_line_settles(self) -> None:
        """Reference: points mirrored about the middle have slope 0."""
        line = fit_line_both([-2, -1, 0, 1, 2], [0.3, 0.1, 0.7, 0.1, 0.3], u_x=0.1, u_y=0.2)
        assert line.slope == pytest.approx(0, abs=1e-12)

    def test_either_axis_first(self) -> None:
        """Reference: exchange of x and y must give the inverse line."""
        line = fit_line_both(self.X, self.Y, u_x=self.U_X, u_y=self.U_Y)
        back = fit_line_both(self.Y, self.X, u_x=self.U_Y, u_y=self.U_X)
        assert back.slope == pytest.approx(1 / line.slope, rel=1e-9)
        assert back.intercept == pytest.approx(-line.intercept / line.slope, rel=1e-9)
        assert back.chi2 == pytest.approx(line.chi2, rel=1e-9)


def test_norris() -> None:
    """Reference: NIST StRD linear regression, Norris (certified values; US government work)."""
    text = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5
    996.3
    449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9
    447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3
    557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3 228.9 229.2
    668.4 669.1 449.2 448.9 0.2 0.5"""
    y, x = np.array(text.split(), float).reshape(-1, 2).T
    assert y.size == 36

    line = fit_line(x, y)

    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-12)
    assert line.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-12)
    assert math.sqrt(line.chi2 / line.dof) == pytest.approx(0.884796396144373, rel=1e-12)


def test_misra1a() -> None:
    """Reference: NIST StRD non-linear regression, Misra1a, certified standard deviations."""
    text = """10.07 77.6 14.73 114.9 17.94 141.1 23.93 190.8 29.61 239.9 35.18 289.0 40.02 332.8
    44.82 378.4 50.76 434.8 55.05 477.3 61.01 536.8 66.40 593.1 75.47 689.1 81.78 760.0"""
    y, x = np.array(text.split(), float).reshape(-1, 2).T
    certified = [2.3894212918e2, 5.5015643181e-4]

    def model(b: Floats) -> Floats:
        return np.asarray(b[0] * (1 - np.exp(-b[1] * x)))

    rss = float(np.sum((y - model(np.array(certified))) ** 2))
    j = jacobian(model, certified, [1e-3, 1e-9])
    sd = np.sqrt(np.diag(parameter_covariance(j)) * rss / (x.size - 2))

    assert rss == pytest.approx(1.2455138894e-1, rel=1e-10)
    assert sd == pytest.approx([2.7070075241, 7.2668688436e-6], rel=1e-7)


def test_propagation_against_an_independent_package() -> None:
    """Reference: the `uncertainties` package on a non-linear function of correlated inputs."""
    uncertainties = pytest.importorskip("uncertainties")
    umath = pytest.importorskip("uncertainties.umath")
    values = np.array([30.0, 0.6, 850.0])
    cov = np.array([[0.04, 0.001, 0.02], [0.001, 0.0004, -0.01], [0.02, -0.01, 4.0]])

    def height(x: Any, math_: Any = np) -> Any:
        return x[0] * math_.cos(x[1]) / (1 + x[0] * math_.sin(x[1]) / x[2])

    ours = propagate(jacobian(height, values, 1e-6 * np.sqrt(np.diag(cov))), cov)[0, 0]
    theirs = height(uncertainties.correlated_values(values, cov), umath)
    assert math.sqrt(ours) == pytest.approx(theirs.std_dev, rel=1e-6)


def test_lines_against_an_independent_package() -> None:
    """Reference: GTC's weighted total least squares on other points."""
    gtc = pytest.importorskip("GTC")
    x = [1.0, 2.1, 2.9, 4.2, 5.0, 6.3]
    y = [1.4, 2.2, 4.1, 4.4, 6.4, 6.2]
    u_x, u_y = [0.1, 0.3, 0.2, 0.2, 0.1, 0.4], [0.3, 0.2, 0.4, 0.1, 0.3, 0.2]
    theirs = gtc.type_b.line_fit_wtls(
        [gtc.ureal(v, u) for v, u in zip(x, u_x, strict=True)],
        [gtc.ureal(v, u) for v, u in zip(y, u_y, strict=True)],
    )
    line = fit_line_both(x, y, u_x=u_x, u_y=u_y)
    a, b = theirs.a_b
    # its search stops near 1e-8 of the angle
    assert (line.intercept, line.slope) == pytest.approx((a.x, b.x), rel=1e-5)
    assert line.chi2 == pytest.approx(theirs.ssr, rel=1e-6)


class TestClaimAgainstScatter:
    """Reference: the scatter of fits to freshly drawn observations."""

    N = 2000
    #: 4 standard errors of a standard deviation from N draws
    REL = 4 / math.sqrt(2 * N)

    def test_budget_of_few_readings(self) -> None:
        """A difference of two means of 4 and 10 readings: 95 % intervals by t and by 1.96 u.

        Binomial test at the 1 % level: 4000 trials leave 0.9 % around 95 %; Welch and
        Satterthwaite's approximation is known to be a little wide (95.4 % here with 20 000).
        """
        rng, n = np.random.default_rng(20260303), 4000
        by_t = by_normal = 0
        for _ in range(n):
            one, other = rng.normal(0, 1, 4), rng.normal(0, 2, 10)
            rows = (
                BudgetRow(name="one", u=one.std(ddof=1) / 2, dof=3),
                BudgetRow(name="other", u=other.std(ddof=1) / math.sqrt(10), sensitivity=-1, dof=9),
            )
            budget = Budget(rows=rows)
            error = abs(one.mean() - other.mean())
            by_t += error <= budget.expanded()
            by_normal += error <= 1.96 * budget.u
        assert by_t / n == pytest.approx(0.954, abs=0.009)
        assert by_normal / n < 0.94  # without degrees of freedom the claim fails

    def test_weighted_least_squares(self) -> None:
        """Correlated observations, three parameters."""
        rng = np.random.default_rng(20260301)
        design = np.column_stack([np.ones(12), np.linspace(-1, 2, 12), np.linspace(-1, 2, 12) ** 2])
        u = rng.uniform(0.1, 0.5, 12)
        root = np.diag(u) + 0.2 * np.tri(12, k=-1)  # correlated observations
        cov = root @ root.T
        truth = design @ [1.0, -2.0, 0.5]
        fits = [
            weighted_least_squares(design, truth + root @ rng.normal(size=12), u=cov)
            for _ in range(self.N)
        ]
        seen = np.cov(np.array([fit.values for fit in fits]), rowvar=False)
        assert np.sqrt(np.diag(seen)) == pytest.approx(fits[0].u, rel=self.REL)
        # a correlation from N draws has a standard error of at most 1 / sqrt(N)
        assert correlation(seen) == pytest.approx(fits[0].correlation, abs=4 / math.sqrt(self.N))
        assert np.mean([fit.chi2 for fit in fits]) == pytest.approx(
            9, rel=4 * math.sqrt(2 / 9 / self.N)
        )

    def test_errors_in_both(self) -> None:
        """Both x and y with uncertainty."""
        rng = np.random.default_rng(20260302)
        x, u_x, u_y = np.linspace(0, 10, 15), np.full(15, 0.2), np.linspace(0.1, 0.4, 15)
        lines = [
            fit_line_both(
                x + u_x * rng.normal(size=15),
                1 + 2 * x + u_y * rng.normal(size=15),
                u_x=u_x,
                u_y=u_y,
            )
            for _ in range(self.N)
        ]
        slopes = np.array([line.slope for line in lines])
        intercepts = np.array([line.intercept for line in lines])
        assert slopes.std(ddof=1) == pytest.approx(
            np.mean([line.u_slope for line in lines]), rel=self.REL
        )
        assert intercepts.std(ddof=1) == pytest.approx(
            np.mean([line.u_intercept for line in lines]), rel=self.REL
        )


@given(
    st.lists(st.floats(0.1, 100), min_size=3, max_size=3),
    st.integers(0, 2**32 - 1),
)
def test_units_do_not_matter(scale: list[float], seed: int) -> None:
    """Reference: parameters in other units have the same relative covariance."""
    rng = np.random.default_rng(seed)
    design = rng.normal(size=(20, 3))
    one = parameter_covariance(design)
    other = parameter_covariance(design * np.array(scale))
    assert other * np.outer(scale, scale) == pytest.approx(one, rel=1e-9, abs=1e-12)


def test_inputs_are_not_changed() -> None:
    design, y, u = np.ones((4, 1)), np.arange(4.0), np.ones(4)
    copies = design.copy(), y.copy(), u.copy()
    weighted_least_squares(design, y, u=u)
    assert all(np.array_equal(a, b) for a, b in zip((design, y, u), copies, strict=True))


LEVEL = LineFit(
    values=np.array([1.0, 0.0]), covariance=np.eye(2), residuals=np.zeros(3), chi2=0.0, dof=1
)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: propagate([1.0, 2.0], [1.0, 2.0]), r"sensitivity \(2,\).*do not fit"),
        (lambda: monte_carlo(np.log, [], n_draws=1), "n_draws: expected 2 or more"),
        (lambda: shortest_interval([1.0, 2.0], 0.1), "2 draws cannot hold"),
        (lambda: weighted_least_squares(np.ones((3, 1)), [1, 2]), r"got shapes \(3, 1\), \(2,\)"),
        (
            lambda: weighted_least_squares(np.ones((2, 1)), [1, np.nan], u=1),
            "expected finite design",
        ),
        (lambda: weighted_least_squares(np.ones((2, 2)), [1, 2]), "leave nothing to judge"),
        (lambda: fit_line([1, 2], [1, 2], u_y=[1, 0]), "all > 0"),
        (lambda: fit_line([1, 2], [1, 2], u_y=[1, 1, 1]), r"one number or shape \(2,\)"),
        (lambda: fit_line([1, 2], [1, 2], u_y=np.ones((2, 2))), "positive definite"),
        (lambda: fit_line([1, 2], [1, 2], u_y=np.eye(3)), "expected a covariance of shape"),
        (lambda: fit_line([2, 2, 2], [1, 2, 3], u_y=1), "do not determine 2 parameters"),
        (
            lambda: weighted_least_squares([[1, 0], [2, 0]], [1, 2], u=1, names=("a", "b")),
            "do not determine 2 parameters: see b",
        ),
        (lambda: fit_line_both([1], [1], u_x=1, u_y=1), "two points or more"),
        (lambda: LEVEL.inverse(2), "slope 0"),
    ],
)
def test_wrong_calls_are_refused(call: Any, words: str) -> None:
    with pytest.raises(InputError, match=words):
        call()
