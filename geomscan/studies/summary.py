"""A study as one machine-readable object, and as the density file that `measure` takes."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np

from geomscan import __version__
from geomscan.mass.density import U_FAT_SHARE
from geomscan.mass.density_file import DensityFile
from geomscan.studies.advice import advise, pieces_needed
from geomscan.studies.fit import WeightFit
from geomscan.studies.statistics import Agreement
from geomscan.studies.study import DensityStudy

__all__ = ["density_file_of", "summarise"]


def summarise(study: DensityStudy) -> dict[str, Any]:
    """Give everything a study found under stable names; what is not known is NaN."""
    fit, judgement = study.fit, study.judgement
    need = pieces_needed(study)
    return {
        "density_kg_m3": _tissues(study, fit.value),
        "u_density_kg_m3": _tissues(study, fit.u),
        "height_offset_mm": fit.value("offset"),
        "u_height_offset_mm": fit.u("offset"),
        "scale_zero_g": fit.value("zero"),
        "u_scale_zero_g": fit.u("zero"),
        "scale_gain_percent": fit.value("gain"),
        "u_scale_gain_percent": fit.u("gain"),
        "intervals_95": {name: fit.interval(name) for name in fit.names},
        "degrees_of_freedom": round(fit.dof, 2),
        "model": {
            "fitted": list(fit.names),
            "correlation": _correlation(fit),
            "piece_scatter_percent": 100 * fit.scatter,
            "tried": [{"fitted": list(names), "aicc": aicc} for names, aicc in study.choice.tried],
            "reasons": list(study.choice.reasons),
        },
        "prediction_rms_percent": study.rms_left_out_percent,
        "assumption": {
            "value_kg_m3": judgement.assumption.lean_kg_m3,
            "fat_kg_m3": judgement.assumption.fat_kg_m3,
            "height_offset_mm": judgement.assumption.height_offset_mm,
            "verdict": judgement.verdict,
            "tolerance_percent": judgement.tolerance_percent,
            "bias_percent": judgement.bias_percent,
            "u_bias_percent": judgement.u_bias_percent,
            "interval_90_percent": judgement.interval_90_percent,
            "p": judgement.p,
            "mass_bias_percent": judgement.mass_bias_percent,
            "u_mass_bias_percent": judgement.u_mass_bias_percent,
        },
        "agreement_percent": _agreement(study.agreement_percent),
        "prediction_percent": _agreement(study.left_out_percent),
        "lin_concordance": {
            "coefficient": study.lin.coefficient,
            "interval_95": study.lin.interval,
        },
        "residual_tests": [
            {"against": test.against, "p": test.p, "p_all": test.p_all, "shown": test.shown}
            for test in study.residual_tests
        ],
        "pairing": study.pairing_how,
        "notes": list(study.notes),
        "n_used": study.n_used,
        "set_aside": [
            {
                "recording": item.recording,
                "piece": item.piece,
                "why": item.why,
                "row": item.row,
            }
            for item in study.set_aside
        ],
        "causes": [
            {
                "cause": cause.cause,
                "evidence": cause.evidence,
                "log_odds": cause.log_odds,
                "detail": cause.detail,
                "estimate": cause.estimate,
                "u_estimate": cause.u,
                "unit": cause.unit,
                "not_told_from": list(cause.not_told_from),
            }
            for cause in study.causes
        ],
        "more_pieces": {"n": need.n, "thickness_mm": list(need.thickness_mm), "why": need.why},
        "next_steps": advise(study),
    }


def _tissues(study: DensityStudy, what: Callable[[str], float]) -> dict[str, float]:
    """Give lean, and fat where the weighings tell it."""
    found = {"lean": what("lean")}
    if study.choice.fat_told:
        found["fat"] = what("fat")
    return found


def _correlation(fit: WeightFit) -> list[list[float]]:
    covariance = fit.covariance + fit.run_covariance
    size = np.sqrt(np.diag(covariance))
    matrix: list[list[float]] = (covariance / np.outer(size, size)).tolist()
    return matrix


def _agreement(agreement: Agreement) -> dict[str, Any]:
    return {
        "bias": agreement.bias,
        "bias_interval_95": agreement.bias_interval,
        "sd": agreement.sd,
        "limits": agreement.limits,
        "low_interval_95": agreement.low_interval,
        "high_interval_95": agreement.high_interval,
    }


def density_file_of(study: DensityStudy, *, inputs: dict[str, str]) -> DensityFile:
    """Make the density file of a study: estimates, their covariance, and how they were found."""
    fit = study.fit
    fat = fit.value("fat") if "fat" in fit.names else study.judgement.assumption.fat_kg_m3
    u_fat = fit.u("fat") if "fat" in fit.names else U_FAT_SHARE * fat
    covariance = _three(fit, fit.covariance + fit.run_covariance)
    same_scanner = _three(fit, fit.covariance)
    if "fat" not in fit.names and np.isfinite(fat):
        covariance[1, 1] = same_scanner[1, 1] = u_fat**2
    with_offset = "offset" in fit.names
    temperature_c = study.pieces.temperature_c
    return DensityFile(
        lean_kg_m3=fit.value("lean"),
        u_lean_kg_m3=fit.u("lean"),
        fat_kg_m3=float(fat) if np.isfinite(fat) else None,
        u_fat_kg_m3=float(u_fat) if np.isfinite(fat) else None,
        height_offset_mm=fit.value("offset") if with_offset else None,
        u_height_offset_mm=fit.u("offset") if with_offset else None,
        covariance=covariance.tolist(),
        covariance_same_scanner=same_scanner.tolist(),
        piece_scatter_percent=100 * fit.scatter,
        calibrations=study.pieces.calibrations,
        n_used=study.n_used,
        thickness_mm=(
            float(study.pieces.thickness_mm.min()),
            float(study.pieces.thickness_mm.max()),
        ),
        temperature_c=float(temperature_c.mean()) if np.isfinite(temperature_c).all() else None,
        product=study.product,
        model=", ".join(fit.names),
        made=datetime.now(UTC).isoformat(timespec="seconds"),
        inputs=inputs,
        version=__version__,
    )


def _three(fit: WeightFit, covariance: np.ndarray[Any, np.dtype[np.float64]]) -> Any:
    """Covariance of lean, fat and offset, 0 where one was not fitted."""
    whole = np.zeros((3, 3))
    places = [
        fit.names.index(name) if name in fit.names else -1 for name in ("lean", "fat", "offset")
    ]
    for row, a in enumerate(places):
        for column, b in enumerate(places):
            if a >= 0 and b >= 0:
                whole[row, column] = covariance[a, b]
    return whole
