"""geomscan benchmark: does this machine keep up with a line rate."""

from typing import TYPE_CHECKING, Any

import click
import numpy as np
import numpy.typing as npt

from geomscan.cli.output import finish, json_option, say, whole_command

if TYPE_CHECKING:
    from geomscan.runs.benchmark import Benchmark
    from geomscan.runs.throughput import Throughput

__all__ = ["command"]


@click.command(name="benchmark", help="Measure whether this machine keeps up with a line rate.")
@click.option("--quick", is_flag=True, help="300 frames (80 MB) instead of 2000 (0.5 GB).")
@click.option("--avx2", is_flag=True, help="Also measure code built for AVX2 only.")
@json_option
@whole_command
def command(quick: bool, avx2: bool, as_json: bool) -> None:
    """Measure, then print ratios for people or one object."""
    from geomscan.runs.benchmark import measure_extraction, read_units_avx2
    from geomscan.runs.throughput import measure_throughput

    figures = measure_extraction(quick=quick, say=say)
    with_avx2 = read_units_avx2(quick=quick) if avx2 else None
    say("measuring frames to profiles")
    whole = measure_throughput(n_lines=1000 if quick else 2000)
    finish(
        _as_json(figures, whole, with_avx2),
        as_json=as_json,
        text=_as_text(figures, whole, with_avx2),
    )


def _as_json(figures: "Benchmark", whole: "Throughput", avx2: float | None) -> dict[str, Any]:
    return {
        "extraction_read_units": {
            "one_thread": figures.one_thread,
            "two_threads": figures.two_threads,
            "choice_of_peaks_two_threads": figures.choice_two_threads,
            "u16_two_threads": figures.u16_two_threads,
            "avx2_two_threads": avx2,
        },
        "read_unit_us": figures.read_unit_us,
        "over_numpy": figures.over_numpy,
        "over_opencv": figures.over_opencv,
        "extraction_lines_per_s": figures.frames_per_s,
        "lines_per_s": whole.lines_per_s,
        "latency_ms": _spread(whole.latency_ms),
        "to_pieces": {
            "lines_per_s": whole.pieces_lines_per_s,
            "latency_ms": _spread(whole.pieces_latency_ms),
        },
        "n_frames": figures.n_frames,
        "machine": figures.machine,
    }


def _spread(times_ms: npt.NDArray[np.float64]) -> dict[str, float]:
    return {"median": float(np.median(times_ms)), "p95": float(np.percentile(times_ms, 95))}


def _as_text(figures: "Benchmark", whole: "Throughput", avx2: float | None) -> str:
    lines = [
        figures.machine,
        f"{figures.n_frames} frames of 128 rows x 2048 columns, 8 bit, in memory",
        f"reading them once (read unit)     {figures.read_unit_us:8.1f} µs a frame",
        f"laser line, one thread            {figures.one_thread:8.2f} read units",
        f"laser line, two threads           {figures.two_threads:8.2f} read units, "
        f"{figures.frames_per_s:.0f} lines/s",
        f"choice between two peaks, more    {figures.choice_two_threads:8.2f} read units",
    ]
    if figures.u16_two_threads is not None:
        lines.append(f"12 bit, two threads               {figures.u16_two_threads:8.2f} of its own")
    if avx2 is not None:
        lines.append(f"AVX2 only, two threads            {avx2:8.2f} read units")
    lines.append(f"plain numpy centre of gravity     {figures.over_numpy:8.1f} times as long")
    if figures.over_opencv is not None:
        lines.append(f"composed from OpenCV              {figures.over_opencv:8.1f} times as long")
    for name, rate, times_ms in (
        ("profile", whole.lines_per_s, whole.latency_ms),
        ("piece", whole.pieces_lines_per_s, whole.pieces_latency_ms),
    ):
        wait = _spread(times_ms)
        lines += [
            f"{f'frames to {name}s, two cores':<34}{rate:8.0f} head-lines/s "
            f"({whole.n_pieces} pieces)",
            f"{f'last line to finished {name}':<34}{wait['median']:8.1f} ms median, "
            f"{wait['p95']:.1f} ms at 95 %, one thread",
        ]
    return "\n".join(lines)
