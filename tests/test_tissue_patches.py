"""Limits, patches and outlines against scikit-image, scikit-learn and shapes known by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.filters import threshold_otsu
from skimage.measure import label
from sklearn.metrics import roc_auc_score, roc_curve
from sklearn.mixture import GaussianMixture

from geomscan.tissue.mixture import fit_two_gaussians
from geomscan.tissue.patches import (
    drop_what_is_no_tissue,
    label_patches,
    otsu_limit,
    patch_breadths,
    patch_steps,
)
from geomscan.tissue.separability import area_under_curve, best_limit
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.surface import distance_mm, fill_from_neighbours, smooth_inside


def two_classes(seed: int, n: int = 4000) -> np.ndarray:
    rng = np.random.default_rng(seed)
    lean = rng.normal(-1.6, rng.uniform(0.05, 0.15), n)
    fat = rng.normal(-1.0, rng.uniform(0.05, 0.15), n // int(rng.integers(2, 9)))
    return np.concatenate([lean, fat])


@pytest.mark.parametrize("seed", range(8))
def test_otsu_limit_is_that_of_scikit_image(seed: int) -> None:
    """Reference: skimage.filters.threshold_otsu on the same values."""
    values = two_classes(seed)

    assert otsu_limit(values) == pytest.approx(threshold_otsu(values, nbins=256), rel=1e-12)


def test_otsu_of_one_value() -> None:
    assert otsu_limit(np.full(7, 0.3)) == 0.3


@given(st.integers(0, 10_000), st.floats(0.02, 0.9))
def test_patches_are_those_of_scikit_image(seed: int, density: float) -> None:
    """Reference: skimage.measure.label with connectivity 2 parts the mask in the same way."""
    mask = np.random.default_rng(seed).random((17, 23)) < density
    ours, n = label_patches(mask)
    theirs = label(mask, connectivity=2)

    assert n == theirs.max()
    assert np.array_equal(ours > 0, theirs > 0)
    assert len({*zip(ours[mask].tolist(), theirs[mask].tolist(), strict=True)}) == n


@pytest.mark.parametrize("seed", range(6))
def test_mixture_is_that_of_scikit_learn(seed: int) -> None:
    """Reference: sklearn.mixture.GaussianMixture, run to the same likelihood."""
    values = two_classes(seed)
    weights, means, sds = fit_two_gaussians(values, n_iterations=2000, tolerance=1e-12)
    theirs = GaussianMixture(
        2, tol=1e-12, max_iter=5000, reg_covar=1e-12, means_init=[[-1.6], [-1.0]]
    ).fit(values[:, None])
    order = np.argsort(theirs.means_.ravel())

    # both stop near the same maximum; 1e-4 of the distance of the classes is far below any use
    assert means == pytest.approx(theirs.means_.ravel()[order], abs=6e-5)
    assert sds == pytest.approx(np.sqrt(theirs.covariances_.ravel()[order]), rel=1e-3)
    assert weights == pytest.approx(theirs.weights_[order], abs=1e-4)


def test_mixture_of_equal_values_is_one_class() -> None:
    weights, means, _ = fit_two_gaussians(np.full(100, 2.5))

    assert weights.tolist() == [1.0, 0.0]
    assert means.tolist() == [2.5, 2.5]


@given(st.integers(0, 10_000))
def test_area_under_curve_is_that_of_scikit_learn(seed: int) -> None:
    """Reference: sklearn.metrics.roc_auc_score, with ties."""
    rng = np.random.default_rng(seed)
    lean, fat = rng.integers(0, 9, 40).astype(float), rng.integers(3, 12, 25).astype(float)
    truth = np.r_[np.zeros(40), np.ones(25)]

    assert area_under_curve(lean, fat) == pytest.approx(roc_auc_score(truth, np.r_[lean, fat]))


@given(st.integers(0, 10_000))
def test_best_limit_reaches_the_best_point_of_the_curve(seed: int) -> None:
    """Reference: the greatest tpr - fpr of sklearn.metrics.roc_curve."""
    rng = np.random.default_rng(seed)
    lean, fat = rng.normal(0, 1, 60), rng.normal(1.5, 1, 45)
    fpr, tpr, _ = roc_curve(np.r_[np.zeros(60), np.ones(45)], np.r_[lean, fat])
    limit = best_limit(lean, fat)

    assert np.mean(fat > limit) - np.mean(lean > limit) == pytest.approx(np.max(tpr - fpr))


def test_step_and_breadth_of_a_square() -> None:
    """Reference: by hand. A square of 10 mm that lies 0.5 above its surroundings."""
    light = np.zeros((60, 60))
    light[20:40, 20:40] = 0.5
    labels, n = label_patches(light > 0.25)
    everywhere = np.ones(light.shape, bool)

    assert n == 1
    assert patch_steps(labels, n, light, everywhere, cell_mm=0.5) == pytest.approx([0.5])
    breadth_mm = patch_breadths(labels, n, labels > 0, everywhere, 0.5)
    assert breadth_mm == pytest.approx([10.0], abs=0.5)


def test_a_slope_of_light_is_no_step() -> None:
    """Reference: by hand. Light that grows by 0.02 a mm steps by 0.02 times the rings' distance."""
    light = np.arange(80)[:, None] * 0.5 * 0.02 + np.zeros((80, 40))
    labels, n = label_patches(light > 0.4)
    step = patch_steps(labels, n, light, np.ones(light.shape, bool), cell_mm=0.5)

    assert 0 < step[0] < 0.02 * 7.0


def test_a_step_that_was_not_seen_is_not_known() -> None:
    light = np.zeros((30, 30))
    light[10:20, 10:20] = 1.0
    labels, n = label_patches(light > 0.5)

    assert np.isnan(patch_steps(labels, n, light, labels > 0, cell_mm=1.0)).all()


def test_small_patches_and_thin_rims_are_dropped() -> None:
    inside = np.ones((60, 60), bool)
    probability = np.zeros((60, 60))
    probability[10:13, 10:13] = 0.9  # 3 mm: smaller than claimed
    probability[30:42, 30:42] = 0.9  # 12 mm
    probability[31:33, 35:37] = 0.1  # a hole of 2 mm in it
    drop_what_is_no_tissue(probability, inside, TissueSettings(), cell_mm=1.0, usable=inside)

    assert probability[11, 11] == pytest.approx(0.1)
    assert (probability[30:42, 30:42] > 0.5).all()


def test_a_patch_cut_by_the_outline_stays() -> None:
    """A patch of 4 mm at the rim is one of 8 mm that the outline cuts through its middle."""
    probability = np.zeros((40, 40))
    probability[:4, 10:20] = 0.9
    inside = np.ones((40, 40), bool)
    drop_what_is_no_tissue(probability, inside, TissueSettings(), cell_mm=1.0, usable=inside)

    assert (probability[:4, 10:20] > 0.5).all()


@given(st.integers(0, 10_000))
def test_filling_takes_a_nearest_value(seed: int) -> None:
    """Reference: brute force; the fast transform is allowed 2.5 % of the distance."""
    rng = np.random.default_rng(seed)
    known = rng.random((12, 9)) < 0.2
    known[4, 4] = True
    values = rng.normal(size=known.shape)
    filled = fill_from_neighbours(values, known)
    at = np.argwhere(known)

    assert np.array_equal(filled[known], values[known])
    for i, j in np.argwhere(~known):
        distance = np.hypot(at[:, 0] - i, at[:, 1] - j)
        near = values[tuple(at[distance <= distance.min() * 1.025].T)]
        assert filled[i, j] in near


def test_filling_with_nothing_known_changes_nothing() -> None:
    values = np.arange(6.0).reshape(2, 3)

    assert np.array_equal(fill_from_neighbours(values, np.zeros((2, 3), bool)), values)


def test_smoothing_inside_keeps_a_constant() -> None:
    mask = np.zeros((20, 20), bool)
    mask[5:12, 3:15] = True

    assert smooth_inside(np.where(mask, 3.0, 99.0), mask, 1.5)[mask] == pytest.approx(3.0)


def test_distance_to_the_outside() -> None:
    """Reference: by hand. The middle of a 9-cell square lies 5 cells from the outside."""
    mask = np.zeros((15, 15), bool)
    mask[3:12, 3:12] = True

    assert distance_mm(mask, 0.5)[7, 7] == pytest.approx(2.5)
