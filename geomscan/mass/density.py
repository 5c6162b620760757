"""Density of lean and of fat: stated, from composition, or from a density study."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from geomscan.errors import InputError
from geomscan.files import FileModel
from geomscan.mass.composition import (
    Composition,
    brine_density,
    find_cut,
    mixture_density,
    water_density,
)
from geomscan.mass.density_file import read_density_file

__all__ = [
    "CompositionSettings",
    "DensitySettings",
    "DensityTerm",
    "TissueDensity",
    "resolve_density",
]

#: Standard uncertainty of a stated lean density where none is given: the scatter of 0.5 % that was
#: weighed for lean pork trimmings (Adamczak et al. 2020, Molecules 25:1736).
U_LEAN_SHARE = 0.005

#: The same for fat: lipids of man, steer, pig and lamb lie within -1.1 to +1.3 % of the formula
#: (Fidanza 2003, Acta Diabetol 40:242), taken as limits of a rectangle.
U_FAT_SHARE = 0.012 / 3**0.5

#: Change of density per kelvin in kg/m³: chicken breast and pork backfat from 0 to 20 °C by the
#: formula of composition.py (1061.76 to 1058.76, 943.25 to 935.30).
LEAN_PER_KELVIN, FAT_PER_KELVIN = -0.15, -0.40

Density = Annotated[float, Field(ge=200, le=2000)]
NotNegative = Annotated[float, Field(ge=0)]
Percent = Annotated[float, Field(ge=0, le=100)]


class CompositionSettings(FileModel):
    """Composition of one tissue: a cut of the shipped table, or its own fractions in percent."""

    food: str | None = None
    water_percent: Percent = 0.0
    protein_percent: Percent = 0.0
    fat_percent: Percent = 0.0
    carbohydrate_percent: Percent = 0.0
    fibre_percent: Percent = 0.0
    ash_percent: Percent = 0.0
    initial_freezing_c: float | None = None
    u_density_percent: Annotated[float, Field(ge=0, le=10)] = 100 * U_LEAN_SHARE
    uptake_percent: Percent = 0.0
    u_uptake_percent: NotNegative = 0.0
    uptake_salt_percent: Annotated[float, Field(ge=0, le=20)] = 0.0
    uptake_kg_m3: Density | None = None
    porosity_percent: Annotated[float, Field(ge=0, le=50)] = 0.0
    u_porosity_percent: NotNegative = 0.0

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        own = any(self._percent().values())
        if own == (self.food is not None):
            msg = "expected either food or fractions such as water_percent"
            raise ValueError(msg)
        return self

    def _percent(self) -> dict[str, float]:
        return {
            "water": self.water_percent,
            "protein": self.protein_percent,
            "fat": self.fat_percent,
            "carbohydrate": self.carbohydrate_percent,
            "fibre": self.fibre_percent,
            "ash": self.ash_percent,
        }

    def composition(self) -> Composition:
        """Composition that these settings name."""
        if self.food is not None:
            cut = find_cut(self.food)
            named = Composition(food=cut.food, percent=cut.percent)
            freezing_c = cut.initial_freezing_c
        else:
            named = Composition(food="stated composition", percent=self._percent())
            freezing_c = named.initial_freezing_c
        if self.initial_freezing_c is not None:
            freezing_c = self.initial_freezing_c
        return Composition(food=named.food, percent=named.percent, initial_freezing_c=freezing_c)


class DensitySettings(FileModel):
    """Table [density] of a settings file: stated values, a composition, or a study's density file.

    height_offset_mm is measured minus true height (light under the surface < 0, air below > 0) and
    is taken off every thickness. piece_scatter_percent is how far single pieces lie from the
    product's mean density. temperature_c is the temperature at which stated values hold, and stands
    in for a recording that states none.
    """

    lean_kg_m3: Density | None = None
    u_lean_kg_m3: NotNegative | None = None
    fat_kg_m3: Density | None = None
    u_fat_kg_m3: NotNegative | None = None
    lean: CompositionSettings | None = None
    fat: CompositionSettings | None = None
    temperature_c: float | None = None
    u_temperature_c: NotNegative = 1.0
    piece_scatter_percent: Annotated[float, Field(ge=0, le=20)] | None = None
    height_offset_mm: Annotated[float, Field(ge=-5, le=5)] | None = None
    u_height_offset_mm: NotNegative = 0.0
    file: str | None = None

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        stated = self.lean_kg_m3 is not None or self.fat_kg_m3 is not None
        if self.file is not None and (stated or self.lean or self.fat or self.height_offset_mm):
            msg = "expected either file or stated values, not both"
            raise ValueError(msg)
        for name in ("lean", "fat"):
            if getattr(self, name) is not None and getattr(self, f"{name}_kg_m3") is not None:
                msg = f"expected either {name}_kg_m3 or a composition {name}, not both"
                raise ValueError(msg)
            if (
                getattr(self, f"u_{name}_kg_m3") is not None
                and getattr(self, f"{name}_kg_m3") is None
            ):
                msg = f"u_{name}_kg_m3 is given, expected {name}_kg_m3 beside it"
                raise ValueError(msg)
        if self.fat_kg_m3 is not None and self.lean_kg_m3 is None and self.lean is None:
            msg = "fat_kg_m3 is given, expected lean_kg_m3 (or a composition lean) beside it"
            raise ValueError(msg)
        return self


@dataclass(frozen=True, kw_only=True, slots=True)
class DensityTerm:
    """One independent error of the densities: what one standard uncertainty of it does to each.

    scope "run": one draw for all pieces; "piece": drawn anew for each piece.
    """

    name: str
    scope: Literal["piece", "run"]
    lean_kg_m3: float = 0.0
    fat_kg_m3: float = 0.0
    height_offset_mm: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class TissueDensity:
    """Densities in use with the errors that they share.

    fat_kg_m3 is None where only lean was stated. height_offset_mm, measured minus true height, is
    taken off every thickness.
    """

    lean_kg_m3: float
    fat_kg_m3: float | None = None
    height_offset_mm: float = 0.0
    terms: tuple[DensityTerm, ...] = ()
    source: str = "stated"

    def __post_init__(self) -> None:
        for name, value in (("lean_kg_m3", self.lean_kg_m3), ("fat_kg_m3", self.fat_kg_m3)):
            if value is not None and not 200 <= value <= 2000:  # kg/m³, not g/cm³
                msg = f"{name}: expected 200 to 2000 kg/m³, got {value:g}"
                raise InputError(msg)


def resolve_density(
    settings: DensitySettings,
    *,
    folder: Path,
    temperature_c: float | None = None,
    calibration_sha256: str = "",
) -> TissueDensity | None:
    """Turn settings into densities with their errors; None where no density is stated.

    Parameters
    ----------
    settings : DensitySettings
    folder : Path
        Folder of the settings file: a density file is named relative to it.
    temperature_c : float, optional
        Temperature of the pieces as the recording states it. A composition is taken at it; a stated
        or studied density that holds at another temperature is that much less sure.
    calibration_sha256 : str
        Hash of the scanner calibration in use. A study made with the same one already holds its
        errors, which then must not count twice.

    Raises
    ------
    InputError
        If a file or a composition can't be used, or a composition lacks its temperature.
    """
    if settings.file is not None:
        return _from_file(settings, folder / settings.file, temperature_c, calibration_sha256)
    if settings.lean_kg_m3 is None and settings.lean is None:
        return None
    if temperature_c is None:
        temperature_c = settings.temperature_c
    lean_kg_m3, terms = _tissue(settings, "lean", temperature_c)
    fat_kg_m3 = None
    if settings.fat_kg_m3 is not None or settings.fat is not None:
        fat_kg_m3, fat_terms = _tissue(settings, "fat", temperature_c)
        terms = _shared(terms, fat_terms)
    scatter = (settings.piece_scatter_percent or 0.0) / 100
    if scatter > 0:
        terms.append(_scatter(scatter, lean_kg_m3, fat_kg_m3))
    if settings.lean is None:
        terms += _elsewhere(settings.temperature_c, temperature_c, settings.u_temperature_c)
    if settings.u_height_offset_mm > 0:
        offset = DensityTerm(
            name="light under the surface",
            scope="run",
            height_offset_mm=settings.u_height_offset_mm,
        )
        terms.append(offset)
    return TissueDensity(
        lean_kg_m3=lean_kg_m3,
        fat_kg_m3=fat_kg_m3,
        height_offset_mm=settings.height_offset_mm or 0.0,
        terms=tuple(terms),
        source="stated" if settings.lean is None else "composition",
    )


def _elsewhere(
    holds_at_c: float | None, temperature_c: float | None, u_temperature_c: float
) -> list[DensityTerm]:
    """Error of a density that holds at one temperature and is used at another."""
    if holds_at_c is None or temperature_c is None:
        return []
    away = float(np.hypot(temperature_c - holds_at_c, u_temperature_c))
    return [
        DensityTerm(
            name="temperature",
            scope="run",
            lean_kg_m3=away * LEAN_PER_KELVIN,
            fat_kg_m3=away * FAT_PER_KELVIN,
        )
    ]


def _scatter(share: float, lean_kg_m3: float, fat_kg_m3: float | None) -> DensityTerm:
    return DensityTerm(
        name="density from piece to piece",
        scope="piece",
        lean_kg_m3=share * lean_kg_m3,
        fat_kg_m3=share * (lean_kg_m3 if fat_kg_m3 is None else fat_kg_m3),
    )


def _tissue(
    settings: DensitySettings, tissue: str, temperature_c: float | None
) -> tuple[float, list[DensityTerm]]:
    """Density of one tissue and its errors."""
    stated_kg_m3: float | None = getattr(settings, f"{tissue}_kg_m3")
    if stated_kg_m3 is not None:
        u_kg_m3: float | None = getattr(settings, f"u_{tissue}_kg_m3")
        if u_kg_m3 is None:
            u_kg_m3 = stated_kg_m3 * (U_LEAN_SHARE if tissue == "lean" else U_FAT_SHARE)
        return stated_kg_m3, [_term(f"density of {tissue}", tissue, u_kg_m3)]
    model: CompositionSettings = getattr(settings, tissue)
    if temperature_c is None:
        msg = (
            f"density.{tissue}: expected temperature_c beside a composition, or in the recording: "
            "density depends on it"
        )
        raise InputError(msg)
    return _from_composition(model, tissue, temperature_c, settings.u_temperature_c)


def _term(name: str, tissue: str, change_kg_m3: float) -> DensityTerm:
    if tissue == "lean":
        return DensityTerm(name=name, scope="run", lean_kg_m3=change_kg_m3)
    return DensityTerm(name=name, scope="run", fat_kg_m3=change_kg_m3)


def _shared(lean: list[DensityTerm], fat: list[DensityTerm]) -> list[DensityTerm]:
    """Join what moves both tissues at once: the model's own error and the temperature."""
    joined = {term.name: term for term in lean}
    for term in fat:
        both = joined.get(term.name)
        joined[term.name] = DensityTerm(
            name=term.name,
            scope="run",
            lean_kg_m3=0.0 if both is None else both.lean_kg_m3,
            fat_kg_m3=term.fat_kg_m3,
        )
    return list(joined.values())


def _from_composition(
    model: CompositionSettings, tissue: str, temperature_c: float, u_temperature_c: float
) -> tuple[float, list[DensityTerm]]:
    """Density by composition; its errors by small steps of what it depends on."""
    composition = model.composition()
    uptake_kg_m3 = model.uptake_kg_m3
    if uptake_kg_m3 is None:
        uptake_kg_m3 = brine_density(model.uptake_salt_percent / 100, temperature_c)

    def density(
        at_c: float = temperature_c,
        uptake_percent: float = model.uptake_percent,
        porosity_percent: float = model.porosity_percent,
        water_kg_m3: float | None = None,
    ) -> float:
        return mixture_density(
            composition,
            at_c,
            porosity=porosity_percent / 100,
            uptake=uptake_percent / 100,
            uptake_kg_m3=uptake_kg_m3,
            water_kg_m3=water_kg_m3,
        )

    value_kg_m3 = density()
    # the formula's water is 0.22 to 0.28 % lighter than water is (CIPM, IAPWS): nobody has shown
    # which of the two suits meat, so their difference is the model's standard uncertainty
    model_kg_m3 = density(water_kg_m3=water_density(temperature_c)) - value_kg_m3
    changes = {
        "density model": model_kg_m3,
        "temperature": u_temperature_c * (density(temperature_c + 1) - value_kg_m3),
        f"composition of {tissue}": value_kg_m3 * model.u_density_percent / 100,
        f"uptake of {tissue}": model.u_uptake_percent
        * (density(uptake_percent=model.uptake_percent + 1) - value_kg_m3),
        f"porosity of {tissue}": model.u_porosity_percent
        * (density(porosity_percent=model.porosity_percent + 1) - value_kg_m3),
    }
    terms = [_term(name, tissue, change) for name, change in changes.items() if change != 0]
    return value_kg_m3, terms


def _from_file(
    settings: DensitySettings, path: Path, temperature_c: float | None, calibration_sha256: str
) -> TissueDensity:
    """Densities of a study; the estimates' errors hang together and stay so."""
    study = read_density_file(path)
    scatter = study.piece_scatter_percent
    if settings.piece_scatter_percent is not None:
        scatter = settings.piece_scatter_percent
    terms = [
        DensityTerm(name=name, scope="run", lean_kg_m3=lean, fat_kg_m3=fat, height_offset_mm=offset)
        for name, (lean, fat, offset) in study.modes(calibration_sha256).items()
    ]
    terms += _elsewhere(study.temperature_c, temperature_c, settings.u_temperature_c)
    if scatter > 0:
        terms.append(_scatter(scatter / 100, study.lean_kg_m3, study.fat_kg_m3))
    return TissueDensity(
        lean_kg_m3=study.lean_kg_m3,
        fat_kg_m3=study.fat_kg_m3,
        height_offset_mm=study.height_offset_mm or 0.0,
        terms=tuple(terms),
        source=f"density study {path.name}",
    )
