"""The weight model's fit against independent code, hand calculation and simulated truth."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.studies.fit import CheckWeights, FitRows, fit_weights, robust_start
from geomscan.studies.model_choice import choose_model
from geomscan.studies.statistics import york_line

Floats = npt.NDArray[np.float64]


def rows_of(
    weight_g: Floats,
    volume_cm3: Floats,
    area_cm2: Floats,
    *,
    u_weight_g: float = 0.3,
    u_own: float = 0.0,
    u_run_cm3: Floats | None = None,
    fat_cm3: Floats | None = None,
) -> FitRows:
    n = weight_g.size
    return FitRows(
        weight_g=weight_g,
        volume_cm3=volume_cm3,
        area_cm2=area_cm2,
        fat_cm3=np.zeros(n) if fat_cm3 is None else fat_cm3,
        u_weight_g=np.full(n, u_weight_g),
        u_own_cm3=u_own * volume_cm3,
        u_run_cm3=np.zeros(n) if u_run_cm3 is None else u_run_cm3,
    )


def sizes(n: int, seed: int = 3) -> tuple[Floats, Floats]:
    """Draw volume and plan area of n pieces, 12 to 40 mm thick."""
    random = np.random.default_rng(seed)
    area_cm2 = random.uniform(60, 200, n)
    return area_cm2 * random.uniform(1.2, 4.0, n), area_cm2


@settings(deadline=None)
@given(
    density=st.floats(900, 1100),
    offset_mm=st.floats(-0.5, 0.5),
    zero_g=st.floats(-5, 5),
    fat=st.floats(850, 1000),
)
def test_exact_data_give_exact_estimates(
    density: float, offset_mm: float, zero_g: float, fat: float
) -> None:
    """Reference: weights made by the model itself, without noise."""
    volume_cm3, area_cm2 = sizes(20)
    fat_cm3 = volume_cm3 * np.random.default_rng(4).uniform(0, 0.4, 20)
    true_cm3 = volume_cm3 - offset_mm / 10 * area_cm2
    weight_g = (density * (true_cm3 - fat_cm3) + fat * fat_cm3) / 1000 + zero_g

    fit = fit_weights(
        rows_of(weight_g, volume_cm3, area_cm2, fat_cm3=fat_cm3), ("lean", "fat", "offset", "zero")
    )

    assert fit.values == pytest.approx([density, fat, offset_mm, zero_g], abs=1e-6)


def test_known_errors_give_weighted_least_squares() -> None:
    """Reference: numpy's own weighted least squares, with its covariance, for scatter 0."""
    volume_cm3, area_cm2 = sizes(30)
    random = np.random.default_rng(8)
    u_g = random.uniform(0.5, 3, 30)
    weight_g = 1.05 * volume_cm3 + 0.02 * area_cm2 + u_g * random.standard_normal(30)
    rows = replace(rows_of(weight_g, volume_cm3, area_cm2), u_weight_g=u_g)

    fit = fit_weights(rows, ("lean", "zero"), scatter=0.0)

    beta, covariance = np.polyfit(volume_cm3, weight_g, 1, w=1 / u_g, cov="unscaled")
    assert fit.values == pytest.approx(beta * np.array([1000, 1]), rel=1e-9)
    assert fit.covariance == pytest.approx(covariance * np.outer([1000, 1], [1000, 1]), rel=1e-9)


def test_errors_of_volume_do_not_flatten_the_slope() -> None:
    """Reference: York's line with errors in both; plain least squares is 6 % too flat here."""
    random = np.random.default_rng(9)
    truth_cm3 = random.uniform(200, 400, 400)
    volume_cm3 = truth_cm3 + 15 * random.standard_normal(400)
    weight_g = 1.05 * truth_cm3 + 2 * random.standard_normal(400)
    rows = replace(
        rows_of(weight_g, volume_cm3, np.full(400, 100.0), u_weight_g=2.0),
        u_own_cm3=np.full(400, 15.0),
    )

    fit = fit_weights(rows, ("lean", "zero"), scatter=0.0)

    line = york_line(volume_cm3, weight_g, np.full(400, 15.0), np.full(400, 2.0))
    plain = np.polyfit(volume_cm3, weight_g, 1)[0]
    u = fit.u("lean") / 1000
    assert fit.value("lean") / 1000 == pytest.approx(line.slope, abs=0.5 * u)
    assert fit.value("lean") / 1000 == pytest.approx(1.05, abs=3 * u)
    assert plain < 1.05 - 3 * u


def test_scatter_from_piece_to_piece_is_found() -> None:
    """Reference: 0.8 % was put in; 400 pieces give a standard deviation to 4 / √800 = 14 %."""
    volume_cm3, area_cm2 = sizes(400)
    random = np.random.default_rng(10)
    weight_g = 1.05 * volume_cm3 * (1 + 0.008 * random.standard_normal(400))

    fit = fit_weights(rows_of(weight_g, volume_cm3, area_cm2), ("lean", "offset"))

    assert fit.scatter == pytest.approx(0.008, rel=0.14)
    assert fit.dof == 398


def test_leaving_one_out_is_what_it_says() -> None:
    """Reference: the fit done again without the piece, the same scatter held."""
    volume_cm3, area_cm2 = sizes(12)
    random = np.random.default_rng(11)
    weight_g = 1.05 * volume_cm3 * (1 + 0.005 * random.standard_normal(12))
    rows = rows_of(weight_g, volume_cm3, area_cm2)
    fit = fit_weights(rows, ("lean", "offset"), scatter=0.005)

    keep = np.arange(12) != 4
    without = fit_weights(rows.take(keep), ("lean", "offset"), scatter=0.005)
    offset_cm = without.value("offset") / 10
    predicted_g = without.value("lean") / 1000 * (volume_cm3[4] - offset_cm * area_cm2[4])

    # the rows' weights follow the fitted masses and so move a trifle
    assert fit.left_out_g[4] == pytest.approx(weight_g[4] - predicted_g, rel=1e-4)


@pytest.mark.parametrize(("scale", "height_cm"), [(0.004, 0.0), (0.0, 0.01), (0.003, 0.006)])
def test_common_errors_go_where_they_belong(scale: float, height_cm: float) -> None:
    """Reference: by hand; a common scale moves density alone, a common height the offset alone."""
    volume_cm3, area_cm2 = sizes(30)
    run_cm3 = np.hypot(scale * volume_cm3, height_cm * area_cm2)
    rows = rows_of(1.05 * volume_cm3, volume_cm3, area_cm2, u_run_cm3=run_cm3)

    fit = fit_weights(rows, ("lean", "offset"))

    u_run = np.sqrt(np.diag(fit.run_covariance))
    assert u_run == pytest.approx([1050 * scale, 10 * height_cm], abs=1e-4, rel=1e-3)


def test_check_weights_part_scale_from_density() -> None:
    """Reference: by hand; the scale reads 1 % and 3 g too much, density is 1040 kg/m³."""
    volume_cm3, area_cm2 = sizes(20)
    certified_g = np.array([0.0, 200.0, 500.0])
    checks = CheckWeights(
        certified_g=certified_g, reading_g=1.01 * certified_g + 3, u_reading_g=np.full(3, 0.03)
    )
    rows = rows_of(1.01 * 1.04 * volume_cm3 + 3, volume_cm3, area_cm2, u_weight_g=0.03)

    fit = fit_weights(rows, ("lean", "offset", "zero", "gain"), checks=checks)

    # a gain times a mass is a product of unknowns, taken at first order and iterated
    assert fit.value("lean") == pytest.approx(1040, abs=0.2)
    assert fit.value("zero") == pytest.approx(3.0, abs=0.05)
    assert fit.value("gain") == pytest.approx(1.0, abs=0.01)


def test_robust_start_shrugs_off_a_fifth_of_wrong_rows() -> None:
    volume_cm3, area_cm2 = sizes(30)
    weight_g = 1.05 * volume_cm3
    weight_g[:6] *= np.array([1.8, 0.4, 2.0, 0.5, 1.5, 0.6])
    columns = np.stack([volume_cm3, -area_cm2], axis=1)

    beta, _ = robust_start(columns, weight_g, 0.005 * weight_g)

    assert beta == pytest.approx([1.05, 0.0], abs=1e-6)


def test_like_pieces_get_no_offset_and_are_told_why() -> None:
    """Pieces of one thickness can't tell density from a height offset."""
    random = np.random.default_rng(12)
    area_cm2 = random.uniform(60, 200, 20)
    volume_cm3 = 2.5 * area_cm2
    weight_g = 1.05 * volume_cm3 * (1 + 0.005 * random.standard_normal(20))

    choice = choose_model(rows_of(weight_g, volume_cm3, area_cm2))

    assert choice.fit.names == ("lean",)
    assert any("thick" in reason and "not fitted" in reason for reason in choice.reasons)


def test_offset_is_fitted_whether_it_shows_or_not() -> None:
    volume_cm3, area_cm2 = sizes(20)
    random = np.random.default_rng(13)
    weight_g = 1.05 * volume_cm3 * (1 + 0.005 * random.standard_normal(20))

    choice = choose_model(rows_of(weight_g, volume_cm3, area_cm2))

    assert choice.fit.names == ("lean", "offset")


def test_fat_is_told_only_by_weighings_that_tell_it() -> None:
    """Reference: by hand, much fat in many pieces, and a trace of fat in few."""
    volume_cm3, area_cm2 = sizes(40)
    random = np.random.default_rng(14)
    for share, told in ((0.5, True), (0.01, False)):
        fat_cm3 = volume_cm3 * share * random.uniform(0, 1, 40)
        weight_g = (1.05 * (volume_cm3 - fat_cm3) + 0.93 * fat_cm3) * (
            1 + 0.003 * random.standard_normal(40)
        )
        choice = choose_model(rows_of(weight_g, volume_cm3, area_cm2, fat_cm3=fat_cm3))

        assert choice.fat_told is told
        assert "fat" in choice.fit.names
        assert abs(choice.fit.value("fat") - 930) < 2.5 * choice.fit.u("fat")


def test_too_few_pieces_are_refused() -> None:
    volume_cm3, area_cm2 = sizes(2)
    with pytest.raises(InputError, match="expected 3 usable weighed pieces or more, got 2"):
        choose_model(rows_of(1.05 * volume_cm3, volume_cm3, area_cm2))
    with pytest.raises(InputError, match="expected more than 2 weighed pieces, got 2"):
        fit_weights(rows_of(1.05 * volume_cm3, volume_cm3, area_cm2), ("lean", "offset"))


def test_pieces_that_are_all_alike_are_refused() -> None:
    alike = np.full(6, 250.0)
    with pytest.raises(InputError, match="can't tell the unknowns apart"):
        fit_weights(rows_of(1.05 * alike, alike, np.full(6, 100.0)), ("lean", "offset"))
