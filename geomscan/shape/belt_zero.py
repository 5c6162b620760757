"""Where the bare belt is: per cell across, with its drift along the recording."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.bare_belt import PATCH, BareBelt, BareRows, BareSums
from geomscan.shape.belt_pattern import BeltPattern

__all__ = ["BeltZero", "LocalZero"]

Singles = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

_GUARD = 6  # cells kept clear beside anything that is not belt
_MEMORY_ROWS = 1000  # rows over which the belt's shape across is averaged
_DRIFT_ROWS = 50
_BESIDE = 160  # cells on either side of a piece that speak for the belt under it
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
        self._bare = BareBelt(n_y)
        self._n_followed = 0

    @property
    def n_summed(self) -> int:
        """Rows whose bare belt was summed."""
        return self._bare.n_rows

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
            (n_rows, n_y): what `sum_bare` takes later.
        """
        self._n_followed += len(rows)
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
        self._bare.restart(self._n_followed - len(whole))

    def drop_before(self, row: int) -> None:
        """Forget the bare belt of rows before one."""
        self._bare.drop_before(row)

    def level_filled(self) -> Floats:
        """Level per cell; cells never seen bare are bridged from their neighbours."""
        known = self._weight > 0
        if not known.any() or known.all():
            return self.level_mm.copy()
        level = self.level_mm.copy()
        level[~known] = np.interp(np.flatnonzero(~known), np.flatnonzero(known), level[known])
        return level

    def beside(self, cells: slice) -> slice:
        """Give the cells across that speak for the belt under some of them."""
        return slice(max(cells.start - _BESIDE, 0), min(cells.stop + _BESIDE, len(self.level_mm)))

    def sum_bare(self, whole: Singles, free: npt.NDArray[np.bool_]) -> None:
        """Sum the bare belt of the next rows around which all product is known.

        whole: what `follow` gave, (n_rows, n_y); free: True where no product is near.
        """
        self._bare.add(self._rows(whole, free))

    def _rows(self, whole: Singles, free: npt.NDArray[np.bool_]) -> BareRows:
        return BareRows(
            whole=whole, free=free, level_mm=self.level_filled(), drift_mm=float(self._state[0]),
            gate_mm=max(4.0 * self.sigma_mm, 0.2) + 0.3,
        )  # fmt: skip

    def around(
        self, rows: slice, cells: slice, *, first: int, last: tuple[Singles, npt.NDArray[np.bool_]]
    ) -> LocalZero:
        """Belt zero of a window of rows and cells, from the bare belt around it.

        Parameters
        ----------
        rows, cells
            Rows along and cells across that the piece needs.
        first
            Row from which on bare belt speaks for them.
        last
            The rows, none or more, that were not summed yet: see `sum_bare`.
        """
        rest = self._rows(*last)
        level, side = rest.level_mm, self.beside(cells)
        sums = self._bare.around(slice(first, rows.stop), side, level, rest)
        columns, patches = sums.columns, sums.patches
        n_x = sums.n_rows
        n = float(columns[0].sum())
        share = n / max(n_x * columns.shape[1], 1)
        own = level[cells]
        u_bearing = self.pattern.u_mm(cells)
        if n < 200.0:
            return LocalZero(
                level_mm=own, drift_mm=np.full(rows.stop - rows.start, self._state[0]),
                u_zero_mm=math.hypot(max(self.sigma_mm, 0.1), u_bearing), bare_share=share,
            )  # fmt: skip
        base, slope, centre = _drift(sums)
        _off_drift(columns, base, slope, centre)
        _off_drift(patches, base, slope, centre)
        learnt_here = n_x / max(float(self._weight[side].max()), n_x)
        middle, tilt, u_tilt = _tilt(columns, patches, learnt_here)
        own = own + tilt * (np.arange(cells.start, cells.stop) - side.start - middle)
        u_tilt *= 0.5 * (cells.start + cells.stop - 1) - side.start - middle
        # what is left in patches of belt of a piece's scale is what a piece may stand on unnoticed
        u = _patch_scatter(patches, tilt, middle, learnt_here)
        x = np.arange(rows.start, rows.stop, dtype=np.float64) - sums.first
        return LocalZero(
            level_mm=own, drift_mm=base + slope * (x - centre),
            u_zero_mm=math.hypot(u, u_tilt, u_bearing), bare_share=share,
        )  # fmt: skip


def _drift(sums: BareSums) -> tuple[float, float, float]:
    """Fit a line along: its height at the bare cells' middle, its slope a row, and the middle."""
    n, total, rows, moment, square = sums.columns.sum(axis=1).tolist()
    centre, base = rows / n, total / n
    spread = square - rows * centre
    slope = (moment - total * centre) / spread if spread > 0.0 and sums.n_rows > 20 else 0.0
    return base, slope, centre


def _off_drift(sums: Floats, base: float, slope: float, centre: float) -> None:
    """Take a drift of base + slope * (row - centre) off sums of heights."""
    n, total, rows = sums[:3]
    total -= n * base + slope * (rows - centre * n)


def _tilt(columns: Floats, patches: Floats, learnt_here: float) -> tuple[float, float, float]:
    """Tilt across of what bare belt stands above its level: about which cell, mm a cell, and its u.

    A belt that rocks runs ahead of the level that is learnt column by column. The tilt is shrunk by
    its own uncertainty, which patches of belt tell, so that noise isn't carried below a piece.
    """
    n, total = columns[:2]
    cells = np.arange(len(n))
    middle = float((n * cells).sum() / n.sum())
    spread = float((n * (cells - middle) ** 2).sum())
    if spread <= 0.0:
        return middle, 0.0, 0.0
    tilt = float(((cells - middle) * total).sum()) / spread
    u_tilt = _patch_scatter(patches, tilt, middle, learnt_here) * PATCH / math.sqrt(spread)
    return middle, tilt * max(0.0, 1.0 - (u_tilt / tilt) ** 2) if tilt else 0.0, u_tilt


def _patch_scatter(patches: Floats, tilt: float, middle: float, learnt_here: float) -> float:
    """Give the standard deviation of the means of patches of bare belt.

    Drift and tilt were fitted to these very patches, and the level of every column of patches as
    far as it was learnt from them (learnt_here, a share): so many degrees of freedom are gone.
    """
    seen = patches[0] > PATCH**2 // 4
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
