"""Which portion behind the blade is which planned slice: two orderly rows, laid side by side."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["Found", "Planned", "match_in_order"]

# What an unlikely pair costs, in squared standard deviations: a pair that is worse is no pair.
_UNPAIRED = 9.0
# Trim often leaves the belt at the blade: that it is missing says little.
_TRIM_MISSING = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Planned:
    """One planned slice of a lane, in the order of the belt."""

    piece: int
    number: int  #: from 1 along the piece; trim and remainder counted too
    is_trim: bool
    volume_cm3: float
    length_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """One portion of a lane behind the blade, in the order of the belt."""

    piece: int
    volume_cm3: float
    length_mm: float


def match_in_order(
    planned: Sequence[Planned],
    found: Sequence[Found],
    *,
    spread_volume: float = 0.15,
    spread_mm: float = 5.0,
) -> list[tuple[int | None, int | None]]:
    """Pair slices and portions of one lane so that neither row changes its order.

    Parameters
    ----------
    planned, found
        Both in the order of the belt.
    spread_volume, spread_mm
        How far volume (as a ratio) and length may usually be off: they weigh the two against each
        other and against leaving a slice or a portion without partner.

    Returns
    -------
    list of (number in planned or None, number in found or None)
        In the order of the belt; the pairing of least total cost.
    """
    n, m = len(planned), len(found)
    cost = np.full((n + 1, m + 1), math.inf)
    step = np.zeros((n + 1, m + 1), dtype=np.int8)  # 0 pair, 1 slice alone, 2 portion alone
    cost[0, 0] = 0.0
    for i in range(n + 1):
        for j in range(m + 1):
            ways = []
            if i and j:
                pair = _pair_cost(planned[i - 1], found[j - 1], spread_volume, spread_mm)
                ways.append((cost[i - 1, j - 1] + pair, 0))
            if i:
                alone = _TRIM_MISSING if planned[i - 1].is_trim else _UNPAIRED
                ways.append((cost[i - 1, j] + alone, 1))
            if j:
                ways.append((cost[i, j - 1] + _UNPAIRED, 2))
            if ways:
                cost[i, j], step[i, j] = min(ways)
    pairs: list[tuple[int | None, int | None]] = []
    i, j = n, m
    while i or j:
        kind = step[i, j]
        pairs.append((i - 1 if kind != 2 else None, j - 1 if kind != 1 else None))
        i, j = i - (kind != 2), j - (kind != 1)
    return pairs[::-1]


def _pair_cost(planned: Planned, found: Found, spread_volume: float, spread_mm: float) -> float:
    ratio = math.log(max(found.volume_cm3, 1e-6) / max(planned.volume_cm3, 1e-6))
    length = found.length_mm - planned.length_mm
    return (ratio / spread_volume) ** 2 + (length / spread_mm) ** 2
