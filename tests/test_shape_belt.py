"""Belt zero on belts that are not plain, over long stretches, below wide, small and large pieces.

The belts and pieces are height functions written down here; heights come as from above, without
shadows, so that what is left of an error is belt zero's.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomscan.shape import belt_pattern
from geomscan.shape.bare_belt import BareBelt, BareRows
from geomscan.shape.finder import PieceFinder
from geomscan.shape.geometry import BeltLines, HeadGeometry, HeadLines, ShapeGeometry
from geomscan.shape.piece_map import PieceMap
from geomscan.shape.settings import ShapeSettings

Floats = npt.NDArray[np.float64]
Belt = Callable[[Floats, Floats], tuple[Floats, Floats]]
NOISE_MM = 0.03


def plain(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Give a belt's height, and the height at which it bears a piece."""
    return 0.0 * x + 0.0 * y, 0.0 * x + 0.0 * y


def bricks(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    # modules of 50 mm laid like bricks, with gaps 4 mm wide that flesh bridges
    turn = (x / 50.0 + 0.5 * (np.floor(y / 80.0) % 2)) % 1.0
    return np.where(turn < 0.08, -0.5, 0.0), 0.0 * turn


def tilted_modules(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    # flesh reaches from crest to crest
    z = 0.4 * ((x / 25.4) % 1.0) + 0.0 * y
    return z, 0.0 * z + 0.4


def pitted(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    along, across = (0.5 - 0.5 * np.cos(2.0 * np.pi * v / 25.0) for v in (x, y))
    z = -0.8 * (1.0 - (1.0 - along**4) * (1.0 - across**4))
    return z, 0.0 * z


def ribbed(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    z = np.where((x / 30.0) % 1.0 < 0.1, 0.6, 0.0) + 0.0 * y
    return z, 0.0 * z + 0.6


def rocking(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    z = 0.1 * x / 1000.0 + 0.1 * np.sin(2.0 * np.pi * x / 1500.0) * y / 75.0
    return z, z


Solid = tuple[float, float, float, float, float]  #: middle x, y, half axes along, across, height


def drawn(rng: np.random.Generator, length_mm: float) -> list[Solid]:
    return [
        (x, rng.uniform(-15, 15), rng.uniform(35, 50), rng.uniform(25, 35), rng.uniform(14, 24))
        for x in np.arange(100.0, length_mm - 90.0, 150.0)
    ]


def find(
    belt: Belt, solids: list[Solid], *, length_mm: float, half_mm: float = 75.0, seed: int = 0,
    shift_mm: float = 13.0,
) -> list[PieceMap]:  # fmt: skip
    """Pieces of paraboloids on a belt, in the order of the solids; there must be no others."""
    rng = np.random.default_rng(seed)
    e = np.arange(0.0, length_mm, 0.6)
    y = np.arange(-half_mm, half_mm, 0.4)
    x_2d, y_2d = np.meshgrid(e, y, indexing="ij")
    height, bears = belt(x_2d + shift_mm, y_2d)
    for x, across, a, b, high in solids:
        top = high * (1.0 - ((x_2d - x) / a) ** 2 - ((y_2d - across) / b) ** 2)
        height = np.where(top > 0.0, np.maximum(bears + top, height), height)
    height = height + NOISE_MM * rng.standard_normal(height.shape)
    lines = HeadLines(
        y_mm=np.tile(y, (len(e), 1)).astype(np.float32), z_mm=height.astype(np.float32),
        u_z_mm=np.full(height.shape, NOISE_MM, np.float32),
    )  # fmt: skip
    head = HeadGeometry(fan_mm=(0.0, 9e5), viewpoint_mm=(0.0, 0.0, 9e5))
    geometry = ShapeGeometry(heads={"a": head}, y_first_mm=-half_mm + 1.0, y_last_mm=half_mm - 1.0)
    finder = PieceFinder(geometry, ShapeSettings())
    pieces = []
    for i in range(0, len(e), 64):
        part = slice(i, i + 64)
        pieces += finder.push(BeltLines(e_mm=e[part]), {"a": lines.part(part)})
    pieces += finder.finish()
    return sorted(pieces, key=lambda p: p.x0_mm)


def volume_of(solid: Solid) -> float:
    """Elliptic paraboloid: pi a b h / 2."""
    return float(0.5 * np.pi * solid[2] * solid[3] * solid[4])


def errors_of(pieces: list[PieceMap], solids: list[Solid]) -> Floats:
    assert len(pieces) == len(solids)
    pairs = zip(pieces, solids, strict=True)
    return np.array([float(p.cell_volume_mm3.sum()) / volume_of(s) - 1.0 for p, s in pairs])


@pytest.mark.parametrize("belt", [bricks, tilted_modules, pitted])
def test_a_pattern_is_learnt_and_taken_off(belt: Belt, monkeypatch: pytest.MonkeyPatch) -> None:
    # truth: volumes in closed form of what lies on the part of the pattern that bears it
    solids = drawn(np.random.default_rng(3), 1250.0)
    late = slice(4, None)  # the period is known after 0.4 to 0.5 m
    learnt = errors_of(find(belt, solids, length_mm=1250.0), solids)
    assert np.abs(learnt[late]).max() < 0.0025
    monkeypatch.setattr(belt_pattern, "_LEAST_ROWS", 10**9)
    unknown = errors_of(find(belt, solids, length_mm=1250.0), solids)
    assert np.sqrt(np.mean(unknown[late] ** 2)) > 1.3 * np.sqrt(np.mean(learnt[late] ** 2))


def test_ribs_are_not_taken_for_pieces_once_they_are_known() -> None:
    solids = drawn(np.random.default_rng(4), 1250.0)
    pieces = [p for p in find(ribbed, solids, length_mm=1250.0) if p.x0_mm > 640.0]
    late = [s for s in solids if s[0] - s[2] > 640.0]
    assert np.abs(errors_of(pieces, late)).max() < 0.003


def test_no_period_is_found_where_there_is_none() -> None:
    # white and slow noise, common to the belt's width or not, steps, pieces lying in the way
    rng = np.random.default_rng(5)
    for trial in range(24):
        n = int(rng.choice([768, 1280, 2048]))
        bands = 0.004 * rng.standard_normal((n, 12))
        if trial % 4 == 1:
            bands += 0.003 * np.cumsum(rng.standard_normal((n, 1)), axis=0)
        if trial % 4 == 2:
            smooth = np.convolve(rng.standard_normal(n), np.hanning(31), mode="same")
            bands += 0.02 * smooth[:, None]
        if trial % 4 == 3:
            bands[rng.random(bands.shape) < 0.4] = np.nan
        bands[(np.arange(n) // 150) % 2 == 0, 2:6] = np.nan
        assert belt_pattern._period(bands.astype(np.float32), 0.5) is None


@pytest.mark.parametrize("period_mm", [9.0, 25.4, 50.0])
def test_the_period_is_found_in_noise(period_mm: float) -> None:
    rng = np.random.default_rng(6)
    x = 0.5 * np.arange(1024.0)[:, None]
    bands = 0.02 * np.sin(2 * np.pi * x / period_mm) + 0.008 * rng.standard_normal((1024, 12))
    found = belt_pattern._period(bands.astype(np.float32), 0.5)
    assert found == pytest.approx(period_mm, rel=0.003)


def test_a_belt_that_drifts_and_rocks_is_followed() -> None:
    solids = drawn(np.random.default_rng(7), 3000.0)
    pieces = find(rocking, solids, length_mm=3000.0)
    errors = errors_of(pieces, solids)
    u = np.array([
        (p.terms[0].delta_mm * p.cover).sum() * p.cell_mm**2 / volume_of(s)
        for p, s in zip(pieces, solids, strict=True)
    ])  # fmt: skip
    assert np.abs(errors).max() < 0.01
    assert np.sqrt(np.mean((errors / u) ** 2)) < 2.0


def test_pieces_over_the_whole_width_rest_on_the_belt_before_and_after() -> None:
    solids = [(x, 0.0, 55.0, 73.5, 22.0) for x in (120.0, 290.0, 460.0)]
    pieces = find(plain, solids, length_mm=600.0)
    assert np.abs(errors_of(pieces, solids)).max() < 0.001


def test_shreds_and_loins_are_found_with_the_same_settings() -> None:
    # 5 g to 2 kg of flesh at 1.06 g/cm³
    shred = (80.0, 20.0, 17.0, 12.0, 13.6)
    loin = (330.0, 0.0, 190.0, 72.0, 87.0)
    assert volume_of(shred) * 1.06e-3 == pytest.approx(4.6, abs=0.5)
    assert volume_of(loin) * 1.06e-3 == pytest.approx(2000.0, abs=50.0)
    pieces = find(plain, [shred, loin], length_mm=600.0)
    shred_error, loin_error = errors_of(pieces, [shred, loin])
    assert abs(shred_error) < 0.01
    assert abs(loin_error) < 0.001
    assert not any("too_long" in p.flags for p in pieces)


def test_pieces_at_the_ends_of_a_recording_are_flagged() -> None:
    solids = [(20.0, 0.0, 45.0, 30.0, 20.0), (150.0, 0.0, 45.0, 30.0, 20.0),
              (285.0, 0.0, 45.0, 30.0, 20.0)]  # fmt: skip
    first, middle, last = find(plain, solids, length_mm=300.0)
    assert "cut_by_start" in first.flags
    assert not middle.flags & {"cut_by_start", "cut_by_end"}
    assert "cut_by_end" in last.flags


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 37), min_size=3, max_size=12))
@settings(max_examples=20, deadline=None)
def test_bare_belt_summed_as_it_comes_is_its_sum(seed: int, portions: list[int]) -> None:
    # reference: numpy's sums over the window at once
    rng = np.random.default_rng(seed)
    n_x, n_y = sum(portions), 100
    level = rng.normal(0.0, 1.0, n_y)
    whole = (level + rng.choice([-0.1, 0.03, 0.08, 0.6], (n_x, n_y))).astype(np.float32)
    whole[rng.random(whole.shape) < 0.1] = np.nan
    free = rng.random(whole.shape) < 0.8

    def rows(first: int, stop: int) -> BareRows:
        return BareRows(
            whole=whole[first:stop], free=free[first:stop], level_mm=level, drift_mm=0.0,
            gate_mm=0.25,
        )  # fmt: skip

    belt = BareBelt(n_y)
    at = 0
    for n in portions[:-1]:
        belt.add(rows(at, at + n))
        at += n
    first = min(23, at)
    sums = belt.around(slice(first, n_x), slice(7, 93), level, rows(at, n_x))
    window = slice(sums.first, n_x)
    high = (whole - level)[window, 7:93]
    bare = free[window, 7:93] & (np.abs(high) < 0.25)
    high = np.where(bare, high, 0.0)
    x, y = np.arange(len(high))[:, None], np.arange(86)[None, :]
    assert first - 10 < sums.first <= first
    assert sums.n_rows == len(high)
    columns = [bare, high, bare * x, high * x, bare * x**2]
    np.testing.assert_allclose(
        sums.columns, [part.sum(axis=0) for part in columns], rtol=1e-4, atol=1e-3
    )
    a, b = len(high) // 40, 2
    patches = [
        part[: 40 * a, : 40 * b].reshape(a, 40, b, 40).sum(axis=(1, 3))
        for part in (bare, high, bare * x, bare * y)
    ]
    np.testing.assert_allclose(sums.patches, patches, rtol=1e-4, atol=1e-3)
