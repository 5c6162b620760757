"""A density study: weighed pieces against measured volumes."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from geomscan.errors import CalibrationError, InputError
from geomscan.studies.causes import Cause, Circumstances, rank_causes
from geomscan.studies.fit import USUAL_SCATTER, CheckWeights, FitRows, WeightFit
from geomscan.studies.model_choice import Choice, choose_model
from geomscan.studies.pairing import SetAside
from geomscan.studies.residual_tests import ResidualTest, judge_residuals
from geomscan.studies.screening import check_weights, paired_rows, screen
from geomscan.studies.statistics import (
    Agreement,
    Concordance,
    Tost,
    bland_altman,
    concordance,
    equivalence,
)
from geomscan.studies.table import Assumption, StudyPieces
from geomscan.studies.weighings import Weighing, guess_resolution

__all__ = ["DensityStudy", "Judgement", "study_density"]

Floats = npt.NDArray[np.float64]

#: Scatter from piece to piece beyond which weights and volumes do not belong together: raw meat of
#: one kind scatters 0.5 %, lean and fat differ by 10 %.
WORST_SCATTER = 0.1


@dataclass(frozen=True, kw_only=True, slots=True)
class Judgement:
    """Verdict on the density in use.

    bias_percent is what its value does to predicted portions, (in use / found - 1)·100: above 0
    they are predicted too heavy and come out too light. mass_bias_percent is what all errors
    together do to the pieces weighed here, predicted minus weighed.
    """

    assumption: Assumption
    verdict: Literal["holds", "does not hold", "not settled", "no density in use"]
    tolerance_percent: float
    bias_percent: float = float("nan")
    u_bias_percent: float = float("nan")
    interval_90_percent: tuple[float, float] = (float("nan"), float("nan"))
    p: float = float("nan")
    mass_bias_percent: float = float("nan")
    u_mass_bias_percent: float = float("nan")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DensityStudy:
    """Everything a study found; arrays belong to the rows that were used, in belt order."""

    pieces: StudyPieces
    rows: FitRows
    minutes_after_scan: Floats
    choice: Choice
    pairing_how: str
    notes: tuple[str, ...]
    set_aside: tuple[SetAside, ...]
    causes: tuple[Cause, ...]
    judgement: Judgement
    residual_tests: tuple[ResidualTest, ...]
    agreement_percent: Agreement  #: in use (else left-one-out) minus weighed, % of weight
    left_out_percent: Agreement  #: left-one-out prediction minus weighed, % of weight
    lin: Concordance
    checks: CheckWeights
    resolution_g: float
    product: str  #: as the weights file names it

    @property
    def fit(self) -> WeightFit:
        """The chosen fit."""
        return self.choice.fit

    @property
    def n_used(self) -> int:
        """Number of rows in the fit."""
        return len(self.rows)

    @property
    def rms_left_out_percent(self) -> float:
        """Rms error of predicting each piece from the others, in percent of its weight."""
        return float(100 * np.sqrt(np.mean((self.fit.left_out_g / self.rows.weight_g) ** 2)))


def study_density(
    pieces: StudyPieces,
    weighings: Sequence[Weighing],
    *,
    tolerance: float = 0.01,
    assumption: Assumption | None = None,
) -> DensityStudy:
    """Find densities, height offset and what is wrong, from weighed pieces.

    Parameters
    ----------
    pieces : StudyPieces
    weighings : sequence of Weighing
    tolerance : float
        Relative difference of density that does not matter.
    assumption : Assumption, optional
        Judge this one instead of the one in use.

    Raises
    ------
    InputError
        If nothing can be paired, fewer than 3 rows are usable, or rows are of several products.
    CalibrationError
        If weights and volumes do not belong together at all.
    """
    if not 0 < tolerance < 0.5:
        msg = f"tolerance: expected above 0 and below 50 %, got {100 * tolerance:g} %"
        raise InputError(msg)
    if assumption is not None:
        pieces = pieces.under(assumption)
    elif pieces.assumption.stated and not np.isfinite(pieces.predicted_g).all():
        pieces = pieces.under(pieces.assumption)
    product = _product(weighings)
    resolution_g = guess_resolution([row.weight_g for row in weighings])
    checks = check_weights(weighings, resolution_g)
    paired = paired_rows(pieces, weighings, resolution_g)
    kept = screen(paired)
    used, rows, partners = kept.pieces, kept.rows, kept.partners
    choice = choose_model(rows, checks=checks, fat_kg_m3=pieces.assumption.fat_kg_m3)
    choice = _one_weighing_once(choice, partners)
    if choice.fit.scatter > WORST_SCATTER or len(rows) < len(paired.rows) / 2:
        msg = (
            f"density study: {len(rows)} of {len(paired.rows)} rows, paired {kept.how}, agree on a "
            f"density, with {100 * choice.fit.scatter:.1f} % scatter: expected more than half and "
            f"below {100 * WORST_SCATTER:.0f} %; do these rows belong to these pieces?"
        )
        raise CalibrationError(msg)
    about = _circumstances(used, partners, choice.fit)
    causes = rank_causes(
        rows, about, scatter=_cause_scatter(choice.fit), checks=checks, findings=kept.findings
    )
    left_out_g = rows.weight_g - choice.fit.left_out_g
    in_use_g = used.predicted_g if np.isfinite(used.predicted_g).all() else left_out_g
    return DensityStudy(
        pieces=used,
        rows=rows,
        minutes_after_scan=about.minutes_after_scan,
        choice=choice,
        pairing_how=kept.how,
        notes=kept.notes,
        set_aside=kept.set_aside,
        causes=tuple(causes),
        judgement=_judge(used, rows, choice.fit, tolerance),
        residual_tests=_residual_tests(used, about, choice.fit),
        agreement_percent=_agreement(in_use_g, rows),
        left_out_percent=_agreement(left_out_g, rows),
        lin=concordance(in_use_g, rows.weight_g),
        checks=checks,
        resolution_g=resolution_g,
        product=product,
    )


def _residual_tests(
    pieces: StudyPieces, about: Circumstances, fit: WeightFit
) -> tuple[ResidualTest, ...]:
    tests = judge_residuals(
        fit.residual_g / fit.u_residual_g,
        numbers={
            "mean thickness": pieces.thickness_mm,
            "temperature": about.temperature_c,
            "time": about.time_s,
            "minutes since the scan": about.minutes_after_scan,
            "place across the belt": pieces.y_mm,
            "place along the belt": pieces.x_mm,
        },
        groups={"lane": pieces.lane.astype(np.str_), "head": pieces.head},
    )
    return tuple(tests)


def _product(weighings: Sequence[Weighing]) -> str:
    """Name the one product of the rows; two have two densities."""
    names = sorted({row.product for row in weighings if row.product and not row.is_check})
    if len(names) > 1:
        msg = f"weights: expected one product, found {', '.join(names)[:200]}: study each by itself"
        raise InputError(msg)
    return names[0] if names else ""


def _agreement(predicted_g: Floats, rows: FitRows) -> Agreement:
    percent = 100 * (predicted_g - rows.weight_g) / rows.weight_g
    return bland_altman(percent, np.zeros(percent.size))


def _circumstances(
    pieces: StudyPieces, partners: Sequence[Weighing], fit: WeightFit
) -> Circumstances:
    weighed_c = np.array([row.temperature_c for row in partners])
    minutes = np.array([row.minutes_after_scan for row in partners])
    time_s = pieces.time_s
    if not np.isfinite(time_s).all():
        time_s = np.arange(len(pieces), dtype=np.float64)  # belt order stands in for time
    in_use = pieces.assumption.lean_kg_m3 if pieces.assumption.stated else fit.value("lean")
    return Circumstances(
        predicted_g=pieces.predicted_g,
        density_g_cm3=in_use / 1000,
        lane=pieces.lane,
        head=pieces.head,
        time_s=time_s,
        temperature_c=np.where(np.isfinite(weighed_c), weighed_c, pieces.temperature_c),
        minutes_after_scan=minutes,
        weighing=np.array([row.row for row in partners], dtype=np.int64),
    )


def _one_weighing_once(choice: Choice, partners: Sequence[Weighing]) -> Choice:
    """Count a weighing once where several heads saw its piece: repeats tell nothing of scatter."""
    repeats = len(partners) / len({row.row for row in partners})
    if repeats == 1:
        return choice
    fit = replace(
        choice.fit, covariance=repeats * choice.fit.covariance, dof=choice.fit.dof / repeats
    )
    return replace(choice, fit=fit)


def _cause_scatter(fit: WeightFit) -> float:
    """Scatter to expect beside a cause: as fitted, but not more than pieces are known to have."""
    return float(np.clip(fit.scatter, 0.5 * USUAL_SCATTER, 2 * USUAL_SCATTER))


def _judge(pieces: StudyPieces, rows: FitRows, fit: WeightFit, tolerance: float) -> Judgement:
    assumption = pieces.assumption
    if not assumption.stated:
        return Judgement(
            assumption=assumption,
            verdict="no density in use",
            tolerance_percent=100 * tolerance,
        )
    found = fit.value("lean")
    bias = assumption.lean_kg_m3 / found - 1
    u_bias = fit.u("lean") / found * (1 + bias)
    test: Tost = equivalence(bias, u_bias, fit.dof, tolerance)
    error_g = pieces.predicted_g - rows.weight_g
    total_g = float(rows.weight_g.sum())
    mass_bias = float(error_g.sum()) / total_g
    scatter_g = error_g - mass_bias * rows.weight_g
    n = len(rows)
    u_mass = float(np.sqrt(np.sum(scatter_g**2) * n / max(n - 1, 1))) / total_g
    return Judgement(
        assumption=assumption,
        verdict=test.verdict,
        tolerance_percent=100 * tolerance,
        bias_percent=100 * bias,
        u_bias_percent=100 * u_bias,
        interval_90_percent=(100 * test.interval_90[0], 100 * test.interval_90[1]),
        p=test.p,
        mass_bias_percent=100 * mass_bias,
        u_mass_bias_percent=100 * u_mass,
    )
