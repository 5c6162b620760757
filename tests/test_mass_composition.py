"""Densities from composition against published tables and an independent library."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.mass.composition import (
    COMPONENTS,
    Composition,
    brine_density,
    component_density,
    find_cut,
    mixture_density,
    raw_cuts,
    water_density,
)

#: CoolProp's names of the components of Choi & Okos 1986.
COOLPROP = {
    "water": "FoodWater",
    "protein": "FoodProtein",
    "fat": "FoodFat",
    "carbohydrate": "FoodCarbohydrate",
    "fibre": "FoodFiber",
    "ash": "FoodAsh",
}

#: kg/m³ at 0, 4, 20 °C, normalised, of the USDA SR rows (public domain), calculated apart from
#: this program with the polynomials of ASHRAE Handbook Refrigeration 2006, chapter 9.
ROWS = {
    "05062": (1061.76, 1061.36, 1058.76),
    "05096": (1050.89, 1050.50, 1047.96),
    "05057": (1050.40, 1049.89, 1046.94),
    "05091": (1032.24, 1031.66, 1028.46),
    "05219": (1064.78, 1064.40, 1061.83),
    "23360": (1063.10, 1062.69, 1060.03),
    "13001": (1027.66, 1026.92, 1023.19),
    "13019": (965.53, 964.14, 958.33),
    "10218": (1054.98, 1054.59, 1052.03),
    "10024": (1055.45, 1055.01, 1052.27),
    "10005": (982.63, 981.50, 976.55),
    "10006": (973.22, 971.90, 966.30),
    "10004": (943.25, 941.68, 935.30),
    "05047": (957.71, 956.45, 951.09),
    "15236": (1046.83, 1046.24, 1043.02),
    "15076": (1062.40, 1061.94, 1059.14),
    "15015": (1050.14, 1049.85, 1047.63),
    "15033": (1046.73, 1046.47, 1044.33),
}


@pytest.mark.parametrize("temperature_c", [-1.0, 4.0, 20.0])
@pytest.mark.parametrize("component", COMPONENTS)
def test_component_against_coolprop(component: str, temperature_c: float) -> None:
    """Reference: CoolProp's incompressible food components, same authors' coefficients."""
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    fluid = f"INCOMP::{COOLPROP[component]}"

    expected = coolprop.PropsSI("D", "T", 273.15 + temperature_c, "P", 101325, fluid)

    assert component_density(component, temperature_c) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("ndb", ROWS)
def test_usda_rows(ndb: str) -> None:
    """Reference: USDA SR composition; densities calculated apart, given to 0.01 kg/m³."""
    found = [mixture_density(find_cut(ndb), t_c) for t_c in (0.0, 4.0, 20.0)]

    assert found == pytest.approx(ROWS[ndb], abs=0.006)


def test_every_row_is_checked() -> None:
    assert set(raw_cuts()) == set(ROWS)


def test_trap_linear_rule() -> None:
    """Reference: chicken breast at 4 °C is 1061.4 by volumes; the linear rule would give 1085.6."""
    cut = find_cut("05062")
    total = sum(cut.percent.values())
    linear = sum(part / total * component_density(name, 4.0) for name, part in cut.percent.items())

    assert linear == pytest.approx(1085.6, abs=0.1)
    assert mixture_density(cut, 4.0) == pytest.approx(1061.36, abs=0.006)


@pytest.mark.parametrize(
    ("ndb", "raw"), [("05062", 1059.77), ("15076", 1092.31), ("15015", 1040.90)]
)
def test_trap_fractions_are_normalised(ndb: str, raw: float) -> None:
    """Reference: unnormalised densities at 4 °C, calculated apart; salmon is 2.9 % off without."""
    percent = find_cut(ndb).percent
    unnormalised = 1 / sum(
        part / 100 / component_density(name, 4.0) for name, part in percent.items()
    )

    assert unnormalised == pytest.approx(raw, abs=0.006)
    assert abs(mixture_density(find_cut(ndb), 4.0) - raw) > 1.5


def test_trap_water_is_lighter_than_water() -> None:
    """Reference: with IAPWS water (CoolProp) chicken breast is 1063.7 at 4 °C, +0.22 %."""
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    iapws = coolprop.PropsSI("D", "T", 277.15, "P", 101325, "Water")

    assert component_density("water", 4.0) / iapws - 1 == pytest.approx(-0.0028, abs=5e-5)
    heavier = mixture_density(find_cut("05062"), 4.0, water_kg_m3=iapws)
    assert heavier == pytest.approx(1063.7, abs=0.05)


@pytest.mark.parametrize("temperature_c", [0.5, 4.0, 20.0])
def test_water_against_coolprop(temperature_c: float) -> None:
    """Reference: IAPWS-95 by CoolProp at 101325 Pa; air-free water agrees to 1 mg/L."""
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    expected = coolprop.PropsSI("D", "T", 273.15 + temperature_c, "P", 101325, "Water")

    assert water_density(temperature_c) == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("temperature_c", [0.5, 4.0, 10.0, 20.0])
@pytest.mark.parametrize("salt", [0.0, 0.02, 0.05, 0.1, 0.15, 0.2])
def test_brine_against_coolprop(salt: float, temperature_c: float) -> None:
    """Reference: CoolProp's sodium chloride brine (Melinder 2010); 0.15 % is the stated fit."""
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    fluid = f"INCOMP::MNA[{salt}]" if salt else "Water"
    expected = coolprop.PropsSI("D", "T", 273.15 + temperature_c, "P", 101325, fluid)

    assert brine_density(salt, temperature_c) == pytest.approx(expected, rel=1.5e-3)


def test_muscle_is_near_what_was_measured() -> None:
    """Reference: skeletal muscle 1.06 g/cm³ (Mendez & Keys 1960, Metabolism 9:184)."""
    assert mixture_density(find_cut("23360"), 20.0) == pytest.approx(1060, rel=0.005)


def test_refuses_below_the_initial_freezing_point() -> None:
    """Reference: initial freezing points after ASHRAE: lean beef -1.7, chicken -2.8 °C."""
    assert mixture_density(find_cut("05062"), -2.7) > 1000
    with pytest.raises(InputError, match=r"chicken breast.*expected -2\.8 to .*got -2\.9"):
        mixture_density(find_cut("05062"), -2.9)
    with pytest.raises(InputError, match=r"beef eye of round.*expected -1\.7"):
        mixture_density(find_cut("23360"), -1.8)


@settings(deadline=None)  # the first call compiles or imports
@given(
    uptake=st.floats(0, 0.5),
    porosity=st.floats(0, 0.2),
    brine=st.floats(950, 1200),
)
def test_uptake_and_pores_mix_by_volume(uptake: float, porosity: float, brine: float) -> None:
    """Reference: masses and volumes of meat and brine add up, air adds volume only."""
    meat = mixture_density(find_cut("05062"), 4.0)
    volume_m3 = (1 / meat + uptake / brine) / (1 - porosity)

    found = mixture_density(
        find_cut("05062"), 4.0, uptake=uptake, uptake_kg_m3=brine, porosity=porosity
    )

    assert found == pytest.approx((1 + uptake) / volume_m3, rel=1e-12)


@pytest.mark.parametrize(
    ("percent", "what"),
    [
        ({"water": 70.0}, "add up"),
        ({"water": 70.0, "starch": 30.0}, "known component"),
        ({"water": 120.0, "protein": -20.0}, "0 to 100"),
    ],
)
def test_odd_compositions_are_refused(percent: dict[str, float], what: str) -> None:
    with pytest.raises(InputError, match=what):
        mixture_density(Composition(food="odd", percent=percent), 4.0)


def test_cut_is_found_by_number_and_by_name() -> None:
    assert find_cut("Haddock") is find_cut("15033")
    with pytest.raises(InputError, match="expected one cut of the shipped table"):
        find_cut("chicken")
