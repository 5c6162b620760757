"""Find the block in a pass: bare belt, the lines and columns that it covers, its rough slant."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.pass_lines import PassLines
from geomscan.errors import CalibrationError

__all__ = ["BareBelt", "FoundBlock", "find_bare", "find_block"]

Floats = npt.NDArray[np.float64]

#: a line is bare where at most this share of its columns departs from a smooth course
_BARE_SHARE = 0.02
#: rows off the bare belt that count as something lying there: several line widths of noise
_OFF_BELT_PX = 2.5
#: the least of bare lines that says where the belt is
_MIN_BARE = 5


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FoundBlock:
    """Where the block lies in one head's lines, before anything is known in mm.

    belt_row_px (n_columns,) is the bare belt's row; rise_px (n_lines, n_columns) the rows above or
    below it; lines first to last (inclusive) hold the block, columns left to right (indices of
    the payload) at its middle line. slant is columns a line. shadow_before is the number of lines
    by which the block hides belt ahead of its first line minus that behind its last one.
    """

    belt_row_px: Floats
    rise_px: Floats
    bare: npt.NDArray[np.bool_]
    first: int
    last: int
    left: int
    right: int
    slant: float
    shadow_before: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BareBelt:
    """Lines without anything on the belt, and its row at each column, NaN where it is not seen."""

    belt_row_px: Floats
    bare: npt.NDArray[np.bool_]

    @property
    def all_bare(self) -> bool:
        """Whether nothing at all passed."""
        return bool(self.bare.mean() > 0.98)


def find_block(lines: PassLines, *, where: str) -> FoundBlock:
    """Find the one block in a pass.

    Raises
    ------
    CalibrationError
        If there is no bare belt, no block, more than one, or if it is cut off.
    """
    row = lines.row_px
    belt_seen = find_bare(lines, where=where)
    bare, belt = belt_seen.bare, belt_seen.belt_row_px
    rise = row - belt
    on = np.abs(rise) > _OFF_BELT_PX
    per_line = np.count_nonzero(on, axis=1)
    least = max(8, 0.25 * np.percentile(per_line, 98))
    groups = _runs(per_line >= least, bridge=2)
    areas = [int(per_line[a : b + 1].sum()) for a, b in groups]
    if not groups or max(areas) < 200:
        msg = f"{where}: no block found on the belt"
        raise CalibrationError(msg)
    if sum(area > 0.2 * max(areas) for area in areas) > 1:
        at = ", ".join(f"{a} to {b}" for a, b in groups)
        msg = (
            f"{where}: two blocks (or something else) on the belt, at lines {at}: one block a pass"
        )
        raise CalibrationError(msg)
    first, last = groups[int(np.argmax(areas))]
    if first <= 1 or last >= row.shape[0] - 2:
        end = "first" if first <= 1 else "last"
        msg = f"{where}: the pass is cut off: the block reaches the recording's {end} line"
        raise CalibrationError(msg)
    middle = (first + last) // 2
    near = on[max(first, middle - 3) : middle + 4].mean(axis=0) > 0.5
    columns = np.flatnonzero(near)
    if columns.size == 0:
        msg = f"{where}: no block found on the belt at line {middle}"
        raise CalibrationError(msg)
    left, right = int(columns[0]), int(columns[-1])
    if not np.isfinite(belt[:left]).any() or not np.isfinite(belt[right + 1 :]).any():
        msg = f"{where}: the pass is cut off: the block reaches the edge of the belt seen"
        raise CalibrationError(msg)
    return FoundBlock(
        belt_row_px=belt,
        rise_px=rise,
        bare=bare,
        first=first,
        last=last,
        left=left,
        right=right,
        slant=_slant(on, first, last),
        shadow_before=_shadow(row, belt, first, last, left, right),
    )


def find_bare(lines: PassLines, *, where: str) -> BareBelt:
    """Find the lines on which nothing lies, and the bare belt's course.

    Raises
    ------
    CalibrationError
        If too few lines show the bare belt.
    """
    row = lines.row_px
    bare = _bare_lines(row)
    n = int(np.count_nonzero(bare))
    if n < _MIN_BARE:
        spikes = lines.spikes()
        share = np.count_nonzero(spikes) / max(int(np.count_nonzero(np.isfinite(row))), 1)
        cause = (
            f"glare: {100 * share:.0f} % of the columns show false lines; " if share > 0.02 else ""
        )
        msg = (
            f"{where}: {cause}no bare belt before or behind the block "
            f"({n} bare lines, at least {_MIN_BARE} are needed)"
        )
        raise CalibrationError(msg)
    seen = np.count_nonzero(np.isfinite(row[bare]), axis=0) >= 0.5 * n
    belt = np.full(row.shape[1], np.nan)
    belt[seen] = np.nanmedian(row[bare][:, seen], axis=0)
    return BareBelt(belt_row_px=belt, bare=bare)


def _bare_lines(row: Floats) -> npt.NDArray[np.bool_]:
    """Lines that follow one smooth course and are seen as widely as any.

    A lens bends the belt's line by a polynomial of low order; a block does not lie on one, however
    few steps it has.
    """
    n = np.count_nonzero(np.isfinite(row), axis=1)
    wide = np.asarray(n > 0.97 * np.percentile(n, 95), dtype=np.bool_)
    # enough columns to follow a course that bends slowly
    share = _off_course(np.asarray(row[wide, ::3], dtype=np.float64))
    wide[wide] = share < _BARE_SHARE
    return wide


def _off_course(row: Floats) -> Floats:
    """Share of each line's columns more than 1 px off its own smooth course, specks left aside."""
    place = np.linspace(-1, 1, row.shape[1])
    course: Floats = np.asarray(np.polynomial.legendre.legvander(place, 4), dtype=np.float64)
    products = (course[:, :, None] * course[:, None, :]).reshape(len(course), -1)
    seen = np.isfinite(row)
    filled = np.where(seen, row, 0.0)
    near, lost = seen, np.zeros(len(row), dtype=np.bool_)
    off = np.zeros(row.shape)
    for _ in range(3):
        normal = (near @ products).reshape(len(row), 5, 5) + 1e-9 * np.eye(5)
        right = (near * filled) @ course
        off = np.abs(filled - np.linalg.solve(normal, right[:, :, None])[:, :, 0] @ course.T)
        middle = np.nanmedian(np.where(near, off, np.nan), axis=1)
        near = seen & (off <= np.maximum(1.0, 3.0 * middle)[:, None])
        lost |= near.sum(axis=1) < 0.5 * seen.sum(axis=1)
        near[lost] = True  # they are out of it
    return np.where(lost, 1.0, ((off > 1.0) & seen).sum(axis=1) / np.maximum(seen.sum(axis=1), 1))


def _runs(flag: npt.NDArray[np.bool_], *, bridge: int) -> list[tuple[int, int]]:
    """First and last index of each run of True, gaps of up to `bridge` closed."""
    at = np.flatnonzero(flag)
    if at.size == 0:
        return []
    breaks = np.flatnonzero(np.diff(at) > bridge + 1)
    starts = np.concatenate([[at[0]], at[breaks + 1]])
    stops = np.concatenate([at[breaks], [at[-1]]])
    return [(int(a), int(b)) for a, b in zip(starts, stops, strict=True)]


def _slant(on: npt.NDArray[np.bool_], first: int, last: int) -> float:
    """Columns a line that the block's sides move, from both sides over the middle lines."""
    margin = max(2, (last - first) // 8)
    index = np.arange(first + margin, last - margin + 1)
    slopes = []
    for side in (0, -1):
        place = np.array([np.flatnonzero(on[i])[side] if on[i].any() else -1 for i in index])
        good = place >= 0
        good &= np.abs(place - np.median(place[good])) < 0.2 * (last - first) + 10
        slopes.append(np.polyfit(index[good], place[good], 1)[0])
    return float(np.mean(slopes))


def _shadow(row: Floats, belt: Floats, first: int, last: int, left: int, right: int) -> float:
    """Hidden belt ahead of the block minus that behind it, as mean lines over its columns."""
    reach = last - first + 1
    inner = slice(left + (right - left) // 8, right - (right - left) // 8 + 1)
    hidden = ~np.isfinite(row[:, inner]) & np.isfinite(belt[inner])
    before = hidden[max(0, first - reach) : first].sum(axis=0).mean()
    behind = hidden[last + 1 : last + 1 + reach].sum(axis=0).mean()
    return float(before - behind)
