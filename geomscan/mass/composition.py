"""Density of raw meat and fish from its composition, above its initial freezing point."""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from geomscan.errors import InputError

__all__ = [
    "COMPONENTS",
    "Composition",
    "brine_density",
    "component_density",
    "find_cut",
    "mixture_density",
    "raw_cuts",
    "water_density",
]

#: Density in kg/m³ = c0 + c1·t + c2·t², t in °C, -40 to 150 °C. Choi & Okos 1986, as tabulated in
#: ASHRAE Handbook Refrigeration 2006, chapter 9.
COMPONENTS = {
    "water": (997.18, 3.1439e-3, -3.7574e-3),
    "protein": (1329.9, -0.51840, 0.0),
    "fat": (925.59, -0.41757, 0.0),
    "carbohydrate": (1599.1, -0.31046, 0.0),
    "fibre": (1311.5, -0.36589, 0.0),
    "ash": (2423.8, -0.28063, 0.0),
}

#: Where a cut's own initial freezing point is not known, the highest of those stated for raw meat
#: and fish holds (lean beef; after ASHRAE, rounded): the side on which the formula is surely valid.
INITIAL_FREEZING_C = -1.7

HOTTEST_C = 45.0  # raw muscle proteins begin to set near here: common practice, no source


@dataclass(frozen=True, kw_only=True, slots=True)
class Composition:
    """Mass fractions of one food in percent, as read in a table: they need not add up to 100."""

    food: str
    percent: Mapping[str, float]
    initial_freezing_c: float = INITIAL_FREEZING_C


def component_density(component: str, temperature_c: float) -> float:
    """Density of one component in kg/m³.

    Raises
    ------
    InputError
        If the component is not one of `COMPONENTS`.

    Examples
    --------
    >>> round(component_density("protein", 4.0), 3)
    1327.826
    """
    if component not in COMPONENTS:
        msg = f"component: expected one of {', '.join(COMPONENTS)}, got {component!r}"
        raise InputError(msg)
    constant, slope, bend = COMPONENTS[component]
    return constant + slope * temperature_c + bend * temperature_c**2


def water_density(temperature_c: float) -> float:
    """Density of air-free water in kg/m³, 0 to 40 °C (used here from -3 °C on).

    References
    ----------
    Tanaka, Girard, Davis, Peuto & Bignell 2001, Metrologia 38:301, Eq. (1): the CIPM formula.

    Examples
    --------
    >>> round(water_density(4.0), 3)
    999.975
    """
    t_c = temperature_c
    return 999.974950 * (
        1 - (t_c - 3.983035) ** 2 * (t_c + 301.797) / (522528.9 * (t_c + 69.34881))
    )


def brine_density(salt_fraction: float, temperature_c: float) -> float:
    """Density of sodium chloride brine in kg/m³, to 20 % salt by mass, -1 to 20 °C.

    A quadratic through published densities (Melinder 2010, as in CoolProp's MNA), within 0.15 %.

    Raises
    ------
    InputError
        If the fraction is outside 0 to 0.2.
    """
    if not 0 <= salt_fraction <= 0.2:  # the range the formula was fitted in
        msg = f"salt fraction: expected 0 to 0.2 by mass, got {salt_fraction:g}"
        raise InputError(msg)
    gain = 0.745 - 0.0022 * (temperature_c - 4) + 0.16 * salt_fraction
    return water_density(temperature_c) * (1 + salt_fraction * gain)


def mixture_density(
    composition: Composition,
    temperature_c: float,
    *,
    porosity: float = 0.0,
    uptake: float = 0.0,
    uptake_kg_m3: float = 1000.0,
    water_kg_m3: float | None = None,
) -> float:
    """Density of raw meat or fish in kg/m³: volumes of the components add up.

    The fractions are normalised first, because tables round and measure each by itself: left as
    they are, they move the density by up to 3 %.

    Parameters
    ----------
    composition : Composition
    temperature_c : float
        Not below the initial freezing point: ice and the brine it leaves are not modelled.
    porosity : float
        Share of the volume that is air, 0 to below 1.
    uptake : float
        Brine or marinade taken up, as a share of the raw mass (0.1 = 10 %).
    uptake_kg_m3 : float
        Density of what was taken up.
    water_kg_m3 : float, optional
        Another density of water, to see what the model depends on.

    Raises
    ------
    InputError
        If a fraction is negative, the sum far from 100 %, or the temperature out of range.

    References
    ----------
    Choi & Okos 1986; reciprocal rule as in ASHRAE Handbook Refrigeration 2006, chapter 9.

    Examples
    --------
    >>> round(mixture_density(find_cut("05062"), 4.0), 2)
    1061.36
    """
    _check(composition, temperature_c, porosity=porosity, uptake=uptake, uptake_kg_m3=uptake_kg_m3)
    total = sum(composition.percent.values())
    specific_m3_kg = 0.0
    for component, percent in composition.percent.items():
        density_kg_m3 = component_density(component, temperature_c)
        if component == "water" and water_kg_m3 is not None:
            density_kg_m3 = water_kg_m3
        specific_m3_kg += percent / total / density_kg_m3
    whole_m3_kg = (specific_m3_kg + uptake / uptake_kg_m3) / (1 + uptake)
    return (1 - porosity) / whole_m3_kg


def _check(
    composition: Composition,
    temperature_c: float,
    *,
    porosity: float,
    uptake: float,
    uptake_kg_m3: float,
) -> None:
    food = composition.food
    for component, percent in composition.percent.items():
        if component not in COMPONENTS or not 0 <= percent <= 100:  # percent
            msg = f"{food}: {component}: expected a known component at 0 to 100 %, got {percent:g}"
            raise InputError(msg)
    total = sum(composition.percent.values())
    if not 90 <= total <= 110:  # published raw cuts lie within 97.2 to 101.4
        msg = f"{food}: expected fractions that add up to about 100 %, they add up to {total:.1f} %"
        raise InputError(msg)
    if not composition.initial_freezing_c <= temperature_c <= HOTTEST_C:
        msg = (
            f"{food}: expected {composition.initial_freezing_c:g} to {HOTTEST_C:g} °C (initial "
            f"freezing point to cooking), got {temperature_c:g} °C: ice is not part of this model"
        )
        raise InputError(msg)
    if not 0 <= porosity < 1 or not 0 <= uptake <= 1 or not 500 < uptake_kg_m3 < 2000:
        msg = (
            f"{food}: expected porosity 0 to below 1, uptake 0 to 1, its density 500 to "
            f"2000 kg/m³, got {porosity:g}, {uptake:g}, {uptake_kg_m3:g}"
        )
        raise InputError(msg)


@cache
def raw_cuts() -> Mapping[str, Composition]:
    """Shipped table of raw cuts by NDB number (USDA SR abbreviated table, public domain)."""
    cuts = {}
    table = Path(__file__).with_name("raw_cuts.csv")
    with table.open(newline="", encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            percent = {name: float(row.get(f"{name}_percent") or 0) for name in COMPONENTS}
            freezing = row["initial_freezing_c"]
            cuts[row["ndb"]] = Composition(
                food=row["food"],
                percent=percent,
                initial_freezing_c=float(freezing) if freezing else INITIAL_FREEZING_C,
            )
    return cuts


def find_cut(name: str) -> Composition:
    """Find a raw cut by NDB number or by its name in the shipped table.

    Raises
    ------
    InputError
        If nothing or more than one cut fits.
    """
    cuts = raw_cuts()
    if name in cuts:
        return cuts[name]
    found = [cut for cut in cuts.values() if cut.food.casefold() == name.casefold()]
    found = found or [cut for cut in cuts.values() if name.casefold() in cut.food.casefold()]
    if len(found) != 1:
        choice = "; ".join(f"{ndb} {cut.food}" for ndb, cut in cuts.items())
        msg = f"food: expected one cut of the shipped table ({choice}), got {name!r}"
        raise InputError(msg)
    return found[0]
