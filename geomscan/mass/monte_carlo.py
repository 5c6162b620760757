"""Monte Carlo check of a piece's mass and volume: its errors drawn and carried through in full."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.mass.density import TissueDensity
from geomscan.mass.masses import FAT_DEPTH_MM, U_FAT_DEPTH_MM
from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.tissue_map import TissueMap

__all__ = ["DrawnMass", "draw_mass"]

Floats = npt.NDArray[np.float64]

#: Cells times draws held at once: 8 bytes each, a few arrays of it.
BATCH = 4_000_000


@dataclass(frozen=True, kw_only=True, slots=True)
class DrawnMass:
    """Mean, standard deviation and 95 % interval (2.5 to 97.5 %) of drawn values."""

    n_draws: int
    mass_g: float
    u_mass_g: float
    interval_g: tuple[float, float]
    volume_mm3: float
    u_volume_mm3: float
    interval_mm3: tuple[float, float]


def draw_mass(
    piece: PieceMap,
    tissue: TissueMap | None,
    density: TissueDensity | None,
    *,
    fat_depth_mm: float = FAT_DEPTH_MM,
    u_fat_depth_mm: float = U_FAT_DEPTH_MM,
    n_draws: int = 20_000,
    seed: int = 1,
) -> DrawnMass:
    """Draw every error of a piece as normal and sum the mass anew for each draw.

    Nothing is linearised: thickness can't fall below 0, the fat share stays within 0 to 1, fat
    ends at the belt. Line noise is drawn as its sum over the piece.

    Raises
    ------
    InputError
        If `n_draws` is below 100.

    References
    ----------
    JCGM 101:2008, clause 7: propagation of distributions.
    """
    if n_draws < 100:  # a 95 % interval needs tails
        msg = f"n_draws: expected 100 or more, got {n_draws}"
        raise InputError(msg)
    random = np.random.default_rng(seed)
    inside = np.isfinite(piece.thickness_mm) & (piece.cover > 0)
    area_mm2 = piece.cover[inside] * piece.cell_mm**2
    share = np.zeros(area_mm2.size)
    if tissue is not None:
        share = np.clip(np.nan_to_num(tissue.fat_probability[inside]), 0, 1)
    surface = _stack([np.nan_to_num(term.delta_mm)[inside] for term in piece.terms], area_mm2.size)
    tissue_terms = () if tissue is None else tissue.terms
    fatness = _stack([np.nan_to_num(term.delta)[inside] for term in tissue_terms], area_mm2.size)
    noise_mm3 = np.sqrt(np.sum((area_mm2 * np.nan_to_num(piece.u_independent_mm[inside])) ** 2))

    volumes, masses = [], []
    for start in range(0, n_draws, max(1, BATCH // max(area_mm2.size, 1))):
        n = min(max(1, BATCH // max(area_mm2.size, 1)), n_draws - start)
        lean_g_mm3, fat_g_mm3, offset_mm = _draw_density(density, random, n)
        thickness_mm = (
            piece.thickness_mm[inside] + random.standard_normal((n, len(surface))) @ surface
        )
        thickness_mm = np.maximum(thickness_mm - offset_mm[:, None], 0.0)
        p = np.clip(share + random.standard_normal((n, len(fatness))) @ fatness, 0.0, 1.0)
        depth_mm = np.maximum(fat_depth_mm + u_fat_depth_mm * random.standard_normal(n), 0.0)
        fat_mm3 = np.minimum(thickness_mm, depth_mm[:, None]) * p @ area_mm2
        volume_mm3 = thickness_mm @ area_mm2 + noise_mm3 * random.standard_normal(n)
        volumes.append(volume_mm3)
        masses.append(volume_mm3 * lean_g_mm3 + fat_mm3 * (fat_g_mm3 - lean_g_mm3))
    return _summary(np.concatenate(volumes), np.concatenate(masses))


def _stack(terms: list[Floats], n_cells: int) -> Floats:
    return np.stack(terms) if terms else np.zeros((0, n_cells))


def _draw_density(
    density: TissueDensity | None, random: np.random.Generator, n: int
) -> tuple[Floats, Floats, Floats]:
    """Draw densities in g/mm³ and the height offset, n of each."""
    if density is None:
        nothing = np.full(n, np.nan)
        return nothing, nothing, np.zeros(n)
    lean = np.full(n, density.lean_kg_m3)
    fat = np.full(n, density.lean_kg_m3 if density.fat_kg_m3 is None else density.fat_kg_m3)
    offset_mm = np.full(n, density.height_offset_mm)
    for term in density.terms:
        draw = random.standard_normal(n)
        lean += draw * term.lean_kg_m3
        fat += draw * (term.lean_kg_m3 if density.fat_kg_m3 is None else term.fat_kg_m3)
        offset_mm += draw * term.height_offset_mm
    return lean * 1e-6, fat * 1e-6, offset_mm


def _summary(volumes: Floats, masses: Floats) -> DrawnMass:
    low_g, high_g = np.quantile(masses, [0.025, 0.975])
    low_mm3, high_mm3 = np.quantile(volumes, [0.025, 0.975])
    return DrawnMass(
        n_draws=volumes.size,
        mass_g=float(masses.mean()),
        u_mass_g=float(masses.std(ddof=1)),
        interval_g=(float(low_g), float(high_g)),
        volume_mm3=float(volumes.mean()),
        u_volume_mm3=float(volumes.std(ddof=1)),
        interval_mm3=(float(low_mm3), float(high_mm3)),
    )
