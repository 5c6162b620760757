"""Monte Carlo propagation against published examples."""

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geomscan.uncertainty import jacobian, monte_carlo, propagate, shortest_interval

Floats = npt.NDArray[np.float64]


def normal(mean: float, u: float) -> Any:
    return lambda rng, n: rng.normal(mean, u, n)


def uniform(low: float, high: float) -> Any:
    return lambda rng, n: rng.uniform(low, high, n)


class TestMonteCarlo:
    """Reference: JCGM 101:2008, clause 9, and a worked example of a national institute."""

    def test_sum_of_normals(self) -> None:
        """9.2.2: 0, u 2.0, 95 % [-3.92, 3.92]; 1e6 draws leave 0.01 in an end (3 s)."""
        run = monte_carlo(lambda *x: sum(x), [normal(0, 1)] * 4, n_draws=1_000_000)
        assert run.mean == pytest.approx(0, abs=0.006)
        assert run.u == pytest.approx(2.0, abs=0.005)
        assert run.interval() == pytest.approx((-3.92, 3.92), abs=0.02)
        assert run.shortest() == pytest.approx((-3.92, 3.92), abs=0.06)

    def test_sum_of_rectangles(self) -> None:
        """9.2.3: 0, u 2.0, 95 % [-3.88, 3.88]: a little inside the normal one."""
        root = math.sqrt(3)
        run = monte_carlo(lambda *x: sum(x), [uniform(-root, root)] * 4, n_draws=1_000_000)
        assert run.u == pytest.approx(2.0, abs=0.005)
        assert run.interval() == pytest.approx((-3.88, 3.88), abs=0.02)

    def test_logarithm(self) -> None:
        """NPL report DEM-ES-011: y = ln x, x uniform 0.1 to 1.1: first order is badly wrong."""
        run = monte_carlo(np.log, [uniform(0.1, 1.1)], n_draws=1_000_000)
        assert run.mean == pytest.approx(-0.665, abs=0.002)
        assert run.u == pytest.approx(0.606, abs=0.002)
        # the upper end sits at the edge ln 1.1 of the distribution
        assert run.shortest() == pytest.approx((-1.895, 0.095), abs=0.006)

        sensitivity = jacobian(np.log, [0.6], [1e-4])
        first_order = math.sqrt(propagate(sensitivity, [1 / math.sqrt(12)])[0, 0])
        assert math.log(0.6) == pytest.approx(-0.511, abs=5e-4)
        assert first_order == pytest.approx(0.481, abs=5e-4)
        assert math.log(0.6) + 1.96 * first_order == pytest.approx(0.432, abs=5e-4)

    def test_mass_calibration(self) -> None:
        """9.3 (from memory): MC 1.2341, 0.0754, shortest [1.0834, 1.3825]; first order 0.0539."""

        def mass_mg(m_r: Any, d_m: Any, rho_a: Any, rho_w: Any, rho_r: Any) -> Any:
            return (m_r + d_m) * (1 + (rho_a - 1.2) * (1 / rho_w - 1 / rho_r)) - 100_000

        draws = [
            normal(100_000, 0.050),
            normal(1.234, 0.020),
            uniform(1.10, 1.30),
            uniform(7000, 9000),
            uniform(7950, 8050),
        ]
        run = monte_carlo(mass_mg, draws, n_draws=1_000_000)
        assert run.mean == pytest.approx(1.2341, abs=0.0003)
        assert run.u == pytest.approx(0.0754, abs=0.0003)
        # a flat-topped distribution leaves the place of the shortest interval less sure
        assert run.shortest() == pytest.approx((1.0834, 1.3825), abs=0.004)

        at = [100_000, 1.234, 1.20, 8000, 8000]
        u = [0.050, 0.020, 0.10 / math.sqrt(3), 1000 / math.sqrt(3), 50 / math.sqrt(3)]
        sensitivity = jacobian(lambda x: mass_mg(*x), at, np.array(u) * 1e-3)
        assert math.sqrt(propagate(sensitivity, u)[0, 0]) == pytest.approx(0.0539, abs=5e-5)

    def test_gauge_block(self) -> None:
        """9.5 (from memory): 838, u 36 by Monte Carlo against 32 first order; 99 % [745, 932]."""

        def student(mean: float, scale: float, dof: float) -> Any:
            return lambda rng, n: mean + scale * rng.standard_t(dof, n)

        def trapezoid(low: float, high: float, inexact: float) -> Any:
            def draw(rng: np.random.Generator, n: int) -> Floats:
                start = (low - inexact) + 2 * inexact * rng.uniform(size=n)
                return np.asarray(start + (low + high - 2 * start) * rng.uniform(size=n))

            return draw

        def arcsine(half: float) -> Any:
            return lambda rng, n: half * np.sin(2 * np.pi * rng.uniform(size=n))

        draws = [
            student(50_000_623, 25, 18),
            student(215, 6, 24),
            student(0, 4, 5),
            student(0, 7, 8),
            uniform(9.5e-6, 13.5e-6),
            normal(-0.1, 0.2),
            arcsine(0.5),
            trapezoid(-1e-6, 1e-6, 0.1e-6),
            trapezoid(-0.050, 0.050, 0.025),
        ]

        def length_nm(
            ls: Any, d: Any, d1: Any, d2: Any, a: Any, t0: Any, dt: Any, da: Any, th: Any
        ) -> Any:
            return ls + d + d1 + d2 - ls * (da * (t0 + dt) + a * th) - 50_000_000

        run = monte_carlo(length_nm, draws, n_draws=1_000_000)
        assert run.mean == pytest.approx(838, abs=0.2)
        assert run.u == pytest.approx(36, abs=0.5)
        assert run.interval(0.99) == pytest.approx((745, 932), abs=1.5)

    def test_memory_is_bounded_and_draws_are_seeded(self) -> None:
        """A long run is evaluated piece by piece."""
        sizes: list[int] = []

        def note(x: Floats) -> Floats:
            sizes.append(x.size)
            return x

        one = monte_carlo(note, [normal(0, 1)], n_draws=2500, n_per_call=1000, seed=3)
        other = monte_carlo(note, [normal(0, 1)], n_draws=2500, n_per_call=1000, seed=3)
        assert sizes[:3] == [1000, 1000, 500]
        assert np.array_equal(one.draws, other.draws)

    @given(st.lists(st.floats(-1e6, 1e6), min_size=25, max_size=200))
    def test_shortest_is_never_longer(self, values: list[float]) -> None:
        """Reference: the definition, against the interval in the middle."""
        low, high = shortest_interval(values, 0.9)
        share = np.mean((np.array(values) >= low) & (np.array(values) <= high))
        assert share >= 0.9 - 0.5 / len(values)
        ordered = np.sort(values)
        inside = int(0.9 * len(values) + 0.5)
        start = (len(values) - inside) // 2
        if start + inside < len(values):
            assert high - low <= ordered[start + inside] - ordered[start]
