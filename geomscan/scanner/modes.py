"""Common errors of a calibration: independent directions of its covariance, as displacements."""

import weakref

import numpy as np
import numpy.typing as npt

from geomscan.scanner.calibration import ScannerCalibration
from geomscan.scanner.head import undistort

__all__ = ["common_modes", "plane_jacobian", "u_plane", "worst_u_height"]

Floats = npt.NDArray[np.float64]

#: u grows by its own size for each so many mm outside the region; common practice, no source
GROWTH_MM = 10.0

#: modes are kept until this share of the total variance is explained
_KEPT = 0.9995

_bases: "weakref.WeakKeyDictionary[ScannerCalibration, Floats]" = weakref.WeakKeyDictionary()


def common_modes(
    calibration: ScannerCalibration,
    head: str,
    y_mm: npt.ArrayLike,
    z_mm: npt.ArrayLike,
    *,
    x_mm: npt.ArrayLike = 0.0,
) -> Floats:
    """Displacements that one standard uncertainty of each common error brings to measured points.

    The modes are independent of each other and the same random quantities for every head, point
    and recording, so that results of several heads add them mode by mode.

    Parameters
    ----------
    y_mm, z_mm : array_like
        Where the points were measured (broadcast).
    x_mm : array_like
        Distance along the belt from the place that errors of the belt's scale are counted from.

    Returns
    -------
    modes_mm : ndarray, shape (n_modes, 3, ...)
        (dx, dy, dz) of each mode; grown outside the covered region. The belt's height is not
        subtracted.
    """
    basis = _basis(calibration)
    jacobian = plane_jacobian(calibration, head, y_mm, z_mm, x_mm=x_mm)
    modes = np.tensordot(basis, jacobian, axes=([0], [0]))
    region = calibration.regions[head]
    growth = 1 + region.outside_mm(*np.broadcast_arrays(y_mm, z_mm)) / GROWTH_MM
    return np.asarray(modes * growth)


def u_plane(
    calibration: ScannerCalibration, head: str, y_mm: npt.ArrayLike, z_mm: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Give the standard uncertainty of y and z of measured points, from the calibration alone."""
    variance = np.sum(common_modes(calibration, head, y_mm, z_mm) ** 2, axis=0)
    return np.sqrt(variance[1]), np.sqrt(variance[2])


def worst_u_height(calibration: ScannerCalibration) -> float:
    """Largest u of height over the belt beside, inside the covered regions of all heads."""
    worst = 0.0
    for name, region in calibration.regions.items():
        y = np.linspace(region.y_mm[0], region.y_mm[-1], 25)
        z = np.interp(y, region.y_mm, region.high_mm)
        above = common_modes(calibration, name, y, z)[:, 2]
        belt = common_modes(calibration, name, y, np.zeros_like(z))[:, 2]
        worst = max(worst, float(np.sqrt(np.max(np.sum((above - belt) ** 2, axis=0)))))
    return worst


def plane_jacobian(
    calibration: ScannerCalibration,
    head: str,
    y_mm: npt.ArrayLike,
    z_mm: npt.ArrayLike,
    *,
    x_mm: npt.ArrayLike = 0.0,
) -> Floats:
    """Differentiate a measured point to all scanner parameters at fixed pixel and count.

    Returns
    -------
    jacobian : ndarray, shape (n_scanner_parameters, 3, ...)
        In the order of `calibration.scanner_parameters`.
    """
    model, sheet = calibration.head(head), calibration.sheet(head)
    y, z, x = np.broadcast_arrays(
        *(np.asarray(value, dtype=np.float64) for value in (y_mm, z_mm, x_mm))
    )
    column, row = model.from_plane(y, z)
    middle_column, middle_row, half = model.constants
    u, v = (column - middle_column) / half, (row - middle_row) / half
    tan_tilt, tan_skew = np.tan(np.radians([sheet.tilt_deg, sheet.skew_deg]))
    r2 = u * u + v * v
    ud, vd = undistort(u, v, model.distortion)
    h = model.homography
    w = h[2, 0] * ud + h[2, 1] * vd + h[2, 2]
    one, none = np.ones_like(y), np.zeros_like(y)
    # d(u', v') for k1, k2, p1, p2, k3
    lens = {
        "k1": (u * r2, v * r2),
        "k2": (u * r2**2, v * r2**2),
        "p1": (2 * u * v, r2 + 2 * v * v),
        "p2": (r2 + 2 * u * u, 2 * u * v),
        "k3": (u * r2**3, v * r2**3),
    }
    pose = {
        "h00": (ud, none), "h01": (vd, none), "h02": (one, none),
        "h10": (none, ud), "h11": (none, vd), "h12": (none, one),
        "h20": (-y * ud, -z * ud), "h21": (-y * vd, -z * vd),
    }  # fmt: skip
    jacobian = np.zeros((calibration.scanner_parameters.size, 3, *y.shape))
    for i, index in enumerate(calibration.scanner_parameters):
        kind, *rest = calibration.parameter_names[index].split(".")
        if kind == "belt":
            jacobian[i, 0] = x / calibration.mm_per_count
        elif kind == "sheet" and rest[0] == model.laser:
            jacobian[i, 0] = {
                "tilt_deg": z * np.radians(1 + tan_tilt**2),
                "skew_deg": y * np.radians(1 + tan_skew**2),
                "offset_mm": one,
            }.get(rest[1], none)
        elif kind == "head" and rest[0] == model.name:
            if rest[1] in lens:
                du, dv = lens[rest[1]]
                dn_y, dn_z = h[0, 0] * du + h[0, 1] * dv, h[1, 0] * du + h[1, 1] * dv
                dw = h[2, 0] * du + h[2, 1] * dv
                dy, dz = (dn_y - y * dw) / w, (dn_z - z * dw) / w
            else:
                dy, dz = (part / w for part in pose[rest[1]])
            jacobian[i, 0] = dz * tan_tilt + dy * tan_skew
            jacobian[i, 1], jacobian[i, 2] = dy, dz
    return jacobian


def _basis(calibration: ScannerCalibration) -> Floats:
    """Directions of the parameters, (n_scanner_parameters, n_modes), strongest effect first."""
    if calibration in _bases:
        return _bases[calibration]
    own = calibration.scanner_parameters
    covariance = calibration.covariance[np.ix_(own, own)]
    # scaled to unit diagonal, as homography terms and distortion differ by orders of magnitude
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    root = scale[:, None] * vectors * np.sqrt(np.maximum(values, 0))
    effects: list[list[Floats]] = [[], [], [], []]
    for name, region in calibration.regions.items():
        y = np.linspace(region.y_mm[0], region.y_mm[-1], 15)[:, None]
        share = np.linspace(0, 1, 6)
        low = np.interp(y, region.y_mm, region.low_mm)
        high = np.interp(y, region.y_mm, region.high_mm)
        z = low + share * (high - low)
        effect = plane_jacobian(calibration, name, y, z, x_mm=np.linspace(-100, 100, 6))
        for axis in range(3):
            effects[axis].append(effect[:, axis].reshape(own.size, -1))
        effects[3].append(effect[:, 1].reshape(own.size, -1).mean(axis=1, keepdims=True))
    # height, across and along count alike, and so does the place of y = 0, which is known worst
    groups = []
    for axis, parts in enumerate(effects):
        group = np.concatenate(parts, axis=1)
        if axis < 2:
            group = group - group.mean(axis=1, keepdims=True)
        group = group.T @ root
        groups.append(
            group
            / max(float(np.sqrt(np.mean(np.sum(group**2, axis=1)))), 1e-300)
            / np.sqrt(len(group))
        )
    _, strength, turned = np.linalg.svd(np.concatenate(groups), full_matrices=False)
    share = np.cumsum(strength**2) / max(float(np.sum(strength**2)), 1e-300)
    n_modes = int(np.searchsorted(share, _KEPT)) + 1
    basis = np.asarray(root @ turned[:n_modes].T)
    _bases[calibration] = basis
    return basis
