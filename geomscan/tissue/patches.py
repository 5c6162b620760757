"""Patches of one class: which are tissue, which are shade, glare or dust."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.surface import Surface, distance_mm, nearest_cell

__all__ = [
    "drop_what_is_no_tissue",
    "follows_slope",
    "keep_one_class",
    "label_patches",
    "otsu_limit",
    "patch_steps",
]

#: A patch this long and narrower than what is claimed does not exist: larger areas aren't asked.
LONGEST_MM = 400.0
#: Light across a patch's outline is compared over this distance.
ACROSS_MM = 2.5
#: Moist tissue isn't quite matt: its light goes with a power of the shade of a matt surface that is
#: 1 with this standard uncertainty (a judgement, no source).
U_EXPONENT = 0.2

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
    usable: Mask,
    light: Floats | None = None,
) -> None:
    """Turn over patches that are too small, and fat without a step of the light; in place.

    A patch counts by what was seen of it: its largest disc must be about a cell that was.

    Parameters
    ----------
    probability : (n_x, n_y) array
        Fat probability; changed.
    inside : (n_x, n_y) bool array
        Where the piece is.
    usable : (n_x, n_y) bool array
        Where the light can be trusted.
    light : (n_x, n_y) array, optional
        Log light less shading; without it no patch is asked for its step.
    """
    least = float(np.log(settings.least_contrast))
    for fat_side in (True, False):
        mask = inside & ((probability > 0.5) == fat_side)
        labels, boxes = _patches_and_boxes(mask)
        n_patches = len(boxes)
        if n_patches == 0:
            continue
        # a patch may be cut by the piece's outline: only the other tissue bounds its breadth
        clear_of = ~(inside & ~mask)
        drop = np.zeros(n_patches, dtype=bool)
        for k, box in enumerate(boxes):
            if box[4] * cell_mm**2 < LONGEST_MM * settings.smallest_patch_mm:
                breadth_mm = _breadth(labels, k + 1, box, clear_of, usable, settings, cell_mm)
                drop[k] = breadth_mm < settings.smallest_patch_mm
        if light is not None:
            step = patch_steps(labels, n_patches, light, usable, cell_mm=cell_mm)
            drop |= np.nan_to_num(step if fat_side else -step, nan=0.0) < least
        if drop.any():
            dropped = np.r_[False, drop][labels]
            probability[dropped] = 1 - probability[dropped]
    fat = inside & (probability > 0.5)
    if fat.sum() == inside.sum() or not fat.any():
        only = 0.0 if settings.one_class == "lean" else 1.0
        probability[(probability > 0.5) != (only > 0.5)] = only


def keep_one_class(
    probability: Floats, inside: Mask, usable: Mask, settings: TissueSettings
) -> None:
    """Let a piece that shows one class only be of it where it was not seen, too; in place."""
    only = np.float32(0.0 if settings.one_class == "lean" else 1.0)
    if not ((probability[usable] > 0.5) != (only > 0.5)).any():
        probability[inside & ~usable] = only


def follows_slope(probability: Floats, surface: Surface, settings: TissueSettings) -> Mask | None:
    """Patches of fat whose light may be the shade of a face that is tilted otherwise.

    The shade that was taken off for the slope is known but for its exponent. From the step of the
    light across a patch's outline goes what two standard uncertainties of the exponent explain by
    the change of shade there; where less than the least contrast of the settings is left of it,
    nothing tells fat from lean.

    Returns
    -------
    doubtful : (n_x, n_y) bool array or None
        None where there is no such patch.
    """
    labels, n_patches = label_patches(surface.inside & (probability > 0.5))
    if n_patches == 0:
        return None
    left = _step_left(
        labels,
        n_patches,
        surface.usable,
        surface.log_light,
        surface.log_shade,
        max(2, round(ACROSS_MM / surface.cell_mm)),
        np.float32(2 * U_EXPONENT),
    )
    in_doubt = left < np.log(settings.least_contrast)
    return np.r_[False, in_doubt][labels] if in_doubt.any() else None


@njit(nogil=True, cache=True)
def _step_left(labels, n_patches, usable, light, shade, d, explained):  # type: ignore[no-untyped-def]
    """Mean over each patch's outline of the light's step, d cells across, that shade can't explain.

    Infinity where no part of the outline was seen.
    """
    n = np.zeros(n_patches + 1)
    left = np.zeros(n_patches + 1)
    n_x, n_y = labels.shape
    half = d // 2
    for i in range(n_x):
        for j in range(n_y):
            k = labels[i, j]
            if k == 0 or not usable[i, j]:
                continue
            for side in range(4):
                a, b = ((1, 0), (-1, 0), (0, 1), (0, -1))[side]
                p, q = i + a * d, j + b * d
                if not (0 <= p < n_x and 0 <= q < n_y):
                    continue
                # the outline lies in the middle: fat on this side of it, lean beyond
                if labels[i + a * half, j + b * half] != k or labels[p, q] != 0:
                    continue
                if labels[i + a * (half + 1), j + b * (half + 1)] != 0 or not usable[p, q]:
                    continue
                n[k] += 1
                left[k] += light[i, j] - light[p, q] - explained * abs(shade[i, j] - shade[p, q])
    for k in range(n_patches + 1):
        left[k] = left[k] / n[k] if n[k] > 0 else np.inf
    return left[1:]


def _patches_and_boxes(mask: Mask) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
    """Label patches; first x, first y, extents along x and y and area of each, in cells."""
    import cv2

    _, labels, stats, _ = cv2.connectedComponentsWithStats(
        mask.view(np.uint8), connectivity=8, ltype=cv2.CV_32S
    )
    return np.asarray(labels, dtype=np.int32), np.asarray(stats[1:, [1, 0, 3, 2, 4]])


def _breadth(
    labels: npt.NDArray[np.int32],
    name: int,
    box: npt.NDArray[np.int32],
    clear_of: Mask,
    seen: Mask,
    settings: TissueSettings,
    cell_mm: float,
) -> float:
    """Breadth of one patch as `patch_breadths` finds it, from its surroundings only."""
    margin = int(settings.smallest_patch_mm / cell_mm) + 2
    (i, j), (n, m) = np.maximum(box[:2] - margin, 0), box[:2] + box[2:4] + margin
    part = np.s_[i:n, j:m]
    own = np.where(labels[part] == name, np.int32(1), np.int32(0))
    clear, usable = np.ascontiguousarray(clear_of[part]), np.ascontiguousarray(seen[part])
    return float(patch_breadths(own, 1, clear, usable, cell_mm)[0])


def patch_breadths(
    labels: npt.NDArray[np.int32], n_patches: int, clear_of: Mask, seen: Mask, cell_mm: float
) -> Floats:
    """Diameter of the largest disc about a seen cell of each patch that stays in `clear_of`, mm."""
    if clear_of.all():
        return np.full(n_patches, np.inf)
    deepest_mm = _greatest(labels, distance_mm(clear_of, cell_mm, exact=False), seen, n_patches)
    return np.asarray(2 * deepest_mm - cell_mm)


@njit(nogil=True, cache=True)
def _greatest(labels, values, seen, n_patches):  # type: ignore[no-untyped-def]
    """Greatest of the values, none below 0, of the seen cells of each patch."""
    greatest = np.zeros(n_patches + 1)
    n_x, n_y = labels.shape
    for i in range(n_x):
        for j in range(n_y):
            if seen[i, j]:
                greatest[labels[i, j]] = max(greatest[labels[i, j]], values[i, j])
    return greatest[1:]
