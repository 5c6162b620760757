"""The pattern of a modular or ribbed belt: found in bare belt, proved, and taken off again.

The pattern repeats along the belt's travel with one period; across the belt it may be anything, so
that modules may be laid like bricks. A piece lies on the pattern's crests: flesh bridges what is
narrow and follows what is wide, and where it does either is never quite sure.
"""

import math

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["BeltPattern"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

_BAND_CELLS = 32  # cells across that are averaged where the period is looked for
_REACH_MM = 2.0  # heights that can be belt
_GUARD = 6  # cells kept clear beside anything higher
_AROUND = 12  # and all round it, where the gate is as wide as the pattern is deep
_SHORTEST_MM, _LONGEST_MM = 6.0, 60.0
_LEAST_ROWS, _MOST_ROWS, _EVERY_ROWS = 768, 2048, 256
_LONGEST_WAIT_ROWS = 8192
#: Height of the spectrum's peak over its median from which a period is put to the proof
_PEAK = 12.0
#: Share of the variance of bare belt that a pattern learnt from the other half must explain;
#: a period that isn't there explains less than nothing.
_PROVED = 0.5
_LEAST_RMS_MM = 0.01  # what is flatter needs no correction
_MEMORY_PERIODS = 40.0
_STEP, _STEP_PERIOD = 0.7, 0.3  # share of a slip that phase and period take up
#: Width that flesh bridges. A strip of thickness h sags over a width L under its own weight by
#: (1 to 5)/32 density g L^4 / (E h^2), its ends clamped or free (beam theory, e.g. Timoshenko);
#: with E = 20 kPa (common practice, no source) and h = 20 mm by 0.04 to 0.2 mm over 32 mm, which is
#: less than the depth of most patterns.
_BRIDGED_MM = 32.0


@njit(nogil=True, cache=True)
def _band_means(whole, level, drift, out):  # type: ignore[no-untyped-def]
    """Mean height over level in bands of bare belt, NaN where less than half a band is bare."""
    n_rows, n_y = whole.shape
    for i in range(n_rows):
        for b in range(out.shape[1]):
            first = b * _BAND_CELLS
            stop = min(first + _BAND_CELLS, n_y)
            total = 0.0
            n = 0
            for c in range(max(first - _GUARD, 0), min(stop + _GUARD, n_y)):
                value = whole[i, c] - level[c] - drift
                if value > _REACH_MM:
                    n = -n_y  # product near by
                elif first <= c < stop and value > -_REACH_MM:
                    total += value
                    n += 1
            out[i, b] = total / n if n > _BAND_CELLS // 2 else np.nan


@njit(nogil=True, cache=True)
def _subtract(rows, whole, level, drift, threshold, turns, per_row, pattern, support):  # type: ignore[no-untyped-def]
    """Take the pattern off bare belt, and what bears it off product."""
    n_phases = len(pattern)
    for i in range(rows.shape[0]):
        at = turns + i * per_row
        k = int((at - math.floor(at)) * n_phases) % n_phases
        for c in range(rows.shape[1]):
            z = rows[i, c, 1]
            if not rows[i, c, 0] > 0.0:
                continue
            low = pattern[k, c]
            high = z - level[c] - drift - low > threshold
            taken = support[k, c] if high else low
            rows[i, c, 1] = z - taken
            if whole.shape[0] > 0 and whole[i, c] == whole[i, c]:
                whole[i, c] -= taken


@njit(nogil=True, cache=True)
def _learn(whole, level, drift, gate, turns, per_row, table, weight, pattern, most, slip):  # type: ignore[no-untyped-def]
    """Let the table follow bare belt; whole: heights that pattern was taken off already.

    slip: sums from which follows by how many phases the belt runs ahead of the pattern.
    """
    n_phases, n_y = table.shape
    for i in range(len(whole)):
        now = turns + i * per_row
        k = int((now - math.floor(now)) * n_phases) % n_phases
        after = (k + 1) % n_phases
        clear = 0
        for c in range(n_y):
            value = whole[i, c] - level[c] - drift
            clear = clear + 1 if abs(value) < gate else 0
            at = c - _GUARD
            if at >= 0 and clear > 2 * _GUARD:
                rest = whole[i, at] - level[at] - drift
                slope = 0.5 * (pattern[after, at] - pattern[k - 1, at])
                slip[0] += rest * slope
                slip[1] += slope * slope
                rest += pattern[k, at] - table[k, at]
                weight[k, at] = min(weight[k, at] + 1.0, most)
                table[k, at] += rest / weight[k, at]


class BeltPattern:
    """Looks for a period in bare belt, and holds one period of the pattern per cell across.

    Parameters
    ----------
    n_y
        Cells across.
    cell_mm
        Cell.
    """

    def __init__(self, n_y: int, cell_mm: float) -> None:
        self._cell = cell_mm
        self._n_y = n_y
        self._bands = np.full((0, max(n_y // _BAND_CELLS, 1)), np.nan, dtype=np.float32)
        self._row = 0  # number of the next row
        self._next = _LEAST_ROWS
        self._wait = _EVERY_ROWS
        self._next_renewal = 0
        self.period_mm = float("nan")  #: NaN where there is none
        self._per_row = 0.0
        self._turns = 0.0  # periods passed at the next row
        self._slip = np.zeros(2)
        none = np.zeros((0, n_y), dtype=np.float32)
        self._table, self._weight, self._pattern, self._support = none, none, none, none
        self._doubt = np.zeros(n_y, dtype=np.float32)

    @property
    def found(self) -> bool:
        """Whether the belt has a pattern."""
        return self._per_row > 0.0

    def u_mm(self, cells: slice) -> float:
        """Give the standard uncertainty of the height at which a piece lies on the pattern."""
        return float(self._doubt[cells].mean()) if self.found else 0.0

    def flatten(
        self, rows: Singles, whole: Singles, *, level_mm: Floats, drift_mm: float, above_mm: float,
        before: int = 0,
    ) -> None:  # fmt: skip
        """Take the pattern off fused rows, in place; `before`: rows since the first of them.

        whole, where it has rows, are their heights in cells that were seen nearly whole. Cells that
        stand more than above_mm over the belt count as product.
        """
        if self.found:
            _subtract(
                rows, whole, level_mm, drift_mm, above_mm, self._turns - before * self._per_row,
                self._per_row, self._pattern, self._support,
            )  # fmt: skip

    def follow(self, whole: Singles, *, level_mm: Floats, drift_mm: float, gate_mm: float) -> bool:
        """Learn from the next rows, flattened where a pattern is known; True where one was found.

        Parameters
        ----------
        whole
            Heights of cells seen nearly whole, NaN for others, (n_rows, n_y).
        level_mm, drift_mm
            The belt's level, (n_y,), and its drift.
        gate_mm
            Height below which a cell is bare belt.
        """
        found = False
        if self.found:
            self._remember(whole, level_mm, drift_mm, gate_mm, self._turns)
        else:
            means = np.empty((len(whole), self._bands.shape[1]), dtype=np.float32)
            _band_means(whole, level_mm, drift_mm, means)
            self._bands = np.concatenate([self._bands, means])[-_MOST_ROWS:]
        self._row += len(whole)
        self._turns += len(whole) * self._per_row
        if self._row >= self._next:
            self._next = self._row + self._wait
            if self.found:
                self._keep_step()
                if self._row >= self._next_renewal:  # ever less often, as ever less changes
                    self._next_renewal = self._row + min(self._row // 2, _LONGEST_WAIT_ROWS)
                    self._renew(level_mm)
            else:
                period = _period(self._bands, self._cell)
                found = period is not None
                if period is not None:
                    self._begin(period)
                else:  # a plain belt stays plain: look ever less often
                    self._wait = min(2 * self._wait, _LONGEST_WAIT_ROWS)
        return found

    def recall(self, whole: Singles, *, level_mm: Floats, drift_mm: float) -> None:
        """Learn from rows before the next one, in which the pattern was not yet known."""
        import cv2

        first = self._turns - len(whole) * self._per_row
        high = (whole - level_mm > drift_mm + _REACH_MM).astype(np.uint8)
        clear = cv2.dilate(high, np.ones((2 * _AROUND + 1, 2 * _AROUND + 1), np.uint8)) == 0
        bare = np.where(clear, whole, np.nan)
        self._remember(bare, level_mm, drift_mm, _REACH_MM, first)
        self._renew(level_mm)

    def _begin(self, period_mm: float) -> None:
        self.period_mm = period_mm
        self._per_row = self._cell / period_mm
        self._wait = _EVERY_ROWS
        self._next = self._row + self._wait
        shape = (max(2, round(period_mm / self._cell)), self._n_y)
        self._table, self._weight, self._pattern, self._support = (
            np.zeros(shape, dtype=np.float32) for _ in range(4)
        )
        self._bands = self._bands[:0]

    def _remember(
        self, whole: Singles, level: Floats, drift: float, gate: float, turns: float
    ) -> None:
        _learn(
            whole, level, drift, gate, turns, self._per_row, self._table, self._weight,
            self._pattern, _MEMORY_PERIODS, self._slip,
        )  # fmt: skip

    def _keep_step(self) -> None:
        """Let phase and period follow what the belt ran ahead since this was done last."""
        ahead, slopes = self._slip
        if slopes > 0.0:
            turns = float(np.clip(ahead / slopes / len(self._table), -0.1, 0.1))
            self._turns += _STEP * turns
            self._per_row += _STEP_PERIOD * turns / _EVERY_ROWS
            self.period_mm = self._cell / self._per_row
        self._slip[:] = 0.0

    def _renew(self, level: Floats) -> None:
        """Make pattern and support from the table."""
        import cv2

        known = (self._weight > 0.0).astype(np.float32)
        # noise is averaged over neighbours across
        total = cv2.blur(self._table * known, (5, 1), borderType=cv2.BORDER_REPLICATE)
        share = cv2.blur(known, (5, 1), borderType=cv2.BORDER_REPLICATE)
        self._pattern = np.where(share > 0.2, total / np.maximum(share, 1e-3), 0.0).astype(
            np.float32
        )
        bridged, self._doubt = _bridged(self._pattern, level, self._cell)
        self._support = self._pattern + bridged


def _bridged(pattern: Singles, level: Floats, cell_mm: float) -> tuple[Singles, Singles]:
    """How far above the pattern a piece lies, and a standard uncertainty of that for each column.

    What lies between crests nearer to each other than a piece bridges is filled; that width is
    known to a factor of two.
    """
    import cv2

    n = len(pattern)
    reach = max(1, round(_BRIDGED_MM / cell_mm))
    around = np.arange(-reach, n + reach) % n  # the pattern goes on before and after
    belt = pattern[around] + level.astype(np.float32)

    def filled(cells: int) -> Singles:
        over = cv2.morphologyEx(belt, cv2.MORPH_CLOSE, np.ones((cells, 1), np.uint8))
        over = cv2.morphologyEx(over, cv2.MORPH_CLOSE, np.ones((1, cells), np.uint8))
        return np.asarray((over - belt)[reach : reach + n])

    least, bridged, most = filled(max(reach // 2, 1)), filled(reach), filled(2 * reach)
    doubt = (most - least).mean(axis=0) / np.float32(math.sqrt(12.0))
    return bridged, np.asarray(doubt, dtype=np.float32)


def _period(bands: Singles, cell_mm: float) -> float | None:
    """Period of the pattern in mm, None where none is proved.

    bands, shape (n_rows, n_bands): NaN where the belt isn't bare.
    """
    rest, seen = _without_slow(bands, cell_mm)
    n_fft = 4 * _MOST_ROWS
    power = (np.abs(np.fft.rfft(rest, n_fft, axis=0)) ** 2).sum(axis=1)
    frequency = np.fft.rfftfreq(n_fft, cell_mm)
    inside = (frequency >= 1.0 / _LONGEST_MM) & (frequency <= 1.0 / _SHORTEST_MM)
    if power[inside].max() <= _PEAK * np.median(power[inside]):
        return None
    peak = 1.0 / frequency[inside][np.argmax(power[inside])]
    best, explained = peak, _PROVED
    span = len(bands) * cell_mm
    for multiple in (1, 2, 3):
        around = peak * multiple
        if around > 1.05 * _LONGEST_MM:
            break
        # the spectrum's peak is as wide as one period more or less over the length seen
        tries = around / (1.0 + around / span * np.linspace(-0.6, 0.6, 31))
        shares = [_explained(rest, seen, period, cell_mm) for period in tries]
        if max(shares) > explained + (0.03 if multiple > 1 else 0.0):
            best, explained = float(tries[int(np.argmax(shares))]), max(shares)
    rms = float(np.sqrt((rest[seen] ** 2).mean()))
    return best if explained > _PROVED and rms > _LEAST_RMS_MM else None


def _without_slow(bands: Singles, cell_mm: float) -> tuple[Floats, Bools]:
    """Bands less their running mean over 80 mm, 0 where not seen, and where they were seen."""
    import cv2

    seen = np.isfinite(bands)
    values = np.where(seen, bands, 0.0)
    window = (1, 2 * round(40.0 / cell_mm) + 1)
    total = cv2.boxFilter(values, -1, window, normalize=False, borderType=cv2.BORDER_CONSTANT)
    n = cv2.boxFilter(
        seen.astype(np.float32), -1, window, normalize=False, borderType=cv2.BORDER_CONSTANT
    )
    return np.where(seen, values - total / np.maximum(n, 1.0), 0.0).astype(np.float64), seen


def _explained(rest: Floats, seen: Bools, period_mm: float, cell_mm: float) -> float:
    """Share of the variance of each half that the other half, folded at a period, predicts."""
    n_rows, n_bands = rest.shape
    n_phases = max(4, round(period_mm))
    phase = np.floor(np.arange(n_rows) * cell_mm / period_mm % 1.0 * n_phases).astype(np.int64)
    place = phase[:, None] * n_bands + np.arange(n_bands)
    half = n_rows // 2
    left = total = 0.0
    for own, other in ((slice(0, half), slice(half, None)), (slice(half, None), slice(0, half))):
        size = n_phases * n_bands
        sums = np.bincount(place[other].ravel(), rest[other].ravel(), size)
        n = np.bincount(place[other].ravel(), seen[other].ravel(), size)
        told = np.where(n > 0, sums / np.maximum(n, 1), 0.0)
        off = (rest[own] - told[place[own]])[seen[own]]
        left += float((off**2).sum())
        total += float((rest[own][seen[own]] ** 2).sum())
    return 1.0 - left / max(total, 1e-12)
