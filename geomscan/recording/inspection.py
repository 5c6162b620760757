"""What is in a recording, and what is wrong with it."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.recording.encoder import LineEvent
from geomscan.recording.manifest import HeadManifest, RecordingManifest
from geomscan.recording.recording import HeightBlock, RangeBlock, Recording, open_tolerantly

__all__ = ["HeadFigures", "Inspection", "Problem", "Travel", "inspect_recording"]

#: Share of columns whose peak is clipped above which exposure is worth a word.
CLIPPED_SHARE = 0.05  # common practice, no source: clipped columns cost little until many are

#: Share of dark pixels reading 0 above which their noise is cut off so far that it misleads.
DARK_ZERO_SHARE = 0.2  # common practice, no source

#: Pixels this many rows off their column's peak are dark: three widths of a wide line and more.
DARK_FROM_ROWS = 10

#: Share of columns without a line above which something is in the way.
EMPTY_SHARE = 0.5  # common practice, no source

#: A peak that stands this many standard deviations of dark pixels above them is a lit line.
LIT_FROM_SIGMA = 6.0  # among 100 rows noise alone reaches 4 or 5
LIT_FROM_GREY = 3.0  # where the noise is cut off at 0

LINES_PER_BLOCK = 64


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """Something wrong: what, and where (file, head, lines)."""

    what: str
    where: str


@dataclass(frozen=True, kw_only=True, slots=True)
class HeadFigures:
    """One head in figures; shares are 0 to 1, NaN where the payload does not tell."""

    name: str
    payload_is: str
    payload: str
    n_lines: int
    n_rows: int
    n_columns: int
    bit_depth: int
    peak_median: float
    peak_max: float
    clipped_share: float
    dark_zero_share: float
    lit_share: float

    @property
    def is_dark_clipped(self) -> bool:
        """Whether the black level lies so low that the noise of dark pixels is cut off at 0."""
        return self.dark_zero_share > DARK_ZERO_SHARE


@dataclass(frozen=True, kw_only=True, slots=True)
class Travel:
    """The belt's travel by the nominal mm per count; NaN where the table does not tell."""

    duration_s: float
    length_mm: float
    mm_per_line: float
    lines_per_s: float
    speed_mm_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Inspection:
    """A recording as inspected; `whole_lines` is the longest stretch that can be measured."""

    path: Path
    manifest: RecordingManifest
    n_lines: int
    whole_lines: tuple[int, int]
    heads: tuple[HeadFigures, ...]
    travel: Travel
    events: tuple[LineEvent, ...]
    problems: tuple[Problem, ...]
    is_whole: bool


def inspect_recording(path: Path) -> Inspection:
    """Read a recording from end to end.

    Raises
    ------
    InputError
        If nothing can be read from it.
    """
    with open_tolerantly(path) as recording:
        problems = [Problem(what=fault, where=str(path)) for fault in recording.faults]
        broken = np.zeros(recording.n_lines, bool)
        heads = []
        for head in recording.manifest.heads:
            figures, faults = _head_figures(recording, head, broken)
            heads.append(figures)
            problems += faults
        problems += _light_problems(heads)
        problems += _table_problems(recording)
        whole = _longest_run(~broken)
        if whole is None:
            msg = f"{path}: no line can be decoded: {problems[0].what}"
            raise InputError(msg)
        return Inspection(
            path=path,
            manifest=recording.manifest,
            n_lines=recording.n_lines,
            whole_lines=whole,
            heads=tuple(heads),
            travel=_travel(recording),
            events=recording.lines.events,
            problems=tuple(problems),
            is_whole=not recording.faults and not broken.any(),
        )


def _head_figures(
    recording: Recording, head: HeadManifest, broken: npt.NDArray[np.bool_]
) -> tuple[HeadFigures, list[Problem]]:
    """Read one head; lines that cannot be decoded are marked in `broken`."""
    tally = _Tally(head)
    first_word, n_broken, first_broken = "", 0, 0
    for first in range(0, recording.n_lines, LINES_PER_BLOCK):
        stop = min(first + LINES_PER_BLOCK, recording.n_lines)
        try:
            tally.add(_only(recording, head.name, first, stop))
        except InputError:
            for line in range(first, stop):
                try:
                    tally.add(_only(recording, head.name, line, line + 1))
                except InputError as error:
                    if not n_broken:
                        first_word, first_broken = str(error), line
                    n_broken += 1
                    broken[line] = True
    rows, columns = recording.frame_shape(head.name)
    problems = []
    if n_broken:
        more = f" and {n_broken - 1} lines more" if n_broken > 1 else ""
        what = f"line {first_broken}{more} cannot be read: {first_word}"
        problems.append(Problem(what=what, where=f"head {head.name}"))
    return tally.figures(head, recording.n_lines - n_broken, rows, columns), problems


def _only(recording: Recording, name: str, first: int, stop: int) -> Any:
    return next(recording.blocks(name, lines_per_block=stop - first, first=first, stop=stop))[1]


class _Tally:
    """Running counts over the blocks of one head."""

    def __init__(self, head: HeadManifest) -> None:
        self._full = head.saturation_grey
        self._peaks = np.zeros(self._full + 1, np.int64)
        self._dark = np.zeros(self._full + 1, np.int64)
        self._values = self._seen = 0

    def add(self, block: npt.NDArray[Any] | RangeBlock | HeightBlock) -> None:
        """Count one block."""
        if isinstance(block, RangeBlock | HeightBlock):
            values = block.row_px if isinstance(block, RangeBlock) else block.height_mm
            self._values += values.size
            self._seen += int(np.isfinite(values).sum())
            return
        self._peaks += np.bincount(block.max(axis=1).ravel(), minlength=self._peaks.size)
        some = block[::8]  # dark pixels are many: one line in eight tells their level
        row = np.arange(some.shape[1])[:, None]
        dark = some[np.abs(row - some.argmax(axis=1)[:, None, :]) > DARK_FROM_ROWS]
        self._dark += np.bincount(dark, minlength=self._dark.size)

    def figures(self, head: HeadManifest, n_lines: int, rows: int, columns: int) -> HeadFigures:
        """Sum up."""
        nan = float("nan")
        peak_median = peak_max = clipped = zero = lit = nan
        if self._peaks.any():
            total = int(self._peaks.sum())
            peak_median = float(np.searchsorted(np.cumsum(self._peaks), 0.5 * total))
            peak_max = float(np.flatnonzero(self._peaks)[-1])
            clipped = float(self._peaks[self._full] / total)
            n_dark = int(self._dark.sum())
            level, above = np.searchsorted(np.cumsum(self._dark), (0.5 * n_dark, 0.841 * n_dark))
            least = level + max(LIT_FROM_SIGMA * (above - level), LIT_FROM_GREY)
            lit = float(self._peaks[int(least) :].sum() / total)
            zero = float(self._dark[0] / n_dark) if n_dark else nan
        elif self._values:
            lit = self._seen / self._values
        return HeadFigures(
            name=head.name,
            payload_is=head.payload_is,
            payload=head.payload,
            n_lines=n_lines,
            n_rows=rows,
            n_columns=columns,
            bit_depth=head.bit_depth,
            peak_median=peak_median,
            peak_max=peak_max,
            clipped_share=clipped,
            dark_zero_share=zero,
            lit_share=lit,
        )


def _light_problems(heads: list[HeadFigures]) -> list[Problem]:
    problems = []
    for head in heads:
        where = f"head {head.name}"
        if head.clipped_share > CLIPPED_SHARE:
            what = (
                f"{100 * head.clipped_share:.0f} % of columns are clipped at the top: "
                "a shorter exposure would show the line's shape"
            )
            problems.append(Problem(what=what, where=where))
        if head.lit_share < EMPTY_SHARE:
            what = f"only {100 * head.lit_share:.0f} % of columns show a laser line"
            problems.append(Problem(what=what, where=where))
        full = (1 << head.bit_depth) - 1
        if head.payload_is == "frames" and head.bit_depth > 8 and head.peak_max < full / 8:
            what = (
                f"the brightest value is {head.peak_max:.0f} of {full}: is bit_depth = "
                f"{head.bit_depth} right?"
            )
            problems.append(Problem(what=what, where=where))
    return problems


def _table_problems(recording: Recording) -> list[Problem]:
    """Tell what the line table alone shows."""
    lines = recording.lines
    problems = []
    forward = 1 if recording.manifest.belt.nominal_mm_per_count > 0 else -1
    travel = forward * int(lines.count[-1] - lines.count[0])
    if lines.n_lines > 1 and travel < 0:
        what = (
            f"the encoder ran {-travel} counts against nominal_mm_per_count's sign: the belt ran "
            "backwards, or the sign is wrong"
        )
        problems.append(Problem(what=what, where="lines"))
    elif lines.n_lines > 1 and travel == 0:
        problems.append(Problem(what="the encoder does not move", where="lines"))
    for event in lines.events:
        where = f"line {event.line}"
        if event.last_line > event.line:
            where = f"lines {event.line} to {event.last_line}"
        problems.append(Problem(what=f"{event.what}: {event.text}", where=where))
    if not np.isfinite(lines.time_s).all():
        n = int((~np.isfinite(lines.time_s)).sum())
        problems.append(Problem(what=f"time_s is empty in {n} rows", where="lines"))
    return problems


def _travel(recording: Recording) -> Travel:
    lines, nominal = recording.lines, recording.manifest.belt.nominal_mm_per_count
    n_steps = max(lines.n_lines - 1, 1)
    length_mm = abs(nominal * float(lines.count[-1] - lines.count[0]))
    known = lines.time_s[np.isfinite(lines.time_s)]
    duration_s = float(known[-1] - known[0]) if known.size > 1 else float("nan")
    some = duration_s > 0
    return Travel(
        duration_s=duration_s,
        length_mm=length_mm,
        mm_per_line=abs(nominal) * float(np.median(np.abs(np.diff(lines.count))))
        if lines.n_lines > 1
        else float("nan"),
        lines_per_s=n_steps / duration_s if some else float("nan"),
        speed_mm_s=length_mm / duration_s if some else float("nan"),
    )


def _longest_run(good: npt.NDArray[np.bool_]) -> tuple[int, int] | None:
    """First and last index of the longest run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], good, [False])).astype(np.int8)))
    if not edges.size:
        return None
    starts, stops = edges[::2], edges[1::2]
    at = int(np.argmax(stops - starts))
    return int(starts[at]), int(stops[at]) - 1
