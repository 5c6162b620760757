"""Random numbers of the kernels against the moments and distributions of theory (scipy)."""

import numpy as np
import pytest
from numba import njit
from scipy import stats

from geomscan.simulation.chance import gamma, normal, poisson, start, uniform


@njit  # type: ignore[untyped-decorator]
def draw(kind: int, n: int, parameter: float) -> np.ndarray:
    state = start(11)
    out = np.empty(n)
    for k in range(n):
        if kind == 0:
            out[k] = uniform(state)
        elif kind == 1:
            out[k] = normal(state)
        elif kind == 2:
            out[k] = poisson(state, parameter)
        else:
            out[k] = gamma(state, parameter)
    return out


# with fixed seeds a p-value is one number; 1e-3 would be missed once in a thousand seeds
def test_uniform_and_normal() -> None:
    assert stats.kstest(draw(0, 20_000, 0.0), "uniform").pvalue > 1e-3
    assert stats.kstest(draw(1, 20_000, 0.0), "norm").pvalue > 1e-3


@pytest.mark.parametrize("shape", [1.0, 4.0, 25.0])
def test_gamma_of_mean_one(shape: float) -> None:
    drawn = draw(3, 20_000, shape)
    assert stats.kstest(drawn, stats.gamma(shape, scale=1 / shape).cdf).pvalue > 1e-3


@pytest.mark.parametrize("mean", [0.3, 4.0, 49.0, 200.0])
def test_poisson(mean: float) -> None:
    """Chi-square over classes that hold at least ten counts in expectation."""
    n = 20_000
    drawn = draw(2, n, mean)
    low, high = stats.poisson.ppf([0.002, 0.998], mean)
    classes = np.arange(low, high + 1)
    expected = n * stats.poisson.pmf(classes, mean)
    seen = np.array([(drawn == k).sum() for k in classes])
    kept = expected > 10
    rest = (n - seen[kept].sum(), n - expected[kept].sum())
    chi2 = np.sum((seen[kept] - expected[kept]) ** 2 / expected[kept])
    chi2 += (rest[0] - rest[1]) ** 2 / max(rest[1], 1.0)
    assert stats.chi2.sf(chi2, kept.sum()) > 1e-3
