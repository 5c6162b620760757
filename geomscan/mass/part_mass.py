"""Mass, volume and budget of any part of a piece: the whole, a slice or a portion alike."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.mass.kernels import sum_of_cells, sum_of_squares
from geomscan.mass.mass_map import MassMap

__all__ = ["LINE_NOISE", "BudgetRow", "PartMass", "joined_budget", "part_mass"]

Floats = npt.NDArray[np.float64]

LINE_NOISE = "line noise"

Scope = Literal["independent", "piece", "run"]


@dataclass(frozen=True, kw_only=True, slots=True)
class BudgetRow:
    """What one cause adds to a part: standard uncertainties with sign, as first-order changes."""

    cause: str
    scope: Scope
    u_mass_g: float
    u_volume_mm3: float


@dataclass(frozen=True, kw_only=True, slots=True)
class PartMass:
    """Mass and volume of a part; masses are NaN where no density was stated.

    The budget's rows add in quadrature to u_mass_g and u_volume_mm3.
    """

    mass_g: float
    volume_mm3: float
    fat_g: float
    fat_mm3: float
    budget: tuple[BudgetRow, ...]

    def u_of(self, *scopes: Scope) -> tuple[float, float]:
        """Part of the uncertainty with these scopes: (u_mass_g, u_volume_mm3)."""
        rows = [row for row in self.budget if row.scope in scopes]
        return (
            float(np.sqrt(sum(row.u_mass_g**2 for row in rows))),
            float(np.sqrt(sum(row.u_volume_mm3**2 for row in rows))),
        )

    @property
    def u_mass_g(self) -> float:
        """Standard uncertainty of the mass."""
        return self.u_of("independent", "piece", "run")[0]

    @property
    def u_volume_mm3(self) -> float:
        """Standard uncertainty of the volume."""
        return self.u_of("independent", "piece", "run")[1]

    @property
    def u_common_g(self) -> float:
        """Part of u_mass_g that is common to the piece or to the run."""
        return self.u_of("piece", "run")[0]

    @property
    def u_independent_g(self) -> float:
        """Part of u_mass_g that is independent from cell to cell."""
        return self.u_of("independent")[0]

    @property
    def u_run_g(self) -> float:
        """Part of u_mass_g that is common to all pieces of the run."""
        return self.u_of("run")[0]


def part_mass(
    masses: MassMap, weights: Floats | None = None, top_weights: Floats | None = None
) -> PartMass:
    """Sum the part of a piece that the weights choose.

    Parameters
    ----------
    masses : MassMap
    weights : array of shape (n_x, n_y), optional
        Share of each cell's volume that belongs to the part, 0 to 1; the whole piece where absent.
    top_weights : array of shape (n_x, n_y), optional
        Share of each cell's top surface in the part: a slanted blade gives it, and the errors and
        the fat that lie there, to another slice than the cell's middle. As `weights` where absent.

    Returns
    -------
    PartMass

    Raises
    ------
    InputError
        If the weights have another shape.

    References
    ----------
    JCGM 100:2008 (GUM), Eq. (10): independent terms add in quadrature; each common term adds
    linearly over the cells first.
    """
    shape = masses.volume_mm3.shape
    top_weights = weights if top_weights is None else top_weights
    for name, array in (("weights", weights), ("top_weights", top_weights)):
        if array is not None and array.shape != shape:
            msg = f"{name}: expected shape {shape}, got {array.shape}"
            raise InputError(msg)
    rows = [
        BudgetRow(
            cause=LINE_NOISE,
            scope="independent",
            u_mass_g=_root_sum(masses.u_independent_g, top_weights),
            u_volume_mm3=_root_sum(masses.u_independent_mm3, top_weights),
        )
    ]
    for term in masses.terms:
        share = top_weights if term.at_surface else weights
        rows.append(
            BudgetRow(
                cause=term.name,
                scope=term.scope,
                u_mass_g=_sum(term.delta_g, share),
                u_volume_mm3=_sum(term.delta_mm3, share),
            )
        )
    return PartMass(
        mass_g=_sum(masses.mass_g, weights),
        volume_mm3=_sum(masses.volume_mm3, weights),
        fat_g=_sum(masses.fat_g, top_weights),
        fat_mm3=0.0 if masses.fat_mm3 is None else _sum(masses.fat_mm3, top_weights),
        budget=tuple(rows),
    )


def _sum(cells: npt.NDArray[np.floating], weights: Floats | None) -> float:
    return float(sum_of_cells(cells if weights is None else cells * weights))


def _root_sum(cells: npt.NDArray[np.floating], weights: Floats | None) -> float:
    return math.sqrt(sum_of_squares(cells if weights is None else cells * weights))


def joined_budget(parts: Sequence[PartMass]) -> list[BudgetRow]:
    """Budget of several parts together: run terms add linearly, all others in quadrature.

    Terms of one name are one cause; the parts' order does not matter.
    """
    linear: dict[tuple[str, Scope], list[BudgetRow]] = {}
    for part in parts:
        for row in part.budget:
            linear.setdefault((row.cause, row.scope), []).append(row)
    joined = []
    for (cause, scope), rows in linear.items():
        mass = np.array([row.u_mass_g for row in rows])
        volume = np.array([row.u_volume_mm3 for row in rows])
        if scope == "run":
            u_mass, u_volume = abs(mass.sum()), abs(volume.sum())
        else:
            u_mass, u_volume = np.sqrt((mass**2).sum()), np.sqrt((volume**2).sum())
        joined.append(
            BudgetRow(
                cause=cause, scope=scope, u_mass_g=float(u_mass), u_volume_mm3=float(u_volume)
            )
        )
    return joined
