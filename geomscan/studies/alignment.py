"""Finding skipped, double and swapped weighings by what the pieces should weigh."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

__all__ = ["Alignment", "align", "find_swaps", "split_runs"]

Floats = npt.NDArray[np.float64]

#: Share of rows that an operator skips, doubles or swaps: common practice, no source. It sets how
#: much better a story must fit before it is told.
SLIP = 0.002

#: Gain in chi² from which two labels are called swapped: for pieces that were not swapped the
#: chance is some 1e-5 a pair (half of chi² apart by √18 standard deviations).
SWAP_GAIN = 18.0

#: A weight more than 3.5 u off a piece does not fit it; chance 5e-4 for one that does.
WORST_FIT = 3.5**2


#: Slips in one list that are looked for beyond the plain difference in length.
MOST_SLIPS = 20


@dataclass(frozen=True, kw_only=True, slots=True)
class Alignment:
    """Weighings in order against pieces in order.

    pairs: (piece, weighing) that belong together; skipped: pieces without weighing; doubled:
    (weighing, piece) where the piece was weighed already; odd: weighings that fit no piece;
    swapped: pairs of neighbouring weighings that lie crosswise. gain: how much better, in natural
    log of likelihood, this fits than row by row; NaN where row by row is not possible.
    """

    pairs: tuple[tuple[int, int], ...]
    skipped: tuple[int, ...]
    doubled: tuple[tuple[int, int], ...]
    odd: tuple[int, ...]
    swapped: tuple[tuple[int, int], ...]
    gain: float


def align(predicted_g: Floats, u_g: Floats, weight_g: Floats) -> Alignment:
    """Align weighings with pieces in belt order by dynamic programming.

    A pair costs its misfit; a skipped piece, a second weighing of one piece, a crosswise pair and a
    weighing that fits nothing cost the rarity of such slips, and the last also what its weight
    would be worth among all weights.

    Parameters
    ----------
    predicted_g, u_g : array of shape (n,)
        Expected weight of each piece and the standard deviation of a weighing about it.
    weight_g : array of shape (m,)

    Returns
    -------
    Alignment
    """
    n, m = predicted_g.size, weight_g.size
    misfit = _misfit(predicted_g, u_g, weight_g)
    slip = -np.log(SLIP)
    spread_g = max(float(np.std(weight_g)), float(np.median(u_g)))
    odd_cost = (
        slip
        + 0.5 * ((weight_g - weight_g.mean()) / spread_g) ** 2
        + np.log(spread_g * np.sqrt(2 * np.pi))
    )
    cost = np.full((n + 1, m + 1), np.inf)
    move = np.zeros((n + 1, m + 1), dtype=np.int8)
    cost[0, 0] = 0.0
    reach = abs(n - m) + MOST_SLIPS
    for i in range(n + 1):
        for j in range(max(0, i - reach), min(m, i + reach) + 1):
            options = [(cost[i, j], move[i, j])]
            if i and j:
                options.append((cost[i - 1, j - 1] + misfit[i - 1, j - 1], 1))
            if i:
                options.append((cost[i - 1, j] + slip, 2))
            if j:
                options.append((cost[i, j - 1] + odd_cost[j - 1], 3))
            if i and j > 1:  # the piece before was weighed once more
                again = cost[i - 1, j - 2] + slip + misfit[i - 1, j - 2] + misfit[i - 1, j - 1]
                options.append((again, 4))
            if i > 1 and j > 1:
                crossed = misfit[i - 2, j - 1] + misfit[i - 1, j - 2]
                options.append((cost[i - 2, j - 2] + slip + crossed, 5))
            cost[i, j], move[i, j] = min(options, key=lambda option: option[0])
    straight = float(np.trace(misfit)) if n == m else float("nan")
    return _trace_back(move, n, m, gain=straight - float(cost[n, m]))


def _misfit(predicted_g: Floats, u_g: Floats, weight_g: Floats) -> Floats:
    """Negative log likelihood of each weighing for each piece, shape (n, m)."""
    rest = (weight_g[None, :] - predicted_g[:, None]) / u_g[:, None]
    # beyond 6 u all is equally wrong: one gross slip must not outweigh all the others
    return np.asarray(
        0.5 * np.minimum(rest**2, 36.0) + np.log(u_g * np.sqrt(2 * np.pi))[:, None],
        dtype=np.float64,
    )


def _trace_back(move: npt.NDArray[np.int8], n: int, m: int, *, gain: float) -> Alignment:
    pairs: list[tuple[int, int]] = []
    skipped: list[int] = []
    doubled: list[tuple[int, int]] = []
    odd: list[int] = []
    swapped: list[tuple[int, int]] = []
    i, j = n, m
    while i or j:
        step = int(move[i, j])
        if step == 1:
            i, j = i - 1, j - 1
            pairs.append((i, j))
        elif step == 2:
            i -= 1
            skipped.append(i)
        elif step == 3:
            j -= 1
            odd.append(j)
        elif step == 4:
            i, j = i - 1, j - 2
            pairs.append((i, j))
            doubled.append((j + 1, i))
        else:
            i, j = i - 2, j - 2
            pairs += [(i + 1, j), (i, j + 1)]
            swapped.append((j, j + 1))
    return Alignment(
        pairs=tuple(sorted(pairs)),
        skipped=tuple(sorted(skipped)),
        doubled=tuple(sorted(doubled)),
        odd=tuple(sorted(odd)),
        swapped=tuple(sorted(swapped)),
        gain=gain,
    )


def find_swaps(predicted_g: Floats, u_g: Floats, weight_g: Floats) -> list[tuple[list[int], float]]:
    """Find rows whose weights fit each other's pieces better than their own.

    Pairs come first, best first. Rows that then still fit badly, three or more, are re-paired as a
    whole, which finds labels that went round in a ring. Rows that fit well take no part in rings: a
    piece that weighs about the same must not be drawn in.

    Parameters
    ----------
    predicted_g, u_g, weight_g : array of shape (n,)
        Expected weight, standard deviation of a weighing about it, and weighing, row by row.

    Returns
    -------
    list of (rows, gain)
        Each ring of rows, in order: the weight of each belongs to the next one's piece; and by how
        much chi² falls.
    """
    crossed = np.minimum(((weight_g[None, :] - predicted_g[:, None]) / u_g[:, None]) ** 2, 1e4)
    own = np.diag(crossed)
    gain = own[:, None] + own[None, :] - crossed - crossed.T
    swaps: list[tuple[list[int], float]] = []
    free = np.ones(own.size, dtype=bool)
    for flat in np.argsort(-gain, axis=None, kind="stable"):
        first, second = divmod(int(flat), own.size)
        if gain[first, second] < SWAP_GAIN:
            break
        # a weight that fits neither piece is no swapped label, however far off its own it is
        fits = max(crossed[first, second], crossed[second, first]) < WORST_FIT
        if free[first] and free[second] and fits:
            free[[first, second]] = False
            swaps.append(([first, second], float(gain[first, second])))
    return swaps + _rings(crossed, np.flatnonzero(free & (own > WORST_FIT)))


def _rings(crossed: Floats, bad: npt.NDArray[np.int64]) -> list[tuple[list[int], float]]:
    if bad.size < 3:
        return []
    from scipy.optimize import linear_sum_assignment

    pieces, rows = linear_sum_assignment(np.minimum(crossed[np.ix_(bad, bad)], 4 * WORST_FIT))
    target = dict(zip(rows.tolist(), pieces.tolist(), strict=True))
    rings = []
    seen: set[int] = set()
    for start in target:
        ring = [start]
        while target[ring[-1]] != start:
            ring.append(target[ring[-1]])
        if start in seen:
            continue
        seen.update(ring)
        places = [int(bad[row]) for row in ring]
        moved = [float(crossed[places[(i + 1) % len(places)], row]) for i, row in enumerate(places)]
        if len(ring) > 2 and max(moved) < WORST_FIT:
            rings.append((places, float(sum(crossed[row, row] for row in places) - sum(moved))))
    return rings


def split_runs(rows: list[int]) -> list[tuple[int, int]]:
    """Give first and last of each run of consecutive numbers.

    Examples
    --------
    >>> split_runs([3, 4, 5, 9])
    [(3, 5), (9, 9)]
    """
    if not rows:
        return []
    breaks = [i + 1 for i, (a, b) in enumerate(pairwise(rows)) if b != a + 1]
    edges = [0, *breaks, len(rows)]
    return [(rows[a], rows[b - 1]) for a, b in pairwise(edges)]
