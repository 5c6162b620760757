"""Where the bare belt is: per cell across, with its drift along the recording."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.belt_pattern import BeltPattern

__all__ = ["BeltZero", "LocalZero"]

Singles = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

_GUARD = 6  # cells kept clear beside anything that is not belt
_MEMORY_ROWS = 1000  # rows over which the belt's shape across is averaged
_DRIFT_ROWS = 50
_BESIDE = 160  # cells on either side of a piece that speak for the belt under it
_PATCH = 40  # cells along and across of a patch, of a piece's scale
_U_UNSEEN_MM = 0.01  # where too little belt is seen to tell


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LocalZero:
    """Belt zero around a piece, its common u and the share of bare belt seen.

    The belt lies at level_mm (n_y,) plus drift_mm (n_x,).
    """

    level_mm: Floats
    drift_mm: Floats
    u_zero_mm: float
    bare_share: float


@njit(nogil=True, cache=True)
def _follow(rows, level, weight, state, mask, above, whole):  # type: ignore[no-untyped-def]
    """Mark what stands above the belt, row by row, and let the belt's level follow what is bare.

    state: drift, variance of a bare cell, rows seen; whole: heights of cells seen nearly whole.
    """
    n_rows, n_y, _ = rows.shape
    bare = np.zeros(n_y, dtype=np.bool_)
    for i in range(n_rows):
        sigma = np.sqrt(state[1])
        threshold = max(5.0 * sigma, 0.25)
        gate = max(4.0 * sigma, 0.2)
        total = 0.0
        n = 0
        for c in range(n_y):
            cover = rows[i, c, 0]
            seen = cover > 0.05
            value = rows[i, c, 1] - level[c] - state[0] if seen else 0.0
            mask[i, c] = seen and value > threshold
            above[i, c] = value
            bare[c] = cover > 0.9 and abs(value) < gate
            whole[i, c] = rows[i, c, 1] if cover > 0.9 else np.nan
        clear = 0  # cells since the last one that is not bare
        for c in range(n_y):
            clear = clear + 1 if bare[c] else 0
            k = c - _GUARD
            if k >= 0 and clear > 2 * _GUARD and weight[k] >= 0.0:
                total += above[i, k]
                n += 1
        if n > 20:
            mean = total / n
            spread = 0.0
            clear = 0
            for c in range(n_y):
                clear = clear + 1 if bare[c] else 0
                k = c - _GUARD
                if k >= 0 and clear > 2 * _GUARD:
                    value = above[i, k] - mean
                    spread += value * value
                    weight[k] = min(weight[k] + 1.0, _MEMORY_ROWS)
                    level[k] += value / weight[k]
            share = 1.0 / min(state[2] + 1.0, _DRIFT_ROWS)
            state[0] += share * mean
            state[1] += (spread / n + mean * mean - state[1]) / min(
                state[2] + 1.0, 4.0 * _DRIFT_ROWS
            )
            state[2] += 1.0


class BeltZero:
    """The belt's height per cell across, learnt from bare belt as rows arrive.

    Parameters
    ----------
    n_y
        Cells across.
    cell_mm
        Cell.
    """

    def __init__(self, n_y: int, cell_mm: float = 0.5) -> None:
        self.level_mm = np.zeros(n_y)
        self.pattern = BeltPattern(n_y, cell_mm)
        self._weight = np.zeros(n_y)
        self._state = np.array([0.0, 0.04, 0.0])
        self._found = False

    @property
    def sigma_mm(self) -> float:
        """Standard deviation of a bare cell, texture of the belt included."""
        return float(np.sqrt(self._state[1]))

    @property
    def threshold_mm(self) -> float:
        """Height from which a cell counts as product."""
        return max(5.0 * self.sigma_mm, 0.25)

    def start(self, z_mm: Singles, cover: Singles) -> None:
        """Find the belt in the recording's first rows, where product may already lie on it."""
        n_y = z_mm.shape[1]
        seen = np.where(cover > 0.9, z_mm, np.nan)
        has = np.isfinite(seen).sum(axis=0) >= min(8, len(seen))
        if has.sum() < 10:
            return
        low = np.full(n_y, np.nan)
        low[has] = _low_fifth(seen[:, has])
        t = np.linspace(-1.0, 1.0, n_y)
        keep = has.copy()
        fit = np.full(n_y, np.nanpercentile(low[has], 20))
        for width in (8.0, 3.0, 1.5, 1.0, 0.6):
            chosen = keep & (np.abs(np.nan_to_num(low, nan=1e9) - fit) < width)
            if chosen.sum() < 10:
                break
            fit = np.polynomial.Polynomial.fit(t[chosen], low[chosen], 2 if width < 5 else 1)(t)
        rest = seen - fit
        bare = np.abs(rest) < 0.6
        if bare.any():
            values = rest[bare]
            middle = float(np.median(values))
            sigma = 1.4826 * float(np.median(np.abs(values - middle)))
            self.level_mm = fit + middle
            self._state[:] = (0.0, max(sigma, 0.005) ** 2, 0.0)

    def follow(self, rows: Singles, whole: Singles) -> tuple[npt.NDArray[np.bool_], Singles]:
        """Take the next fused rows: which cells stand above the belt, and by how much.

        A pattern of the belt that is known is taken off the rows.

        Parameters
        ----------
        rows
            Shape (n_rows, n_y, n_channels), cover first, height second.
        whole
            Filled with the heights of cells that were seen nearly whole, NaN for others; shape
            (n_rows, n_y): what `around` takes later.
        """
        mask = np.zeros(rows.shape[:2], dtype=np.bool_)
        above = np.zeros(rows.shape[:2], dtype=np.float32)
        drift = float(self._state[0])
        self.pattern.flatten(
            rows, whole[:0], level_mm=self.level_mm, drift_mm=drift, above_mm=self.threshold_mm
        )
        _follow(rows, self.level_mm, self._weight, self._state, mask, above, whole)
        self._found = self.pattern.follow(
            whole, level_mm=self.level_mm, drift_mm=drift, gate_mm=max(4.0 * self.sigma_mm, 0.2)
        )
        return mask, above

    def look_back(self, rows: Singles, whole: Singles) -> None:
        """Take a pattern that was found in the last rows off all rows held until then."""
        if not self._found:
            return
        self._found = False
        level, drift = self.level_mm, float(self._state[0])
        self.pattern.recall(whole, level_mm=level, drift_mm=drift)
        self.pattern.flatten(
            rows, whole, level_mm=level, drift_mm=drift, above_mm=0.25, before=len(rows)
        )

    def level_filled(self) -> Floats:
        """Level per cell; cells never seen bare are bridged from their neighbours."""
        known = self._weight > 0
        if not known.any() or known.all():
            return self.level_mm.copy()
        cells = np.arange(len(known))
        learnt = np.interp(cells, cells[known], (self.level_mm)[known])
        return np.where(known, self.level_mm, learnt)

    def beside(self, cells: slice) -> slice:
        """Give the cells across that speak for the belt under some of them."""
        return slice(max(cells.start - _BESIDE, 0), min(cells.stop + _BESIDE, len(self.level_mm)))

    def around(self, whole: Singles, free: npt.NDArray[np.bool_], cells: slice) -> LocalZero:
        """Belt zero of a window of rows, from the bare cells in it.

        Parameters
        ----------
        whole
            What `follow` gave, shape (n_x, n_y), all cells across.
        free
            True where no product is near, of the cells that `beside` names.
        cells
            Cells across that the piece needs.
        """
        level = self.level_filled()
        n_x = len(whole)
        gate = max(4.0 * self.sigma_mm, 0.2) + 0.3
        side = self.beside(cells)
        state = float(self._state[0])
        rows, columns = np.zeros((2, n_x)), np.zeros((3, free.shape[1]))
        patches = np.zeros((4, n_x // _PATCH, free.shape[1] // _PATCH))
        _bare(
            whole, free, side.start, level.astype(np.float32), np.float32(state), np.float32(gate),
            _PATCH, rows, columns, patches,
        )  # fmt: skip
        share = float(rows[0].sum()) / free.size
        n, sums = rows * (rows[0] >= 10.0)  # few cells tell little of a row
        own = level[cells]
        u_bearing = self.pattern.u_mm(cells)
        if n.sum() < 200:
            return LocalZero(
                level_mm=own, drift_mm=np.full(n_x, state),
                u_zero_mm=math.hypot(max(self.sigma_mm, 0.1), u_bearing), bare_share=share,
            )  # fmt: skip
        base, slope, centre = _drift(n, sums)
        _off_drift(columns, base, slope, centre)
        _off_drift(patches, base, slope, centre)
        learnt_here = n_x / max(float(self._weight[side].max()), n_x)
        middle, tilt, u_tilt = _tilt(columns, patches, learnt_here)
        own = own + tilt * (np.arange(cells.start, cells.stop) - side.start - middle)
        u_tilt *= 0.5 * (cells.start + cells.stop - 1) - side.start - middle
        # what is left in patches of belt of a piece's scale is what a piece may stand on unnoticed
        u = _patch_scatter(patches, tilt, middle, learnt_here)
        return LocalZero(
            level_mm=own, drift_mm=base + slope * (np.arange(n_x, dtype=np.float64) - centre),
            u_zero_mm=math.hypot(u, u_tilt, u_bearing), bare_share=share,
        )  # fmt: skip


def _drift(n: Floats, sums: Floats) -> tuple[float, float, float]:
    """Fit a line to rows' means: its height at the rows' centre, its slope a row, the centre."""
    total, rows = n.sum(), np.arange(len(n), dtype=np.float64)
    centre, base = float(rows @ n / total), float(sums.sum() / total)
    off = rows - centre
    spread = float(off**2 @ n)
    if spread <= 0.0 or (n > 0.0).sum() <= 20:
        return base, 0.0, centre
    return base, float(off @ (sums - base * n)) / spread, centre


def _off_drift(sums: Floats, base: float, slope: float, centre: float) -> None:
    """Take a drift of base + slope * (row - centre) off sums of heights, as `_bare` has them."""
    n, total, rows = sums[:3]
    total -= n * base + slope * (rows - centre * n)


def _tilt(columns: Floats, patches: Floats, learnt_here: float) -> tuple[float, float, float]:
    """Tilt across of what bare belt stands above its level: about which cell, mm a cell, and its u.

    A belt that rocks runs ahead of the level that is learnt column by column. The tilt is shrunk by
    its own uncertainty, which patches of belt tell, so that noise isn't carried below a piece.
    """
    n, total, _ = columns
    cells = np.arange(len(n))
    middle = float((n * cells).sum() / n.sum())
    spread = float((n * (cells - middle) ** 2).sum())
    if spread <= 0.0:
        return middle, 0.0, 0.0
    tilt = float(((cells - middle) * total).sum()) / spread
    u_tilt = _patch_scatter(patches, tilt, middle, learnt_here) * _PATCH / math.sqrt(spread)
    return middle, tilt * max(0.0, 1.0 - (u_tilt / tilt) ** 2) if tilt else 0.0, u_tilt


def _patch_scatter(patches: Floats, tilt: float, middle: float, learnt_here: float) -> float:
    """Give the standard deviation of the means of patches of bare belt.

    Drift and tilt were fitted to these very patches, and the level of every column of patches as
    far as it was learnt from them (learnt_here, a share): so many degrees of freedom are gone.
    """
    seen = patches[0] > _PATCH**2 // 4
    n, total, _, cells = patches[:, seen]
    if len(n) < 3:
        return _U_UNSEEN_MM
    means = (total - tilt * (cells - middle * n)) / n
    n_fitted = 2.0 + learnt_here * float(seen.any(axis=0).sum())
    return math.sqrt(float(np.square(means).sum()) / max(len(n) - n_fitted, 1.0))


def _low_fifth(values: Singles) -> Floats:
    """Give the 20 % quantile of each column without its NaNs: numpy's own goes column by column."""
    rising = np.sort(values, axis=0)  # NaN last
    at = 0.2 * (np.isfinite(values).sum(axis=0) - 1)
    before = np.floor(at).astype(np.int64)
    columns = np.arange(values.shape[1])
    low, high = rising[before, columns], rising[np.ceil(at).astype(np.int64), columns]
    return np.asarray(low + (at - before) * (high - low))


# Sums may be added up in any order: eight at a time is as exact as one by one.
@njit(nogil=True, cache=True, fastmath={"contract", "nsz", "reassoc"})
def _bare(whole, free, start, level, drift, gate, size, rows, columns, patches):  # type: ignore[no-untyped-def]
    """Sum what bare cells stand above the belt's level, by rows, columns and patches.

    rows: number of cells and sum of heights; columns: those and the sum of row numbers; patches:
    those and the sum of column numbers.
    """
    n_x, n_y = free.shape
    zero, one = np.float32(0.0), np.float32(1.0)
    number, total, along = np.zeros((3, n_y), dtype=np.float32)  # of one row of patches
    for first in range(0, n_x, size):
        stop = min(first + size, n_x)
        number[:] = zero
        total[:] = zero
        along[:] = zero
        for i in range(first, stop):
            n = height = zero
            behind = np.float32(i - first)
            for c in range(n_y):
                value = whole[i, start + c] - level[start + c]
                inside = free[i, c] & (abs(value - drift) < gate)
                count = one if inside else zero
                value = value if inside else zero
                n += count
                height += value
                number[c] += count
                total[c] += value
                along[c] += count * behind
            rows[0, i] = n
            rows[1, i] = height
        for c in range(n_y):
            row_sum = along[c] + float(first) * number[c]
            columns[0, c] += number[c]
            columns[1, c] += total[c]
            columns[2, c] += row_sum
            a, b = first // size, c // size
            if a < patches.shape[1] and b < patches.shape[2]:
                patches[0, a, b] += number[c]
                patches[1, a, b] += total[c]
                patches[2, a, b] += row_sum
                patches[3, a, b] += c * number[c]
