"""Patches of one class: which are tissue, which are shade, glare or dust."""

import numpy as np
import numpy.typing as npt

from geomscan.tissue.surface import distance_mm, nearest_cell

__all__ = ["label_patches", "otsu_limit", "patch_steps"]

Floats = npt.NDArray[np.float64]
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
    other: Mask,
) -> tuple[Floats, Floats]:
    """Step of the light across each patch's outline, and the length that it was seen on.

    Tissue ends within a millimetre or two; shade, vignetting and colour drift do not. So the mean
    just inside the outline is compared with the mean just outside it.

    Returns
    -------
    step : (n_patches,) array
        Mean of values 0.7 to 3 mm inside the outline less the mean as far outside, NaN where one
        side was not seen.
    broad_mm : (n_patches,) array
        Diameter of the largest disc about a cell of the patch that keeps clear of `other`.
    """
    patch = labels > 0
    inward_mm = distance_mm(~other, cell_mm)
    deepest = np.zeros(n_patches + 1)
    np.maximum.at(deepest, labels[patch], inward_mm[patch])
    broad_mm: Floats = 2 * deepest[1:] - cell_mm
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

    return mean(inner) - mean(outer), broad_mm
