"""Where a model expects points of the block on the sensor."""

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.assemble import head_model
from geomscan.commissioning.model import Model

__all__ = ["Predictor"]

Floats = npt.NDArray[np.float64]


class Predictor:
    """The model so far, turned round: block points to sensor positions of one head in one pass."""

    def __init__(self, model: Model, values: Floats, *, head: int, run: int) -> None:
        self.model, self.values, self.run = model, values, run
        self.head = head_model(model, values, model.heads[head])
        laser = model.lasers[head]
        self.tilt, self.skew = (
            float(np.tan(np.radians(values[model.index[f"sheet.{laser}.{what}_deg"]])))
            for what in ("tilt", "skew")
        )
        at = model.index.get(f"sheet.{laser}.offset_mm", -1)
        self.offset = float(values[at]) if at >= 0 else 0.0
        self.per_count = float(values[model.index["belt.mm_per_count"]])

    def pixel(
        self, across: npt.ArrayLike, up: npt.ArrayLike, travel: npt.ArrayLike
    ) -> tuple[Floats, Floats]:
        """Column and row where the sheet meets a line (across, up) of the block (broadcast)."""
        return self.at(self.along(across, up, travel), across, up)

    def along(self, across: npt.ArrayLike, up: npt.ArrayLike, travel: npt.ArrayLike) -> Floats:
        """Length of the block at which the sheet meets a line (across, up) of it (broadcast)."""
        model, values = self.model, self.values
        across, up, travel = np.broadcast_arrays(
            *(np.asarray(v, dtype=np.float64) for v in (across, up, travel))
        )
        run = np.full(across.shape, self.run)
        along = np.full(across.shape, model.block.length_mm / 2)
        for _ in range(3):  # the yaw is small: each turn gains a factor of ten or more
            y, z = model.to_sheet(values, run, along, across, up)
            x = self.per_count * travel + self.offset + z * self.tilt + y * self.skew
            along = model.to_block(values, run, x, y, z)[0]
        return np.asarray(along)

    def at(
        self, along: npt.ArrayLike, across: npt.ArrayLike, up: npt.ArrayLike
    ) -> tuple[Floats, Floats]:
        """Column and row on which a point of the block is seen when the sheet stands over it."""
        along, across, up = np.broadcast_arrays(
            *(np.asarray(v, dtype=np.float64) for v in (along, across, up))
        )
        run = np.full(across.shape, self.run)
        return self.head.from_plane(*self.model.to_sheet(self.values, run, along, across, up))
