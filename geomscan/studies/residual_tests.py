"""Do residuals still hang together with something."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geomscan.studies.statistics import one_way, slope_test

__all__ = ["ResidualTest", "judge_residuals"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class ResidualTest:
    """One test: p of the trend with `against`, and p_all with all tests counted (Holm)."""

    against: str
    p: float
    p_all: float
    slope: float = float("nan")  #: in expected standard deviations per unit
    u_slope: float = float("nan")

    @property
    def shown(self) -> bool:
        """Whether a connection is shown at the 5 % level, all tests counted."""
        return self.p_all < 0.05


def judge_residuals(
    residuals: Floats,
    *,
    numbers: Mapping[str, Floats],
    groups: Mapping[str, npt.NDArray[np.str_]],
) -> list[ResidualTest]:
    """Test standardised residuals for a slope over numbers and for means that differ by group.

    Values that are not known, or that do not vary, give no test.

    References
    ----------
    Holm 1979, Scand. J. Stat. 6:65, for the number of tests.
    """
    tests = []
    for name, values in numbers.items():
        known = np.isfinite(values)
        if known.sum() < 4:
            continue
        slope, u_slope, p = slope_test(values[known], residuals[known])
        if np.isfinite(p):
            tests.append(ResidualTest(against=name, p=p, p_all=p, slope=slope, u_slope=u_slope))
    for name, labels in groups.items():
        parts = [residuals[labels == label] for label in np.unique(labels)]
        if len(parts) > 1 and sum(part.size for part in parts) > len(parts):
            p = one_way(parts).p
            tests.append(ResidualTest(against=name, p=p, p_all=p))
    ranked = sorted(range(len(tests)), key=lambda index: tests[index].p)
    running = 0.0
    for place, index in enumerate(ranked):
        running = max(running, min(1.0, tests[index].p * (len(tests) - place)))
        tests[index] = replace(tests[index], p_all=running)
    return tests
