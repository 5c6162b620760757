"""What the light says of a piece's surface: usable cells, log of reflectance, slope, filling."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.errors import InputError
from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.settings import TissueSettings

__all__ = [
    "Surface",
    "distance_mm",
    "fill_from_neighbours",
    "nearest_cell",
    "read_surface",
    "smooth_inside",
]

Floats = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

#: Slope is taken over this scale: above the thickness noise of a cell, below the lobes of a piece.
SLOPE_SCALE_MM = 1.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Surface:
    """One piece's surface, every array (n_x, n_y).

    inside: the piece is there; usable: its light can be trusted (seen, no glare, not too steep);
    log_light: natural logarithm of the reflectance, of its inverse where fat is the darker class,
    meaningless where not usable; slope_x, slope_y: rise of the surface, mm/mm.
    """

    inside: Mask
    usable: Mask
    log_light: Floats
    slope_x: Floats
    slope_y: Floats
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
    height = smooth(
        np.where(inside, piece.thickness_mm * piece.cover, 0.0).astype(np.float32),
        SLOPE_SCALE_MM / piece.cell_mm,
    )
    seen = inside.copy()
    if piece.shadow is not None:
        seen &= piece.shadow == 0
    steepest = np.tan(np.radians(min(settings.steepest_deg, 89.9)))
    sign = 1.0 if settings.fat_is == "brighter" else -1.0
    usable, log_light, slope_x, slope_y = _read_light(
        height, seen, np.asarray(piece.reflectance), piece.cell_mm, float(steepest), sign
    )
    # slivers of light left at the rim between steep cells and the belt say nothing sure
    usable = open_mask(usable)
    if piece.glare is not None:
        usable &= ~piece.glare
    return Surface(
        inside=inside,
        usable=usable,
        log_light=log_light,
        slope_x=slope_x,
        slope_y=slope_y,
        cell_mm=piece.cell_mm,
    )


@njit(nogil=True, cache=True)
def _read_light(height, seen, light, cell, steepest, sign):  # type: ignore[no-untyped-def]
    """Usable cells, logarithm of their light, and slopes by central differences."""
    n_x, n_y = height.shape
    usable = np.zeros((n_x, n_y), dtype=np.bool_)
    log_light = np.zeros((n_x, n_y), np.float32)
    slope_x = np.zeros((n_x, n_y), np.float32)
    slope_y = np.zeros((n_x, n_y), np.float32)
    for i in range(n_x):
        before, after = max(i - 1, 0), min(i + 1, n_x - 1)
        for j in range(n_y):
            left, right = max(j - 1, 0), min(j + 1, n_y - 1)
            if after > before:
                slope_x[i, j] = (height[after, j] - height[before, j]) / ((after - before) * cell)
            if right > left:
                slope_y[i, j] = (height[i, right] - height[i, left]) / ((right - left) * cell)
            value = light[i, j]
            if not (seen[i, j] and value > 0.0 and value < np.inf):
                continue
            log_light[i, j] = sign * np.log(value)
            usable[i, j] = slope_x[i, j] ** 2 + slope_y[i, j] ** 2 < steepest * steepest
    return usable, log_light, slope_x, slope_y


def smooth(values: Floats, sigma_cells: float) -> Floats:
    """Gaussian mean; beyond the map lies 0."""
    import cv2

    radius = max(1, round(3 * sigma_cells))
    kernel = cv2.getGaussianKernel(2 * radius + 1, sigma_cells)
    return np.asarray(cv2.sepFilter2D(values, -1, kernel, kernel, borderType=cv2.BORDER_CONSTANT))


def open_mask(mask: Mask) -> Mask:
    """Take away what is narrower than three cells; beyond the map lies nothing."""
    import cv2

    square = np.ones((3, 3), np.uint8)
    byte = np.pad(mask.astype(np.uint8), 1)
    return np.asarray(cv2.morphologyEx(byte, cv2.MORPH_OPEN, square)[1:-1, 1:-1], dtype=bool)


def smooth_inside(values: Floats, mask: Mask, sigma_cells: float) -> Floats:
    """Gaussian mean over the masked cells only, 0 where none is near."""
    weight = smooth(mask.astype(np.float64), sigma_cells)
    total = smooth(np.where(mask, values, 0.0), sigma_cells)
    mean = np.zeros_like(values)
    # a thousandth of the kernel still makes a mean; less is rounding
    np.divide(total, weight, out=mean, where=weight > 1e-3)
    return mean


def distance_mm(mask: Mask, cell_mm: float, *, exact: bool = True) -> Floats:
    """Distance from each cell of the mask to the nearest cell outside it, 0 outside.

    Not exact is within 2 % (Borgefors 1986, Computer Vision, Graphics, and Image Processing
    34(3):344, masks of 5 × 5) and several times quicker.
    """
    import cv2

    way = cv2.DIST_MASK_PRECISE if exact else cv2.DIST_MASK_5
    far = cv2.distanceTransform(mask.view(np.uint8), cv2.DIST_L2, way)
    return np.asarray(far * np.float32(cell_mm))


def nearest_cell(known: Mask) -> npt.NDArray[np.intp]:
    """Flat index of the nearest known cell of every cell; at least one must be known."""
    import cv2

    _, labels = cv2.distanceTransformWithLabels(
        (~known).view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    flat = np.flatnonzero(known)
    place = np.zeros(int(labels.max()) + 1, dtype=np.intp)
    place[labels.ravel()[flat]] = flat
    return np.asarray(place[labels])


def fill_from_neighbours(values: Floats, known: Mask) -> Floats:
    """Give each unknown cell the value of the nearest known one."""
    if known.all() or not known.any():
        return values
    return np.asarray(values.ravel()[nearest_cell(known)])
