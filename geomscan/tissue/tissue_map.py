"""Fat and lean of one piece as a map."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

__all__ = ["TissueMap", "TissueTerm"]

Floats = npt.NDArray[np.floating[Any]]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class TissueTerm:
    """One common error of the fat probability: its change per standard uncertainty, (n_x, n_y)."""

    name: str
    scope: Literal["piece", "run"]
    delta: Floats


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class TissueMap:
    """Fat probability of each cell of a piece, shape (n_x, n_y), NaN where the piece is not.

    Cells that were shadowed or glaring take their neighbours' value and are counted in n_unseen.
    fat_area_fraction is the share of the plan area with its standard uncertainty.
    method names what really ran.
    """

    fat_probability: Floats
    fat_area_fraction: float
    u_fat_area_fraction: float
    method: str
    terms: tuple[TissueTerm, ...] = ()
    n_unseen: int = 0
    flags: frozenset[str] = frozenset()
