"""What the light says of a piece's surface: usable cells, log of reflectance, slope, filling."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from geomscan.errors import InputError
from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.settings import TissueSettings

__all__ = ["Surface", "fill_from_neighbours", "read_surface", "smooth_inside"]

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

#: Slope is taken over this scale: above the thickness noise of a cell, below the lobes of a piece.
SLOPE_SCALE_MM = 1.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Surface:
    """One piece's surface, every array (n_x, n_y).

    inside: the piece is there; usable: its light can be trusted (seen, no glare, not too steep);
    log_light: natural logarithm of the reflectance, of its inverse where fat is the darker class,
    0 where not usable; slope_x, slope_y: rise of the surface, mm/mm.
    """

    inside: Mask
    usable: Mask
    log_light: Floats
    slope_x: Floats
    slope_y: Floats
    y_mm: Floats
    x_mm: Floats
    cell_mm: float

    @property
    def n_unseen(self) -> int:
        """Cells of the piece that take their neighbours' tissue."""
        return int(np.count_nonzero(self.inside & ~self.usable))


def read_surface(piece: PieceMap, settings: TissueSettings) -> Surface:
    """Collect what the tissue steps need from a piece.

    Raises
    ------
    InputError
        If the piece has no reflectance, or maps of differing shapes.
    """
    if piece.reflectance is None:
        msg = f"piece {piece.piece}: expected a reflectance map to tell fat from lean, found none"
        raise InputError(msg)
    shape = piece.thickness_mm.shape
    for name in ("cover", "reflectance", "line_width_px", "shadow", "glare"):
        values = getattr(piece, name)
        if values is not None and values.shape != shape:
            msg = f"piece {piece.piece}: {name}: expected shape {shape}, got {values.shape}"
            raise InputError(msg)
    inside = np.isfinite(piece.thickness_mm) & (piece.cover > 0)
    # beside the piece lies the belt: the rim counts as steep, and its light as doubtful
    height = ndimage.gaussian_filter(
        np.where(inside, piece.thickness_mm, 0.0), SLOPE_SCALE_MM / piece.cell_mm, mode="constant"
    )
    slope_x, slope_y = np.zeros(shape), np.zeros(shape)
    if min(shape) > 1:
        slope_x, slope_y = np.gradient(height, piece.cell_mm)
    light = np.nan_to_num(piece.reflectance, nan=0.0, posinf=0.0, neginf=0.0)
    usable = inside & (light > 0)
    usable &= np.hypot(slope_x, slope_y) < np.tan(np.radians(min(settings.steepest_deg, 89.9)))
    if piece.shadow is not None:
        usable &= piece.shadow == 0
    # slivers of light left at the rim between steep cells and the belt say nothing sure
    usable &= ndimage.binary_opening(usable, np.ones((3, 3)))
    if piece.glare is not None:
        usable &= ~piece.glare
    sign = 1.0 if settings.fat_is == "brighter" else -1.0
    return Surface(
        inside=inside,
        usable=usable,
        log_light=np.where(usable, sign * np.log(np.where(usable, light, 1.0)), 0.0),
        slope_x=slope_x,
        slope_y=slope_y,
        x_mm=np.arange(shape[0])[:, None] * piece.cell_mm + np.zeros(shape),
        y_mm=np.arange(shape[1])[None, :] * piece.cell_mm + np.zeros(shape),
        cell_mm=piece.cell_mm,
    )


def smooth_inside(values: Floats, mask: Mask, sigma_cells: float) -> Floats:
    """Gaussian mean over the masked cells only; where none is near, the nearest cell's mean."""
    if not mask.any():
        return np.zeros_like(values)
    weight = ndimage.gaussian_filter(mask.astype(float), sigma_cells, mode="constant", truncate=3.0)
    total = ndimage.gaussian_filter(
        np.where(mask, values, 0.0), sigma_cells, mode="constant", truncate=3.0
    )
    near = weight > 1e-3
    mean = np.divide(total, weight, out=np.zeros_like(values), where=near)
    return fill_from_neighbours(mean, near)


def fill_from_neighbours(values: Floats, known: Mask) -> Floats:
    """Give each unknown cell the value of the nearest known one."""
    if known.all() or not known.any():
        return values
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(values[tuple(nearest)])
