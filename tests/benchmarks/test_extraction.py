"""How long extraction takes; run with --benchmark-enable.

Goals in read units (one thread's `np.max` of the same frames): two threads 3.0, at most 3.5 with
AVX-512 and 4.0 with AVX2 alone; one thread 6; 12 bit 2.5 of its own.
"""

import platform
from typing import Any

import numba
import numpy as np
import pytest

from geomscan.laser_line.extract import extract_lines, new_lines
from geomscan.laser_line.noise import NoiseModel
from geomscan.laser_line.settings import LineSettings
from geomscan.runs.benchmark import numpy_rows, opencv_rows
from geomscan.runs.workload import draw_frames, wandering_lines

N_FRAMES = 100


@pytest.fixture(scope="module", params=[8, 12])
def stack(request: pytest.FixtureRequest) -> tuple[Any, int]:
    """Draw the workload's first frames, at 8 and at 12 bit."""
    return draw_frames(wandering_lines(N_FRAMES), bit_depth=request.param), request.param


def note(benchmark: Any) -> None:
    benchmark.extra_info.update(
        processor=platform.processor(), numpy=np.__version__, numba=numba.__version__
    )


@pytest.mark.parametrize("n_threads", [1, 2])
@pytest.mark.parametrize("choose", [False, True])
def test_extraction(benchmark: Any, stack: tuple[Any, int], n_threads: int, choose: bool) -> None:  # noqa: FBT001
    frames, bits = stack
    finer = 2.0 ** (bits - 8)
    noise = NoiseModel(electrons_per_grey=40 / finer, read_noise_grey=0.4 * finer)
    out = new_lines(N_FRAMES, frames.shape[2])
    note(benchmark)
    lines = benchmark(
        extract_lines,
        frames,
        noise=noise,
        settings=LineSettings(choose_peaks=choose),
        bit_depth=bits,
        n_threads=n_threads,
        out=out,
    )
    assert np.isfinite(lines.row_px).mean() > 0.98


def test_read_unit(benchmark: Any, stack: tuple[Any, int]) -> None:
    note(benchmark)
    assert benchmark(stack[0].max) > 200


def test_what_one_would_write_today_finds_the_same_line() -> None:
    """The two compositions that are compared with are no straw men: they find the drawn rows."""
    work = wandering_lines(2)
    frames = draw_frames(work)
    clean = np.isnan(work.second_row_px) & (work.peak_grey > 30) & (work.peak_grey < 240)
    for rows in (numpy_rows(frames), opencv_rows(frames.astype(np.uint8))):
        assert np.median(np.abs(rows - work.row_px)[clean]) < 0.1
