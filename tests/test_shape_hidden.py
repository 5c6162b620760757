"""Hidden flanks and rims, on heights that are known in closed form; regions that grow by rows."""

import numpy as np
import pytest

from geomscan.shape.components import Components
from geomscan.shape.edges import Rim, find_rim
from geomscan.shape.hidden import fill_hidden

CELL = 0.5


def rim_of(height: np.ndarray) -> Rim:
    everywhere = np.ones(height.shape, bool)
    return find_rim(height.astype(np.float32), height > 0.3, everywhere, noise_mm=0.02, pitch=1.0)


def fill(height: np.ndarray, cover: np.ndarray):  # type: ignore[no-untyped-def]
    return fill_hidden(
        height.astype(np.float32), cover.astype(np.float32), np.ones(height.shape, bool),
        sight=(0.75, 0.75), tan_tilt=0.016, cell_mm=CELL, pitch_mm=0.6, column_mm=0.4,
    )  # fmt: skip


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_round_flank_goes_on_as_the_arc_it_was_on(mirrored: bool) -> None:  # noqa: FBT001
    # section of a hemisphere, R = 38 mm: sight at 0.75 mm per mm leaves it at 0.8 R; closed form
    radius = 38.0
    x = (np.arange(110) + 0.5) * CELL
    z = np.sqrt(np.maximum(radius**2 - x**2, 0.0))
    rng = np.random.default_rng(3)
    errors = []
    for _ in range(20):
        height = np.repeat(z[:, None], 9, axis=1) + rng.normal(0, 0.02, (len(x), 9))
        cover = np.ones_like(height)
        cover[(x > 0.8 * radius) & (x < 0.8 * radius + 0.75 * 0.6 * radius)] = 0.0
        if mirrored:
            height, cover = height[::-1].copy(), cover[::-1].copy()
        got = fill(height, cover)
        truth = z[::-1] if mirrored else z
        errors.append(float((got.height_mm - truth[:, None])[:, 4].sum() * CELL))
        assert got.hidden.max() == 1.0
    hidden_area = float(z[x > 0.8 * radius].sum() * CELL)
    assert abs(np.mean(errors)) < 0.03 * hidden_area


def test_an_edge_that_breaks_off_is_taken_as_upright_where_the_other_side_is() -> None:
    height = np.zeros((160, 9))
    height[30:90] = 25.0
    cover = np.ones_like(height)
    cover[90 : 90 + 37] = 0.0  # hidden for 0.75 · 25 mm
    got = fill(height, cover)
    assert got.height_mm[:, 4].sum() * CELL == pytest.approx(25.0 * 30.0, rel=0.002)
    assert got.doubt_mm[100, 4] > 0


def test_an_edge_goes_down_as_the_flank_on_the_other_side_does() -> None:
    # a ridge with flanks of 70°: run per mm of descent 1 / tan 70°
    x = (np.arange(160) + 0.5) * CELL
    slope = np.tan(np.radians(70.0))
    z = np.clip(np.minimum((x - 15) * slope, (60 - x) * slope), 0.0, 20.0)
    cover = np.ones((len(x), 9))
    edge = 60 - 20 / slope
    cover[(x > edge) & (x < edge + 15)] = 0.0
    got = fill(np.repeat(z[:, None], 9, axis=1), cover)
    hidden = z[x > edge].sum() * CELL
    assert got.height_mm[x > edge, 4].sum() * CELL == pytest.approx(hidden, rel=0.15)


@pytest.mark.parametrize("angle_deg", [30.0, 50.0])
def test_the_outline_of_a_flank_lies_where_it_meets_the_belt(angle_deg: float) -> None:
    # cone of 30 mm radius at the foot; its outline is found below the detection threshold
    n = 180
    x = (np.arange(n) + 0.5) * CELL - n * CELL / 2
    r = np.hypot(x[:, None], x[None, :])
    height = np.maximum((30.0 - r) * np.tan(np.radians(angle_deg)), 0.0)
    height += np.random.default_rng(0).normal(0, 0.02, height.shape)
    rim = rim_of(height)
    assert rim.cover.sum() * CELL**2 == pytest.approx(np.pi * 30**2, rel=0.01)
    assert (rim.last_x - rim.first_x) * CELL == pytest.approx(60.0, abs=0.6)
    assert (rim.last_y - rim.first_y) * CELL == pytest.approx(60.0, abs=0.6)
    # a flank that meets the belt has no toe
    assert np.nanmax(np.where(rim.cover > 0, rim.toe_mm, np.nan)) < 1.5


def test_a_wall_has_a_toe_and_cells_are_covered_in_part() -> None:
    height = np.zeros((100, 80))
    height[20:70, 20:60] = 12.0
    height[70, 20:60] = 3.0  # a quarter of the cell
    rim = rim_of(height)
    assert rim.cover[70, 40] == pytest.approx(0.25, abs=0.02)
    assert rim.cover.sum() == pytest.approx(50.25 * 40, rel=0.002)
    assert np.nanmax(rim.toe_mm) == pytest.approx(12.0, rel=0.05)


def test_components_join_across_blocks_and_close() -> None:
    rng = np.random.default_rng(2)
    mask = rng.random((200, 80)) < 0.02
    mask[30:90, 20:40] = True
    mask[60:120, 39:60] = True
    whole, parts = Components(80), Components(80)
    whole.add(mask, mask.astype(np.float32))
    for first in range(0, 200, 7):
        parts.add(mask[first : first + 7], mask[first : first + 7].astype(np.float32))
    biggest = max(parts.open(), key=lambda c: c.n_cells)
    assert biggest.n_cells == max(c.n_cells for c in whole.open())
    assert len(parts.open()) == len(whole.open())
    n = len(parts.open())
    parts.close(biggest)
    assert len(parts.open()) == n - 1


@pytest.mark.parametrize("fullness", [0.5, 0.75, 1.0])
@pytest.mark.parametrize("radius_mm", [12.0, 30.0])
def test_the_outline_of_a_dome_lies_at_its_foot(fullness: float, radius_mm: float) -> None:
    # 18 mm (1 - ρ²)^fullness on its base circle; means over cells from 8 x 8 points in each
    n, fine = 180, 8
    x = (np.arange(n * fine) + 0.5) * CELL / fine - n * CELL / 2 + 0.1
    rho2 = (x[:, None] ** 2 + x[None, :] ** 2) / radius_mm**2
    height = 18.0 * np.maximum(1.0 - rho2, 0.0) ** fullness
    height = height.reshape(n, fine, n, fine).mean(axis=(1, 3))
    rim = rim_of(height + np.random.default_rng(1).normal(0, 0.01, height.shape))
    area = float(rim.cover.sum()) * CELL**2
    assert np.sqrt(area / np.pi) == pytest.approx(radius_mm, abs=0.1)
    middle = n / 2 - 0.1 / CELL
    assert (rim.first_x - middle) * CELL == pytest.approx(-radius_mm, abs=0.15)
    assert (rim.last_x - rim.first_x) * CELL == pytest.approx(2 * radius_mm, abs=0.3)
