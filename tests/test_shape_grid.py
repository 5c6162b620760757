"""Lines onto the grid: volume is moved by nothing, walls stay upright."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomscan.shape.across import grid_across
from geomscan.shape.along import HeadRows
from geomscan.shape.fuse import fuse_rows
from geomscan.shape.geometry import HeadLines
from geomscan.shape.rows import RowStore

N_Y = 400


def lines_of(y: np.ndarray, z: np.ndarray, grey: np.ndarray | None = None) -> HeadLines:
    y, z = np.atleast_2d(y).astype(np.float32), np.atleast_2d(z).astype(np.float32)
    return HeadLines(
        y_mm=y, z_mm=z, u_z_mm=np.full(y.shape, 0.02, np.float32),
        reflectance=None if grey is None else np.atleast_2d(grey).astype(np.float32),
    )  # fmt: skip


def across(
    lines: HeadLines, cell: float = 0.5, fan: tuple[float, float] = (0.0, 900.0)
) -> np.ndarray:
    return grid_across(lines, fan_mm=fan, y_edge_mm=-100.0, cell_mm=cell, n_y=int(200 / cell))[0]


@given(
    pitch=st.floats(0.1, 1.5), shift=st.floats(-1.0, 1.0), cell=st.sampled_from([0.25, 0.5, 1.0]),
    reverse=st.booleans(),
)  # fmt: skip
@settings(max_examples=40, deadline=None)
def test_a_line_keeps_its_area(pitch: float, shift: float, cell: float, reverse: bool) -> None:  # noqa: FBT001
    # reference: the trapezoid rule over the same samples (both integrate the same straight pieces)
    y = np.arange(-80.0, 80.0, pitch) + shift
    z = np.where(np.abs(y) < 50, 15.0 * (1 - (y / 50) ** 2), 0.0)
    step = slice(None, None, -1) if reverse else slice(None)
    out = across(lines_of(y[step], z[step]), cell)
    assert out[0, 1].sum() * cell == pytest.approx(np.trapezoid(z, y), rel=2e-4)
    assert out[0, 0].sum() * cell == pytest.approx(y[-1] - y[0], rel=1e-4)


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_a_wall_that_faces_away_from_the_light_stays_upright(side: float) -> None:
    # light from (0, 900); wall 25 mm high at 60 mm: the belt is dark for 25·60/875 = 1.71 mm
    errors = []
    for offset in np.arange(0.013, 0.4, 0.05):
        y = np.arange(-90.0, 90.0, 0.4) + offset
        z = np.where(np.abs(y) < 60.0, 25.0, 0.0)
        dark = (np.abs(y) > 60.0) & (np.abs(y) < 60.0 * 900 / 875)
        y, z = np.where(dark, np.nan, y), np.where(dark, np.nan, z)
        out = across(lines_of(y, z))
        cells = -100.0 + 0.5 * np.arange(N_Y) + 0.25
        errors.append(out[0, 1, side * cells > 0].sum() * 0.5 / 25.0 - 60.0)
    # without light to tell by, the wall is half a column beyond the last sample: right on the mean
    assert np.mean(errors) == pytest.approx(0.0, abs=0.03)
    assert np.max(np.abs(errors)) <= 0.21


def test_a_column_cut_by_an_edge_tells_by_its_light_where() -> None:
    # a column is 0.4 mm wide; the edge cuts it, and it gets light in proportion
    for share in (0.2, 0.5, 0.9):
        y = np.arange(-90.0, 90.0, 0.4)
        last = int(np.searchsorted(y, 60.0))
        edge = y[last] + (share - 0.5) * 0.4
        z = np.where(np.arange(len(y)) <= last, 25.0, 0.0)
        grey = np.full(len(y), 100.0)
        grey[last] = 100.0 * share
        dark = (np.arange(len(y)) > last) & (y < 62.0)
        y, z = np.where(dark, np.nan, y), np.where(dark, np.nan, z)
        out = across(lines_of(y, z, grey))
        cells = -100.0 + 0.5 * np.arange(N_Y) + 0.25
        assert out[0, 1, cells > 0].sum() * 0.5 / 25.0 == pytest.approx(edge, abs=0.02)


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_the_first_sample_past_a_shadow_does_not_raise_all_of_it(side: float) -> None:
    # bare belt at 0 on either side of what is dark; only that one sample, half lit, reads 0.6 mm
    y = np.arange(-90.0, 90.0, 0.4)
    z = np.where(np.abs(y) < 60.0, 25.0, 0.0)
    dark = (np.abs(y) > 60.0) & (np.abs(y) < 62.0)
    first = np.flatnonzero((np.abs(y) >= 62.0) & (side * y > 0))
    z[first[0] if side > 0 else first[-1]] = 0.6
    y, z = np.where(dark, np.nan, y), np.where(dark, np.nan, z)
    out = across(lines_of(y, z))
    cells = -100.0 + 0.5 * np.arange(N_Y) + 0.25
    hidden = (side * cells > 60.5) & (side * cells < 61.5)
    assert np.abs(out[0, 1, hidden]).max() < 1e-6


def test_a_gap_that_is_no_shadow_stays_open() -> None:
    y = np.arange(-90.0, 90.0, 0.4)
    z = np.zeros_like(y)
    y[(y > -20.0) & (y < 20.0)] = np.nan
    out = across(lines_of(y, z))
    cells = -100.0 + 0.5 * np.arange(N_Y) + 0.25
    assert not out[0, 0, np.abs(cells) < 19.0].any()


def rows_of(e: np.ndarray, profile, *, tilt_deg: float = 1.0, skew_deg: float = 0.8) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Grid a surface z(x, y) whose samples lie at x = e + z·tan(tilt) + y·tan(skew)."""
    tan_tilt, tan_skew = np.tan(np.radians([tilt_deg, skew_deg]))
    y = np.arange(-90.0, 90.0, 0.4)
    z = np.zeros((len(e), len(y)))
    for _ in range(8):
        z = profile(e[:, None] + z * tan_tilt + y * tan_skew, y[None, :])
    cells = -100.0 + 0.5 * np.arange(N_Y) + 0.25
    lines, squares = grid_across(
        lines_of(np.broadcast_to(y, z.shape), z), fan_mm=(0.0, 900.0), y_edge_mm=-100.0,
        cell_mm=0.5, n_y=N_Y,
    )  # fmt: skip
    head = HeadRows(
        n_y=N_Y, n_channels=8, shift_mm=cells * tan_skew, tan_tilt=tan_tilt, x_edge_mm=-20.0,
        cell_mm=0.5, n_ring=600,
    )  # fmt: skip
    head.add(e, lines, squares)
    head.break_off()
    return np.concatenate(head.take(0, 600))


@pytest.mark.parametrize("pitch", [0.25, 0.5, 1.0, 2.0])
def test_smooth_volume_on_the_grid_is_the_closed_form(pitch: float) -> None:
    # elliptic paraboloid: π a b H / 2 (references of standard geometry)
    a, b, h = 60.0, 40.0, 25.0

    def dome(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.maximum(h * (1 - ((x - 80) / a) ** 2 - (y / b) ** 2), 0.0)

    rng = np.random.default_rng(1)
    e = np.cumsum(np.full(int(170 / pitch), pitch) * rng.uniform(0.8, 1.2, int(170 / pitch)))
    rows = rows_of(e, dome)
    assert rows[:, 1].sum() * 0.25 == pytest.approx(np.pi * a * b * h / 2, rel=1e-3)


def test_fusion_weighs_by_variance_and_takes_the_head_that_saw_the_cell() -> None:
    one, other = np.zeros((1, 3, 8), np.float32), np.zeros((1, 3, 8), np.float32)
    one[0, 0] = other[0, 0] = [1, 10, 5, 2, 0.01, 0, 0, 0]
    other[0, 0, [1, 4]] = [13, 0.02]
    one[0, 1] = [0.4, 4, 2, 1, 0.004, 0, 0, 0]  # cut by a shadow
    other[0, 1] = [1, 8, 5, 2, 0.01, 0, 0, 0]
    out = np.empty((1, 3, 9), np.float32)
    fuse_rows([one.swapaxes(1, 2).copy(), other.swapaxes(1, 2).copy()], out)
    # weights 100 and 50: (1000 + 650) / 150; variance 1/150 (weighted mean, e.g. GUM H.8)
    assert out[0, 0, 1] == pytest.approx(11.0)
    assert out[0, 0, 4] == pytest.approx(1 / 150)
    assert out[0, 0, 8] == pytest.approx(-3.0)
    assert out[0, 1, 1] == pytest.approx(8.0)
    assert out[0, 2, 0] == 0
    assert np.isnan(out[0, 2, 1])


@pytest.mark.parametrize("turned", [False, True])
def test_what_a_head_filled_in_yields_to_what_another_saw_lit(turned: bool) -> None:  # noqa: FBT001
    # one head took three quarters of the cell for a shadow of the light and laid belt there; to
    # the other all of it was lit, 6 mm high, if with more noise
    filled, seen = np.zeros((2, 1, 8, 1), np.float32)
    filled[0, :, 0] = [1, 1.5, 5, 2, 0.0001, 0.75, 0.4, 0]
    seen[0, :, 0] = [1, 6.0, 50, 2, 0.01, 0, 0, 0]
    out = np.empty((1, 1, 9), np.float32)
    fuse_rows([seen, filled] if turned else [filled, seen], out)
    assert out[0, 0, :8] == pytest.approx(seen[0, :, 0])
    assert np.isnan(out[0, 0, 8])  # no disagreement of heads


@given(st.lists(st.tuples(st.integers(1, 700), st.integers(0, 900)), min_size=1, max_size=30))
@settings(max_examples=30, deadline=None)
def test_the_row_store_gives_back_what_was_put_in(steps: list[tuple[int, int]]) -> None:
    store = RowStore((2,), np.int64)
    for n, drop in steps:
        first = store.stop
        store.append(np.stack([np.arange(first, first + n)] * 2, axis=1))
        store.drop_before(store.stop - drop)
        held = store.window(store.first, store.stop)
        assert np.array_equal(held[:, 0], np.arange(store.first, store.stop))
