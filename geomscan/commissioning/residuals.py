"""Residual figures: what single rows leave, and what the averages leave."""

from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.assemble import head_model
from geomscan.commissioning.find_block import FoundBlock
from geomscan.commissioning.fit import Fit
from geomscan.commissioning.gather import Noise
from geomscan.commissioning.observations import Kind
from geomscan.commissioning.pass_lines import PassLines

__all__ = ["residual_figures", "row_residuals"]

Floats = npt.NDArray[np.float64]


def row_residuals(
    fit: Fit, lines: PassLines, found: FoundBlock, *, head: int, run: int
) -> tuple[Floats, Floats]:
    """Give every single row's residual, px: belt, block; (n_lines, n_columns), NaN = neither."""
    model, values = fit.model, fit.values
    own = head_model(model, values, model.heads[head])
    columns = np.broadcast_to(lines.column_px, lines.row_px.shape)
    y, z = own.to_plane(columns, lines.row_px)
    middle = float(np.nanmedian(lines.row_px))
    _, _, _, per_row = own.mm_per_px(lines.column_px, np.full(lines.column_px.size, middle))
    belt = np.where(found.bare[:, None], z, np.nan) / np.abs(per_row)
    belt[np.abs(belt) > 1.5] = np.nan
    laser = model.lasers[head]
    tilt, skew = (
        np.tan(np.radians(values[model.index[f"sheet.{laser}.{w}_deg"]])) for w in ("tilt", "skew")
    )
    at = model.index.get(f"sheet.{laser}.offset_mm", -1)
    x = values[model.index["belt.mm_per_count"]] * lines.travel[:, None] + z * tilt + y * skew
    x = x + (values[at] if at >= 0 else 0.0)
    runs = np.full(x.size, run)
    flat = (v.reshape(-1) for v in (x, y, z))
    along, across, up = (v.reshape(x.shape) for v in model.to_block(values, runs, *flat))
    scale = model.scale[run]
    profile = model.profile(values) * scale
    block = np.full(x.shape, np.nan)
    margin = 1.5
    inside = (along > margin) & (along < model.block.length_mm - margin)
    for (a0, h0), (a1, h1) in pairwise(profile):
        if a1 - a0 < 2 * margin or (h0 <= 0 and h1 <= 0):
            continue
        on = inside & (across > a0 + margin) & (across < a1 - margin)
        left = up - (h0 + (across - a0) / (a1 - a0) * (h1 - h0))
        _, _, _, here = own.mm_per_px(columns[on], lines.row_px[on])
        block[on] = left[on] / np.abs(here)
    block[np.abs(block) > 1.5] = np.nan
    return belt, block


def residual_figures(
    fit: Fit,
    lines: dict[tuple[int, int], PassLines],
    found: dict[tuple[int, int], FoundBlock],
    noise: dict[tuple[int, int], Noise],
) -> dict[str, Any]:
    """Figures by head and overall, as the calibration file and the command give them."""
    obs, keep = fit.observations, fit.weight > 0
    heads: dict[str, Any] = {}
    for h, name in enumerate(fit.model.heads):
        runs = [r for head, r in lines if head == h]
        square, n, noise_square = 0.0, 0, 0.0
        for r in runs:
            own_noise = noise[h, r]
            for left, level in zip(
                row_residuals(fit, lines[h, r], found[h, r], head=h, run=r),
                (own_noise.belt_px, own_noise.block_px), strict=True,
            ):  # fmt: skip
                seen = left[np.isfinite(left)]
                square += float(seen @ seen)
                n += seen.size
                noise_square += seen.size * level**2
        own = (obs.head == h) & keep
        heads[name] = {
            "row_rms_px": float(np.sqrt(square / max(n, 1))),
            "row_noise_px": float(np.sqrt(noise_square / max(n, 1))),
            "n_rows": n,
            "height_rms_mm": _rms(fit.residual_mm[own & (obs.kind == Kind.SURFACE)]),
            "belt_rms_mm": _rms(fit.residual_mm[own & (obs.kind == Kind.BELT)]),
            "across_rms_mm": _rms(fit.residual_mm[own & (obs.kind == Kind.SIDE)]),
        }
    return {
        "heads": heads,
        "height_rms_mm": _rms(fit.residual_mm[keep & (obs.kind == Kind.SURFACE)]),
        "across_rms_mm": _rms(fit.residual_mm[keep & (obs.kind == Kind.SIDE)]),
        "n_observations": len(obs),
        "n_outliers": int(np.count_nonzero(~keep)),
        "excess": fit.excess,
    }


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else float("nan")
