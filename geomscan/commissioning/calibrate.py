"""Calibrate a scanner on passes of a certified block: a calibration and its evidence."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from geomscan import __version__
from geomscan.commissioning.assemble import covered_region, fitted_sheets, head_model, viewpoint
from geomscan.commissioning.fit import Fit, fit_model
from geomscan.commissioning.gather import Noise
from geomscan.commissioning.joint import fit_passes
from geomscan.commissioning.model import Model, PassSetup, Seat
from geomscan.commissioning.observations import Observations
from geomscan.commissioning.order import OrderChoice
from geomscan.commissioning.passes import Passes, read_passes
from geomscan.commissioning.residuals import residual_figures
from geomscan.commissioning.respond import fit_response
from geomscan.errors import InputError
from geomscan.files import sha256_folder
from geomscan.recording.block import ReferenceBlock
from geomscan.recording.recording import Recording
from geomscan.scanner.calibration import ScannerCalibration

__all__ = ["Evidence", "calibrate", "recompute"]


#: angles known worse than this are warned of; residuals so many times the noise too
_POOR_DEG, _MUCH_EXCESS = 0.03, 3.0


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
    joint = fit_passes(passes, block)
    fit, noise = joint.fit, joint.noise
    warnings = joint.warnings + _known_poorly(fit)
    figures = residual_figures(fit, passes.lines, passes.found, noise)
    figures["u_edge_px"] = joint.u_edge_px
    calibration = _assemble(passes, fit, block, figures, warnings)
    calibration = replace(calibration, blade_x_mm=blade_x_mm, u_blade_x_mm=u_blade_x_mm)
    return calibration, Evidence(
        fit=fit, passes=passes, noise=noise, figures=figures, order=joint.order
    )


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
        "first_y_mm": fit.model.first_y_mm,
        "u_ends_mm": [list(u) for u in fit.model.u_ends],
        "seat": {
            "u_height_mm": fit.model.seat.u_height_mm,
            "u_roll_mrad": fit.model.seat.u_roll_mrad,
            "u_pitch_mrad": fit.model.seat.u_pitch_mrad,
            "u_slip_percent": fit.model.seat.u_slip_percent,
        },
        "assumptions": _assumptions(passes, block),
        "passes": [
            {
                "name": setup.name,
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


def recompute(calibration: ScannerCalibration) -> Fit:
    """Fit a calibration's own observations once more, from nothing but what its file holds.

    Raises
    ------
    InputError
        If the file holds no observations.
    CalibrationError
        If the fit does not settle.
    """
    if not calibration.observations:
        msg = "the calibration holds no observations to recompute it from"
        raise InputError(msg)
    origin = calibration.origin
    heads = tuple(calibration.heads)
    model = Model(
        heads=heads,
        lasers=tuple(calibration.heads[h].laser for h in heads),
        sizes=tuple(calibration.heads[h].sensor_size for h in heads),
        passes=tuple(
            PassSetup(**{f.name: p[f.name] for f in fields(PassSetup)}) for p in origin["passes"]
        ),
        block=ReferenceBlock.model_validate(origin["block"]),
        n_distortion=int(origin["n_distortion"]),
        seat=Seat(**origin["seat"]),
        fans=tuple(
            name for name, sheet in calibration.sheets.items() if np.isfinite(sheet.fan_z_mm)
        ),
        first_y_mm=float(origin["first_y_mm"]),
        u_ends=tuple((float(a), float(b)) for a, b in origin.get("u_ends_mm", ())),
    )
    if model.names != calibration.parameter_names:
        msg = "the calibration's parameters are not those of the model that it names"
        raise InputError(msg)
    return fit_model(
        model,
        calibration.parameters,
        Observations.from_file(dict(calibration.observations)),
        excess=dict(calibration.figures["excess"]),
    )


def _assumptions(passes: Passes, block: ReferenceBlock) -> list[str]:
    out = [
        "The bare belt is the plane z = 0; what it departs from that is a residual.",
        "The block's end faces stand square to its sides, seen from above: the certificate does "
        f"not say how well. 0.1 mm over its width would turn the skew by {_turn_deg(block):.3f}°.",
        "Pixels are square and the optical axis meets the middle of the sensor, where the camera's "
        "viewpoint is concerned.",
    ]
    if block.u_square_mm == 0:
        out.append("The block's end faces stand upright: the certificate gives no uncertainty.")
    out += [
        f"{recording.path.name}: no temperature recorded: "
        f"{block.reference_temperature_c:g} °C taken."
        for recording in passes.recordings
        if recording.manifest.temperature_c is None
    ]
    if all(
        r.manifest.block is None or r.manifest.block.across_mm is None for r in passes.recordings
    ):
        out.append("No pass says where it lay across: y = 0 is the middle of the belt seen.")
    return out


def _known_poorly(fit: Fit) -> list[str]:
    """Warn of angles that the passes hardly tell."""
    one_way = len({setup.reversed for setup in fit.model.passes}) == 1
    advice = "turn the block end for end in every other pass" if one_way else "add passes"
    return [
        f"{name.split('.')[1]}: {what} is known to ±{fit.u(name):.2g}° only: {advice}"
        for name in fit.model.names
        for what in ("tilt", "skew")
        if name.endswith(f".{what}_deg") and fit.u(name) > _POOR_DEG
    ] + [
        f"residuals of {name} exceed the noise {factor:.1f} times: their u was enlarged by that"
        for name, factor in fit.excess.items()
        if factor > _MUCH_EXCESS
    ]


def _turn_deg(block: ReferenceBlock) -> float:
    return float(np.degrees(0.1 / block.width_mm))
