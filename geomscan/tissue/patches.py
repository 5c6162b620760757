"""Patches of one class: which are tissue, which are shade, glare or dust."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.surface import distance_mm, nearest_cell

__all__ = ["drop_what_is_no_tissue", "label_patches", "otsu_limit", "patch_steps"]

Floats = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]


def otsu_limit(values: Floats, *, n_bins: int = 256) -> float:
    """Limit that splits values into two classes with the greatest variance between them.

    Returns
    -------
    limit : float
        Centre of the last histogram bin of the lower class; values above it are the upper class.

    References
    ----------
    Otsu 1979, IEEE Trans. Systems, Man, Cybernetics 9(1):62, Eq. (18).

    Examples
    --------
    >>> otsu_limit(np.array([1.0, 1.1, 1.2, 3.0, 3.1]), n_bins=10) > 1.1
    True
    """
    low, high = float(values.min()), float(values.max())
    if low == high:
        return low
    counts, edges = np.histogram(values, bins=n_bins, range=(low, high))
    centres = (edges[:-1] + edges[1:]) / 2
    below = np.cumsum(counts)
    above = below[-1] - below
    sum_below = np.cumsum(counts * centres)
    mean_below = sum_below / np.maximum(below, 1)
    mean_above = (sum_below[-1] - sum_below) / np.maximum(above, 1)
    between = below * above.astype(float) * (mean_above - mean_below) ** 2
    return float(centres[np.argmax(between[:-1])])


def label_patches(mask: Mask) -> tuple[npt.NDArray[np.int32], int]:
    """Give connected patches (cells that touch at an edge or a corner) numbers from 1.

    Returns
    -------
    labels : int array of the mask's shape, 0 outside
    n_patches : int
    """
    import cv2

    n_labels, labels = cv2.connectedComponents(
        np.ascontiguousarray(mask, dtype=np.uint8), connectivity=8, ltype=cv2.CV_32S
    )
    return np.asarray(labels, dtype=np.int32), int(n_labels) - 1


def patch_steps(
    labels: npt.NDArray[np.int32],
    n_patches: int,
    values: Floats,
    usable: Mask,
    *,
    cell_mm: float,
) -> Floats:
    """Step of the light across each patch's outline.

    Tissue ends within a millimetre or two; shade, vignetting and colour drift do not. So the mean
    just inside the outline is compared with the mean just outside it.

    Returns
    -------
    step : (n_patches,) array
        Mean of values 0.7 to 3 mm inside the outline less the mean as far outside, NaN where one
        side was not seen.
    """
    patch = labels > 0
    inward_mm = distance_mm(patch, cell_mm)
    outward_mm = distance_mm(~patch, cell_mm)
    owner = labels.ravel()[nearest_cell(patch)]
    near, far = max(0.7, 0.6 * cell_mm), 3.0 + cell_mm
    inner = patch & usable & (inward_mm >= near) & (inward_mm <= far)
    outer = ~patch & usable & (outward_mm >= near) & (outward_mm <= far)

    def mean(ring: Mask) -> Floats:
        at = owner[ring]
        count = np.bincount(at, minlength=n_patches + 1)[1:]
        total = np.bincount(at, weights=values[ring], minlength=n_patches + 1)[1:]
        filled = np.full(n_patches, np.nan)
        np.divide(total, count, out=filled, where=count > 0)
        return filled

    return mean(inner) - mean(outer)


def drop_what_is_no_tissue(
    probability: Floats,
    inside: Mask,
    settings: TissueSettings,
    *,
    cell_mm: float,
    light: Floats | None = None,
    usable: Mask | None = None,
) -> None:
    """Turn over patches that are too small, and fat without a step of the light; in place.

    Parameters
    ----------
    probability : (n_x, n_y) array
        Fat probability; changed.
    inside : (n_x, n_y) bool array
        Where the piece is.
    light : (n_x, n_y) array, optional
        Log light less shading; without it no patch is asked for its step.
    usable : (n_x, n_y) bool array, optional
        Where `light` can be trusted.
    """
    least = float(np.log(settings.least_contrast))
    for fat_side in (True, False):
        mask = inside & ((probability > 0.5) == fat_side)
        labels, n_patches = label_patches(mask)
        if n_patches == 0:
            continue
        # a patch may be cut by the piece's outline: only the other tissue bounds its breadth
        clear_of = ~(inside & ~mask)
        drop = patch_breadths(labels, n_patches, clear_of, cell_mm) < settings.smallest_patch_mm
        if light is not None and usable is not None:
            step = patch_steps(labels, n_patches, light, usable, cell_mm=cell_mm)
            drop |= np.nan_to_num(step if fat_side else -step, nan=0.0) < least
        if drop.any():
            dropped = np.r_[False, drop][labels]
            probability[dropped] = 1 - probability[dropped]
    fat = inside & (probability > 0.5)
    if fat.sum() == inside.sum() or not fat.any():
        only = 0.0 if settings.one_class == "lean" else 1.0
        probability[(probability > 0.5) != (only > 0.5)] = only


def patch_breadths(
    labels: npt.NDArray[np.int32], n_patches: int, clear_of: Mask, cell_mm: float
) -> Floats:
    """Diameter of the largest disc about a cell of each patch that stays in `clear_of`, mm."""
    if clear_of.all():
        return np.full(n_patches, np.inf)
    deepest_mm = _greatest(labels, distance_mm(clear_of, cell_mm, exact=False), n_patches)
    return np.asarray(2 * deepest_mm - cell_mm)


@njit(nogil=True, cache=True)
def _greatest(labels, values, n_patches):  # type: ignore[no-untyped-def]
    """Greatest of the values, none below 0, in each patch."""
    greatest = np.zeros(n_patches + 1)
    n_x, n_y = labels.shape
    for i in range(n_x):
        for j in range(n_y):
            greatest[labels[i, j]] = max(greatest[labels[i, j]], values[i, j])
    return greatest[1:]
