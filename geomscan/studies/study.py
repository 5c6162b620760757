"""A density study: weighed pieces against measured volumes."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from geomscan.errors import CalibrationError, InputError
from geomscan.studies.alignment import find_swaps
from geomscan.studies.causes import Cause, Circumstances, rank_causes
from geomscan.studies.fit import (
    USUAL_SCATTER,
    CheckWeights,
    FitRows,
    WeightFit,
    design,
    fit_weights,
    robust_start,
)
from geomscan.studies.model_choice import Choice, choose_model
from geomscan.studies.pairing import Finding, Pairing, SetAside, pair_weighings
from geomscan.studies.residual_tests import ResidualTest, judge_residuals
from geomscan.studies.statistics import (
    Agreement,
    Concordance,
    Tost,
    bland_altman,
    concordance,
    equivalence,
    t_quantile,
)
from geomscan.studies.table import Assumption, StudyPieces
from geomscan.studies.weighings import Weighing, guess_resolution

__all__ = ["DensityStudy", "Judgement", "study_density"]

Floats = npt.NDArray[np.float64]

#: Chance, for a whole study, that a good row is called an outlier.
OUTLIER_CHANCE = 0.002


#: Weights further off than this are slips of the pen, whatever else is fitted.
GROSS_U = 10.0

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
    agreement_percent: Agreement | None  #: in use (else left-one-out) minus weighed, % of weight
    left_out_percent: Agreement | None  #: left-one-out prediction minus weighed, % of weight
    lin: Concordance | None
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
    checks = _checks(weighings, resolution_g)
    pairing, unusable = _usable(pieces, pair_weighings(pieces, weighings))
    set_aside = [*pairing.set_aside, *unusable]
    findings = list(pairing.findings)

    chosen = np.array([piece for piece, _ in pairing.pairs], dtype=np.int64)
    partners = [weighings[index] for _, index in pairing.pairs]
    rows = _rows(pieces.take(chosen), partners, resolution_g)
    _refuse_nonsense(rows)
    keep, why = _screen(rows, pieces.take(chosen), findings)
    set_aside += [
        SetAside(
            recording=str(pieces.recording[chosen[index]]),
            piece=int(pieces.piece[chosen[index]]),
            why=why[index],
            row=partners[index].row,
        )
        for index in sorted(why)
    ]
    used, rows = pieces.take(chosen[keep]), rows.take(keep)
    partners = [partner for partner, kept in zip(partners, keep, strict=True) if kept]
    fat_kg_m3 = pieces.assumption.fat_kg_m3
    choice = _one_weighing_once(choose_model(rows, checks=checks, fat_kg_m3=fat_kg_m3), partners)
    if choice.fit.scatter > WORST_SCATTER or len(rows) < len(keep) / 2:
        msg = (
            f"density study: {len(rows)} of {len(keep)} rows, paired {pairing.how}, agree on a "
            f"density, with {100 * choice.fit.scatter:.1f} % scatter: expected more than half and "
            f"below {100 * WORST_SCATTER:.0f} %; do these rows belong to these pieces?"
        )
        raise CalibrationError(msg)
    about = _circumstances(used, partners, choice.fit)
    causes = rank_causes(
        rows, about, scatter=_cause_scatter(choice.fit), checks=checks, findings=findings
    )
    predicted_g = used.predicted_g
    left_out_g = rows.weight_g - choice.fit.left_out_g
    in_use_g = predicted_g if np.isfinite(predicted_g).all() else left_out_g
    enough = len(rows) >= 3
    return DensityStudy(
        pieces=used,
        rows=rows,
        minutes_after_scan=about.minutes_after_scan,
        choice=choice,
        pairing_how=pairing.how,
        notes=pairing.notes,
        set_aside=tuple(set_aside),
        causes=tuple(causes),
        judgement=_judge(used, rows, choice.fit, tolerance),
        residual_tests=tuple(
            judge_residuals(
                choice.fit.residual_g / choice.fit.u_residual_g,
                numbers={
                    "mean thickness": used.thickness_mm,
                    "temperature": about.temperature_c,
                    "time": about.time_s,
                    "minutes since the scan": about.minutes_after_scan,
                    "place across the belt": used.y_mm,
                    "place along the belt": used.x_mm,
                },
                groups={"lane": used.lane.astype(np.str_), "head": used.head},
            )
        ),
        agreement_percent=_agreement(in_use_g, rows) if enough else None,
        left_out_percent=_agreement(left_out_g, rows) if enough else None,
        lin=concordance(in_use_g, rows.weight_g) if enough else None,
        checks=checks,
        resolution_g=resolution_g,
        product=product,
    )


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


def _checks(weighings: Sequence[Weighing], resolution_g: float) -> CheckWeights:
    rows = [row for row in weighings if row.is_check]
    return CheckWeights(
        certified_g=np.array([row.certified_g for row in rows]),
        reading_g=np.array([row.weight_g for row in rows]),
        u_reading_g=np.array([_u_scale(row, resolution_g) for row in rows]),
    )


def _u_scale(row: Weighing, resolution_g: float) -> float:
    """Give the standard uncertainty of one reading: half a step either way, all alike likely."""
    step_g = row.resolution_g if math.isfinite(row.resolution_g) else resolution_g
    return max(step_g, 1e-3) / math.sqrt(12)


def _usable(pieces: StudyPieces, pairing: Pairing) -> tuple[Pairing, list[SetAside]]:
    """Leave out pieces that were not measured as a whole."""
    left = []
    pairs = []
    for piece, weighing in pairing.pairs:
        why = pieces.incomplete(piece)
        known = [pieces.volume_cm3[piece], pieces.area_cm2[piece]]
        if why:
            why = f"the scan does not hold the whole piece ({why})"
        elif not (np.isfinite(known).all() and min(known) > 0):
            why = "the scan gave no volume"
        if why:
            left.append(
                SetAside(
                    recording=str(pieces.recording[piece]), piece=int(pieces.piece[piece]), why=why
                )
            )
        else:
            pairs.append((piece, weighing))
    return replace(pairing, pairs=tuple(pairs)), left


def _rows(pieces: StudyPieces, partners: Sequence[Weighing], resolution_g: float) -> FitRows:
    return FitRows(
        weight_g=np.array([row.weight_g for row in partners]),
        volume_cm3=pieces.volume_cm3,
        area_cm2=pieces.area_cm2,
        fat_cm3=np.minimum(pieces.fat_cm3, pieces.volume_cm3),
        u_weight_g=np.array([_u_scale(row, resolution_g) for row in partners]),
        u_own_cm3=np.nan_to_num(pieces.u_own_cm3),
        u_run_cm3=np.nan_to_num(pieces.u_run_cm3),
    )


def _screen(
    rows: FitRows, pieces: StudyPieces, findings: list[Finding]
) -> tuple[npt.NDArray[np.bool_], dict[int, str]]:
    """Find swapped labels and outliers; give the rows to keep and why the others go."""
    keep = np.ones(len(rows), dtype=bool)
    why: dict[int, str] = {}
    if len(rows) < 6:
        return keep, why
    names: tuple[str, ...] = ("lean", "offset") if len(rows) >= 8 else ("lean",)
    if len(rows) >= 12 and np.ptp(rows.fat_cm3 / rows.volume_cm3) > 0.02:
        names = ("lean", "fat", "offset")
    columns, right = design(rows, names, rows.weight_g), rows.weight_g
    # what a piece should weigh sets its scatter: a swapped label gives it another piece's weight
    size = _size(rows, float(np.median(rows.weight_g / rows.volume_cm3)) * rows.volume_cm3)
    beta, scale = robust_start(columns, right, size)
    size = _size(rows, np.maximum(columns @ beta, 1.0))
    predicted_g = columns @ beta
    good = np.abs(rows.weight_g - predicted_g) < 3.5 * scale * size
    if good.sum() > len(names) + 3:
        # a median of few rows is a rough measure of scatter: the rows that agree give a better one
        inner = np.linalg.lstsq(columns[good] / size[good, None], (right / size)[good], rcond=None)[
            0
        ]
        predicted_g = columns @ inner
        rest = (right - predicted_g)[good] / size[good]
        scale = float(np.sqrt(np.sum(rest**2) / (good.sum() - len(names))))
    for cycle, gain in find_swaps(predicted_g, scale * size, rows.weight_g):
        keep[cycle] = False
        labels = [f"{pieces.name(row)}" for row in cycle]
        for place, row in enumerate(cycle):
            other = labels[(place + 1) % len(cycle)]
            why[row] = f"swapped labels: this weight fits {other}"
        findings.append(
            Finding(
                cause="swapped labels",
                log_odds=gain / 2,
                detail="the weights of " + " and ".join(labels) + " fit each other's pieces",
            )
        )
    # a slip of the pen would bend the very fit that is to find it
    off = (rows.weight_g - predicted_g) / (scale * size)
    gross = np.flatnonzero(keep & (np.abs(off) > GROSS_U))
    if gross.size <= len(rows) // 4:
        keep[gross] = False
        for row in gross.tolist():
            left_g = float(rows.weight_g[row] - predicted_g[row])
            why[row] = (
                f"weight is {left_g:+.1f} g off what all other pieces say ({off[row]:+.0f} u)"
            )
    _outliers(rows, names, keep, why)
    return keep, why


def _refuse_nonsense(rows: FitRows) -> None:
    """Refuse weights that no meat of these volumes can have: wrong unit, wrong recording."""
    if len(rows) == 0:
        return
    density_kg_m3 = 1000 * float(np.median(rows.weight_g / rows.volume_cm3))
    if not 200 <= density_kg_m3 <= 2000:
        msg = (
            f"density study: weights over volumes give {density_kg_m3:.3g} kg/m³, expected 200 to "
            "2000: are the weights in grams, and of these pieces?"
        )
        raise CalibrationError(msg)


def _size(rows: FitRows, weight_g: Floats) -> Floats:
    """Give the standard deviation to expect of weighings of pieces that weigh so much."""
    return np.sqrt(
        rows.u_weight_g**2
        + (USUAL_SCATTER * weight_g) ** 2
        + (weight_g / rows.volume_cm3 * rows.u_own_cm3) ** 2
    )


def _outliers(
    rows: FitRows, names: tuple[str, ...], keep: npt.NDArray[np.bool_], why: dict[int, str]
) -> None:
    """Leave out, one by one, rows that the others say are impossible; a quarter at most."""
    most = max(1, len(rows) // 4)
    for _ in range(most):
        if keep.sum() < len(names) + 4:
            return
        index = np.flatnonzero(keep)
        try:
            fit = fit_weights(rows.take(keep), names)
        except InputError:
            return
        t = fit.studentised
        worst = int(np.argmax(np.abs(t)))
        limit = t_quantile(1 - OUTLIER_CHANCE / (2 * index.size), fit.dof - 1)
        if abs(t[worst]) < limit:
            return
        row = int(index[worst])
        left_g = fit.left_out_g[worst]
        keep[row] = False
        why[row] = f"weight is {left_g:+.1f} g off what all other pieces say ({t[worst]:+.1f} u)"


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
