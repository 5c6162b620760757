"""What can be wrong with passes, block file or scanner; each fault is named and refused."""

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.assemble import head_model, viewpoint
from geomscan.commissioning.find_block import FoundBlock
from geomscan.commissioning.fit import Fit, to_mm
from geomscan.commissioning.model import Model
from geomscan.commissioning.observations import ENDS, Kind
from geomscan.commissioning.pass_lines import PassLines
from geomscan.errors import CalibrationError

__all__ = ["check_belt", "check_fit", "check_glare", "check_handedness", "slips_of"]

Floats = npt.NDArray[np.float64]

# Limits: common practice, no source; each lies well above what sound recordings show.
_SPIKE_SHARE = 0.01  #: of lit columns that leave their neighbours alone
_DOUBT_SHARE = 0.02  #: of the block that shows rival peaks
_CLIPPED_SHARE = 0.25  #: of the block's columns that are over-exposed
_MOVED_PX = 0.15  #: shift of a pass's rows against the other passes
_SLIP_SHARE = 0.003  #: of the block's length
_UNLIKE = 9.0  #: difference of chi-squared between causes that are told apart
_PULL = 5.0  #: departures of certified dimensions over their standard uncertainty
_SEAT_MM = 0.15  #: height, or lift of an edge by roll or pitch
_OUTLIERS = 0.15  #: share of a pass's observations that the fit could not use


def check_glare(
    lines: Mapping[tuple[int, int], PassLines],
    found: Mapping[tuple[int, int], FoundBlock],
    heads: Sequence[str],
    passes: Sequence[str],
) -> None:
    """Refuse passes whose lines are false in many columns, or clipped over much of the block.

    Raises
    ------
    CalibrationError
        Naming pass, head and share.
    """
    for (h, r), own in lines.items():
        place = found[h, r]
        inside = np.zeros(own.row_px.shape, dtype=bool)
        inside[place.first : place.last + 1, place.left : place.right + 1] = True
        false = own.spikes()
        seen = np.isfinite(own.row_px) | own.doubtful
        share = np.count_nonzero(false & seen) / max(int(np.count_nonzero(seen)), 1)
        doubt = np.count_nonzero(inside & own.doubtful) / max(
            int(np.count_nonzero(inside & seen)), 1
        )
        clipped = np.count_nonzero(inside & own.clipped) / max(
            int(np.count_nonzero(inside & seen)), 1
        )
        where = f"{passes[r]}, head {heads[h]}"
        if share > _SPIKE_SHARE or doubt > _DOUBT_SHARE:
            msg = f"{where}: glare: {100 * max(share, doubt):.0f} % of the columns show false lines"
            raise CalibrationError(msg)
        if clipped > _CLIPPED_SHARE:
            part = f"{100 * clipped:.0f} % of the block's columns"
            msg = f"{where}: glare: the line is over-exposed in {part}"
            raise CalibrationError(msg)


def check_belt(
    found: Mapping[tuple[int, int], FoundBlock], heads: Sequence[str], passes: Sequence[str]
) -> None:
    """Refuse passes in which a head sees the bare belt on other rows than in most passes.

    Raises
    ------
    CalibrationError
        Naming pass, head and rows.
    """
    worst = (0.0, "")
    for h, head in enumerate(heads):
        rows = np.stack([found[h, r].belt_row_px for r in range(len(passes))])
        seen = rows[:, np.isfinite(rows).all(axis=0)]
        if len(passes) < 3 or seen.shape[1] == 0:
            continue
        off = np.median(seen - np.median(seen, axis=0), axis=1)
        run = int(np.argmax(np.abs(off)))
        text = (
            f"{passes[run]}: the camera of head {head} moved against the other passes: the bare "
            f"belt stands {off[run]:+.2f} rows off"
        )
        worst = max(worst, (float(abs(off[run])), text))
    if worst[0] > _MOVED_PX:
        raise CalibrationError(worst[1])


def check_handedness(
    model: Model,
    values: Floats,
    lines: Mapping[tuple[int, int], PassLines],
    found: Mapping[tuple[int, int], FoundBlock],
) -> list[str]:
    """Compare where each camera stands by its picture with the side on which shadows fall.

    A camera's picture is never mirrored, so that the side from which it looks follows from the
    fitted plane; the belt that the block hides lies on the far side. If all heads contradict
    their shadows, the block file is mirrored (or `reversed` is wrong in every pass).

    Returns
    -------
    warnings : list of str
        One for each head that contradicts its shadows while others don't.

    Raises
    ------
    CalibrationError
        If every head whose shadows are clear contradicts them.
    """
    wrong: list[str] = []
    right: list[str] = []
    for h, name in enumerate(model.heads):
        shadow = float(np.mean([found[key].shadow_before for key in found if key[0] == h]))
        mirrored = not lines[h, 0].head.rows_are_height
        eye = viewpoint(head_model(model, values, name), tilt=0.0, skew=0.0, mirrored=mirrored)
        if eye is None or abs(shadow) < 3:
            continue
        (right if (eye[0] > 0) == (shadow > 0) else wrong).append(name)
    if wrong and not right:
        msg = (
            "the block file is mirrored, or [block] reversed is wrong in every pass: the shadows "
            f"of head {', '.join(wrong)} fall on the side from which it would look"
        )
        raise CalibrationError(msg)
    return [
        f"head {name}: its picture is mirrored, judged by the side on which its shadows fall"
        for name in wrong
    ]


def check_fit(fit: Fit) -> None:
    """Refuse fits that single passes, steps or heads don't agree with, and name those.

    Raises
    ------
    CalibrationError
        Naming belt slip, a wrong block, a moved camera, or a block that did not sit flat.
    """
    _check_slip(fit)
    _check_block(fit)
    _check_moved(fit)
    _check_seat(fit)


def slips_of(fit: Fit) -> tuple[Floats, Floats]:
    """How much further the belt went than its encoder counted, over the block's length, %.

    Returns
    -------
    slip_percent, u : ndarray, shape (n_passes,)
        Against the fit's mm per count; NaN where an end was not found. u is that of the ends
        alone, as they are known by themselves: slip must not excuse itself as noise.
    """
    obs, model = fit.observations, fit.model
    per_count = fit.value("belt.mm_per_count")
    slip, u = np.full(len(model.passes), np.nan), np.full(len(model.passes), np.nan)
    factor = {Kind.END: min(fit.excess.get("end", 1.0), 1.0), Kind.GAP: 1.0}
    for run, setup in enumerate(model.passes):
        places, variances = [], []
        for feature in (0, 1):
            own = np.isin(obs.kind, ENDS) & (obs.run == run) & (obs.feature == feature)
            if not own.any():
                continue
            scale = np.where(obs.kind[own] == Kind.END, factor[Kind.END], factor[Kind.GAP])
            weight = 1 / np.maximum(per_count * obs.u[own] * scale, 1e-6) ** 2
            places.append(_weighted_median(fit.residual_mm[own], weight))
            variances.append(1 / float(weight.sum()))
        if len(places) == 2:
            own_slip = fit.value(f"pass.{setup.name}.slip_percent")
            # too long a block: the belt went less far than it was taken to
            slip[run] = own_slip - 100 * (places[1] - places[0]) / model.block.length_mm
            u[run] = 100 * float(np.sqrt(sum(variances))) / model.block.length_mm
    return slip, u


def _check_slip(fit: Fit) -> None:
    """Belt travel over the block's length, pass by pass against the others."""
    slip, u = slips_of(fit)
    known = np.flatnonzero(np.isfinite(slip))
    found: list[tuple[float, str, float, float]] = []  # what the others leave, name, slip, u
    for run in known if known.size > 1 else ():
        rest = known[known != run]
        weight = 1 / u[rest] ** 2
        mean = float(slip[rest] @ weight / weight.sum())
        spread = float(weight @ (slip[rest] - mean) ** 2)
        off, own_u = float(slip[run]) - mean, float(np.hypot(u[run], 1 / np.sqrt(weight.sum())))
        if abs(off) > max(100 * _SLIP_SHARE, 5 * own_u):
            found.append((spread, fit.model.passes[run].name, off, own_u))
    if found:
        # without the one that slipped the others agree; ends known poorly may leave it open
        found.sort()
        names = [name for spread, name, *_ in found if spread < found[0][0] + _UNLIKE]
        _, _, off, own_u = found[0]
        msg = (
            f"{' or '.join(names)}: belt slip: over the block's length the encoder counted "
            f"{-off:+.2f} ± {own_u:.2f} % against the other passes"
        )
        raise CalibrationError(msg)
    for run in np.flatnonzero(~np.isfinite(slip)):
        msg = (
            f"{fit.model.passes[run].name}: an end of the block was not found where the encoder's "
            "counts would have it: belt slip, or a disturbed end"
        )
        raise CalibrationError(msg)


def _weighted_median(values: Floats, weight: Floats) -> float:
    """Middle of the weight: single ends that are far off don't count."""
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


def _check_block(fit: Fit) -> None:
    """Certified dimensions against what the passes say together."""
    obs, model = fit.observations, fit.model
    block = model.block
    pulls = [
        (abs(fit.value(name)) / model.priors[i], name, fit.value(name))
        for name, i in model.index.items()
        if name.startswith("block.") and "lean" not in name
    ]
    worst, name, value = max(pulls, default=(0.0, "", 0.0))
    for kind, what, known in (
        (Kind.SURFACE, "height", max(block.u_height_mm, 0.002)),
        (Kind.SIDE, "across", max(block.u_across_mm, 0.01)),
    ):
        for feature in np.unique(obs.feature[obs.kind == kind]):
            own = (obs.kind == kind) & (obs.feature == feature)
            # of most passes: one pass alone is that pass's fault
            medians = [
                np.median(fit.residual_mm[own & (obs.run == run)])
                for run in np.unique(obs.run[own])
            ]
            off = float(np.median(medians))
            if abs(off) / (2 * known) > worst:
                worst, name, value = abs(off) / (2 * known), f"{what} at point {feature + 1}", off
    if worst > _PULL:
        msg = (
            f"wrong block: {block.name} does not fit what lies on the belt: {name} is off by "
            f"{value:+.3f} mm, {worst:.0f} times its certified uncertainty"
        )
        raise CalibrationError(msg)


def _check_moved(fit: Fit) -> None:
    """Rows and columns of each head in each pass against the fit of all."""
    obs, model = fit.observations, fit.model
    per_px = to_mm(model, fit.values, obs) / obs.u
    shift = np.where(np.isin(obs.kind, ENDS), 0, fit.residual_mm / per_px)
    found: list[tuple[float, str]] = []
    for h, head in enumerate(model.heads):
        for run, setup in enumerate(model.passes):
            own = (obs.head == h) & (obs.run == run)
            where = f"{setup.name}: the camera of head {head} moved against the other passes"
            for kind, axis in ((Kind.BELT, "rows"), (Kind.SIDE, "columns")):
                part = own & (obs.kind == kind)
                if np.count_nonzero(part) < 3:
                    continue
                off = float(np.median(shift[part]))
                limit = _MOVED_PX * (1 if kind == Kind.BELT else 2)
                if abs(off) > limit:
                    found.append(
                        (
                            abs(off) / limit,
                            f"{where}: the {_WHAT[kind]} stands {off:+.2f} {axis} off",
                        )
                    )
            rows = own & np.isin(obs.kind, (Kind.BELT, Kind.SURFACE, Kind.SIDE))
            lost = float(np.mean(fit.weight[rows] == 0)) if rows.any() else 0.0
            if lost > _OUTLIERS:
                text = f"{where}, or its rows are disturbed: {100 * lost:.0f} % of its observations"
                found.append((lost / _OUTLIERS, f"{text} don't agree with them"))
    if found:
        raise CalibrationError(max(found)[1])


_WHAT = {Kind.BELT: "bare belt", Kind.SIDE: "block"}


def _check_seat(fit: Fit) -> None:
    """How the block sat in each pass."""
    model = fit.model
    half = {"roll_mrad": model.block.width_mm / 2e3, "pitch_mrad": model.block.length_mm / 2e3}
    for setup in model.passes:
        for what, lever in (("seat_mm", 1.0), *half.items()):
            lift = abs(fit.value(f"pass.{setup.name}.{what}")) * lever
            if lift > _SEAT_MM:
                msg = (
                    f"{setup.name}: the block does not sit flat on the belt "
                    f"({what.split('_', maxsplit=1)[0]}: {lift:.2f} mm): clean block and belt"
                )
                raise CalibrationError(msg)
