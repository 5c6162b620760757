"""How long slices, documents and plans take; run with --benchmark-enable.

Goals on one quiet core: slices of a 180 mm piece at three angles 1 ms, at most 3 ms; a document
written within 1 ms; 200 pieces a second planned at 1 mm.
"""

import dataclasses
import platform
import sys
from pathlib import Path
from typing import Any

import numba
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))
from profiles_pieces import half_ellipsoid, weigh

from geomscan.cuts.plan import plan_piece
from geomscan.cuts.rules import CutRules
from geomscan.mass.mass_map import MassMap, MassTerm
from geomscan.profiles.binary import encode_binary
from geomscan.profiles.document import piece_document, write_document
from geomscan.profiles.slices import slice_profile, slice_profiles

ANGLES = (0.0, 45.0, -45.0)


@pytest.fixture(scope="module")
def piece() -> MassMap:
    """Make a piece 180 × 100 mm at 0.5 mm: 57,000 cells, eight common errors."""
    shape = half_ellipsoid(90, 50, 25)
    area = shape.cover * shape.cell_mm**2
    terms = [
        MassTerm(
            name=f"term {number}",
            scope="piece",
            delta_g=1e-4 * (number + 1) * area,
            delta_mm3=0.1 * (number + 1) * area,
            at_surface=number > 0,
        )
        for number in range(8)
    ]
    return weigh(shape, terms=terms, u_cell_mm=0.1, fat_share=0.2)


@pytest.fixture(autouse=True)
def _machine(benchmark: Any) -> None:
    """Print what ran it."""
    benchmark.extra_info["machine"] = f"{platform.processor() or platform.machine()}"
    benchmark.extra_info["versions"] = f"numpy {np.__version__}, numba {numba.__version__}"


def test_slices_at_three_angles(benchmark: Any, piece: MassMap) -> None:
    def first_time() -> tuple[tuple[MassMap], dict[str, tuple[float, ...]]]:
        return (dataclasses.replace(piece),), {"angles_deg": ANGLES}  # a map not seen before

    slices = benchmark.pedantic(slice_profiles, setup=first_time, rounds=50, warmup_rounds=3)
    assert len(slices) == 3


def test_document_written(benchmark: Any, piece: MassMap, tmp_path: Path) -> None:
    slices = slice_profiles(piece, angles_deg=ANGLES)

    def write() -> None:
        document = piece_document(slices, piece.piece, sequence=1, mm_per_count=0.05)
        write_document(tmp_path / "0001.json", document)

    benchmark(write)
    assert (tmp_path / "0001.json").stat().st_size > 10_000


def test_binary_encoded(benchmark: Any, piece: MassMap) -> None:
    slices = slice_profiles(piece, angles_deg=ANGLES)
    document = piece_document(slices, piece.piece, sequence=1, mm_per_count=0.05)
    assert len(benchmark(encode_binary, document)) > 10_000


def test_plan_at_one_millimetre(benchmark: Any, piece: MassMap) -> None:
    profile = slice_profile(piece, angle_deg=45)
    rules = CutRules(
        by="mass", target=24, tolerance=2, kerf_mm=1, remainder="both", resolution_mm=1
    )
    assert benchmark(plan_piece, profile, rules).met
