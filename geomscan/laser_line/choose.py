"""Which of two peaks is the line: by continuity along and across the lines, and by its width.

A glint or a reflection may outshine the line. In each stretch of columns where a runner-up stands,
the cheapest path through the candidates is taken (dynamic programming; Bellman 1957): it pays for
jumps to the neighbouring column and to the line before, each up to a limit, so that edges of the
product stay possible; for a width unlike the line's; and hardly anything for being the fainter one.
"""

from typing import Any

import numpy as np
from numba import njit

from geomscan.laser_line.compiled import source_stamp
from geomscan.laser_line.lines import Quality

__all__ = ["choose_peaks"]

_NO_LINE, _CLIPPED = np.uint8(Quality.NO_LINE), np.uint8(Quality.CLIPPED)
_SECOND, _BORDER = np.uint8(Quality.SECOND_PEAK), np.uint8(Quality.AT_BORDER)
_WIDE = np.uint8(Quality.WIDE)

# Costs: common practice, no source. What matters is that a path that leaves the line and comes
# back pays two full jumps, more than any one column's width and brightness can weigh.
_MOST_JUMP = 6.0  #: to the neighbouring column
_MOST_CHANGE = 3.0  #: to the line before
_MOST_WIDTH = 1.5  #: for a width unlike the line's
_FAINTER = 0.05  #: for each factor e that the peak is fainter than its rival
_SKIPPED = 3.0  #: for each column that the path passes over
_MOST_SKIPPED = 2
_DECIDED_FROM = 4.0  #: a choice is decided from this difference in cost on
_GAP = 4  #: columns without a rival that a stretch bridges, and that stand beside it
_LONGEST_MEMORY = 8  #: lines for which a row is remembered
_APART_PX = 8.0  #: rows between neighbours from which they belong to different pieces of line
_BRIDGE = 8  #: columns without a line that a piece of line bridges
_SPECK_COLUMNS = 10  #: a lonely piece of line shorter than this is a speck


@njit(nogil=True, error_model="numpy")
def _choose_peaks(
    rivals: Any,
    ratio: float,
    min_width: float,
    top: float,
    n_rows: int,
    last_row: Any,
    last_age: Any,
    row_px: Any,
    u_px: Any,
    light: Any,
    width: Any,
    doubt: Any,
    quality: Any,
) -> int:
    """Take the runner-up where it is the line, and remove lonely specks, line after line.

    Parameters
    ----------
    rivals : (n, 9) float64
        Runners-up by line and column, `RIVAL_FIELDS`.
    ratio, min_width, top : float
        Runner-up over chosen peak that is flagged; least width; grey value that clips.
    n_rows : int
        Rows of a frame.
    last_row, last_age : (n_columns,) float32, int32
        Rows of the lines before and their age in lines; updated.
    row_px, u_px, light, width, doubt, quality : (n_lines, n_columns)
        Laser lines, changed in place.

    Returns
    -------
    int
        Number of columns in which the runner-up was taken.
    """
    n_lines, n_columns = row_px.shape
    rival_of = np.full(n_columns, -1, np.int64)
    # made once, not a stretch: views of arrays cost more than what a stretch computes
    rows, own = np.empty((n_columns, 2)), np.empty((n_columns, 2))
    cost, rest = np.empty((n_columns, 2)), np.empty((n_columns, 2))
    column = np.empty(n_columns, np.int64)
    back, unused = np.empty((n_columns, 2), np.int64), np.empty((n_columns, 2), np.int64)
    at, n_taken = 0, 0
    for line in range(n_lines):
        begin = at
        row, u, shine, wide = row_px[line], u_px[line], light[line], width[line]
        doubtful, flags = doubt[line], quality[line]
        while at < rivals.shape[0] and rivals[at, 0] == line:
            rival_of[int(rivals[at, 1])] = at
            at += 1
        usual = _usual_width(wide, flags)
        k = begin
        while k < at:
            first = int(rivals[k, 1])
            last = first
            while k < at and rivals[k, 1] <= last + _GAP:
                last = int(rivals[k, 1])
                k += 1
            n_taken += _walk(
                max(0, first - _GAP), min(n_columns, last + 1 + _GAP), rivals, rival_of, rows, own,
                cost, rest, column, back, unused, usual, ratio, min_width, top, n_rows, last_row,
                last_age, row, u, shine, wide, doubtful, flags,
            )  # fmt: skip
        for j in range(begin, at):
            rival_of[int(rivals[j, 1])] = -1
        _drop_specks(usual, last_row, row, u, shine, wide, doubtful, flags)
        for c in range(n_columns):
            seen = np.isfinite(row[c])
            age = 0 if seen else last_age[c] + 1
            last_age[c] = age
            kept = row[c] if seen else last_row[c]
            last_row[c] = kept if age <= _LONGEST_MEMORY else np.float32(np.nan)
    return n_taken


@njit(nogil=True)
def _usual_width(width: Any, quality: Any) -> float:
    """Mean width of a line's clean columns; NaN where there are none."""
    total, n = 0.0, 0
    for c in range(0, width.size, 4):
        if quality[c] == 0:
            total += width[c]
            n += 1
    return total / n if n > 0 else np.nan


@njit(nogil=True, error_model="numpy")
def _alone_cost(row: float, width: float, before: float, usual: float, fainter: float) -> float:
    """Cost of one candidate by itself."""
    cost = _FAINTER * fainter
    if np.isfinite(before):
        cost += min(_MOST_CHANGE, abs(row - before) / 3.0)
    if np.isfinite(usual) and width > 0:
        cost += min(_MOST_WIDTH, 2.0 * abs(np.log(width / usual)))
    return cost


@njit(nogil=True, error_model="numpy")
def _walk(
    c0: int,
    c1: int,
    rivals: Any,
    rival_of: Any,
    rows: Any,
    own: Any,
    cost: Any,
    rest: Any,
    column: Any,
    back: Any,
    unused: Any,
    usual: float,
    ratio: float,
    min_width: float,
    top: float,
    n_rows: int,
    last_row: Any,
    last_age: Any,
    row_px: Any,
    u_px: Any,
    light: Any,
    width: Any,
    doubt: Any,
    quality: Any,
) -> int:
    """Find the cheapest path through columns c0 to c1 and take what it chose."""
    # nodes: the columns that have a candidate; own[k, i] is infinite where it has none of rank i
    n = 0
    for c in range(c0, c1):
        rows[n, 0] = rows[n, 1] = 0.0
        own[n, 0] = own[n, 1] = np.inf
        r = rival_of[c]
        before = last_row[c] if last_age[c] <= _LONGEST_MEMORY else np.nan
        fainter = 0.0
        if r >= 0:
            fainter = np.log(max(rivals[r, 8], 0.1) / max(rivals[r, 6], 0.1))
            if rivals[r, 5] >= min_width or not np.isfinite(row_px[c]):
                rows[n, 1] = rivals[r, 2]
                wide, more = rivals[r, 5], max(0.0, fainter)
                own[n, 1] = _alone_cost(rows[n, 1], wide, before, usual, more)
        if np.isfinite(row_px[c]):
            rows[n, 0] = row_px[c]
            own[n, 0] = _alone_cost(rows[n, 0], width[c], before, usual, max(0.0, -fainter))
        if np.isfinite(own[n, 0]) or np.isfinite(own[n, 1]):
            column[n] = c
            n += 1
    if n == 0:
        return 0
    _cheapest(n, 1, column, rows, own, cost, back)
    _cheapest(n, -1, column, rows, own, rest, unused)
    end, least = -1, np.inf
    for k in range(max(0, n - 1 - _MOST_SKIPPED), n):
        for one in range(2):
            if cost[k, one] + (n - 1 - k) * _SKIPPED < least:
                least = cost[k, one] + (n - 1 - k) * _SKIPPED
                end = 2 * k + one
    taken, following = 0, n
    while end >= 0:
        k, one = end // 2, end % 2
        for skipped in range(k + 1, following):
            # leads away from the line and back: whatever it is, it isn't sure
            quality[column[skipped]] |= _SECOND
        c = column[k]
        through = cost[k, one] + rest[k, one] - own[k, one]
        instead = np.inf
        if own[k, 1 - one] < np.inf:
            instead = cost[k, 1 - one] + rest[k, 1 - one] - own[k, 1 - one]
        decided = instead - through >= _DECIDED_FROM
        if one == 1:
            r = rival_of[c]
            taken += 1
            share = rivals[r, 8] / max(rivals[r, 6], 0.5)
            row_px[c], u_px[c] = rivals[r, 2], rivals[r, 3]
            light[c], width[c] = rivals[r, 4], rivals[r, 5]
            flags = _SECOND if share >= ratio and not decided else np.uint8(0)
            if rivals[r, 7] >= top:
                flags |= _CLIPPED
            if row_px[c] < 2 * width[c] or row_px[c] > n_rows - 1 - 2 * width[c]:
                flags |= _BORDER
            if np.isfinite(usual) and width[c] > 1.7 * usual:
                flags |= _WIDE
            quality[c] = flags
            doubt[c] = np.uint8(min(255.0, 255.0 * share + 0.5))
        elif decided:
            quality[c] &= ~_SECOND
        following, end = k, back[k, one]
    for skipped in range(following):
        quality[column[skipped]] |= _SECOND
    return taken


@njit(nogil=True, error_model="numpy")
def _cheapest(n: int, way: int, column: Any, rows: Any, own: Any, cost: Any, back: Any) -> None:
    """Cost of the cheapest path that ends in each candidate, and where it came from.

    A path may pass over a few columns, for a price: one whose only candidate is false must not
    drag the path along. way: 1 from the first column on, -1 from the last one back.
    """
    for k in range(n):
        at = k if way > 0 else n - 1 - k
        for one in range(2):
            best, came = np.inf, -1
            if own[at, one] < np.inf:
                row = rows[at, one]
                if k <= _MOST_SKIPPED:
                    best = k * _SKIPPED
                for skipped in range(min(k, 1 + _MOST_SKIPPED)):
                    before = at - way * (1 + skipped)
                    apart = 0.5 + abs(column[at] - column[before])
                    for other in range(2):
                        # a step costs something, so most candidates need no further look
                        total = cost[before, other] + skipped * _SKIPPED
                        if total < best:
                            total += min(_MOST_JUMP, abs(row - rows[before, other]) / apart)
                            if total < best:
                                best, came = total, 2 * before + other
            cost[at, one], back[at, one] = best + own[at, one], came


@njit(nogil=True)
def _drop_specks(
    usual: float,
    last_row: Any,
    row_px: Any,
    u_px: Any,
    light: Any,
    width: Any,
    doubt: Any,
    quality: Any,
) -> None:
    """Lonely short pieces of line that nothing in the line before supports aren't a surface."""
    n_columns = row_px.size
    c = 0
    while c < n_columns:
        if not np.isfinite(row_px[c]):
            c += 1
            continue
        first, last, n_seen = c, c, 1
        c += 1
        while c < n_columns and c - last <= _BRIDGE:
            if np.isfinite(row_px[c]):
                if abs(row_px[c] - row_px[last]) > _APART_PX:
                    break
                last = c
                n_seen += 1
            c += 1
        c = last + 1
        if n_seen >= _SPECK_COLUMNS:
            continue
        speck, narrow = True, 0
        for k in range(first, c):
            if quality[k] & _WIDE or abs(row_px[k] - last_row[k]) <= _APART_PX:
                speck = False
            narrow += width[k] < 0.75 * usual
        if speck or 2 * narrow > n_seen:
            for k in range(first, c):
                row_px[k], u_px[k], light[k], width[k] = np.nan, np.nan, np.nan, np.nan
                doubt[k] = 0
                quality[k] = _NO_LINE


def _kept(stamp: str) -> Any:
    """Keep the compiled code on disk for as long as no source of this package changes."""

    @njit(nogil=True, cache=True)
    def choose_peaks(*arguments: Any) -> Any:
        assert stamp
        return _choose_peaks(*arguments)

    return choose_peaks


#: compiled `_choose_peaks`
choose_peaks = _kept(source_stamp())
