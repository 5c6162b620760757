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

#: Heights are smoothed over this (standard deviation), and slopes taken over twice REACH_MM: above
#: the thickness noise of a cell, below the lobes of a piece.
SMOOTHING_MM, REACH_MM = 0.4, 1.0
#: Heights that bend by less than this over REACH_MM are straight: their noise bends them so.
STRAIGHT_MM = 0.1
#: Fits leave steeper cells out, and cells whose slope changes more quickly (per mm): there shading
#: is large, or less well known.
STEEPEST_FITTED, SHARPEST_FITTED = 1.5, 0.15
#: Light of surface seen so grazingly that it is weaker than this against a level one isn't used:
#: there an error of the slope of 0.05 changes it by half.
LEAST_SHADE = 0.1


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Surface:
    """One piece's surface, every array (n_x, n_y).

    inside: the piece is there; usable: its light can be trusted (seen, no glare, not too steep);
    gentle: usable, and neither steep nor near an edge, where shade is less well known;
    log_shade: natural logarithm of the light that a matt surface of this slope sends back, against
    a level one; log_light: logarithm of the reflectance less that, meaningless where not usable;
    both of the inverse where fat is the darker class; slope_x, slope_y: rise of the surface, mm/mm.
    sight_known: log_shade follows from where the cameras and the light are; where False it is only
    that of a surface seen from above.
    """

    inside: Mask
    usable: Mask
    gentle: Mask
    log_light: Floats
    log_shade: Floats
    slope_x: Floats
    slope_y: Floats
    cell_mm: float
    sight_known: bool

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

    Notes
    -----
    The light of a line is summed over its width, and all of it falls on the surface however that
    is tilted: what tilting changes is what a matt surface sends towards the camera, the cosine
    between its normal and the line of sight (Lambert 1760, Photometria), and how much of the fan
    falls on what one camera column sees. Two heads are fused weighing light by itself.
    """
    import cv2

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
    height = np.where(inside, piece.thickness_mm * piece.cover, 0.0).astype(np.float32)
    reach = max(1, round(REACH_MM / piece.cell_mm))
    m = 2 * reach
    height = cv2.copyMakeBorder(
        smooth(height, SMOOTHING_MM / piece.cell_mm), m, m, m, m, cv2.BORDER_CONSTANT
    )
    seen = inside if piece.shadow is None else inside & (piece.shadow == 0)
    slope_x, slope_y, steep2, bend2 = _slopes(height, reach, np.float32(reach * piece.cell_mm))
    sight = piece.sight
    shade = _shade(
        height[m:-m, m:-m],
        slope_x,
        slope_y,
        np.float32(piece.cell_mm),
        np.float32(piece.y_first_mm),
        np.array(sight.viewpoints_mm if sight else (), dtype=np.float32).reshape(-1, 3),
        np.array(sight.fan_mm if sight else (0.0, 1.0), dtype=np.float32),
    )
    steepest = np.tan(np.radians(min(settings.steepest_deg, 89.9)))
    usable, gentle, light = _read_light(
        seen,
        np.asarray(piece.reflectance, dtype=np.float32),
        shade,
        steep2,
        bend2,
        np.float32(steepest * steepest),
    )
    # slivers of light left at the rim between steep cells and the belt say nothing sure
    usable = open_mask(usable)
    if piece.glare is not None:
        usable &= ~piece.glare
    sign = np.float32(1 if settings.fat_is == "brighter" else -1)
    return Surface(
        inside=inside,
        usable=usable,
        gentle=gentle & usable,
        log_light=np.asarray(cv2.log(light)) * sign,
        log_shade=np.asarray(cv2.log(shade)) * sign,
        slope_x=slope_x,
        slope_y=slope_y,
        cell_mm=piece.cell_mm,
        sight_known=sight is not None,
    )


@njit(nogil=True, cache=True, fastmath=True)
def _uncrossed(first, near, twice, far, last, least):  # type: ignore[no-untyped-def]
    """Rise over one reach that crosses no edge, from heights two reaches to either side.

    Of the rises to one side, to the other and over both, those count whose heights lie straight
    (weights of Jiang & Shu 1996, J. Computational Physics 126:202).
    """
    here = np.float32(0.5) * twice
    both, before, after = near + far - twice, first + here - near - near, last + here - far - far
    b0, b1, b2 = least + both * both, least + before * before, least + after * after
    w0, w1, w2 = b1 * b2, b0 * b2, b0 * b1
    w0, w1, w2 = w0 * w0, w1 * w1, w2 * w2
    rise = w0 * (far - near) + w1 * (here - near) + w2 * (far - here)
    return rise / (w0 + w0 + w1 + w2)


@njit(nogil=True, cache=True, fastmath=True)
def _slopes(height, reach, reach_mm):  # type: ignore[no-untyped-def]
    """Slopes that don't run over edges; square of the steepness over ± reach, and of the bend.

    Steepness is taken over both sides: beside the piece lies the belt, the rim counts as steep, and
    its light as doubtful.
    """
    m = 2 * reach
    n_x, n_y = height.shape[0] - 2 * m, height.shape[1] - 2 * m
    slope_x = np.empty((n_x, n_y), np.float32)
    slope_y = np.empty((n_x, n_y), np.float32)
    steep2 = np.empty((n_x, n_y), np.float32)
    bend2 = np.empty((n_x, n_y), np.float32)
    quarter, eighth = np.float32(0.25), np.float32(0.125)
    least = np.float32(STRAIGHT_MM * STRAIGHT_MM)
    inverse = np.float32(1) / reach_mm
    inverse2 = inverse * inverse
    for i in range(n_x):
        # rows as slices and short loops: so compilers run them on whole vectors
        row, near, far = height[i + m], height[i + reach], height[i + m + reach]
        middle = row[m : m + n_y]
        x0, x1 = height[i, m : m + n_y], near[m : m + n_y]
        x3, x4 = far[m : m + n_y], height[i + 2 * m, m : m + n_y]
        out = slope_x[i]
        for j in range(n_y):
            twice = middle[j] + middle[j]
            out[j] = inverse * _uncrossed(x0[j], x1[j], twice, x3[j], x4[j], least)
        y0, y1 = row[:n_y], row[reach : reach + n_y]
        y3, y4 = row[m + reach : m + reach + n_y], row[2 * m : 2 * m + n_y]
        out = slope_y[i]
        for j in range(n_y):
            twice = middle[j] + middle[j]
            out[j] = inverse * _uncrossed(y0[j], y1[j], twice, y3[j], y4[j], least)
        out = steep2[i]
        for j in range(n_y):
            along, across = x3[j] - x1[j], y3[j] - y1[j]
            out[j] = quarter * (along * along + across * across) * inverse2
        a0, a1 = near[reach:], near[m + reach :]
        c0, c1 = far[reach:], far[m + reach :]
        out = bend2[i]
        for j in range(n_y):
            twist = c1[j] - c0[j] - a1[j] + a0[j]
            out[j] = eighth * twist * twist
        for j in range(n_y):
            twice = middle[j] + middle[j]
            bend_x, bend_y = x1[j] + x3[j] - twice, y1[j] + y3[j] - twice
            out[j] = (out[j] + bend_x * bend_x + bend_y * bend_y) * inverse2 * inverse2
    return slope_x, slope_y, steep2, bend2


@njit(nogil=True, cache=True, fastmath=True)
def _shade(height, slope_x, slope_y, cell, y_first, views, fan):  # type: ignore[no-untyped-def]
    """Light that a matt surface sends back, against a level one at the same place."""
    n_x, n_y = slope_x.shape
    shade = np.empty((n_x, n_y), np.float32)
    total, square = np.empty(n_y, np.float32), np.empty(n_y, np.float32)
    zero, one, least = np.float32(0), np.float32(1), np.float32(1e-6)
    for i in range(n_x):
        total[:] = square[:] = zero
        for k in range(len(views)):
            x_view, y_view, z_view = views[k, 0], views[k, 1], views[k, 2]
            for j in range(n_y):
                off = y_first + np.float32(j) * cell - y_view
                above = z_view - height[i, j]
                s_y = slope_y[i, j]
                towards = one + (off * s_y - x_view * slope_x[i, j]) / above
                # a tilt across turns more of the belt's width into one camera column
                column = one + off * z_view / (x_view * x_view + z_view * above) * s_y
                part = max(towards, zero) / max(column, np.float32(0.2))
                total[j] += part
                square[j] += part * part
        for j in range(n_y):
            s_x, s_y = slope_x[i, j], slope_y[i, j]
            back = one
            if len(views) > 0:
                y = y_first + np.float32(j) * cell
                spread = one + (y - fan[0]) / (fan[1] - height[i, j]) * s_y
                back = max(spread, zero) * square[j] / max(total[j], least)
            back /= np.sqrt(one + s_x * s_x + s_y * s_y)
            shade[i, j] = max(back, np.float32(LEAST_SHADE))
    return shade


@njit(nogil=True, cache=True)
def _read_light(seen, light, shade, steep2, bend2, steepest2):  # type: ignore[no-untyped-def]
    """Usable cells, gentle ones, and light over shade, 1 where not usable."""
    n_x, n_y = light.shape
    usable = np.empty((n_x, n_y), np.bool_)
    gentle = np.empty((n_x, n_y), np.bool_)
    flat = np.empty((n_x, n_y), np.float32)
    zero, one, most = np.float32(0), np.float32(1), np.float32(np.inf)
    least = np.float32(LEAST_SHADE)
    gentle2 = np.float32(STEEPEST_FITTED * STEEPEST_FITTED)
    straight2 = np.float32(SHARPEST_FITTED * SHARPEST_FITTED)
    for i in range(n_x):
        for j in range(n_y):
            value = light[i, j]
            ok = seen[i, j] & (value > zero) & (value < most)
            ok = ok & (steep2[i, j] < steepest2) & (shade[i, j] > least)
            usable[i, j] = ok
            gentle[i, j] = ok & (steep2[i, j] < gentle2) & (bend2[i, j] < straight2)
            flat[i, j] = value / shade[i, j] if ok else one
    return usable, gentle, flat


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
