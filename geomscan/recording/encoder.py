"""The line table: encoder counts unwrapped, and what happened on the belt, named by line."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

__all__ = ["EventKind", "LineEvent", "LineTable", "build_table", "unwrap_counts"]

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

EventKind = Literal["rollover", "standstill", "backwards", "missing", "jump", "dropped", "clock"]

#: Widths of the counters met on real lines, in bits.
COUNTER_BITS = (16, 24, 32)

#: A step this many times its neighbours' median cannot be jitter of the belt's speed.
MISSING_FROM_RATIO = 1.6  # common practice, no source: halfway to two lines, plus jitter

#: Lines on either side whose median step is "typical" at a line.
NEIGHBOURS = 15

#: Less than this share of the usual step is vibration, not travel.
STILL_SHARE = 0.2  # common practice, no source

#: A stand-still is named once the belt should have moved this many counts and did not.
STANDSTILL_COUNTS = 3.0


@dataclass(frozen=True, kw_only=True, slots=True)
class LineEvent:
    """Something that happened at frames `line` to `last_line` (inclusive, from 0)."""

    what: EventKind
    line: int
    last_line: int
    text: str


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LineTable:
    """One row a frame, shape (n_lines,), read-only.

    `line` is the trigger's number as recorded, `count` the unwrapped encoder count, `time_s` the
    time; `exposure_us` and `laser_power` are NaN where not recorded. `dropped` holds the numbers
    of triggers that were recorded without a frame.
    """

    line: Integers
    count: Integers
    time_s: Floats
    exposure_us: Floats
    laser_power: Floats
    events: tuple[LineEvent, ...]
    dropped: tuple[int, ...] = ()

    @property
    def n_lines(self) -> int:
        """Rows that belong to a frame."""
        return int(self.count.size)

    def until(self, stop: int) -> "LineTable":
        """Leave out the frames from `stop` on, and what happened there."""
        return LineTable(
            line=self.line[:stop],
            count=self.count[:stop],
            time_s=self.time_s[:stop],
            exposure_us=self.exposure_us[:stop],
            laser_power=self.laser_power[:stop],
            events=tuple(event for event in self.events if event.last_line < stop),
            dropped=tuple(number for number in self.dropped if number < self.line[:stop].max()),
        )


def unwrap_counts(encoder: Integers) -> tuple[Integers, Integers, int]:
    """Undo roll-overs of a 16, 24 or 32 bit counter, signed or not.

    A step of more than half the narrowest counter that holds all values is a roll-over; a real
    step back is far shorter. Sequences with steps under half the counter come back exactly, up to
    a whole number of turns.

    Parameters
    ----------
    encoder : (n,) int64
        Counts as recorded.

    Returns
    -------
    count : (n,) int64
        The first value is as recorded.
    at : (k,) int64
        Rows at which the counter has just rolled over.
    bits : int
        Width of the counter that rolled over, 0 where none did.
    """
    none = np.empty(0, np.int64)
    if encoder.size < 2:
        return encoder.copy(), none, 0
    low, high = int(encoder.min()), int(encoder.max())
    for bits in COUNTER_BITS:
        turn = 1 << bits
        if not (low >= 0 and high < turn) and not (-turn // 2 <= low and high < turn // 2):
            continue
        step = np.diff(encoder)
        turns = -((step >= turn // 2).astype(np.int64)) + (step < -(turn // 2))
        at = np.flatnonzero(turns) + 1
        if at.size:
            count = encoder.copy()
            count[1:] += turn * np.cumsum(turns)
            return count, at, bits
        break
    return encoder.copy(), none, 0


def build_table(columns: Mapping[str, npt.NDArray[np.generic]], *, forward: int = 1) -> LineTable:
    """Unwrap the counts, drop the rows without a frame, and name what happened.

    Parameters
    ----------
    columns : mapping of (n,) arrays
        `line`, `encoder` (int64), `time_s`; optional `exposure_us`, `laser_power` (float64),
        `dropped` (bool).
    forward : int
        +1 where counts rise in forward running, -1 where they fall.
    """
    numbers = np.asarray(columns["line"], np.int64)
    gone = np.asarray(columns.get("dropped", np.zeros(numbers.size)), bool)
    row = np.flatnonzero(~gone)
    encoder = np.asarray(columns["encoder"], np.int64)[row]  # without a frame: may be anything
    count, turned, bits = unwrap_counts(encoder)

    def column(name: str) -> Floats:
        values = columns.get(name)
        return np.full(row.size, np.nan) if values is None else np.asarray(values, np.float64)[row]

    events = [
        LineEvent(
            what="rollover",
            line=at,
            last_line=at,
            text=f"counter rolled over at 2^{bits}, from {encoder[at - 1]} to {encoder[at]}",
        )
        for at in turned.tolist()
    ]
    for first, last in _runs(gone):
        before = max(int(np.searchsorted(row, first)) - 1, 0)
        which = f"triggers {numbers[first]} to {numbers[last]}"
        text = f"{last - first + 1} lines without a frame, {which}"
        events.append(LineEvent(what="dropped", line=before, last_line=before, text=text))
    events += _motion_events(forward * count, column("time_s"), numbers[row], row)
    table = LineTable(
        line=numbers[row],
        count=count,
        time_s=column("time_s"),
        exposure_us=column("exposure_us"),
        laser_power=column("laser_power"),
        events=tuple(sorted(events, key=lambda event: (event.line, event.what))),
        dropped=tuple(numbers[gone].tolist()),
    )
    for array in (table.line, table.count, table.time_s, table.exposure_us, table.laser_power):
        array.flags.writeable = False
    return table


def _motion_events(
    count: Integers, time_s: Floats, line: Integers, row: Integers
) -> list[LineEvent]:
    """Stand-still, running backwards, lines missing, jumps; counts rise in forward running."""
    if count.size < 2:
        return []
    step = np.diff(count).astype(np.float64)
    moving = np.abs(step[step != 0])
    typical = float(np.median(moving)) if moving.size else 0.0
    still = np.abs(step) <= STILL_SHARE * typical
    events: list[LineEvent] = []
    for first, last in _runs(still):
        if (last - first + 1) * typical >= STANDSTILL_COUNTS or typical == 0:
            text = f"belt stood still at count {count[first]} for {last - first + 2} lines"
            events.append(LineEvent(what="standstill", line=first, last_line=last + 1, text=text))
    for first, last in _runs((step < 0) & ~still):
        back = int(count[first] - count[last + 1])
        if back > 1:  # one count to and fro is the encoder's resolution
            text = f"belt ran backwards by {back} counts"
            events.append(LineEvent(what="backwards", line=first, last_line=last + 1, text=text))
    events += _gaps(step, np.diff(time_s), np.diff(line), np.diff(row), line, typical)
    for first, last in _runs(np.diff(time_s) < 0):
        text = f"clock went back by {time_s[first] - time_s[last + 1]:.6g} s"
        events.append(LineEvent(what="clock", line=first, last_line=last + 1, text=text))
    return events


def _gaps(
    step: Floats, seconds: Floats, numbers: Integers, rows: Integers, line: Integers, typical: float
) -> list[LineEvent]:
    """Lines that never arrived, and jumps of the encoder that time does not explain."""
    events: list[LineEvent] = []
    lost_by_number = numbers - rows  # rows without a frame have their own event
    per_line = step / np.maximum(numbers, 1)
    far = (per_line > MISSING_FROM_RATIO * typical) & (per_line > MISSING_FROM_RATIO + 1)
    for at in np.flatnonzero((lost_by_number > 0) | far).tolist():
        near = slice(max(at - NEIGHBOURS, 0), at + NEIGHBOURS + 1)
        forward = per_line[near][per_line[near] > 0]
        usual = float(np.median(forward)) if forward.size else typical
        counts = f"{int(step[at])} counts, {usual:g} is usual here"
        if lost_by_number[at] > 0:
            text = (
                f"{lost_by_number[at]} lines never arrived between triggers {line[at]} and "
                f"{line[at + 1]} ({counts})"
            )
            events.append(LineEvent(what="missing", line=at, last_line=at + 1, text=text))
            continue
        if per_line[at] <= MISSING_FROM_RATIO * usual:
            continue
        pace = seconds[near][seconds[near] > 0]
        if pace.size and seconds[at] < MISSING_FROM_RATIO * float(np.median(pace)):
            text = f"encoder jumped at an even pace in time ({counts})"
            events.append(LineEvent(what="jump", line=at, last_line=at + 1, text=text))
        else:
            text = f"about {max(round(step[at] / usual) - 1, 1)} lines never arrived ({counts})"
            events.append(LineEvent(what="missing", line=at, last_line=at + 1, text=text))
    return events


def _runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of each run of True."""
    edge = np.diff(np.concatenate(([False], flags, [False])).astype(np.int8))
    return list(
        zip(
            np.flatnonzero(edge == 1).tolist(),
            (np.flatnonzero(edge == -1) - 1).tolist(),
            strict=True,
        )
    )
