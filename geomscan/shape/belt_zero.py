"""Where the bare belt is: per cell across, with its drift along the recording."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["BeltZero", "LocalZero"]

Singles = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

_GUARD = 6  # cells kept clear beside anything that is not belt
_MEMORY_ROWS = 1000  # rows over which the belt's shape across is averaged
_DRIFT_ROWS = 50


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LocalZero:
    """Belt zero around one piece: zero_mm (n_x, n_y), its common u, and the share of bare belt seen."""

    zero_mm: Floats
    u_zero_mm: float
    bare_share: float


@njit(nogil=True, cache=True)
def _follow(z, cover, level, weight, state, mask, above):  # type: ignore[no-untyped-def]
    """Mark what stands above the belt, row by row, and let the belt's level follow what is bare.

    state: drift, variance of a bare cell, rows seen.
    """
    n_rows, n_y = z.shape
    bare = np.zeros(n_y, dtype=np.bool_)
    for i in range(n_rows):
        sigma = np.sqrt(state[1])
        threshold = max(5.0 * sigma, 0.25)
        gate = max(4.0 * sigma, 0.2)
        total = 0.0
        n = 0
        for c in range(n_y):
            seen = cover[i, c] > 0.05 and z[i, c] == z[i, c]
            value = z[i, c] - level[c] - state[0] if seen else 0.0
            mask[i, c] = seen and value > threshold
            above[i, c] = value
            bare[c] = seen and cover[i, c] > 0.9 and abs(value) < gate
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
    """

    def __init__(self, n_y: int) -> None:
        self.level_mm = np.zeros(n_y)
        self._weight = np.zeros(n_y)
        self._state = np.array([0.0, 0.04, 0.0])

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
        low[has] = np.nanpercentile(seen[:, has], 20, axis=0)
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

    def follow(self, z_mm: Singles, cover: Singles) -> tuple[npt.NDArray[np.bool_], Singles]:
        """Take the next rows, shape (n_rows, n_y): which cells stand above the belt, and by how much."""
        mask = np.zeros(z_mm.shape, dtype=np.bool_)
        above = np.zeros(z_mm.shape, dtype=np.float32)
        _follow(z_mm, cover, self.level_mm, self._weight, self._state, mask, above)
        return mask, above

    def level_filled(self) -> Floats:
        """Level per cell; cells never seen bare are bridged from their neighbours."""
        known = self._weight > 0
        if not known.any() or known.all():
            return self.level_mm.copy()
        cells = np.arange(len(known))
        learnt = np.interp(cells, cells[known], (self.level_mm)[known])
        return np.where(known, self.level_mm, learnt)

    def around(
        self, z_mm: Singles, cover: Singles, free: npt.NDArray[np.bool_], cells: slice
    ) -> LocalZero:
        """Belt zero of a window of rows, from the bare cells in it.

        Parameters
        ----------
        z_mm, cover
            Heights and cover, shape (n_x, n_y), all cells across.
        free
            True where no product is near.
        cells
            Cells across that the piece needs.
        """
        level = self.level_filled()
        rest = z_mm - level.astype(np.float32)
        gate = max(4.0 * self.sigma_mm, 0.2)
        bare = free & (cover > 0.9) & (np.abs(rest - self._state[0]) < gate + 0.3)
        n = bare.sum(axis=1)
        n_x = len(rest)
        share = float(bare.mean())
        if n.sum() < 200:
            zero = np.broadcast_to(level[cells] + self._state[0], (n_x, level[cells].size))
            return LocalZero(zero_mm=zero, u_zero_mm=max(self.sigma_mm, 0.1), bare_share=share)
        rows = n >= 10
        sums = np.where(bare, rest, 0.0).sum(axis=1)
        mean = sums[rows] / n[rows]
        x = np.arange(n_x)[rows].astype(float)
        weight = n[rows].astype(float)
        centre = np.average(x, weights=weight)
        base = float(np.average(mean, weights=weight))
        spread = float(np.average((x - centre) ** 2, weights=weight))
        slope = 0.0
        if spread > 0.0 and len(x) > 20:
            slope = float(np.average((x - centre) * (mean - base), weights=weight)) / spread
        drift = base + slope * (np.arange(n_x) - centre)
        zero = level[cells][None, :] + drift[:, None]
        # what is left in patches of belt of a piece's scale is what a piece may stand on unnoticed
        u = _patch_scatter(rest - drift[:, None].astype(np.float32), bare)
        return LocalZero(zero_mm=zero, u_zero_mm=u, bare_share=share)


def _patch_scatter(rest: Singles, bare: npt.NDArray[np.bool_], size: int = 40) -> float:
    """Standard deviation of the means of patches of bare belt, size x size cells."""
    n_x, n_y = (rest.shape[0] // size) * size, (rest.shape[1] // size) * size
    if n_x == 0 or n_y == 0:
        return 0.01
    shape = (n_x // size, size, n_y // size, size)
    n = bare[:n_x, :n_y].reshape(shape).sum(axis=(1, 3))
    sums = np.where(bare, rest, 0.0)[:n_x, :n_y].reshape(shape).sum(axis=(1, 3))
    ok = n > size * size // 4
    if ok.sum() < 3:
        return 0.01
    return float(np.sqrt(np.mean((sums[ok] / n[ok]) ** 2)))
