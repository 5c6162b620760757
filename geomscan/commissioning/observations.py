"""What a calibration is fitted to: one table of observations, kept in the calibration file."""

from dataclasses import dataclass, fields
from enum import IntEnum
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["ENDS", "Kind", "Observations"]

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


class Kind(IntEnum):
    """What an observation says."""

    BELT = 0  #: a row of the bare belt: z = 0
    SURFACE = 1  #: a row on the block's surface: height of segment `feature`
    SIDE = 2  #: a column at which the upper level of face `feature` ends
    END = 3  #: a place where the line crosses an end: feature 0 at own length 0, 1 at length L
    SHADOW = 4  #: a column at which the fan's shadow of face `feature` ends
    GAP = 5  #: an end that lies between two lines; feature as for END


#: both kinds that tell where an end of the block lies
ENDS = (Kind.END, Kind.GAP)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Observations:
    """Columns of equal length; head and run count heads and passes in the fit's order.

    column_px and row_px are on the whole sensor, travel is in counts since the pass's first line.
    u is the standard uncertainty: px of row for BELT and SURFACE, px of column for SIDE and
    SHADOW, counts for END and GAP. n is how many columns and lines were averaged.
    """

    kind: Integers
    head: Integers
    run: Integers
    feature: Integers
    column_px: Floats
    row_px: Floats
    travel: Floats
    u: Floats
    n: Integers

    def __len__(self) -> int:
        return int(self.kind.size)

    def where(self, mask: npt.NDArray[np.bool_]) -> "Observations":
        """Give the observations that a mask selects."""
        return Observations(**{f.name: getattr(self, f.name)[mask] for f in fields(self)})

    @staticmethod
    def join(parts: list["Observations"]) -> "Observations":
        """Put tables end to end."""
        return Observations(
            **{
                f.name: np.concatenate([getattr(part, f.name) for part in parts])
                for f in fields(Observations)
            }
        )

    @staticmethod
    def of(
        kind: Kind, head: int, run: int, feature: npt.ArrayLike, column_px: npt.ArrayLike,
        row_px: npt.ArrayLike, travel: npt.ArrayLike, u: npt.ArrayLike, n: npt.ArrayLike,
    ) -> "Observations":  # fmt: skip
        """Make a table of one kind, head and pass; scalars are repeated."""
        columns = np.atleast_1d(np.asarray(column_px, dtype=np.float64))

        def full(value: npt.ArrayLike, dtype: type) -> npt.NDArray[Any]:
            return np.array(np.broadcast_to(np.asarray(value, dtype=dtype), columns.shape))

        return Observations(
            kind=full(int(kind), np.int64),
            head=full(head, np.int64),
            run=full(run, np.int64),
            feature=full(feature, np.int64),
            column_px=columns,
            row_px=full(row_px, np.float64),
            travel=full(travel, np.float64),
            u=full(u, np.float64),
            n=full(n, np.int64),
        )

    def to_file(self) -> dict[str, list[Any]]:
        """Give plain lists, rounded well below the noise."""
        digits = {"column_px": 5, "row_px": 5, "travel": 4, "u": 6}
        return {
            f.name: np.round(getattr(self, f.name), digits.get(f.name, 0)).tolist()
            for f in fields(self)
        }

    @staticmethod
    def from_file(content: dict[str, list[Any]]) -> "Observations":
        """Rebuild the table from a calibration file."""

        def whole(name: str) -> Integers:
            return np.array(content[name], dtype=np.int64)

        def real(name: str) -> Floats:
            return np.array(content[name], dtype=np.float64)

        return Observations(
            kind=whole("kind"),
            head=whole("head"),
            run=whole("run"),
            feature=whole("feature"),
            column_px=real("column_px"),
            row_px=real("row_px"),
            travel=real("travel"),
            u=real("u"),
            n=whole("n"),
        )
