"""Belt travel and the encoder's counts: what the trigger saw, and what was lost of it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.simulation.scene import Scene

__all__ = ["BeltTravel", "belt_travel"]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BeltTravel:
    """Every trigger in order, shape (n,): what the encoder said and where the belt really was.

    `count` is unwrapped, `encoder` is what the line table holds; `dropped` lines have no frame.
    """

    count: npt.NDArray[np.int64]
    encoder: npt.NDArray[np.int64]
    time_s: npt.NDArray[np.float64]
    travel_mm: npt.NDArray[np.float64]
    dropped: npt.NDArray[np.bool_]
    events: tuple[str, ...]


def belt_travel(scene: Scene) -> BeltTravel:
    """Trigger the scene's lines: even steps of the belt, stops, steps back, drops and roll-over."""
    encoder = scene.encoder
    rng = np.random.default_rng([scene.seed, 71])
    step = np.full(scene.n_lines, scene.pitch_mm)
    step[0] = 0.0
    events = []
    if encoder.stop_at_line is not None and encoder.stop_lines:
        first = encoder.stop_at_line + 1
        step[first : first + encoder.stop_lines] = 0.0
        events.append(f"stop: line {encoder.stop_at_line}, {encoder.stop_lines} lines")
    if encoder.back_at_line is not None and encoder.back_mm:
        n_back = max(1, round(encoder.back_mm / scene.pitch_mm))
        first = encoder.back_at_line + 1
        step[first : first + n_back] = -encoder.back_mm / n_back
        events.append(f"back: line {encoder.back_at_line}, {encoder.back_mm:g} mm")
    wanted_mm = np.cumsum(step)
    count = encoder.start + np.rint(wanted_mm / encoder.mm_per_count).astype(np.int64)
    # x = 0 is the place of the first line, so the belt's travel counts from there
    travel = (count - count[0]) * encoder.mm_per_count * (1 - encoder.slip_percent / 100)
    if encoder.jitter_mm:
        travel = travel + encoder.jitter_mm * rng.standard_normal(scene.n_lines)
    wrapped = count % (1 << encoder.wrap_bits) if encoder.wrap_bits else count
    if encoder.wrap_bits and np.any(np.abs(np.diff(wrapped)) > (1 << (encoder.wrap_bits - 1))):
        events.append(f"roll-over: {encoder.wrap_bits} bit")
    dropped = rng.random(scene.n_lines) < encoder.dropped_share
    dropped[[line for line in encoder.dropped if 0 <= line < scene.n_lines]] = True
    dropped[0] = False  # x = 0 is where the first line lies
    if dropped.any():
        events.append(f"dropped: {int(dropped.sum())} lines")
    return BeltTravel(
        count=count,
        encoder=wrapped,
        time_s=np.arange(scene.n_lines) / encoder.line_rate_hz,
        travel_mm=travel,
        dropped=dropped,
        events=tuple(events),
    )
