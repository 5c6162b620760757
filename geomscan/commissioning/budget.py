"""Uncertainty budget of the calibration, and what one more pass would improve."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.assemble import head_model
from geomscan.commissioning.fit import Fit, jacobian_of, to_mm
from geomscan.commissioning.model import PassSetup
from geomscan.commissioning.observations import ENDS, Kind
from geomscan.scanner.calibration import ScannerCalibration
from geomscan.scanner.modes import plane_jacobian
from geomscan.uncertainty import Budget, BudgetRow

__all__ = ["Advice", "advise", "budget_of"]

Floats = npt.NDArray[np.float64]

_SOURCES = {
    Kind.BELT: "rows of the bare belt",
    Kind.SURFACE: "rows on the block",
    Kind.SIDE: "side edges",
    Kind.END: "ends along travel, encoder steps",
    Kind.SHADOW: "ends of the fan's shadows",
    Kind.GAP: "ends that lie between two lines",
}


def budget_of(
    fit: Fit, calibration: ScannerCalibration, head: str, y_mm: float, z_mm: float
) -> dict[str, Budget]:
    """Budgets of height over the belt, of across, of tilt, skew and mm per count.

    A least-squares estimate is linear in what went into it, so that its variance is a sum over the
    observations and priors: each row of the whitened Jacobian contributes its own square
    (JCGM 100:2008, 5.1.3 with one input a row).

    Parameters
    ----------
    y_mm, z_mm : float
        Where height and across are meant; across is counted from y = 0 on the belt.
    """
    model = fit.model
    rows, prior_rows = jacobian_of(model, fit.values, fit.observations)
    whitened = np.concatenate([rows * (np.sqrt(fit.weight) / fit.u_mm)[:, None], prior_rows])
    spread = whitened @ fit.covariance  # (n_rows, n_parameters)
    own = calibration.scanner_parameters
    here = plane_jacobian(calibration, head, y_mm, z_mm)
    below = plane_jacobian(calibration, head, y_mm, 0.0)
    middle = plane_jacobian(calibration, head, 0.0, 0.0)
    wanted = {"height, mm": np.zeros(len(model.names)), "across, mm": np.zeros(len(model.names))}
    wanted["height, mm"][own] = here[:, 2] - below[:, 2]
    wanted["across, mm"][own] = here[:, 1] - middle[:, 1]
    laser = calibration.head(head).laser
    for what, name in (
        ("tilt, °", f"sheet.{laser}.tilt_deg"),
        ("skew, °", f"sheet.{laser}.skew_deg"),
        ("mm per count, mm", "belt.mm_per_count"),
    ):
        wanted[what] = np.eye(len(model.names))[model.index[name]]
    sources = _row_sources(fit, prior_rows.shape[0])
    budgets = {}
    for what, direction in wanted.items():
        share = spread @ direction
        budgets[what] = Budget(
            rows=tuple(
                BudgetRow(name=source, u=float(np.sqrt(np.sum(share[sources == source] ** 2))))
                for source in dict.fromkeys(sources.tolist())
            )
        )
    return budgets


def _row_sources(fit: Fit, n_prior: int) -> npt.NDArray[np.str_]:
    """Name of what each row of the whitened Jacobian stands for."""
    model = fit.model
    kinds = [_SOURCES[Kind(kind)] for kind in fit.observations.kind]
    priors = []
    for i, name in enumerate(model.names):
        if not np.isfinite(model.priors[i]):
            continue
        if name.startswith("block.height"):
            priors.append("block: heights of single steps")
        elif name == "block.common_height_mm":
            priors.append("block: height common to all steps")
        elif name.startswith("block.across"):
            priors.append("block: across")
        elif name.startswith("block."):
            priors.append("block: length and squareness")
        elif name.startswith("head."):
            priors.append("what lens terms stay within")
        elif name.startswith("sheet."):
            priors.append("what mounting keeps to")
        elif name.startswith("end."):
            priors.append("ends along travel, thickness of the sheet")
        elif name.endswith("slip_percent"):
            priors.append("belt's slip from pass to pass")
        else:
            priors.append("block's seat on the belt")
    priors += ["where y = 0 is"] * (n_prior - len(priors))
    return np.array(kinds + priors)


@dataclass(frozen=True, kw_only=True, slots=True)
class Advice:
    """What one more pass would bring: typical u before and after, and which pass that is."""

    text: str
    gain: float


def advise(fit: Fit, calibration: ScannerCalibration) -> Advice:
    """Say which one more pass, and where, would improve the worst-known result most.

    Each existing pass is moved across the belt, and turned end for end, on paper; its observations
    are added to those there are.
    """
    model = fit.model
    rows, prior_rows = jacobian_of(model, fit.values, fit.observations)
    whitened = np.concatenate([rows * (np.sqrt(fit.weight) / fit.u_mm)[:, None], prior_rows])
    before = _figures(calibration, fit.covariance)
    best = Advice(text="One more pass would hardly improve anything.", gain=0.02)
    y_low = max(float(r.y_mm[0]) for r in calibration.regions.values())
    y_high = min(float(r.y_mm[-1]) for r in calibration.regions.values())
    room = model.block.width_mm / 2 + 5
    for centre in np.linspace(y_low + room, y_high - room, 3):
        for turned in (False, True):
            extra = _one_more(fit, float(centre), turned=turned)
            if extra is None:
                continue
            n = len(model.names)
            a = np.zeros((whitened.shape[0] + extra.shape[0], extra.shape[1]))
            a[: whitened.shape[0], :n] = whitened
            a[whitened.shape[0] :] = extra
            normal = a.T @ a
            scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
            covariance = np.linalg.pinv(normal / np.outer(scale, scale)) / np.outer(scale, scale)
            after = _figures(calibration, covariance[:n, :n])
            ratios = {what: after[what] / before[what] for what in before}
            what = min(ratios, key=lambda key: ratios[key])
            gain = 1 - ratios[what]
            if gain > best.gain:
                way = "turned end for end" if turned else "not turned"
                best = Advice(
                    text=f"One more pass with the block at y = {centre:.0f} mm, {way}, would "
                    "improve "
                    f"most: u of {what} from {before[what]:.2g} to {after[what]:.2g}.",
                    gain=float(gain),
                )  # fmt: skip
    if len({setup.reversed for setup in model.passes}) == 1:
        return Advice(
            text="All passes lay one way: turn the block end for end in every other pass, "
            "which is what parts tilt and skew. " + best.text,
            gain=best.gain,
        )
    return best


def _figures(calibration: ScannerCalibration, covariance: Floats) -> dict[str, float]:
    """Worst u of height and across over the regions, and u of tilt and skew."""
    own = calibration.scanner_parameters
    part = covariance[np.ix_(own, own)]
    worst = {"height (mm)": 0.0, "across (mm)": 0.0}
    for name, region in calibration.regions.items():
        y = np.linspace(region.y_mm[0] + 5, region.y_mm[-1] - 5, 9)[:, None]
        z = np.linspace(0, 0.95, 3) * np.interp(y, region.y_mm, region.high_mm)
        here = plane_jacobian(calibration, name, y, z)
        height = here[:, 2] - plane_jacobian(calibration, name, y, np.zeros_like(z))[:, 2]
        across = here[:, 1] - here[:, 1, 4:5, 0:1]
        for what, effect in (("height (mm)", height), ("across (mm)", across)):
            flat = effect.reshape(own.size, -1)
            variance = np.einsum("ik,ij,jk->k", flat, part, flat)
            worst[what] = max(worst[what], float(np.sqrt(np.max(variance))))
    names = [calibration.parameter_names[i] for i in own]
    for i, name in enumerate(names):
        if name.endswith((".tilt_deg", ".skew_deg")):
            worst[f"{name.split('.')[-1][:4]} (°)"] = float(np.sqrt(part[i, i]))
    return worst


def _one_more(fit: Fit, centre_mm: float, *, turned: bool) -> Floats | None:
    """Whitened rows of one more pass at y = centre; its pose takes six more columns."""
    model = fit.model
    run = next((i for i, s in enumerate(model.passes) if s.reversed == turned), 0)
    setup = model.passes[run]
    template = fit.observations.where(
        (fit.observations.run == run)
        & (fit.weight > 0)
        & np.isin(fit.observations.kind, (Kind.SURFACE, Kind.SIDE, *ENDS))
    )
    new = PassSetup(
        name="one-more", reversed=turned, across_mm=None, u_across_mm=1.0,
        temperature_c=setup.temperature_c,
    )  # fmt: skip
    wider = replace(model, passes=(*model.passes, new))
    values = np.array(
        [fit.values[model.index[n]] if n in model.index else 0.0 for n in wider.names]
    )
    for what in ("x_mm", "yaw_deg"):
        values[wider.index[f"pass.one-more.{what}"]] = fit.value(f"pass.{setup.name}.{what}")
    own = -1.0 if turned else 1.0
    values[wider.index["pass.one-more.y_mm"]] = centre_mm - own * model.block.width_mm / 2
    y, z = model.plane(fit.values, template.head, template.column_px, template.row_px)
    x = model.travel_to_x(fit.values, template, y, z)
    along, across, up = model.to_block(fit.values, template.run, x, y, z)
    runs = np.full(len(template), len(model.passes))
    y_new, z_new = wider.to_sheet(values, runs, along, across, up)
    column, row = np.empty(len(template)), np.empty(len(template))
    for h, name in enumerate(model.heads):
        of = template.head == h
        column[of], row[of] = head_model(model, fit.values, name).from_plane(y_new[of], z_new[of])
    moved = replace(template, column_px=column, row_px=row, run=runs)
    jacobian, _ = jacobian_of(wider, values, moved)
    u = to_mm(wider, values, moved) * np.array([fit.excess.get(_name(k), 1.0) for k in moved.kind])
    order = [wider.index[n] for n in model.names]
    pose = [i for i, n in enumerate(wider.names) if n.startswith("pass.one-more.")]
    whitened = jacobian[:, order + pose] / u[:, None]
    seats = np.zeros((len(pose) - 3, whitened.shape[1]))
    for k, i in enumerate(pose[3:]):
        seats[k, len(order) + 3 + k] = 1 / wider.priors[i]
    full = np.concatenate([whitened, seats])
    return full if np.isfinite(full).all() else None


def _name(kind: int) -> str:
    return Kind(kind).name.lower()
