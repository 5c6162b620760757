"""Coverage of a piece's mass: truth drawn apart from the code that claims it (slow)."""

import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from geomscan.mass.density import DensitySettings, resolve_density
from geomscan.mass.masses import mass_map
from geomscan.mass.part_mass import part_mass
from geomscan.shape.piece_map import ErrorTerm, PieceMap
from geomscan.tissue.tissue_map import TissueMap, TissueTerm

Floats = npt.NDArray[np.float64]

LEAN, U_LEAN, FAT, U_FAT = 1058.0, 5.0, 930.0, 8.0
OFFSET_MM, U_OFFSET_MM = -0.15, 0.06
DEPTH_MM, U_DEPTH_MM = 4.0, 1.0
SCATTER = 0.005


def lobed_piece(random: np.random.Generator) -> tuple[Floats, Floats]:
    """Draw a lobed piece, 2 mm cells: true thickness, 0 outside, and true fat share."""
    x, y = np.meshgrid(np.linspace(-1, 1, 60), np.linspace(-1, 1, 40), indexing="ij")
    lobe = 1 - x**2 - y**2 + 0.2 * np.sin(3 * x + random.uniform(0, 6)) * np.cos(2 * y)
    height_mm = random.uniform(12, 40) * np.sqrt(np.clip(lobe, 0, None))
    height_mm[height_mm < 3] = 0.0
    edge = random.uniform(-0.8, 0.8)
    return height_mm, np.where(y > edge, 0.85, 0.05)


def show(text: str) -> None:
    """Print a figure that was reached; seen with -s."""
    sys.stdout.write(f"\n{text}\n")


@pytest.mark.slow
def test_mass_is_covered() -> None:
    """Reference: mass summed here from the true solid; ± 1.96 u covers 93 to 97 % of 1000.

    Every term is drawn anew in each trial: block, calibration, belt zero, shadow, line noise,
    height offset, densities, scatter from piece to piece, tissue share and depth of fat.
    """
    settings = DensitySettings(
        lean_kg_m3=LEAN,
        u_lean_kg_m3=U_LEAN,
        fat_kg_m3=FAT,
        u_fat_kg_m3=U_FAT,
        height_offset_mm=OFFSET_MM,
        u_height_offset_mm=U_OFFSET_MM,
        piece_scatter_percent=100 * SCATTER,
    )
    density = resolve_density(settings, folder=Path())
    inside_mass = inside_volume = 0
    n_trials = 1000
    for trial in range(n_trials):
        random = np.random.default_rng([20260310, trial])
        true_mm, true_share = lobed_piece(random)
        covered = true_mm > 0
        x = np.linspace(-1, 1, 60)[:, None] * np.ones((60, 40))
        terms = (
            ErrorTerm(name="block", scope="run", delta_mm=0.002 * true_mm),
            ErrorTerm(name="calibration", scope="run", delta_mm=0.03 * x),
            ErrorTerm(name="belt zero", scope="piece", delta_mm=np.full(x.shape, 0.04)),
            ErrorTerm(name="shadow", scope="piece", delta_mm=np.where(x > 0.8, 0.2, 0.0)),
        )
        share_terms = (
            TissueTerm(name="tissue share", scope="piece", delta=np.full(x.shape, 0.03)),
        )
        offset_mm = OFFSET_MM + U_OFFSET_MM * random.standard_normal()
        measured_mm = true_mm + offset_mm + 0.15 * random.standard_normal(x.shape)
        for term in terms:
            measured_mm += random.standard_normal() * term.delta_mm
        share = true_share + 0.03 * random.standard_normal()
        lean = (LEAN + U_LEAN * random.standard_normal()) * 1e-6
        fat = (FAT + U_FAT * random.standard_normal()) * 1e-6
        scatter = SCATTER * random.standard_normal()
        depth_mm = DEPTH_MM + U_DEPTH_MM * random.standard_normal()

        true_fat_mm = true_share * np.minimum(true_mm, depth_mm)
        column_g = lean * (true_mm - true_fat_mm) + fat * true_fat_mm
        column_g += scatter * (LEAN * (true_mm - true_fat_mm) + FAT * true_fat_mm) * 1e-6
        true_g = 4.0 * float(column_g.sum())

        piece = PieceMap(
            piece=1,
            lane=1,
            x_first_mm=0.0,
            y_first_mm=0.0,
            cell_mm=2.0,
            thickness_mm=np.where(covered, measured_mm, np.nan),
            cover=covered.astype(np.float64),
            u_independent_mm=np.full(x.shape, 0.15),
            x0_mm=0.0,
            u_x0_mm=0.0,
            length_mm=120.0,
            width_mm=80.0,
            terms=terms,
        )
        tissue = TissueMap(
            fat_probability=np.where(covered, share, np.nan),
            fat_area_fraction=0.0,
            u_fat_area_fraction=0.0,
            method="drawn",
            terms=share_terms,
        )
        whole = part_mass(
            mass_map(piece, tissue, density, fat_depth_mm=DEPTH_MM, u_fat_depth_mm=U_DEPTH_MM)
        )
        inside_mass += abs(whole.mass_g - true_g) <= 1.96 * whole.u_mass_g
        true_mm3 = 4.0 * float(true_mm.sum())
        inside_volume += abs(whole.volume_mm3 - true_mm3) <= 1.96 * whole.u_volume_mm3
    show(f"mass covered in {inside_mass}, volume in {inside_volume} of {n_trials}")
    assert 930 <= inside_mass <= 970
    assert 930 <= inside_volume <= 970
