"""Does this machine keep up? Extraction on a drawn workload, as ratios and as lines a second.

The unit is the read unit: the time of one thread's `np.max` over the same frames in the same
process. Every figure is the median of paired ratios over interleaved rounds, which a busy machine
disturbs less than times.
"""

import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
import numpy.typing as npt

from geomscan.laser_line.extract import extract_lines, new_lines
from geomscan.laser_line.noise import NoiseModel
from geomscan.laser_line.settings import LineSettings
from geomscan.runs.workload import (
    BACKGROUND_GREY,
    ELECTRONS_PER_GREY,
    READ_NOISE_GREY,
    draw_frames,
    wandering_lines,
)

__all__ = ["Benchmark", "machine_text", "measure_extraction", "read_units_avx2"]

Frames = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]

#: frames of the whole workload and of a quick one
WHOLE, QUICK = 2000, 300


@dataclass(frozen=True, kw_only=True, slots=True)
class Benchmark:
    """Figures of one run; ratios are in read units, None = not measured."""

    n_frames: int
    read_unit_us: float  #: per frame
    one_thread: float
    two_threads: float
    choice_two_threads: float  #: what the choice between two peaks adds
    u16_two_threads: float | None  #: 12 bit, in its own read units
    over_numpy: float  #: centre of gravity in plain numpy, one thread, over ours with two
    over_opencv: float | None  #: reduce, remap, centre of gravity in OpenCV over ours with two
    frames_per_s: float  #: extraction, two threads
    machine: str


def machine_text() -> str:
    """Processor, cores, memory-independent versions."""
    model = platform.processor() or platform.machine()
    try:
        with open("/proc/cpuinfo", encoding="utf-8") as stream:  # noqa: PTH123 - not a user's file
            names = [line.split(":", 1)[1].strip() for line in stream if "model name" in line]
        model = names[0] if names else model
    except OSError:
        pass
    return (
        f"{model}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"numpy {np.__version__}, numba {numba.__version__}"
    )


def measure_extraction(
    *, quick: bool = False, n_rounds: int = 7, say: Callable[[str], None] = lambda _: None
) -> Benchmark:
    """Measure extraction against reading the memory, plain numpy and OpenCV.

    Parameters
    ----------
    quick : bool
        300 frames (80 MB) instead of 2000 (0.5 GB), without the 12-bit stack; small enough for a
        large cache, so that the read unit may be that of the cache.
    n_rounds : int
        Interleaved rounds.
    say : callable
        Told what is going on.
    """
    n_frames = QUICK if quick else WHOLE
    say(f"drawing {n_frames} frames")
    frames = draw_frames(wandering_lines(n_frames))
    noise = _noise(1.0)
    bare, choosing = LineSettings(choose_peaks=False), LineSettings()
    out = new_lines(n_frames, frames.shape[2])

    def ours(settings: LineSettings, n_threads: int) -> Callable[[], Any]:
        return lambda: extract_lines(
            frames, noise=noise, settings=settings, bit_depth=8, n_threads=n_threads, out=out
        )

    extract_lines(frames[:4], noise=noise, settings=choosing, bit_depth=8)
    say("measuring")
    times = _interleaved(
        {
            "read": lambda: frames.max(),
            "one": ours(bare, 1),
            "two": ours(bare, 2),
            "chosen": ours(choosing, 2),
        },
        n_rounds,
    )
    few = frames[:40]
    slow = _interleaved({"numpy": lambda: numpy_rows(few)}, 3)["numpy"] / len(few)
    opencv = _opencv_time(few)
    per_frame = {name: np.median(value) / n_frames for name, value in times.items()}
    return Benchmark(
        n_frames=n_frames,
        read_unit_us=float(1e6 * per_frame["read"]),
        one_thread=_ratio(times["one"], times["read"]),
        two_threads=_ratio(times["two"], times["read"]),
        choice_two_threads=_ratio(times["chosen"] - times["two"], times["read"]),
        u16_two_threads=None if quick else _u16_ratio(n_frames // 2, n_rounds, say),
        over_numpy=float(np.median(slow) / per_frame["two"]),
        over_opencv=None if opencv is None else float(opencv / per_frame["two"]),
        frames_per_s=float(1 / per_frame["two"]),
        machine=machine_text(),
    )


def _noise(finer: float) -> NoiseModel:
    return NoiseModel(
        electrons_per_grey=ELECTRONS_PER_GREY / finer, read_noise_grey=READ_NOISE_GREY * finer
    )


def _u16_ratio(n_frames: int, n_rounds: int, say: Callable[[str], None]) -> float:
    say(f"drawing {n_frames} frames of 12 bit")
    frames = draw_frames(wandering_lines(n_frames), bit_depth=12)
    out = new_lines(n_frames, frames.shape[2])
    settings = LineSettings(choose_peaks=False)

    def ours() -> Any:
        return extract_lines(
            frames, noise=_noise(16.0), settings=settings, bit_depth=12, n_threads=2, out=out
        )

    ours()
    times = _interleaved({"read": lambda: frames.max(), "two": ours}, n_rounds)
    return _ratio(times["two"], times["read"])


def _interleaved(
    what: dict[str, Callable[[], Any]], n_rounds: int
) -> dict[str, npt.NDArray[np.float64]]:
    """Time each thing in turn, round after round; seconds."""
    times: dict[str, list[float]] = {name: [] for name in what}
    for _ in range(n_rounds):
        for name, run in what.items():
            begin = time.perf_counter()
            run()
            times[name].append(time.perf_counter() - begin)
    return {name: np.array(value) for name, value in times.items()}


def _ratio(time_s: npt.NDArray[np.float64], unit_s: npt.NDArray[np.float64]) -> float:
    return float(np.median(time_s / unit_s))


def numpy_rows(frames: Frames) -> npt.NDArray[np.float64]:
    """Centre of gravity about the brightest pixel in plain numpy, as one would write it today."""
    rows = np.arange(-7, 8)[:, None]
    result = np.empty((frames.shape[0], frames.shape[2]))
    for k, frame in enumerate(frames):
        peak = np.clip(frame.argmax(0), 7, frame.shape[0] - 8)
        window = np.take_along_axis(frame, peak + rows, 0) - BACKGROUND_GREY
        window = np.maximum(window, 0)
        light = np.maximum(window.sum(0), 1e-6)
        result[k] = peak + (window * rows).sum(0) / light
    return result


def opencv_rows(frames: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    """Find the same rows with OpenCV: arg-max, remap to straighten, then a weighted reduction.

    Raises
    ------
    ImportError
        If OpenCV or a system library that it needs is absent.
    """
    import cv2

    n_lines, n_columns = frames.shape[0], frames.shape[2]
    rows = np.arange(-7, 8, dtype=np.float32)
    columns = np.broadcast_to(np.arange(n_columns, dtype=np.float32), (rows.size, n_columns))
    result = np.empty((n_lines, n_columns))
    for k in range(n_lines):
        peak = cv2.reduceArgMax(frames[k], 0).reshape(-1).astype(np.float32)
        at = np.ascontiguousarray(rows[:, None] + peak)
        window = cv2.remap(frames[k], columns, at, cv2.INTER_NEAREST).astype(np.float32)
        window = cv2.subtract(window, BACKGROUND_GREY)
        light = cv2.reduce(window, 0, cv2.REDUCE_SUM).reshape(-1)
        lever = cv2.gemm(rows[None], window, 1.0, None, 0.0).reshape(-1)
        result[k] = peak + lever / np.maximum(light, 1e-6)
    return result


def _opencv_time(frames: Any) -> float | None:
    """Seconds a frame on one thread, None where OpenCV can't be loaded."""
    try:
        import cv2
    except ImportError:
        return None
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        times = _interleaved({"opencv": lambda: opencv_rows(frames)}, 3)["opencv"]
    finally:
        cv2.setNumThreads(threads)
    return float(np.median(times)) / len(frames)


def read_units_avx2(*, quick: bool = True) -> float:
    """Two-thread figure of code built for AVX2 only, from a process of its own."""
    code = (
        "from geomscan.runs.benchmark import measure_extraction as m;"
        f"print('two threads', m(quick={quick}).two_threads)"
    )
    environment = dict(
        os.environ,
        NUMBA_CPU_NAME="haswell",
        NUMBA_CPU_FEATURES="+sse,+sse2,+sse3,+ssse3,+sse4.1,+sse4.2,+popcnt,+avx,+avx2,+fma,+bmi,+bmi2",
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    return float(done.stdout.rsplit(maxsplit=1)[-1])
