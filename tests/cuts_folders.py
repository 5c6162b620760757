"""Small results folders for the tests of the cuts: documents and maps, without a recording."""

import dataclasses
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from profiles_pieces import Floats, Height, sampled, weigh

from geomscan.mass.mass_map import MassMap, MassTerm
from geomscan.profiles.document import piece_document, write_document
from geomscan.profiles.slices import slice_profiles
from geomscan.results.maps import MapStore
from geomscan.tissue.tissue_map import TissueMap

MM_PER_COUNT = 0.05
DENSITY_G_MM3 = 1.05e-3


def scanned(
    height: Height,
    *,
    x_range_mm: tuple[float, float],
    y_range_mm: tuple[float, float],
    shift_mm: float,
    number: int,
    lane: int = 1,
    cell_mm: float = 0.5,
    rng: np.random.Generator | None = None,
    u_cell_mm: float = 0.1,
    u_zero_mm: float = 0.05,
    u_edge_mm: float = 0.1,
    density_g_mm3: float | None = DENSITY_G_MM3,
) -> MassMap:
    """Scan what lies at height(x, y), moved along the belt by shift_mm.

    Errors are drawn where rng is given. The grid is the belt's: cells begin at multiples of
    cell_mm, wherever the piece begins.
    """
    first = math.floor((x_range_mm[0] + shift_mm) / cell_mm) * cell_mm
    side = math.floor(y_range_mm[0] / cell_mm) * cell_mm
    piece = sampled(
        lambda x, y: height(x - shift_mm, y),
        x_range_mm=(first, x_range_mm[1] + shift_mm + cell_mm),
        y_range_mm=(side, y_range_mm[1] + cell_mm),
        cell_mm=cell_mm,
    )
    x0, x1 = extent(height, x_range_mm, y_range_mm)
    thickness = piece.thickness_mm
    if rng is not None:
        x0, x1 = x0 + rng.normal(0, u_edge_mm), x1 + rng.normal(0, u_edge_mm)
        noise = rng.normal(0, u_cell_mm, thickness.shape) + rng.normal(0, u_zero_mm)
        thickness = np.maximum(thickness + noise, 0.02)
    piece = dataclasses.replace(
        piece,
        piece=number,
        lane=lane,
        thickness_mm=thickness,
        x0_mm=x0 + shift_mm,
        u_x0_mm=u_edge_mm,
        length_mm=x1 - x0,
        encoder=(x0 + shift_mm) / MM_PER_COUNT,
    )
    area = piece.cover * cell_mm**2
    zero = MassTerm(
        name="belt zero",
        scope="piece",
        delta_g=u_zero_mm * area * DENSITY_G_MM3,
        delta_mm3=u_zero_mm * area,
        at_surface=True,
    )
    return weigh(piece, density_g_mm3=density_g_mm3, terms=[zero], u_cell_mm=u_cell_mm)


def extent(
    height: Height, x_range_mm: tuple[float, float], y_range_mm: tuple[float, float]
) -> tuple[float, float]:
    """Where along x something lies, to 0.05 mm."""
    x = np.arange(x_range_mm[0], x_range_mm[1], 0.05) + 0.025
    y = np.linspace(*y_range_mm, 81)
    inside = np.nan_to_num(height(x[:, None], y[None, :])) > 0
    rows = np.flatnonzero(inside.any(axis=1))
    return float(x[rows[0]]) - 0.025, float(x[rows[-1]]) + 0.025


def write_results(
    folder: Path, pieces: Sequence[MassMap], *, angles_deg: Sequence[float], maps: bool = True
) -> Path:
    """Write documents (and maps) of pieces as a results folder holds them."""
    store = MapStore(folder / "maps", cell_mm=0.5)
    for sequence, mass_map in enumerate(pieces, 1):
        piece = mass_map.piece
        document = piece_document(
            slice_profiles(mass_map, angles_deg=angles_deg),
            piece,
            sequence=sequence,
            mm_per_count=MM_PER_COUNT,
            blade_x_mm=1500.0,
            u_blade_x_mm=0.2,
        )
        write_document(folder / "pieces" / f"{piece.piece:04d}.json", document)
        nothing = np.where(piece.cover > 0, 0.0, np.nan)
        store.add(
            piece,
            TissueMap(
                fat_probability=nothing,
                fat_area_fraction=0.0,
                u_fat_area_fraction=0.0,
                method="none",
            ),
        )
    store.finish()
    if not maps:
        for file in (folder / "maps").glob("*.tif"):
            file.unlink()
    return folder


def fillet(x: Floats, y: Floats) -> Floats:
    """Give the heights of a piece 180 × 100 × 27 mm with some relief, leading edge at x = 0."""
    inside = 1 - ((x - 90) / 90) ** 2 - (y / 50) ** 2
    relief = 1 + 0.08 * np.sin(x / 17) * np.cos(y / 13)
    return np.where(inside > 0, 25 * np.sqrt(np.maximum(inside, 0)) * relief, np.nan)
