"""Calibrate a scanner on passes of a certified block: from recordings to a calibration with its evidence."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan import __version__
from geomscan.commissioning.assemble import (
    covered_region,
    fitted_sheets,
    head_model,
    viewpoint,
)
from geomscan.commissioning.checks import check_fit, check_glare, check_handedness
from geomscan.commissioning.find_block import FoundBlock, find_block
from geomscan.commissioning.fit import Fit, fit_model
from geomscan.commissioning.gather import Noise, gather_pass
from geomscan.commissioning.model import HOMOGRAPHY_NAMES, Model, PassSetup, Seat
from geomscan.commissioning.observations import Kind, Observations
from geomscan.commissioning.order import ORDERS, OrderChoice, carry_over, choose_order
from geomscan.commissioning.pass_lines import PassLines, read_pass_lines
from geomscan.commissioning.shadows import first_fan
from geomscan.commissioning.start import (
    Match,
    columns_to_right,
    first_homography,
    first_placement,
    match_profile,
)
from geomscan.commissioning.residuals import residual_figures
from geomscan.commissioning.respond import fit_response
from geomscan.errors import CalibrationError, InputError
from geomscan.files import sha256_folder
from geomscan.recording.block import ReferenceBlock
from geomscan.recording.recording import Recording
from geomscan.scanner.calibration import ScannerCalibration

__all__ = ["Evidence", "Passes", "calibrate", "fit_passes", "read_passes", "start_model"]

Floats = npt.NDArray[np.float64]

#: how far the model may be off in height while observations are gathered, at first and at last
_COARSE_MM, _FINE_MM = 4.0, 1.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Passes:
    """All passes, read: lines and found blocks by (head, pass)."""

    names: tuple[str, ...]
    heads: tuple[str, ...]
    recordings: tuple[Recording, ...]
    lines: dict[tuple[int, int], PassLines]
    found: dict[tuple[int, int], FoundBlock]
    matches: dict[tuple[int, int], Match] = field(default_factory=dict)


def read_passes(recordings: Sequence[Recording], block: ReferenceBlock) -> Passes:
    """Read all passes and find the block in each.

    Raises
    ------
    InputError
        If the recordings don't belong to one scanner, or say nothing about the block.
    CalibrationError
        If a pass has no block, more than one, another one, or is cut off.
    """
    if not recordings:
        msg = "no recording of the block given"
        raise InputError(msg)
    heads = tuple(head.name for head in recordings[0].manifest.heads)
    names = _unique([recording.path.name for recording in recordings])
    lines, found, matches = {}, {}, {}
    for run, recording in enumerate(recordings):
        own = tuple(head.name for head in recording.manifest.heads)
        if set(own) != set(heads):
            msg = f"{recording.path}: heads {', '.join(own)}: expected {', '.join(heads)} as in the first recording"
            raise InputError(msg)
        if recording.manifest.block is None:
            msg = (
                f"{recording.path}: [block] is missing: say at least whether the block lay reversed"
            )
            raise InputError(msg)
        for h, head in enumerate(heads):
            where = f"{names[run]}, head {head}"
            lines[h, run] = read_pass_lines(recording, head)
            if lines[h, run].sensor_size != lines[h, 0].sensor_size:
                msg = (
                    f"{recording.path}: head {head}: sensor_size differs from the first recording's"
                )
                raise InputError(msg)
            found[h, run] = find_block(lines[h, run], where=where)
            matches[h, run] = match_profile(lines[h, run], found[h, run], block, where=where)
    return Passes(
        names=names,
        heads=heads,
        recordings=tuple(recordings),
        lines=lines,
        found=found,
        matches=matches,
    )


def start_model(passes: Passes, block: ReferenceBlock) -> tuple[Model, Floats]:
    """Set up the model and a first guess of its parameters."""
    setups = []
    for name, recording in zip(passes.names, passes.recordings, strict=True):
        placement = recording.manifest.block
        assert placement is not None  # noqa: S101 - read_passes saw to it
        temperature = recording.manifest.temperature_c
        setups.append(
            PassSetup(
                name=name, reversed=placement.reversed, across_mm=placement.across_mm,
                u_across_mm=placement.u_across_mm,
                temperature_c=block.reference_temperature_c if temperature is None else temperature,
            )
        )  # fmt: skip
    first = passes.recordings[0].manifest
    model = Model(
        heads=passes.heads,
        lasers=tuple(head.laser for head in first.heads),
        sizes=tuple(passes.lines[h, 0].sensor_size for h in range(len(passes.heads))),
        passes=tuple(setups),
        block=block,
        n_distortion=0,
    )
    values = np.zeros(len(model.names))
    per_count = abs(first.belt.nominal_mm_per_count)
    values[model.index["belt.mm_per_count"]] = per_count
    placements = []
    for h, head in enumerate(passes.heads):
        right = columns_to_right(
            {passes.names[r]: passes.matches[h, r] for r in range(len(setups))},
            {setup.name: setup.reversed for setup in setups},
            head=head,
        )
        own = []
        y_mm = []
        for r, setup in enumerate(setups):
            place = first_placement(
                passes.lines[h, r], passes.found[h, r], block, across_mm=setup.across_mm,
                reversed_=setup.reversed, columns_to_right=right, mm_per_count=per_count,
            )  # fmt: skip
            own.append(place)
            sign = -1.0 if setup.reversed else 1.0
            across = passes.matches[h, r].across_mm - block.points[0][0]
            y_mm.append(
                place[1]
                + sign * (across * np.cos(place[2]) + block.length_mm / 2 * np.sin(place[2]))
            )
        placements.append(own)
        runs = range(len(setups))
        _check_places(model, passes, h, columns_to_right_=right)
        plane = first_homography(
            [passes.lines[h, r] for r in runs], [passes.matches[h, r] for r in runs],
            [passes.found[h, r] for r in runs], y_mm,
        )  # fmt: skip
        for name, value in zip(HOMOGRAPHY_NAMES, plane.reshape(-1)[:8], strict=True):
            values[model.index[f"head.{head}.{name}"]] = value
    for r, setup in enumerate(setups):
        x, y, yaw = np.mean([own[r] for own in placements], axis=0)
        values[model.index[f"pass.{setup.name}.x_mm"]] = x
        values[model.index[f"pass.{setup.name}.y_mm"]] = y
        values[model.index[f"pass.{setup.name}.yaw_deg"]] = np.degrees(yaw)
    model = replace(model, first_y_mm=float(values[model.index[f"pass.{setups[0].name}.y_mm"]]))
    return model, values


def _check_places(model: Model, passes: Passes, h: int, *, columns_to_right_: bool) -> None:
    """Compare the way the passes lie across the belt with the way the block's steps run."""
    told = [(r, s.across_mm) for r, s in enumerate(model.passes) if s.across_mm is not None]
    width = model.block.width_mm
    y = np.array(
        [across + (-width if model.passes[r].reversed else width) / 2 for r, across in told]
    )
    place = [(passes.found[h, r].left + passes.found[h, r].right) / 2 for r, _ in told]
    if len(told) < 2 or np.ptp(y) < width / 2:
        return
    by_place = bool(np.polyfit(y, place, 1)[0] > 0)
    if by_place != columns_to_right_:
        msg = (
            "the block file is mirrored, or [block] reversed is wrong in every pass: head "
            f"{model.heads[h]} sees the passes follow each other across the belt by across_mm one way, "
            "and the block's steps run the other way"
        )
        raise CalibrationError(msg)


def fit_passes(
    passes: Passes, block: ReferenceBlock
) -> tuple[Fit, dict[tuple[int, int], Noise], OrderChoice, list[str]]:
    """Gather and fit in turns, from coarse to fine."""
    check_glare(passes.lines, passes.found, passes.heads, passes.names)
    model, values = start_model(passes, block)
    warnings = check_handedness(model, values, passes.lines, passes.found)
    coarse = fit_model(model, values, _gather(passes, model, values, fine=False)[0])
    richest = replace(model, n_distortion=ORDERS[-1])
    values = carry_over(model, coarse.values, richest)
    table, noise = _gather(passes, richest, values, fine=True)
    lit = table.where(table.kind != Kind.SHADOW)
    fit = fit_model(richest, values, lit)
    order = choose_order(fit)
    model = replace(model, n_distortion=order.n_distortion)
    fit = fit_model(model, carry_over(richest, fit.values, model), lit, excess=fit.excess)
    fans = first_fan(model, fit.values, table)
    model = replace(model, fans=tuple(fans), seat=seat_seen(fit))
    values = carry_over(fit.model, fit.values, model)
    for laser, (y, z) in fans.items():
        values[model.index[f"sheet.{laser}.fan_y_mm"]] = y
        values[model.index[f"sheet.{laser}.fan_z_mm"]] = z
    known = np.array([model.lasers[h] in fans for h in range(len(model.heads))])
    own = table.where((table.kind != Kind.SHADOW) | known[table.head])
    fit = fit_model(model, values, own, excess=fit.excess)
    check_fit(fit)
    return fit, noise, order, warnings


def seat_seen(fit: Fit) -> Seat:
    """How the block's seat really varied, from pass to pass, as the prior of the last fit.

    What all passes have in common can't be told from the block's own common height; the scatter
    can. With few passes it is known poorly: it is widened by what Student's factor for 68 % adds.
    """
    model = fit.model
    n = len(model.passes)
    if n < 2:
        return model.seat
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
    )


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
            from_frames=fine,
        )

    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(one, passes.lines))
    noise = {place: level for place, (_, level) in zip(passes.lines, found, strict=True)}
    return Observations.join([table for table, _ in found]), noise


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Evidence:
    """What the certificate page shows beside the calibration itself."""

    fit: Fit
    passes: Passes
    noise: dict[tuple[int, int], Noise]
    figures: dict[str, Any]
    order: OrderChoice


def calibrate(
    recordings: Sequence[Recording],
    block: ReferenceBlock,
    *,
    blade_x_mm: float | None = None,
    u_blade_x_mm: float | None = None,
) -> tuple[ScannerCalibration, Evidence]:
    """Calibrate a scanner on passes of a reference block.

    Parameters
    ----------
    recordings : sequence of Recording
        One pass each; their manifests hold [block].
    block : ReferenceBlock
        The certified block.
    blade_x_mm, u_blade_x_mm : float, optional
        Distance from sheet to blade along the belt, kept in the file for later use.

    Raises
    ------
    InputError
        If the recordings don't belong to one scanner or say nothing about the block.
    CalibrationError
        If no trustworthy calibration comes out of them.
    """
    passes = read_passes(recordings, block)
    fit, noise, order, warnings = fit_passes(passes, block)
    figures = residual_figures(fit, passes.lines, passes.found, noise)
    calibration = _assemble(passes, fit, block, figures, warnings)
    calibration = replace(calibration, blade_x_mm=blade_x_mm, u_blade_x_mm=u_blade_x_mm)
    return calibration, Evidence(fit=fit, passes=passes, noise=noise, figures=figures, order=order)


def _assemble(
    passes: Passes,
    fit: Fit,
    block: ReferenceBlock,
    figures: dict[str, Any],
    warnings: list[str],
) -> ScannerCalibration:
    model, values = fit.model, fit.values
    sheets = fitted_sheets(model, values, fit.covariance)
    heads, regions, responses = {}, {}, {}
    for h, name in enumerate(passes.heads):
        head = head_model(model, values, name)
        mirrored = not passes.lines[h, 0].head.rows_are_height
        sheet = sheets[head.laser]
        centre = viewpoint(
            head,
            tilt=float(np.tan(np.radians(sheet.tilt_deg))),
            skew=float(np.tan(np.radians(sheet.skew_deg))),
            mirrored=mirrored,
        )
        heads[name] = replace(head, centre_mm=centre)
        regions[name] = covered_region(model, values, fit.observations, h)
        own = [(passes.lines[h, r], passes.found[h, r]) for r in range(len(passes.names))]
        response = fit_response(model, values, h, own)
        if response is not None:
            responses[name] = response
    at = model.index["belt.mm_per_count"]
    sign = float(np.sign(passes.recordings[0].manifest.belt.nominal_mm_per_count))
    return ScannerCalibration(
        heads=heads,
        sheets=sheets,
        mm_per_count=sign * float(values[at]),
        u_mm_per_count=float(np.sqrt(fit.covariance[at, at])),
        parameter_names=model.names,
        parameters=values,
        covariance=fit.covariance,
        regions=regions,
        responses=responses,
        figures=figures,
        origin=_origin(passes, fit, block) | {"warnings": warnings},
        observations=fit.observations.to_file(),
    )


def _origin(passes: Passes, fit: Fit, block: ReferenceBlock) -> dict[str, Any]:
    temperatures = [r.manifest.temperature_c for r in passes.recordings]
    known = [t for t in temperatures if t is not None]
    return {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "geomscan": __version__,
        "block": block.model_dump(),
        "temperature_c": float(np.mean(known)) if known else None,
        "n_distortion": fit.model.n_distortion,
        "seat": {
            "u_height_mm": fit.model.seat.u_height_mm,
            "u_roll_mrad": fit.model.seat.u_roll_mrad,
            "u_pitch_mrad": fit.model.seat.u_pitch_mrad,
        },
        "assumptions": _assumptions(passes, block),
        "passes": [
            {
                "name": setup.name,
                "path": str(recording.path),
                "sha256": sha256_folder(recording.path),
                "recorded": None
                if recording.manifest.recorded is None
                else recording.manifest.recorded.isoformat(),
                "reversed": setup.reversed,
                "across_mm": setup.across_mm,
                "u_across_mm": setup.u_across_mm,
                "temperature_c": setup.temperature_c,
            }
            for setup, recording in zip(fit.model.passes, passes.recordings, strict=True)
        ],
    }


def _assumptions(passes: Passes, block: ReferenceBlock) -> list[str]:
    out = [
        "The bare belt is the plane z = 0; what it departs from that is a residual.",
        "The block's end faces stand square to its sides, seen from above: the certificate does not "
        f"say how well. 0.1 mm over its width would turn the skew by {_turn_deg(block):.3f}°.",
        "Pixels are square and the optical axis meets the middle of the sensor, where the camera's "
        "viewpoint is concerned.",
    ]
    if block.u_square_mm == 0:
        out.append("The block's end faces stand upright: the certificate gives no uncertainty.")
    for recording in passes.recordings:
        if recording.manifest.temperature_c is None:
            out.append(
                f"{recording.path.name}: no temperature recorded: {block.reference_temperature_c:g} °C taken."
            )
    if all(
        r.manifest.block is None or r.manifest.block.across_mm is None for r in passes.recordings
    ):
        out.append("No pass says where it lay across: y = 0 is the middle of the belt seen.")
    return out


def _turn_deg(block: ReferenceBlock) -> float:
    return float(np.degrees(0.1 / block.width_mm))


def _unique(names: list[str]) -> tuple[str, ...]:
    """Names that differ, in the same order; dots would part the parameter names."""
    out: list[str] = []
    for name in (n.replace(".", "_") for n in names):
        again = sum(other.split("#")[0] == name for other in out)
        out.append(name if again == 0 else f"{name}#{again + 1}")
    return tuple(out)
