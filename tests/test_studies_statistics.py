"""Statistics of method comparison against published and certified figures."""

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.studies.statistics import (
    bland_altman,
    concordance,
    deming_line,
    equivalence,
    one_way,
    slope_test,
    york_line,
)

Floats = npt.NDArray[np.float64]


def numbers(text: str) -> Floats:
    return np.array([float(part) for part in text.split()])


# peak flow in l/min of 17 subjects, two meters, two readings each: Bland & Altman 1986, Lancet
# 327:307, table 1
LARGE_1 = numbers("494 395 516 434 476 557 413 442 650 433 417 656 267 478 178 423 427")
LARGE_2 = numbers("490 397 512 401 470 611 415 431 638 429 420 633 275 492 165 372 421")
MINI_1 = numbers("512 430 520 428 500 600 364 380 658 445 432 626 260 477 259 350 451")
MINI_2 = numbers("525 415 508 444 500 625 460 390 642 432 420 605 227 467 268 370 443")


def test_bland_altman_1986() -> None:
    """Reference: Bland & Altman 1986; more digits calculated apart from this program."""
    found = bland_altman(LARGE_1, MINI_1)

    assert found.bias == pytest.approx(-2.11764705882, abs=1e-10)
    assert found.sd == pytest.approx(38.7651298736, abs=1e-9)
    # that source took the normal's quantile with 10 digits, hence 5e-10 of 38.8
    assert found.limits == pytest.approx((-78.0959054849, 73.8606113673), abs=2e-8)
    assert found.bias_interval == pytest.approx((-22.05, 17.81), abs=0.005)
    assert found.u_limit == pytest.approx(16.285, abs=5e-4)


def test_bland_altman_1986_with_two_standard_deviations() -> None:
    """Reference: the paper's own limits -79.7 and 75.5 and their intervals, to their digits."""
    found = bland_altman(LARGE_1, MINI_1, factor=2.0)

    assert found.limits == pytest.approx((-79.65, 75.41), abs=0.005)
    assert found.low_interval == pytest.approx((-114.17, -45.13), abs=0.01)
    assert found.high_interval == pytest.approx((40.89, 109.93), abs=0.01)


def test_bland_altman_repeatability() -> None:
    """Reference: twice the rms difference of repeats, 43.29 and 56.32, from the same paper."""
    for first, second, expected in ((LARGE_1, LARGE_2, 43.29), (MINI_1, MINI_2, 56.32)):
        within = one_way(list(np.stack([first, second], axis=1)))

        assert 2 * np.sqrt(2) * within.s_within == pytest.approx(expected, abs=0.005)


def test_lin_concordance() -> None:
    """Reference: epi.ccc's formula on the same 17 subjects, calculated apart."""
    found = concordance(LARGE_1, MINI_1)

    assert found.correlation == pytest.approx(0.943279447, abs=1e-9)
    assert found.coefficient == pytest.approx(0.942742431, abs=1e-9)
    assert found.bias_factor == pytest.approx(0.999431, abs=1e-6)
    assert found.interval == pytest.approx((0.8505, 0.9787), abs=5e-5)


@pytest.mark.parametrize(
    ("ratio", "intercept", "slope"),
    [
        (0.25, -0.089744899, 1.001194228),
        (1.0, 0.390925377, 0.942288557),
        (4.0, 0.812708, 0.890600),
    ],
)
def test_deming(ratio: float, intercept: float, slope: float) -> None:
    """Reference: a statistics handbook's example, also in a package's tests: -0.08974, 1.00119."""
    x = numbers("7 8.3 10.5 9 5.1 8.2 10.2 10.3 7.1 5.9")
    y = numbers("7.9 8.2 9.6 9 6.5 7.3 10.2 10.6 6.3 5.2")

    found = deming_line(x, y, variance_ratio=ratio)

    assert found.intercept == pytest.approx(intercept, abs=1e-6)
    assert found.slope == pytest.approx(slope, abs=1e-6)


PEARSON_X = numbers("0 .9 1.8 2.6 3.3 4.4 5.2 6.1 6.5 7.4")
PEARSON_Y = numbers("5.9 5.4 4.4 4.6 3.5 3.7 2.8 2.8 2.4 1.5")


def test_pearson_data_in_scipy() -> None:
    """Reference: scipy 1.17.1, odr/tests/test_odr.py::test_pearson."""
    u_x = numbers(".03 .03 .04 .035 .07 .11 .13 .22 .74 1")
    u_y = numbers("1 .74 .5 .35 .22 .22 .12 .12 .1 .04")
    beta = (5.4767400299231674, -0.4796082367610305)

    def chi2(intercept: float, slope: float) -> float:
        rest = PEARSON_Y - intercept - slope * PEARSON_X
        return float(np.sum(rest**2 / (u_y**2 + slope**2 * u_x**2)))

    found = york_line(PEARSON_X, PEARSON_Y, u_x, u_y)

    # that program stops at a relative change of 1.5e-8 in chi², which leaves 3e-6 in beta
    assert (found.intercept, found.slope) == pytest.approx(beta, abs=3e-6)
    assert chi2(found.intercept, found.slope) <= chi2(*beta)
    # it scales by the scatter about the line; the line here states the points' own errors
    scale = np.sqrt(found.chi2 / 8)
    assert scale * found.u_intercept == pytest.approx(0.3590121690702467, abs=3e-6)
    assert scale * found.u_slope == pytest.approx(0.0706291186037444, abs=3e-6)


def test_pearson_data_with_york_weights() -> None:
    """Reference: York 1966, Can. J. Phys. 44:1079: 5.47991022, -0.480533407 (from memory)."""
    w_x = numbers("1000 1000 500 800 200 80 60 20 1.8 1")
    w_y = numbers("1 1.8 4 8 20 20 70 70 100 500")

    found = york_line(PEARSON_X, PEARSON_Y, w_x**-0.5, w_y**-0.5)

    assert found.intercept == pytest.approx(5.47991022, abs=5e-9)
    assert found.slope == pytest.approx(-0.480533407, abs=5e-10)


def test_line_of_iso_28037_with_errors_in_both() -> None:
    """Reference: ISO/TS 28037, example with errors in x and y: 0.5788 (0.4764), 2.159 (0.1355)."""
    found = york_line(
        numbers("1.2 1.9 2.9 4.0 4.7 5.9"),
        numbers("3.4 4.4 7.2 8.5 10.8 13.5"),
        np.full(6, 0.2),
        numbers(".2 .2 .2 .4 .4 .4"),
    )

    assert (found.intercept, found.u_intercept) == pytest.approx((0.5788, 0.4764), abs=5e-5)
    # the slope stands there cut off after three decimals: 2.1597
    assert found.slope == pytest.approx(2.1595, abs=5e-4)
    assert found.u_slope == pytest.approx(0.1355, abs=5e-5)
    assert found.chi2 == pytest.approx(2.743, abs=5e-4)
    assert found.covariance is not None
    assert found.covariance[0][1] == pytest.approx(-0.0577, abs=5e-5)


# NIST StRD, SiRstv: resistance in ohm cm of silicon, 5 instruments x 5 readings
SIRSTV = (
    "196.3052 196.1240 196.1890 196.2569 196.3403",
    "196.3042 196.3825 196.1669 196.3257 196.0422",
    "196.1303 196.2005 196.2889 196.0343 196.1811",
    "196.2795 196.1748 196.1494 196.1485 195.9885",
    "196.2119 196.1051 196.1850 196.0052 196.2090",
)


def test_sirstv() -> None:
    """Reference: NIST StRD, certified values of SiRstv."""
    found = one_way([numbers(row) for row in SIRSTV])

    assert (found.dof_between, found.dof_within) == (4, 20)
    assert found.ss_between == pytest.approx(5.11462616e-2, rel=1e-8)
    assert found.ss_within == pytest.approx(2.16636560e-1, rel=1e-8)
    assert found.f == pytest.approx(1.18046237440255, rel=1e-9)
    assert found.s_within == pytest.approx(1.04076068334656e-1, rel=1e-9)


def test_gum_h5() -> None:
    """Reference: JCGM 100:2008 H.5: between 57 µV, within 85 µV, F = 2.25.

    The guide gives means and standard deviations of 10 days; each day's 5 readings are made up so
    that they have exactly these.
    """
    means_uv = numbers("172 116 13 144 106 31 60 125 163 41")
    sds_uv = numbers("60 77 111 101 67 93 80 73 88 86")
    shape = numbers("-2 -1 0 1 2") / np.sqrt(2.5)

    found = one_way([mean + sd * shape for mean, sd in zip(means_uv, sds_uv, strict=True)])

    assert means_uv.mean() == pytest.approx(97, abs=0.5)
    assert np.sqrt(found.ss_between / found.dof_between / 5) == pytest.approx(57, abs=0.5)
    assert found.s_within == pytest.approx(85, abs=0.5)
    # the guide puts the rounded 57 and 85 into F: 5 · 57² / 85² = 2.25; unrounded it is 2.26
    between, within = round(np.sqrt(found.ss_between / 9 / 5)), round(found.s_within)
    assert 5 * between**2 / within**2 == pytest.approx(2.25, abs=0.005)
    assert 5 * 56.5**2 / 85.5**2 < found.f < 5 * 57.5**2 / 84.5**2


def test_slope_is_that_of_gum_h3() -> None:
    """Reference: JCGM 100:2008 H.3, slope 0.00218 with 0.00067."""
    t_c = numbers("21.521 22.012 22.512 23.003 23.507 23.999 24.513 25.002 25.503 26.010 26.511")
    b_c = numbers("-171 -169 -166 -159 -164 -165 -156 -157 -159 -161 -160") / 1000

    slope, u_slope, p = slope_test(t_c, b_c)

    assert (slope, u_slope) == pytest.approx((0.002182698, 0.000667939), abs=1e-9)
    # Student's t table: 9 degrees of freedom, 3.268 lies between 0.01 (3.250) and 0.005 (3.690)
    assert 0.005 < p < 0.01


@settings(deadline=None)  # the first call compiles or imports
@given(difference=st.floats(-0.03, 0.03), u=st.floats(1e-4, 0.02), dof=st.integers(2, 60))
def test_equivalence_agrees_with_its_p(difference: float, u: float, dof: int) -> None:
    """Invariant: two one-sided tests at 5 % and the 90 % interval give one verdict."""
    found = equivalence(difference, u, dof, 0.01)

    if abs(found.p - 0.05) > 1e-6:
        assert (found.verdict == "holds") == (found.p < 0.05)


def test_equivalence_needs_more_than_no_difference() -> None:
    assert equivalence(0.0, 0.02, 10, 0.01).verdict == "not settled"
    assert equivalence(0.001, 0.002, 38, 0.01).verdict == "holds"
    assert equivalence(-0.02, 0.002, 38, 0.01).verdict == "does not hold"


def test_too_little_data_is_refused() -> None:
    with pytest.raises(InputError, match="expected 3 pairs or more, got 2"):
        bland_altman(np.array([1.0, 2.0]), np.array([1.0, 2.0]))
    with pytest.raises(InputError, match="expected 2 groups"):
        one_way([np.array([1.0, 2.0])])
    with pytest.raises(InputError, match="positive uncertainties"):
        york_line(np.arange(4.0), np.arange(4.0), np.zeros(4), np.ones(4))
