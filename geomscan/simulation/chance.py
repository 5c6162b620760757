"""Random numbers inside the kernels: one small state a line, the same on any number of threads."""

import math

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["State", "gamma", "normal", "poisson", "start", "uniform"]

State = npt.NDArray[np.uint64]


@njit(nogil=True, cache=True)
def start(seed: int) -> State:
    """Start a stream."""
    return np.array([np.uint64(seed)])


@njit(nogil=True, cache=True)
def uniform(state: State) -> float:
    """Return a number in (0, 1): splitmix64 (Steele, Lea & Flood 2014, OOPSLA, 453-472)."""
    state[0] += np.uint64(0x9E3779B97F4A7C15)
    z = state[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z ^= z >> np.uint64(31)
    return (float(z >> np.uint64(11)) + 0.5) / 9007199254740992.0


@njit(nogil=True, cache=True)
def normal(state: State) -> float:
    """Return a standard normal number: the polar method (Marsaglia & Bray 1964, SIAM Review 6)."""
    while True:
        u, v = 2 * uniform(state) - 1, 2 * uniform(state) - 1
        s = u * u + v * v
        if 0 < s < 1:
            return float(u * math.sqrt(-2 * math.log(s) / s))


@njit(nogil=True, cache=True)
def poisson(state: State, mean: float) -> float:
    """Return a Poisson number: exact below 50, from there the rounded normal limit."""
    if mean <= 0:
        return 0.0
    if mean >= 50:
        return float(max(math.floor(mean + math.sqrt(mean) * normal(state) + 0.5), 0.0))
    # Knuth: how many uniform factors until the product falls below exp(-mean)
    limit, product, n = math.exp(-mean), uniform(state), 0
    while product > limit:
        product *= uniform(state)
        n += 1
    return float(n)


@njit(nogil=True, cache=True)
def gamma(state: State, shape: float) -> float:
    """Return a gamma number of mean 1, shape >= 1 (Marsaglia & Tsang 2000, ACM TOMS 26:363-372)."""
    d = shape - 1 / 3
    c = 1 / math.sqrt(9 * d)
    while True:
        x = normal(state)
        v = (1 + c * x) ** 3
        if v > 0 and math.log(uniform(state)) < 0.5 * x * x + d - d * v + d * math.log(v):
            return float(d * v / shape)
