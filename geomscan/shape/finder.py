"""Pieces found while the belt runs: lines in, finished pieces out."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.shape.across import CHANNELS, grid_across, room_for_lines
from geomscan.shape.along import HeadRows
from geomscan.shape.belt_zero import BeltZero
from geomscan.shape.budget import CalibrationErrors
from geomscan.shape.components import Component, Components
from geomscan.shape.fuse import FUSED, fuse_rows
from geomscan.shape.geometry import (
    BeltLines,
    HeadGeometry,
    HeadLines,
    ShapeGeometry,
    lines_of_sight,
)
from geomscan.shape.maps import Room
from geomscan.shape.piece import N_KEPT, N_SCRATCH, PieceFrame, finish_pieces
from geomscan.shape.piece_map import PieceMap
from geomscan.shape.ready import make_ready
from geomscan.shape.rows import RowStore
from geomscan.shape.settings import ShapeSettings
from geomscan.shape.travel import LONGEST_GAP_MM, Travel

__all__ = ["PieceFinder"]

_START_ROWS = 64  # rows looked at before the belt's level is first settled
_MARGIN = 8  # cells kept around a piece
_CLEAR = 8  # cells between product and belt that speaks for the belt's height
_BARE_ROWS = 40  # rows whose bare belt is summed at once
_FLUSH_ROWS = 48  # rows handled at once: few enough to stay in the processor's cache
_CHUNK_LINES = 24
_FEW_LINES = 8  # done sooner by one thread than handed to another
_TALLEST_MM = 200.0
_FAN_HEIGHT_MM = 900.0  # assumed where the light's source isn't known

T = TypeVar("T")
R = TypeVar("R")
Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]


class PieceFinder:
    """Turn lines of one or more heads into pieces, each as soon as its last line has passed.

    Memory stays bounded by the longest piece allowed. All heads see the same lines.

    Parameters
    ----------
    geometry
        The scanner.
    settings
        Grid and edge.
    lanes
        y ranges that assign pieces; one lane over everything where empty.

    Examples
    --------
    >>> head = HeadGeometry(fan_mm=(0.0, 900.0), viewpoint_mm=(640.0, 0.0, 850.0))
    >>> geometry = ShapeGeometry(heads={"a": head}, y_first_mm=-50.0, y_last_mm=50.0)
    >>> finder = PieceFinder(geometry, ShapeSettings())
    >>> finder.finish()
    []
    """

    def __init__(
        self,
        geometry: ShapeGeometry,
        settings: ShapeSettings,
        lanes: Sequence[tuple[float, float]] = (),
    ) -> None:
        self._geometry = geometry
        self._settings = settings
        self._cell = settings.grid.cell_mm
        self._lanes = tuple(lanes) or ((geometry.y_first_mm, geometry.y_last_mm),)
        self.n_y = max(1, math.ceil((geometry.y_last_mm - geometry.y_first_mm) / self._cell))
        self.y_first_mm = geometry.y_first_mm + 0.5 * self._cell
        y = self.y_first_mm + self._cell * np.arange(self.n_y)
        self._y = y
        reach = [self._reach(head) for head in geometry.heads.values()]
        self._behind = max(r[0] for r in reach)
        self._ahead = max(r[1] for r in reach)
        self._sight = lines_of_sight(geometry.heads.values())
        self._errors = CalibrationErrors(geometry.heads)
        self._rows_of: dict[str, HeadRows] = {}
        self._lines_of = {name: room_for_lines(_CHUNK_LINES, self.n_y) for name in geometry.heads}
        self._x_edge = 0.0
        self._travel = Travel(_FLUSH_ROWS * self._cell)
        self._column_pitch = 0.0
        self._done = 0  # rows handed on
        self._started = False
        self._store = RowStore((self.n_y, len(FUSED)), np.float32)
        self._whole = RowStore((self.n_y,), np.float32)  # what belt zero is found from later
        self._zero = BeltZero(self.n_y, self._cell)
        self._room = Room()
        self._workers = ThreadPoolExecutor(max(len(geometry.heads) - 1, 1))
        self._components = Components(self.n_y)
        self._n_emitted = 0
        self._emitted_x0: list[float] = []
        make_ready()

    # ------------------------------------------------------------------ lines in

    def push(self, belt: BeltLines, heads: Mapping[str, HeadLines]) -> list[PieceMap]:
        """Take the next lines of all heads; hand out the pieces that are complete.

        Raises
        ------
        InputError
            If the heads' names or the numbers of lines don't fit.
        """
        self._check(belt, heads)
        if len(belt.e_mm) == 0:
            return []
        self._note_column_pitch(heads)
        pieces: list[PieceMap] = []
        for at in range(0, len(belt.e_mm), _CHUNK_LINES):
            part = slice(at, at + _CHUNK_LINES)
            pieces += self._push(
                belt.part(part), {name: lines.part(part) for name, lines in heads.items()}
            )
        return pieces

    def _push(self, belt: BeltLines, heads: Mapping[str, HeadLines]) -> list[PieceMap]:
        gridded = dict(
            zip(heads, self._each(self._grid, heads.items(), len(belt.e_mm)), strict=True)
        )
        pieces: list[PieceMap] = []
        if not self._travel.begun:
            self._begin(float(belt.e_mm[0]))
        for first, stop, apart in self._travel.runs(belt):
            if apart:
                for head in self._rows_of.values():
                    head.break_off()
                pieces += self._flush(self._final_row(float(belt.e_mm[first])))
            part = slice(first, stop)

            def add(item: tuple[str, HeadRows], part: slice = part) -> None:
                lines, squares = gridded[item[0]]
                item[1].add(belt.e_mm[part], lines[part], squares[part])

            self._each(add, self._rows_of.items(), stop - first)
            # lines are joined one late
            pieces += self._flush(self._final_row(self._travel.before_last_mm))
        return pieces

    def _grid(self, item: tuple[str, HeadLines]) -> tuple[Singles, Singles]:
        name, lines = item
        return grid_across(
            lines, fan_mm=self._fan(name), y_edge_mm=self._geometry.y_first_mm,
            cell_mm=self._cell, n_y=self.n_y, room=self._lines_of[name],
        )  # fmt: skip

    def _each(self, work: Callable[[T], R], items: Iterable[T], n_lines: int) -> list[R]:
        """Do the heads' work, side by side where there is enough of it."""
        if n_lines < _FEW_LINES:
            return [work(item) for item in items]
        first, *others = items
        waiting = [self._workers.submit(work, item) for item in others]
        return [work(first), *(done.result() for done in waiting)]

    def finish(self) -> list[PieceMap]:
        """No more lines come: hand out what is still open."""
        if not self._travel.begun:
            return []
        for head in self._rows_of.values():
            head.break_off()
        last = math.ceil((self._travel.last_mm + self._ahead - self._x_edge) / self._cell)
        pieces = self._flush(last)
        if not self._started:
            pieces += self._settle()
        pieces += self._harvest(at_end=True)
        return pieces

    # ------------------------------------------------------------------ steps

    def _check(self, belt: BeltLines, heads: Mapping[str, HeadLines]) -> None:
        expected = set(self._geometry.heads)
        if set(heads) != expected:
            msg = f"lines: expected heads {sorted(expected)}, got {sorted(heads)}"
            raise InputError(msg)
        for name, lines in heads.items():
            if lines.y_mm.shape != lines.z_mm.shape or len(lines.y_mm) != len(belt.e_mm):
                msg = (
                    f"lines of head {name}: expected {len(belt.e_mm)} lines of equal shape, "
                    f"got {lines.y_mm.shape} and {lines.z_mm.shape}"
                )
                raise InputError(msg)

    def _lean(self, head: HeadGeometry) -> Floats:
        """Give x - e on the belt at each cell."""
        return np.asarray(head.offset_mm + self._y * math.tan(math.radians(head.skew_deg)))

    def _reach(self, head: HeadGeometry) -> tuple[float, float]:
        """How far behind and ahead of the belt travel a line's points may lie, mm."""
        lean = self._lean(head)
        rise = _TALLEST_MM * math.tan(math.radians(head.tilt_deg))
        fall = -0.05 * rise  # belts sag below 0, too
        low, high = min(rise, fall, 0.0), max(rise, fall, 0.0)
        return 1.0 - float(lean.min()) - low, 1.0 + float(lean.max()) + high

    def _fan(self, name: str) -> tuple[float, float]:
        fan = self._geometry.heads[name].fan_mm
        middle = 0.5 * (self._geometry.y_first_mm + self._geometry.y_last_mm)
        return fan or (middle, _FAN_HEIGHT_MM)

    def _begin(self, e: float) -> None:
        self._x_edge = math.floor((e - self._behind) / self._cell) * self._cell
        reach = math.ceil((self._ahead + self._behind + LONGEST_GAP_MM) / self._cell)
        for name, head in self._geometry.heads.items():
            self._rows_of[name] = HeadRows(
                n_y=self.n_y, n_channels=len(CHANNELS), shift_mm=self._lean(head),
                tan_tilt=math.tan(math.radians(head.tilt_deg)), x_edge_mm=self._x_edge,
                cell_mm=self._cell,
                n_ring=reach + 3 * _FLUSH_ROWS + 16,
            )  # fmt: skip

    def _note_column_pitch(self, heads: Mapping[str, HeadLines]) -> None:
        if self._column_pitch > 0.0:
            return
        steps = np.concatenate(
            [np.abs(np.diff(lines.y_mm[:20], axis=1)).ravel() for lines in heads.values()]
        )
        steps = steps[np.isfinite(steps)]
        if len(steps) > 20:
            self._column_pitch = float(np.median(steps))

    def _final_row(self, e: float) -> int:
        """Rows before this one are reached by no later line."""
        return max(math.floor((e - self._behind - self._x_edge) / self._cell), 0)

    def _flush(self, stop: int) -> list[PieceMap]:
        pieces: list[PieceMap] = []
        while self._done < stop:
            upto = min(stop, self._done + _FLUSH_ROWS)
            heads = [head.take(self._done, upto) for head in self._rows_of.values()]
            rows = self._store.extend(upto - self._done)
            at = 0
            for parts in zip(*heads, strict=True):
                fuse_rows(parts, rows[at : at + len(parts[0])])
                at += len(parts[0])
            for head in self._rows_of.values():
                head.clear(self._done, upto)
            self._done = upto
            if self._started:
                self._mark(rows)
                pieces += self._harvest(at_end=False)
            elif self._store.stop >= _START_ROWS:
                pieces += self._settle()
        return pieces

    def _settle(self) -> list[PieceMap]:
        """Find the belt in the first rows, then treat them like any others."""
        self._started = True
        rows = self._store.window(self._store.first, self._store.stop)
        if len(rows) == 0:
            return []
        self._zero.start(rows[:, :, 1], rows[:, :, 0])
        self._mark(rows)
        return self._harvest(at_end=False)

    def _mark(self, rows: npt.NDArray[np.float32]) -> None:
        mask, above = self._zero.follow(rows, self._whole.extend(len(rows)))
        self._zero.look_back(
            self._store.window(self._store.first, self._store.stop),
            self._whole.window(self._whole.first, self._whole.stop),
        )
        self._components.add(mask, above)
        known = self._components.labels.stop - _CLEAR
        if known - self._zero.n_summed >= _BARE_ROWS:
            self._zero.sum_bare(*self._belt(self._zero.n_summed, known))

    def _belt(self, first: int, stop: int) -> tuple[Singles, npt.NDArray[np.bool_]]:
        """Give the heights of rows, and which of their cells lie far from all product."""
        labels = self._components.labels
        begin, end = max(first - _CLEAR, labels.first), min(stop + _CLEAR, labels.stop)
        free = _far_from(labels.window(begin, end), _CLEAR)
        return self._whole.window(first, stop), free[first - begin : stop - begin]

    def _harvest(self, *, at_end: bool) -> list[PieceMap]:
        """Finish the regions that no further row can reach."""
        rows_seen = self._store.stop
        sight = self._sight
        longest = math.ceil(self._settings.grid.longest_piece_mm / self._cell)
        pieces: list[PieceMap] = []
        still: list[Component] = []
        for component in sorted(self._components.open(), key=lambda c: (c.first_row, c.first_cell)):
            behind = _MARGIN + math.ceil(sight[0] * component.height_mm / self._cell)
            whole = component.last_row + behind < rows_seen
            too_long = rows_seen - component.first_row > longest
            if not (whole or at_end or too_long):
                still.append(component)
                continue
            worth_it = self._worth_it(component)
            if worth_it:
                pieces += self._finish(component, too_long=too_long and not whole)
            self._components.close(component, as_product=worth_it)
        if not pieces:  # a planner waits for those; room for others is made with the next rows
            self._prepare(still)
        keep = min([c.first_row for c in still], default=rows_seen)
        keep = max(min(keep, rows_seen - 80) - 200, 0)
        self._store.drop_before(keep)
        self._whole.drop_before(keep)
        self._zero.drop_before(keep)
        self._components.labels.drop_before(keep)
        return [
            self._number(p, still) for p in sorted(pieces, key=lambda p: (p.x0_mm, p.extra["y_mm"]))
        ]

    def _prepare(self, opened: list[Component]) -> None:
        """Make room for the largest piece under way."""
        margin = 2 * _MARGIN + math.ceil(sum(self._sight) * _TALLEST_MM / 4.0 / self._cell)
        n_cells = max(
            (
                (c.last_row - c.first_row + margin) * (c.last_cell - c.first_cell + 2 * _MARGIN)
                for c in opened
                if self._worth_it(c)
            ),
            default=0,
        )
        self._room.prepare(n_cells, n_scratch=N_SCRATCH, n_kept=N_KEPT + self._errors.n_maps)

    def _worth_it(self, component: Component) -> bool:
        cells = component.n_cells * self._cell**2
        return cells >= 25.0 and component.height_mm >= self._zero.threshold_mm

    def _finish(self, component: Component, *, too_long: bool) -> list[PieceMap]:
        store = self._store
        before = _MARGIN + math.ceil(self._sight[1] * component.height_mm / self._cell)
        behind = _MARGIN + math.ceil(self._sight[0] * component.height_mm / self._cell)
        first = max(component.first_row - before, store.first)
        stop = min(component.last_row + behind + 1, store.stop)
        low = max(component.first_cell - _MARGIN, 0)
        high = min(component.last_cell + _MARGIN + 1, self.n_y)
        wide_first = max(component.first_row - 100, store.first)
        zero = self._zero.around(
            slice(first, stop), slice(low, high), first=wide_first,
            last=self._belt(min(self._zero.n_summed, stop), stop),
        )  # fmt: skip
        window = self._components.window(first, stop, slice(low, high))
        own = window == component.label
        flags = self._flags_of_events(first, stop)
        begun, ended = self._at_ends(component)
        if begun:
            flags.add("cut_by_start")
        if too_long:
            flags.add("too_long")
        elif ended:
            flags.add("cut_by_end")
        if zero.bare_share < 0.02:
            flags.add("belt_zero_doubtful")
        if _at_border(store.window(wide_first, stop)[:, :, 0], component):
            flags.add("at_image_border")
        heads = self._geometry.heads.values()
        frame = PieceFrame(
            rows=store.window(first, stop)[:, low:high],
            own=own,
            mine=own | (window == 0),
            zero=zero,
            x_first_mm=self._x_edge + (first + 0.5) * self._cell,
            y_first_mm=self.y_first_mm + low * self._cell,
            cell_mm=self._cell,
            line_pitch_mm=self._travel.pitch_mm or self._cell,
            column_pitch_mm=self._column_pitch or self._cell,
            noise_mm=self._zero.sigma_mm,
            sight=self._sight,
            tan_tilt=math.tan(math.radians(next(iter(heads)).tilt_deg)),
            n_heads=len(heads),
            regions=tuple(head.in_region for head in heads if head.in_region),
            seen_from=self._geometry.seen_from,
            room=self._room,
        )
        found = finish_pieces(
            frame, lanes=self._lanes, flags=frozenset(flags), errors=self._errors,
            edge=self._settings.edge,
        )  # fmt: skip
        return [
            replace(
                piece,
                encoder=self._geometry.first_count + piece.x0_mm / self._geometry.mm_per_count,
                extra={**piece.extra, "belt_pattern_mm": self._zero.pattern.period_mm},
            )
            for piece in found
            if piece.extra["volume_cm3"] >= self._settings.grid.smallest_piece_cm3
        ]

    def _at_ends(self, component: Component) -> tuple[bool, bool]:
        """Whether a region reaches back to the first line, and on to the last."""
        cells = slice(component.first_cell, component.last_cell + 1)
        leans = [
            self._lean(head)[cells] + lift * math.tan(math.radians(head.tilt_deg))
            for head in self._geometry.heads.values()
            for lift in (0.0, component.height_mm)
        ]
        near = 2.0 * max(self._travel.pitch_mm, self._cell)
        first = self._x_edge + component.first_row * self._cell
        last = self._x_edge + (component.last_row + 1) * self._cell
        latest = max(float(lean.max()) for lean in leans)
        earliest = min(float(lean.min()) for lean in leans)
        begun = first <= self._travel.first_mm + latest + near
        return begun, last >= self._travel.last_mm + earliest - near

    def _flags_of_events(self, first: int, stop: int) -> set[str]:
        low = self._x_edge + first * self._cell - self._ahead
        high = self._x_edge + stop * self._cell + self._behind
        return self._travel.events_between(low, high)

    def _number(self, piece: PieceMap, still: list[Component]) -> PieceMap:
        """Count by leading edge: pieces handed out and regions still open that began before."""
        earlier = sum(x0 <= piece.x0_mm for x0 in self._emitted_x0)
        waiting = sum(
            self._worth_it(c) and self._x_edge + c.first_row * self._cell < piece.x0_mm
            for c in still
        )
        self._emitted_x0.append(piece.x0_mm)
        self._emitted_x0 = self._emitted_x0[-1000:]
        self._n_emitted += 1
        before = self._n_emitted - len(self._emitted_x0)
        return replace(piece, piece=before + earlier + waiting + 1)


def _at_border(cover: npt.NDArray[np.float32], component: Component) -> bool:
    """Whether a region reaches to the outermost cells across that were seen in most rows."""

    def seen(cell: int) -> bool:
        return bool((cover[::4, cell] > 0.5).mean() > 0.5)

    n_y = cover.shape[1]
    left = any(seen(c) for c in range(component.first_cell - 4, -1, -1))
    right = any(seen(c) for c in range(component.last_cell + 4, n_y))
    if left and right:
        return False
    return left or right or any(seen(c) for c in range(n_y))


def _far_from(labels: npt.NDArray[np.int32], reach: int) -> npt.NDArray[np.bool_]:
    """Cells further than `reach`, along rows and columns, from any that are labelled."""
    import cv2

    size = 2 * reach + 1
    near = cv2.dilate((labels != 0).view(np.uint8), np.ones((size, size), np.uint8))
    return np.asarray(near == 0)
