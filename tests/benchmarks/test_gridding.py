"""Speed of gridding, one thread, and of the last line to the finished piece; prints the machine."""

import platform
import sys
import time

import numba
import numpy as np
import numpy.typing as npt
import pytest

from geomscan.shape.across import grid_across
from geomscan.shape.along import HeadRows
from geomscan.shape.finder import PieceFinder
from geomscan.shape.geometry import BeltLines, HeadGeometry, HeadLines, ShapeGeometry
from geomscan.shape.settings import ShapeSettings

N_COLUMNS = 2048


def dome_lines(e: npt.NDArray[np.float64], seed: int = 0) -> HeadLines:
    """Lines over two ellipsoids 200 mm long, side by side, every 260 mm; 0.03 mm of noise."""
    rng = np.random.default_rng(seed)
    y = np.broadcast_to(np.linspace(-250, 250, N_COLUMNS), (len(e), N_COLUMNS)).astype(np.float32)
    height: npt.NDArray[np.float64] = np.zeros(y.shape)
    for middle in (-120.0, 110.0):
        q = (((e % 260.0) - 130.0)[:, None] / 100.0) ** 2 + ((y - middle) / 50.0) ** 2
        height = np.maximum(height, 25.0 * np.sqrt(np.maximum(1.0 - q, 0.0)))
    z = (height + rng.normal(0, 0.03, y.shape)).astype(np.float32)
    return HeadLines(
        y_mm=y, z_mm=z, u_z_mm=np.full(z.shape, 0.03, np.float32),
        reflectance=np.full(z.shape, 100, np.float32),
        line_width_px=np.full(z.shape, 2, np.float32),
    )  # fmt: skip


def finder() -> PieceFinder:
    heads = {
        name: HeadGeometry(
            tilt_deg=1.0, skew_deg=0.8, fan_mm=(0.0, 900.0), viewpoint_mm=(x, 0.0, 850.0)
        )
        for name, x in (("a", 640.0), ("b", -640.0))
    }
    return PieceFinder(
        ShapeGeometry(heads=heads, y_first_mm=-250.0, y_last_mm=250.0, mm_per_count=0.05),
        ShapeSettings(),
    )


def test_gridding_speed(benchmark) -> None:  # type: ignore[no-untyped-def]
    # blocks of 24 lines one after the other, as the finder hands them on
    n, n_block = 192, 24
    e = 0.5 * np.arange(n, dtype=np.float64)
    lines = dome_lines(e)
    blocks = [lines.part(slice(k, k + n_block)) for k in range(0, n, n_block)]
    rows = HeadRows(
        n_y=1000, n_channels=8, shift_mm=np.zeros(1000), tan_tilt=0.016, x_edge_mm=-2.0,
        cell_mm=0.5, n_ring=400,
    )  # fmt: skip
    n_done = 0

    def grid() -> None:
        nonlocal n_done
        for block in blocks:
            cells, squares = grid_across(
                block, fan_mm=(0.0, 900.0), y_edge_mm=-250.0, cell_mm=0.5, n_y=1000
            )
            rows.add(0.5 * n_done + e[:n_block], cells, squares)
            rows.clear(max(n_done - 2 * n_block, 0), max(n_done - n_block, 0))
            n_done += n_block

    grid()
    start = time.process_time()
    benchmark(grid)
    sys.stdout.write(
        f"\n{platform.processor()}, Python {platform.python_version()}, numba {numba.__version__}\n"
    )
    if benchmark.stats is not None:
        sys.stdout.write(
            f"{n * N_COLUMNS / benchmark.stats.stats.median / 1e6:.0f} Mpoints/s, eight channels\n"
        )
    assert time.process_time() > start


@pytest.mark.slow
def test_last_line_to_finished_piece() -> None:
    # a piece of 400 lines at 0.5 mm; the call that hands it out, with one line in it
    e = 0.5 * np.arange(1600, dtype=np.float64)
    lines = dome_lines(e)
    find, spent = finder(), []
    for i in range(len(e)):
        part = slice(i, i + 1)
        start = time.process_time()
        pieces = find.push(BeltLines(e_mm=e[part]), {"a": lines.part(part), "b": lines.part(part)})
        if pieces:
            spent.append((time.process_time() - start) * 1e3 / len(pieces))
    sys.stdout.write(
        f"\nlast line to piece: median {np.median(spent):.1f} ms, most {max(spent):.1f} ms\n"
    )
    assert np.median(spent) < 20.0  # floor; aim 3 ms on a quiet machine
