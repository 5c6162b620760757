"""From fitted parameters to the calibration that the rest of the package reads."""

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.model import HOMOGRAPHY_NAMES, Model, PassSetup
from geomscan.commissioning.observations import Kind, Observations
from geomscan.recording.block import ReferenceBlock
from geomscan.scanner.calibration import Region, ScannerCalibration, Sheet
from geomscan.scanner.head import DISTORTION_NAMES, HeadModel

__all__ = ["covered_region", "fitted_sheets", "head_model", "model_of", "viewpoint"]

Floats = npt.NDArray[np.float64]

#: how far beyond its outermost observations a region reaches: across, up, and below the belt
_REGION_MARGIN_MM = (2.0, 1.0, 3.0)


def head_model(model: Model, values: Floats, name: str) -> HeadModel:
    """One head's sensor model."""
    at = model.heads.index(name)
    h = [values[model.index[f"head.{name}.{n}"]] for n in HOMOGRAPHY_NAMES]
    lens = np.zeros(len(DISTORTION_NAMES))
    for i, term in enumerate(DISTORTION_NAMES[: model.n_distortion]):
        lens[i] = values[model.index[f"head.{name}.{term}"]]
    return HeadModel(
        name=name,
        laser=model.lasers[at],
        sensor_size=model.sizes[at],
        homography=np.array([*h, 1.0]).reshape(3, 3),
        distortion=lens,
    )


def model_of(
    calibration: ScannerCalibration, block: ReferenceBlock, head: str, setup: PassSetup
) -> tuple[Model, Floats]:
    """Set up a model with one pass and one head whose scanner parameters are a calibration's."""
    own, sheet = calibration.head(head), calibration.sheet(head)
    model = Model(
        heads=(head,),
        lasers=(own.laser,),
        sizes=(own.sensor_size,),
        passes=(setup,),
        block=block,
        n_distortion=len(DISTORTION_NAMES),
    )
    values = np.zeros(len(model.names))
    known = dict(zip(HOMOGRAPHY_NAMES, own.homography.reshape(-1)[:8], strict=True))
    known |= dict(zip(DISTORTION_NAMES, own.distortion, strict=True))
    for name, value in known.items():
        values[model.index[f"head.{head}.{name}"]] = value
    values[model.index["belt.mm_per_count"]] = abs(calibration.mm_per_count)
    values[model.index[f"sheet.{own.laser}.tilt_deg"]] = sheet.tilt_deg
    values[model.index[f"sheet.{own.laser}.skew_deg"]] = sheet.skew_deg
    return model, values


def fitted_sheets(model: Model, values: Floats, covariance: Floats) -> dict[str, Sheet]:
    """Give the sheets of light with their uncertainties."""
    u = np.sqrt(np.diag(covariance))
    sheets = {}
    for laser in model.sheets:
        own = {}
        for what in ("tilt_deg", "skew_deg", "offset_mm", "fan_y_mm", "fan_z_mm"):
            i = model.index.get(f"sheet.{laser}.{what}", -1)
            if i >= 0:
                own[what], own[f"u_{what}"] = float(values[i]), float(u[i])
        sheets[laser] = Sheet(laser=laser, **own)
    return sheets


def covered_region(model: Model, values: Floats, obs: Observations, head: int) -> Region:
    """Convex hull of what belt and block covered, as limits over y."""
    own = (obs.head == head) & ((obs.kind == Kind.BELT) | (obs.kind == Kind.SURFACE))
    part = obs.where(own)
    y, z = model.plane(values, part.head, part.column_px, part.row_px)
    beside, over, under = _REGION_MARGIN_MM
    y = np.concatenate([y - beside, y + beside])
    z = np.concatenate([z, z])
    upper = _hull(y, z + over)
    lower = _hull(y, -np.minimum(z, 0) + under)
    places = np.unique(np.concatenate([upper[:, 0], lower[:, 0]]))
    return Region(
        y_mm=places,
        low_mm=-np.interp(places, lower[:, 0], lower[:, 1]),
        high_mm=np.interp(places, upper[:, 0], upper[:, 1]),
    )


def _hull(x: Floats, y: Floats) -> Floats:
    """Upper hull of points, shape (n, 2), by x (Andrew's monotone chain)."""
    hull: list[tuple[float, float]] = []
    for px, py in sorted(zip(x.tolist(), y.tolist(), strict=True)):
        if hull and hull[-1][0] == px:
            hull.pop()  # the last of equal x is the highest
        while len(hull) > 1:
            (ax, ay), (bx, by) = hull[-2], hull[-1]
            if (bx - ax) * (py - ay) - (by - ay) * (px - ax) < 0:
                break
            hull.pop()
        hull.append((px, py))
    return np.array(hull)


def viewpoint(
    head: HeadModel, *, tilt: float, skew: float, mirrored: bool
) -> tuple[float, float, float] | None:
    """Where the camera stands, from the image of the sheet alone; None where it can't be told.

    A plane's image fixes the viewpoint once pixels are square and the optical axis hits the middle
    of the sensor (Zhang 2000, IEEE PAMI 22:1330, Eq. 3-4, with one plane). tilt and skew are the
    sheet's tangents; mirrored says that frames were transposed on reading, which mirrors them.
    """
    g = np.linalg.inv(head.homography)
    a = np.array([g[0, 0] * g[0, 1] + g[1, 0] * g[1, 1],
                  g[0, 0] ** 2 + g[1, 0] ** 2 - g[0, 1] ** 2 - g[1, 1] ** 2])  # fmt: skip
    b = np.array([-g[2, 0] * g[2, 1], g[2, 1] ** 2 - g[2, 0] ** 2])
    inverse_square = float(a @ b / (a @ a))
    if not np.isfinite(inverse_square) or inverse_square <= 0:
        return None
    focal = inverse_square**-0.5
    m = np.diag([1 / focal, 1 / focal, 1.0]) @ g
    scale = 2 / (np.linalg.norm(m[:, 0]) + np.linalg.norm(m[:, 1]))
    m = m * scale * np.sign(m[2, 2])
    third = np.cross(m[:, 0], m[:, 1]) * (-1 if mirrored else 1)
    centre = -np.linalg.solve(np.stack([m[:, 0], m[:, 1], third], axis=1), m[:, 2])
    y, z, off_sheet = (float(v) for v in centre)
    return float(off_sheet + z * tilt + y * skew), y, z
