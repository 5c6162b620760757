"""Reflectance response: how the brightness of one surface varies over columns and heights."""

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.find_block import FoundBlock
from geomscan.commissioning.model import Model
from geomscan.commissioning.pass_lines import PassLines
from geomscan.scanner.response import Response

__all__ = ["fit_response"]

Floats = npt.NDArray[np.float64]

_COLUMN_TERMS = 3


def fit_response(
    model: Model, values: Floats, head: int, passes: list[tuple[PassLines, FoundBlock]]
) -> Response | None:
    """Fit ln(brightness) of belt and block by a polynomial in column and a line in height.

    Belt and block are each taken to be of one shade; exposure and laser power are divided out where
    every pass recorded them. None where no brightness was recorded.
    """
    rows: list[Floats] = []
    logs: list[Floats] = []
    exposure = _all_known([lines.exposure_us for lines, _ in passes])
    power = _all_known([lines.laser_power for lines, _ in passes])
    columns = passes[0][0].sensor_size[0]
    for lines, found in passes:
        gain = np.log(
            (lines.exposure_us / exposure if exposure else 1.0)
            * (lines.laser_power / power if power else 1.0)
        )
        size = lines.row_px.size
        column = np.tile(lines.column_px, lines.row_px.shape[0])
        _, z = model.plane(values, np.full(size, head), column, lines.row_px.reshape(-1))
        z = z.reshape(lines.row_px.shape)
        light = np.where(np.isfinite(lines.row_px) & ~lines.clipped, lines.brightness, np.nan)
        bare = np.zeros(light.shape, dtype=bool)
        bare[found.bare] = True
        on_block = (z > 2) & ~bare
        for block, mask in ((0.0, bare), (1.0, on_block)):
            part = np.where(mask, light, np.nan)
            seen = np.count_nonzero(np.isfinite(part), axis=0) > 10
            if not seen.any():
                continue
            height = np.nanmedian(np.where(mask & np.isfinite(light), z, np.nan)[:, seen], axis=0)
            level = np.nanmedian(part[:, seen], axis=0)
            if not (level > 0).all() or np.ptp(level) == 0:
                return None
            u = (lines.column_px[seen] - (columns - 1) / 2) / (columns / 2)
            shade = np.full(u.size, block)
            terms = [
                1 - shade,
                shade,
                *(u ** (i + 1) for i in range(_COLUMN_TERMS)),
                height * shade,
            ]
            rows.append(np.stack(terms, axis=1))
            logs.append(np.log(level) - gain)
    a, b = np.concatenate(rows), np.concatenate(logs)
    weight = np.ones(b.size)
    solution: Floats = np.zeros(a.shape[1])
    for _ in range(5):
        solution = np.asarray(
            np.linalg.lstsq(a * weight[:, None], b * weight, rcond=None)[0], dtype=np.float64
        )
        left = b - a @ solution
        spread = max(1.4826 * float(np.median(np.abs(left))), 1e-6)
        weight = (np.abs(left) < 4 * spread).astype(float)
    return Response(
        sensor_columns=columns,
        column_terms=solution[2 : 2 + _COLUMN_TERMS],
        height_per_mm=float(solution[-1]),
        exposure_us=exposure,
        laser_power=power,
    )


def _all_known(values: list[float]) -> float | None:
    return float(np.median(values)) if np.isfinite(values).all() else None
