"""From passes to the joint fit: gather, fit, choose the lens order, find the fan, judge."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.checks import (
    check_belt,
    check_fit,
    check_glare,
    check_handedness,
    slips_of,
)
from geomscan.commissioning.ends import displaced_by, share_lines
from geomscan.commissioning.fit import Fit, fit_model
from geomscan.commissioning.gather import Noise, gather_pass
from geomscan.commissioning.model import Model, Seat
from geomscan.commissioning.observations import Kind, Observations
from geomscan.commissioning.order import ORDERS, OrderChoice, carry_over, choose_order
from geomscan.commissioning.passes import Passes, start_model
from geomscan.commissioning.shadows import first_fan
from geomscan.recording.block import ReferenceBlock

__all__ = ["JointFit", "fit_passes", "seat_seen"]

Floats = npt.NDArray[np.float64]

#: no edge is placed better than this however many lines see it: it is told by the light of one
#: column, and pixels of one chip respond alike to about 1 % (common practice, no source)
_LEAST_EDGE_PX = 0.01
#: slip of one pass against another, %: where one alone is there, and at least (common practice)
_ONE_PASS_SLIP, _LEAST_SLIP = 0.02, 0.001
#: how far the model may be off in height while observations are gathered, at first and at last
_COARSE_MM, _FINE_MM = 4.0, 1.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class JointFit:
    """The last fit, the row noise by (head, pass), the lens order chosen, and warnings.

    u_edge_px is what the same edge is misplaced by in all lines of one pass, from pass to pass.
    """

    fit: Fit
    noise: dict[tuple[int, int], Noise]
    order: OrderChoice
    warnings: list[str]
    u_edge_px: float


def fit_passes(passes: Passes, block: ReferenceBlock) -> JointFit:
    """Gather and fit in turns, from coarse to fine, and refuse what can't be trusted.

    Raises
    ------
    CalibrationError
        Naming what is wrong with a pass, the block file or the scanner.
    """
    check_glare(passes.lines, passes.found, passes.heads, passes.names)
    check_belt(passes.found, passes.heads, passes.names)
    model, values = start_model(passes, block)
    warnings = check_handedness(model, values, passes.lines, passes.found)
    table, _ = _gather(passes, model, values, fine=False)
    coarse = fit_model(model, values, table.where(table.kind != Kind.SHADOW))
    richest = replace(model, n_distortion=ORDERS[-1])
    values = carry_over(model, coarse.values, richest)
    table, noise = _gather(passes, richest, values, fine=True)
    lit = table.where(table.kind != Kind.SHADOW)
    fit = fit_model(richest, values, lit)
    u_edge_px = float(np.hypot(edge_scatter(fit), _LEAST_EDGE_PX))
    table = widen_sides(table, u_edge_px)
    lit = table.where(table.kind != Kind.SHADOW)
    fit = fit_model(richest, fit.values, lit, excess=fit.excess)
    order = choose_order(fit)
    model = replace(model, n_distortion=order.n_distortion)
    fit = fit_model(model, carry_over(richest, fit.values, model), lit, excess=fit.excess)
    fans = first_fan(model, fit.values, table)
    model = replace(
        model, fans=tuple(fans), seat=seat_seen(fit), u_ends=_u_ends(model, fit.values, noise)
    )
    values = carry_over(fit.model, fit.values, model)
    for laser, (y, z) in fans.items():
        values[model.index[f"sheet.{laser}.fan_y_mm"]] = y
        values[model.index[f"sheet.{laser}.fan_z_mm"]] = z
    known = np.array([model.lasers[h] in fans for h in range(len(model.heads))])
    own = table.where((table.kind != Kind.SHADOW) | known[table.head])
    fit = fit_model(model, values, own, excess=fit.excess)
    check_fit(fit)
    return JointFit(fit=fit, noise=noise, order=order, warnings=warnings, u_edge_px=u_edge_px)


def edge_scatter(fit: Fit) -> float:
    """How far each face's edge is off as a whole, in one head and pass, beyond its lines' scatter.

    A between-groups variance (JCGM 100:2008, H.5): mean square of the groups' means less what
    their own scatter explains; px of column.
    """
    obs = fit.observations
    side = np.flatnonzero((obs.kind == Kind.SIDE) & (fit.weight > 0))
    if side.size == 0:
        return 0.0
    key = (obs.head[side] * 1000 + obs.run[side]) * 1000 + obs.feature[side]
    _, group = np.unique(key, return_inverse=True)
    n = np.bincount(group)
    left = fit.residual_mm[side] / fit.u_mm[side] * fit.excess.get("side", 1.0) * obs.u[side]
    mean = np.bincount(group, left) / n
    own = np.bincount(group, obs.u[side] ** 2) / n**2
    return float(np.sqrt(max(float(np.mean(mean**2 - own)), 0.0)))


def widen_sides(obs: Observations, u_edge_px: float) -> Observations:
    """Give side edges a u with which their mean stays above u_edge_px, however many lines."""
    u = obs.u.copy()
    side = np.flatnonzero(obs.kind == Kind.SIDE)
    if side.size:
        key = (obs.head[side] * 1000 + obs.run[side]) * 1000 + obs.feature[side]
        _, group = np.unique(key, return_inverse=True)
        u[side] = np.hypot(u[side], u_edge_px * np.sqrt(np.bincount(group)[group]))
    return replace(obs, u=u)


def seat_seen(fit: Fit) -> Seat:
    """How seat and slip really varied, from pass to pass, as the prior of the last fit.

    What all passes have in common can't be told from the block's own common height; the scatter
    can. With few passes it is known poorly: it is widened by what Student's factor for 68 % adds.
    """
    model = fit.model
    n = len(model.passes)
    if n < 2:
        return replace(model.seat, u_slip_percent=_ONE_PASS_SLIP)
    from scipy.special import stdtrit

    found = {}
    wider = float(stdtrit(n - 1, 0.84134))
    for what, least in (("seat_mm", 0.001), ("roll_mrad", 0.02), ("pitch_mrad", 0.02)):
        values = np.array([fit.value(f"pass.{setup.name}.{what}") for setup in model.passes])
        found[what] = max(least, wider * float(np.std(values, ddof=1)))
    return Seat(
        u_height_mm=found["seat_mm"],
        u_roll_mrad=found["roll_mrad"],
        u_pitch_mrad=found["pitch_mrad"],
        u_slip_percent=max(_LEAST_SLIP, wider * _scatter(*slips_of(fit))),
    )


def _scatter(values: Floats, u: Floats) -> float:
    """Give the scatter that values show beyond their own u (DerSimonian & Laird 1986)."""
    known = np.isfinite(values)
    if np.count_nonzero(known) < 2:
        return _ONE_PASS_SLIP
    values, w = values[known], 1 / u[known] ** 2
    mean = float(values @ w / w.sum())
    excess = float(w @ (values - mean) ** 2) - (values.size - 1)
    return float(np.sqrt(max(excess / (w.sum() - w @ w / w.sum()), 0.0)))


def _u_ends(
    model: Model, values: Floats, noise: dict[tuple[int, int], Noise]
) -> tuple[tuple[float, float], ...]:
    """How far each head misplaces leading and trailing ends in all passes alike, mm."""
    per_count = float(values[model.index["belt.mm_per_count"]])
    out = []
    for h, laser in enumerate(model.lasers):
        thickness = [own.thickness for (k, _), own in noise.items() if model.lasers[k] == laser]
        seen = np.mean([own.face_seen for (k, _), own in noise.items() if k == h], axis=0) > 0.5
        lead, trail = displaced_by(float(np.median(thickness)) * per_count, (seen[0], seen[1]))
        out.append((lead, trail))
    return tuple(out)


def _gather(
    passes: Passes, model: Model, values: Floats, *, fine: bool
) -> tuple[Observations, dict[tuple[int, int], Noise]]:
    """Observations of all heads and passes, two at a time."""

    def one(place: tuple[int, int]) -> tuple[Observations, Noise]:
        head, run = place
        return gather_pass(
            model,
            values,
            passes.lines[place],
            passes.found[place],
            head=head,
            run=run,
            tolerance_mm=_FINE_MM if fine else _COARSE_MM,
            fine=fine,
        )

    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(one, passes.lines))
    noise = {place: level for place, (_, level) in zip(passes.lines, found, strict=True)}
    return share_lines(Observations.join([table for table, _ in found])), noise
