"""Mass of pieces and of their parts, against solids and budgets summed by hand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.files import write_json
from geomscan.mass.density import (
    CompositionSettings,
    DensitySettings,
    DensityTerm,
    TissueDensity,
    resolve_density,
)
from geomscan.mass.density_file import DensityFile, read_density_file, write_density_file
from geomscan.mass.masses import mass_map
from geomscan.mass.monte_carlo import draw_mass
from geomscan.mass.part_mass import joined_budget, part_mass
from geomscan.shape.piece_map import ErrorTerm, PieceMap
from geomscan.tissue.tissue_map import TissueMap, TissueTerm

Floats = npt.NDArray[np.float64]
CELL_MM = 1.0


def dome(*, terms: tuple[ErrorTerm, ...] = (), noise_mm: float = 0.0) -> PieceMap:
    """Half ellipsoid, 40 x 30 x 20 mm, sampled at cell centres."""
    x_mm = np.arange(-44.5, 45.0, CELL_MM)
    y_mm = np.arange(-34.5, 35.0, CELL_MM)
    inside = 1 - (x_mm[:, None] / 40) ** 2 - (y_mm / 30) ** 2
    thickness_mm = np.where(inside > 0, 20 * np.sqrt(np.maximum(inside, 0)), np.nan)
    return PieceMap(
        piece=1,
        lane=1,
        x_first_mm=-44.5,
        y_first_mm=-34.5,
        cell_mm=CELL_MM,
        thickness_mm=thickness_mm,
        cover=(inside > 0).astype(np.float64),
        u_independent_mm=np.full(thickness_mm.shape, noise_mm),
        x0_mm=-40.0,
        u_x0_mm=0.0,
        length_mm=80.0,
        width_mm=60.0,
        terms=terms,
    )


def tissue_of(piece: PieceMap, share: float, *, u_share: float = 0.0) -> TissueMap:
    """Make the same fat probability stand everywhere."""
    inside = piece.cover > 0
    change = np.where(inside, u_share, np.nan)
    return TissueMap(
        fat_probability=np.where(inside, share, np.nan),
        fat_area_fraction=share,
        u_fat_area_fraction=u_share,
        method="by hand",
        terms=(TissueTerm(name="tissue share", scope="piece", delta=change),) if u_share else (),
    )


LEAN_FAT = TissueDensity(lean_kg_m3=1060.0, fat_kg_m3=940.0)


def test_dome_weighs_its_volume() -> None:
    """Reference: 2 pi a b H / 3 = 50265.48 mm³; midpoint cells were seen within 0.1 %."""
    whole = part_mass(mass_map(dome(), None, TissueDensity(lean_kg_m3=1000.0)))

    assert whole.volume_mm3 == pytest.approx(2 * np.pi * 40 * 30 * 20 / 3, rel=1e-3)
    assert whole.mass_g == pytest.approx(whole.volume_mm3 / 1000, rel=1e-12)
    assert (whole.fat_g, whole.u_mass_g) == (0.0, 0.0)


def test_fat_lies_on_top() -> None:
    """Reference: by hand, a slab 10 mm thick with 4 mm of fat over half of its surface."""
    slab = replace(dome(), thickness_mm=np.where(dome().cover > 0, 10.0, np.nan))
    area_mm2 = float(slab.cover.sum())

    whole = part_mass(mass_map(slab, tissue_of(slab, 0.5), LEAN_FAT, fat_depth_mm=4))

    assert whole.fat_mm3 == pytest.approx(0.5 * 4 * area_mm2)
    assert whole.fat_g == pytest.approx(2 * area_mm2 * 940e-6)
    assert whole.mass_g == pytest.approx(area_mm2 * (8 * 1060e-6 + 2 * 940e-6))


def test_fat_ends_at_the_belt() -> None:
    thin = replace(dome(), thickness_mm=np.where(dome().cover > 0, 3.0, np.nan))

    whole = part_mass(mass_map(thin, tissue_of(thin, 1.0), LEAN_FAT, fat_depth_mm=4))

    assert whole.fat_g == pytest.approx(whole.mass_g)


def test_height_offset_is_taken_off() -> None:
    """Reference: by hand; measured 0.2 mm too low (light under the surface) over the plan area."""
    slab = replace(dome(), thickness_mm=np.where(dome().cover > 0, 10.0, np.nan))
    masses = mass_map(slab, None, TissueDensity(lean_kg_m3=1000.0, height_offset_mm=-0.2))

    assert part_mass(masses).volume_mm3 == pytest.approx(10.2 * slab.cover.sum())
    assert np.nanmax(masses.piece.thickness_mm) == pytest.approx(10.2)
    assert np.nanmax(slab.thickness_mm) == 10.0  # the input stays as it was


def test_without_density_volumes_stand() -> None:
    shift = ErrorTerm(name="belt zero", scope="piece", delta_mm=np.full((90, 70), 0.1))
    masses = mass_map(dome(terms=(shift,)), None, None)
    whole = part_mass(masses)

    assert not masses.has_density
    assert np.isnan([whole.mass_g, whole.u_mass_g, whole.fat_g]).all()
    assert whole.u_volume_mm3 == pytest.approx(0.1 * dome().cover.sum())


def full_case() -> tuple[PieceMap, TissueMap, TissueDensity]:
    """Make a piece with every kind of error."""
    x, y = np.meshgrid(np.linspace(-1, 1, 90), np.linspace(-1, 1, 70), indexing="ij")
    stretch_mm: Floats = 0.004 * np.nan_to_num(dome().thickness_mm)
    terms = (
        ErrorTerm(name="belt zero", scope="piece", delta_mm=np.full(x.shape, 0.08)),
        ErrorTerm(name="shadow", scope="piece", delta_mm=np.where(x > 0.7, 0.3, 0.0)),
        ErrorTerm(
            name="block",
            scope="run",
            delta_mm=stretch_mm,
        ),
        ErrorTerm(name="calibration", scope="run", delta_mm=0.1 * x + 0.05 * y),
    )
    piece = dome(terms=terms, noise_mm=0.4)
    density = TissueDensity(
        lean_kg_m3=1058.0,
        fat_kg_m3=930.0,
        height_offset_mm=-0.15,
        terms=(
            DensityTerm(name="density study 1", scope="run", lean_kg_m3=6, height_offset_mm=-0.04),
            DensityTerm(name="density study 2", scope="run", fat_kg_m3=8, lean_kg_m3=-1),
            DensityTerm(
                name="density from piece to piece", scope="piece", lean_kg_m3=5, fat_kg_m3=5
            ),
        ),
    )
    return piece, tissue_of(piece, 0.4, u_share=0.06), density


def test_budget_adds_up_to_the_monte_carlo_scatter() -> None:
    """Reference: JCGM 101 draws of every error through the full model, here 4000."""
    piece, tissue, density = full_case()

    whole = part_mass(mass_map(piece, tissue, density))
    drawn = draw_mass(piece, tissue, density, n_draws=4000, seed=20260301)

    # 4 standard errors of a standard deviation from 4000 draws: 4 / sqrt(2 · 4000) = 4.5 %
    assert whole.u_mass_g == pytest.approx(drawn.u_mass_g, rel=0.045)
    assert whole.u_volume_mm3 == pytest.approx(drawn.u_volume_mm3, rel=0.045)
    assert whole.mass_g == pytest.approx(drawn.mass_g, abs=4 * drawn.u_mass_g / np.sqrt(4000))
    total = np.sqrt(sum(row.u_mass_g**2 for row in whole.budget))
    assert total == pytest.approx(whole.u_mass_g)
    assert np.hypot(whole.u_common_g, whole.u_independent_g) == pytest.approx(whole.u_mass_g)


@settings(deadline=None)  # the first call compiles or imports
@given(cut=st.floats(0, 1), split=st.integers(0, 89))
def test_parts_add_up_to_the_whole(cut: float, split: int) -> None:
    """Invariant: mass, volume, fat and each common term of two parts add up to the piece's."""
    piece, tissue, density = full_case()
    masses = mass_map(piece, tissue, density)
    first = np.zeros(masses.mass_g.shape)
    first[:split], first[split] = 1.0, cut
    one, two, whole = part_mass(masses, first), part_mass(masses, 1 - first), part_mass(masses)

    for name in ("mass_g", "volume_mm3", "fat_g", "fat_mm3"):
        assert getattr(one, name) + getattr(two, name) == pytest.approx(getattr(whole, name))
    for row_one, row_two, row in zip(one.budget, two.budget, whole.budget, strict=True):
        if row.scope != "independent":
            total = row_one.u_mass_g + row_two.u_mass_g
            assert total == pytest.approx(row.u_mass_g, abs=1e-9)
        else:
            # a cell that is cut counts in both, so the two never add up to more
            assert np.hypot(row_one.u_mass_g, row_two.u_mass_g) <= row.u_mass_g * (1 + 1e-9)


def test_top_weights_move_what_lies_on_top() -> None:
    """Reference: by hand; lean follows the cell's middle, thickness errors its top."""
    shift = ErrorTerm(name="belt zero", scope="piece", delta_mm=np.full((90, 70), 0.1))
    masses = mass_map(dome(terms=(shift,)), None, TissueDensity(lean_kg_m3=1000.0))
    half = np.zeros((90, 70))
    half[:45] = 1.0

    part = part_mass(masses, half, np.zeros((90, 70)))

    assert part.mass_g == pytest.approx(part_mass(masses).mass_g / 2, rel=1e-9)
    assert part.u_mass_g == 0.0


def test_joined_budget_adds_run_terms_linearly() -> None:
    """Reference: by hand, two equal pieces: run terms double, piece terms grow by sqrt 2."""
    one = part_mass(mass_map(*full_case()))
    both = {row.cause: row for row in joined_budget([one, one])}

    for row in one.budget:
        factor = 2.0 if row.scope == "run" else np.sqrt(2)
        assert both[row.cause].u_mass_g == pytest.approx(factor * abs(row.u_mass_g))


@pytest.mark.parametrize("shape", [(3, 4), (90,)])
def test_weights_of_another_shape_are_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(InputError, match=r"weights: expected shape \(90, 70\)"):
        part_mass(mass_map(dome(), None, LEAN_FAT), np.ones(shape))


def test_settings_without_density_give_none() -> None:
    assert resolve_density(DensitySettings(), folder=Path()) is None


def test_stated_density_keeps_its_uncertainty() -> None:
    settings = DensitySettings(
        lean_kg_m3=1060, u_lean_kg_m3=4, fat_kg_m3=930, u_fat_kg_m3=9, u_height_offset_mm=0.1
    )
    density = resolve_density(settings, folder=Path())
    assert density is not None

    found = {
        term.name: (term.lean_kg_m3, term.fat_kg_m3, term.height_offset_mm)
        for term in density.terms
    }
    assert found == {
        "density of lean": (4, 0, 0),
        "density of fat": (0, 9, 0),
        "light under the surface": (0, 0, 0.1),
    }


def test_composition_carries_its_model_term() -> None:
    """Reference: IAPWS water in place of the formula's moves chicken breast by 0.22 % at 4 °C."""
    settings = DensitySettings(lean=CompositionSettings(food="05062"), temperature_c=4.0)
    density = resolve_density(settings, folder=Path())
    assert density is not None

    changes = {term.name: term.lean_kg_m3 for term in density.terms}
    assert density.lean_kg_m3 == pytest.approx(1061.36, abs=0.006)
    assert changes["density model"] / density.lean_kg_m3 == pytest.approx(0.0022, abs=5e-5)
    # 1061.36 at 4 °C and 1058.76 at 20 °C: -0.16 kg/m³ per kelvin on average, less near 4 °C
    assert -0.2 < changes["temperature"] < -0.08


def test_density_used_at_another_temperature_is_less_sure() -> None:
    """Reference: by hand; 8 K away and 1 K unsure at -0.15 kg/m³ per kelvin."""
    settings = DensitySettings(lean_kg_m3=1060, u_lean_kg_m3=0, temperature_c=4.0)

    cold = resolve_density(settings, folder=Path(), temperature_c=4.0)
    warm = resolve_density(settings, folder=Path(), temperature_c=12.0)

    assert cold is not None
    assert warm is not None
    assert {t.name: t.lean_kg_m3 for t in cold.terms}["temperature"] == pytest.approx(-0.15)
    assert {t.name: t.lean_kg_m3 for t in warm.terms}["temperature"] == pytest.approx(
        -0.15 * np.hypot(8, 1)
    )
    assert warm.lean_kg_m3 == 1060


def test_composition_wants_a_temperature() -> None:
    settings = DensitySettings(lean=CompositionSettings(food="haddock"))
    with pytest.raises(InputError, match="expected temperature_c beside a composition"):
        resolve_density(settings, folder=Path())
    assert resolve_density(settings, folder=Path(), temperature_c=2.0) is not None


@pytest.mark.parametrize(
    ("table", "what"),
    [
        ({"fat_kg_m3": 930}, "expected lean_kg_m3"),
        ({"u_lean_kg_m3": 3}, "expected lean_kg_m3 beside it"),
        ({"lean_kg_m3": 1.06}, "greater than or equal to 200"),
        ({"lean_kg_m3": 1060, "file": "density.json"}, "either file or stated"),
        ({"lean": {"food": "haddock", "water_percent": 80}}, "either food or fractions"),
        ({"lean_kg_m3": 1060, "lean": {"food": "haddock"}}, "not both"),
    ],
)
def test_contradicting_settings_are_refused(table: dict[str, object], what: str) -> None:
    with pytest.raises(ValueError, match=what):
        DensitySettings.model_validate(table)


def study_file() -> DensityFile:
    """Make a density file whose density and offset lean on each other."""
    lean, offset, correlation = 4.0, 0.05, 0.9
    shared = correlation * lean * offset
    fit = ((lean**2, 0.0, shared), (0.0, 0.0, 0.0), (shared, 0.0, offset**2))
    total = ((lean**2 + 9, 0.0, shared), (0.0, 0.0, 0.0), (shared, 0.0, offset**2))
    return DensityFile(
        lean_kg_m3=1051.0,
        u_lean_kg_m3=5.0,
        height_offset_mm=-0.2,
        u_height_offset_mm=0.05,
        covariance=total,
        covariance_same_scanner=fit,
        piece_scatter_percent=0.5,
        calibrations=("abc",),
        n_used=40,
    )


def test_density_file_keeps_its_covariance(tmp_path: Path) -> None:
    """Reference: the modes' outer products add up to the covariance that was written."""
    write_density_file(tmp_path / "density.json", study_file())
    read = read_density_file(tmp_path / "density.json")
    assert read == study_file()

    for calibration, covariance in (
        ("abc", read.covariance_same_scanner),
        ("other", read.covariance),
    ):
        modes = np.array(list(read.modes(calibration).values()))
        assert modes.T @ modes == pytest.approx(np.array(covariance))


def test_density_file_is_used(tmp_path: Path) -> None:
    """Reference: GUM Eq. (13) by hand for a 20 mm slab: density and offset correlated."""
    write_density_file(tmp_path / "density.json", study_file())
    density = resolve_density(
        DensitySettings(file="density.json", piece_scatter_percent=0),
        folder=tmp_path,
        calibration_sha256="abc",
    )
    assert density is not None
    slab = replace(dome(), thickness_mm=np.where(dome().cover > 0, 20.0, np.nan))
    area_mm2 = float(slab.cover.sum())

    whole = part_mass(mass_map(slab, None, density))

    by_density, by_offset = area_mm2 * 20.2e-6, -area_mm2 * 1051e-6
    variance = (
        (4 * by_density) ** 2
        + (0.05 * by_offset) ** 2
        + 2 * 0.9 * 4 * 0.05 * by_density * by_offset
    )
    assert whole.u_mass_g == pytest.approx(np.sqrt(variance))
    assert whole.mass_g == pytest.approx(area_mm2 * 20.2 * 1051e-6)


def test_broken_density_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "density.json"
    content = study_file().model_dump()
    content["covariance"] = ((1.0, 0.0, 9.0), (0.0, 0.0, 0.0), (9.0, 0.0, 1.0))
    write_json(path, "density", content)
    with pytest.raises(InputError, match="covariance: expected a covariance matrix"):
        read_density_file(path)
    write_json(path, "density", {"lean_kg_m3": 1051.0})
    with pytest.raises(InputError, match="required but missing"):
        read_density_file(path)
