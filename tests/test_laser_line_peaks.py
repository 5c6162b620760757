"""The right one of two peaks, and specks that are no line, against the drawn truth."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from geomscan.laser_line.extract import extract_lines
from geomscan.laser_line.lines import LaserLines, Quality
from geomscan.laser_line.noise import NoiseModel
from geomscan.laser_line.settings import LineSettings
from geomscan.runs.workload import Workload, draw_frames, wandering_lines

NOISE = NoiseModel(electrons_per_grey=40.0, read_noise_grey=0.4)


def measure(frames: npt.NDArray[np.uint8] | npt.NDArray[np.uint16]) -> LaserLines:
    return extract_lines(frames, noise=NOISE, settings=LineSettings(), bit_depth=8)


def check(work: Workload, lines: LaserLines, *, right_at_least: float) -> None:
    """Right within 2 px or flagged; clean columns are neither flagged nor lost."""
    error = np.abs(lines.row_px - work.row_px)
    flagged = (lines.quality & (Quality.SECOND_PEAK | Quality.NO_LINE)) > 0
    two = np.isfinite(work.second_row_px) & (work.peak_grey > 12)
    clean = ~np.isfinite(work.second_row_px) & (work.peak_grey > 12)
    right = error < 2
    assert two.sum() > 500
    assert right[two].mean() >= right_at_least
    assert (~right & ~flagged)[two].mean() <= 1e-3
    assert ((lines.quality & Quality.SECOND_PEAK) > 0)[clean].mean() < 1e-4
    assert np.isnan(lines.row_px[clean]).mean() < 1e-4


def glare(work: Workload, *, seed: int, along: bool) -> Workload:
    """Put second lines over 5 to 60 columns and 30 to 60 lines, along the line or level."""
    rng = np.random.default_rng(seed)
    rows, heights = np.full_like(work.row_px, np.nan), np.zeros_like(work.row_px)
    n_lines, n_columns = rows.shape
    c = 40
    while c < n_columns - 70:
        n, first = int(rng.integers(5, 61)), int(rng.integers(0, max(1, n_lines - 30)))
        at = np.s_[first : first + int(rng.integers(30, 61)), c : c + n]
        line = work.row_px[at]
        row = line + rng.choice([-1, 1]) * rng.uniform(22, 45)
        row = np.where((row < 5) | (row > 122), 2 * line - row, row)
        if not along:
            row = np.full_like(line, rng.uniform(8, 119))
        apart = np.abs(row - line).min() > 18 and row.min() > 4 and row.max() < 123
        if apart:
            rows[at], heights[at] = row, np.median(work.peak_grey[at]) * rng.uniform(0.6, 1.6)
        c += n + int(rng.integers(20, 80))
    peak_grey = np.clip(work.peak_grey, 15, 240)
    return replace(work, second_row_px=rows, second_grey=heights, peak_grey=peak_grey)


def test_second_peaks_in_single_columns() -> None:
    """Reference: the drawn rows; 2 % of columns have a second peak of 0.6 to 1.6 times the line."""
    work = wandering_lines(20, seed=11)
    check(work, measure(draw_frames(work, seed=12)), right_at_least=0.99)


@pytest.mark.slow
@pytest.mark.parametrize("along", [True, False])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_glare_over_many_columns_and_lines(seed: int, along: bool) -> None:  # noqa: FBT001
    """Reference: the drawn rows."""
    work = glare(wandering_lines(100, seed=20 + seed), seed=seed, along=along)
    check(work, measure(draw_frames(work, seed=seed)), right_at_least=0.95)


def test_specks_are_no_line() -> None:
    """Reference: the drawn frame: bright dashes where no line is, and across the line's columns."""
    work = wandering_lines(6, n_columns=512, seed=13)
    dark = np.s_[:, 200:300]
    peak = np.clip(work.peak_grey, 30, 100)
    peak[dark] = 0
    work = replace(work, peak_grey=peak, second_row_px=np.full_like(peak, np.nan))
    frames = draw_frames(work, seed=14)
    frames[:, 3:5, 240:246] = 220  # alone in the dark
    frames[:, 124:126, 50:54] = 250  # outshines the line
    frames[:, 120, 400] = 255  # a defect pixel
    lines = measure(frames)
    assert np.isnan(lines.row_px[dark]).all()
    lit = np.ones_like(peak, bool)
    lit[dark] = False
    assert np.nanmax(np.abs(lines.row_px - work.row_px)[lit]) < 1.0
    assert np.isfinite(lines.row_px[lit]).all()
