"""Cells put together, and fat told on several grids of one piece."""

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.cells import merge_cells
from geomscan.tissue.classify import classify
from geomscan.tissue.settings import TissueSettings

MODELS = Path(__file__).parents[1] / "models"


def piece_of(rng: np.random.Generator, n_x: int, n_y: int) -> PieceMap:
    """Random maps with holes, shadow and glare."""
    cover = np.where(rng.random((n_x, n_y)) < 0.3, 0.0, rng.uniform(0, 1, (n_x, n_y)))
    nothing = np.where(cover > 0, 0.0, np.nan)
    return PieceMap(
        piece=1,
        lane=1,
        x_first_mm=10.0,
        y_first_mm=-5.0,
        cell_mm=0.5,
        thickness_mm=rng.uniform(5, 20, (n_x, n_y)) + nothing,
        cover=cover,
        u_independent_mm=0.1 + nothing,
        x0_mm=9.0,
        u_x0_mm=0.1,
        length_mm=n_x * 0.5,
        width_mm=n_y * 0.5,
        reflectance=rng.uniform(0.1, 0.6, (n_x, n_y)) + nothing,
        shadow=(rng.random((n_x, n_y)) < 0.2).astype(np.uint8),
        glare=rng.random((n_x, n_y)) < 0.1,
    )


@given(st.integers(0, 10_000), st.integers(1, 4), st.integers(1, 9), st.integers(1, 9))
@settings(max_examples=60, deadline=None)
def test_area_and_volume_stay(seed: int, n: int, n_x: int, n_y: int) -> None:
    """Reference: sums over the cells, which larger cells must keep."""
    piece = piece_of(np.random.default_rng(seed), n_x, n_y)
    merged = merge_cells(piece, n)

    assert merged.cover.shape == (-(-n_x // n), -(-n_y // n))
    area = piece.cover.sum() * piece.cell_mm**2
    assert merged.cover.sum() * merged.cell_mm**2 == pytest.approx(area, rel=1e-5)
    assert merged.cell_volume_mm3.sum() == pytest.approx(piece.cell_volume_mm3.sum(), rel=1e-5)


def test_four_cells_by_hand() -> None:
    """Reference: by hand. Covers 1, 1/2, 1/2 and 0; one cell in shadow, then one more in glare."""
    rng = np.random.default_rng(1)
    piece = replace(
        piece_of(rng, 2, 2),
        thickness_mm=np.array([[10.0, 20.0], [30.0, np.nan]]),
        cover=np.array([[1.0, 0.5], [0.5, 0.0]]),
        reflectance=np.array([[0.2, 0.4], [0.9, np.nan]]),
        shadow=np.array([[0, 0], [1, 0]], np.uint8),
        glare=np.zeros((2, 2), bool),
    )
    merged = merge_cells(piece, 2)
    assert merged.reflectance is not None
    assert merged.shadow is not None
    assert merged.glare is not None

    assert merged.x_first_mm == 10.25
    assert merged.cell_mm == 1.0
    assert merged.cover[0, 0] == pytest.approx(0.5)
    assert merged.thickness_mm[0, 0] == pytest.approx((10 + 0.5 * 20 + 0.5 * 30) / 2)
    assert merged.reflectance[0, 0] == pytest.approx((0.2 + 0.5 * 0.4) / 1.5)
    assert not merged.shadow[0, 0]
    assert not merged.glare[0, 0]

    glaring = np.array([[False, True], [False, False]])
    merged = merge_cells(replace(piece, glare=glaring), 2)
    assert merged.glare is not None
    assert merged.reflectance is not None
    assert merged.glare[0, 0]
    assert merged.reflectance[0, 0] == pytest.approx(0.2)


def scene(seed: int) -> Any:
    """Draw a simulated piece of a judged kind, cells of 0.5 mm."""
    if "scenes" not in sys.modules:
        spec = importlib.util.spec_from_file_location("scenes", MODELS / "scenes.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["scenes"] = module
        spec.loader.exec_module(module)
    scenes: Any = sys.modules["scenes"]
    return scenes.draw_scene(seed, scenes.JUDGED[1], cell_mm=0.5)


@pytest.mark.parametrize("seed", [21_000_001, 21_000_002, 21_000_003])
def test_grids_of_one_piece_agree(seed: int) -> None:
    """Reference: the drawn share. Cells of 0.5, 0.25 and 1 mm agree within what is stated."""
    drawn = scene(seed)
    piece = drawn.piece
    finer = replace(
        piece,
        cell_mm=piece.cell_mm / 2,
        **{
            name: getattr(piece, name).repeat(2, 0).repeat(2, 1)
            for name in (
                "thickness_mm",
                "cover",
                "u_independent_mm",
                "reflectance",
                "line_width_px",
                "shadow",
                "glare",
            )
        },
    )
    full, fine, coarse = (
        classify(p, TissueSettings()) for p in (piece, finer, merge_cells(piece, 2))
    )

    assert fine.fat_probability.shape == finer.cover.shape
    # the same light on smaller cells is the same to the network
    assert fine.fat_area_fraction == pytest.approx(full.fat_area_fraction, abs=1e-5)
    for found in (full, coarse):
        off = found.fat_area_fraction - drawn.fat_area_fraction
        assert abs(off) <= 2.58 * found.u_fat_area_fraction
    both = np.hypot(full.u_fat_area_fraction, coarse.u_fat_area_fraction)
    assert abs(full.fat_area_fraction - coarse.fat_area_fraction) <= 1.96 * both
