"""What is compiled, loaded before a planner waits for the first piece."""

from functools import cache

import numpy as np

from geomscan.shape.belt_zero import BeltZero, LocalZero
from geomscan.shape.budget import CalibrationErrors
from geomscan.shape.components import Components
from geomscan.shape.fuse import FUSED
from geomscan.shape.geometry import HeadGeometry
from geomscan.shape.piece import PieceFrame, finish_pieces
from geomscan.shape.settings import EdgeSettings

__all__ = ["make_ready"]

_CELL_MM = 0.5


@cache
def make_ready() -> None:
    """Finish two made-up domes that touch, seen by two heads, once in a process.

    Loading compiled code takes twenty times as long as finishing a piece.
    """
    x, y = np.arange(110.0)[:, None], np.arange(64.0)[None, :]
    height = np.zeros((110, 64), dtype=np.float32)
    for middle in (30.0, 78.0):
        square = 1.0 - ((x - middle) ** 2 + (y - 31.5) ** 2) / 26.0**2
        height = np.maximum(height, 12.0 * np.sqrt(np.maximum(square, 0.0)).astype(np.float32))
    channel = {name: k for k, name in enumerate(FUSED)}
    rows = np.zeros((110, 70, len(FUSED)), dtype=np.float32)
    rows[:, 3:-3, channel["height"]] = height
    rows[:, :, channel["cover"]] = 1.0
    rows[100:104, :, channel["cover"]] = 0.0
    rows[:, 6:9, channel["unlit"]] = 0.5
    bare = np.zeros((1, 64), dtype=np.float32), np.ones((1, 64), dtype=np.bool_)
    BeltZero(64).around(slice(0, 1), slice(0, 64), first=0, last=bare)
    regions = Components(64)
    regions.add(height > 0.3, height)
    regions.close(regions.open()[0])
    finish_pieces(
        PieceFrame(
            rows=rows[:, 3:-3],
            own=height > 0.3,
            mine=np.ones(height.shape, dtype=np.bool_),
            zero=LocalZero(
                level_mm=np.zeros(64), drift_mm=np.zeros(110), u_zero_mm=0.01, bare_share=1.0
            ),
            x_first_mm=0.0, y_first_mm=0.0, cell_mm=_CELL_MM, line_pitch_mm=_CELL_MM,
            column_pitch_mm=_CELL_MM, noise_mm=0.02, sight=(0.7, 0.7), tan_tilt=0.0, n_heads=2,
        ),
        lanes=((0.0, 32.0),), flags=frozenset(), errors=CalibrationErrors({"": HeadGeometry()}),
        edge=EdgeSettings(),
    )  # fmt: skip
