"""From pairs to rows of a fit, without what can't be used, swapped labels and wrong weights."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geomscan.errors import CalibrationError, InputError
from geomscan.studies.alignment import find_swaps
from geomscan.studies.fit import (
    USUAL_SCATTER,
    CheckWeights,
    FitRows,
    design,
    fit_weights,
    robust_start,
)
from geomscan.studies.pairing import Finding, SetAside, pair_weighings
from geomscan.studies.statistics import t_quantile
from geomscan.studies.table import StudyPieces
from geomscan.studies.weighings import Weighing

__all__ = ["PairedRows", "check_weights", "paired_rows", "screen"]

Floats = npt.NDArray[np.float64]

#: Chance, for a whole study, that a good row is called an outlier.
OUTLIER_CHANCE = 0.002


#: Weights further off than this are slips of the pen, whatever else is fitted.
GROSS_U = 10.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PairedRows:
    """Weighed pieces row by row, what was left out so far, and what was found on the way."""

    pieces: StudyPieces
    partners: tuple[Weighing, ...]
    rows: FitRows
    how: str
    notes: tuple[str, ...]
    set_aside: tuple[SetAside, ...]
    findings: tuple[Finding, ...]


def check_weights(weighings: Sequence[Weighing], resolution_g: float) -> CheckWeights:
    """Collect the rows with certified weights."""
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


def paired_rows(
    pieces: StudyPieces, weighings: Sequence[Weighing], resolution_g: float
) -> PairedRows:
    """Pair weighings with pieces and leave out pieces that were not measured as a whole.

    Raises
    ------
    InputError
        If no row can be paired.
    CalibrationError
        If the weights can't be those of such volumes.
    """
    pairing = pair_weighings(pieces, weighings)
    chosen, partners, left = [], [], list(pairing.set_aside)
    for piece, index in pairing.pairs:
        why = _unusable(pieces, piece)
        if why:
            left.append(_left_out(pieces, piece, why, weighings[index]))
        else:
            chosen.append(piece)
            partners.append(weighings[index])
    taken = pieces.take(np.array(chosen, dtype=np.int64))
    rows = _rows(taken, partners, resolution_g)
    _refuse_nonsense(rows)
    return PairedRows(
        pieces=taken,
        partners=tuple(partners),
        rows=rows,
        how=pairing.how,
        notes=pairing.notes,
        set_aside=tuple(left),
        findings=pairing.findings,
    )


def _unusable(pieces: StudyPieces, piece: int) -> str:
    flag = pieces.incomplete(piece)
    if flag:
        return f"the scan does not hold the whole piece ({flag})"
    known = [pieces.volume_cm3[piece], pieces.area_cm2[piece]]
    return "" if np.isfinite(known).all() and min(known) > 0 else "the scan gave no volume"


def _left_out(pieces: StudyPieces, piece: int, why: str, weighing: Weighing) -> SetAside:
    return SetAside(
        recording=str(pieces.recording[piece]),
        piece=int(pieces.piece[piece]),
        why=why,
        row=weighing.row,
    )


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


def screen(paired: PairedRows) -> PairedRows:
    """Leave out swapped labels and outliers, each with its reason.

    A robust fit of weight to volume and plan area says what pieces should weigh.
    """
    rows, pieces = paired.rows, paired.pieces
    if len(rows) < 6:
        return paired
    keep = np.ones(len(rows), dtype=bool)
    why: dict[int, str] = {}
    findings = list(paired.findings)
    names = _screened_by(rows)
    predicted_g, u_g = _expected(rows, names)
    for ring, gain in find_swaps(predicted_g, u_g, rows.weight_g):
        keep[ring] = False
        labels = [pieces.name(row) for row in ring]
        for place, row in enumerate(ring):
            why[row] = f"swapped labels: this weight fits {labels[(place + 1) % len(ring)]}"
        detail = "the weights of " + " and ".join(labels) + " fit each other's pieces"
        findings.append(Finding(cause="swapped labels", log_odds=gain / 2, detail=detail))
    # a slip of the pen would bend the very fit that is to find it
    off_g = rows.weight_g - predicted_g
    gross = np.flatnonzero(keep & (np.abs(off_g) > GROSS_U * u_g)).tolist()
    if len(gross) <= len(rows) // 4:
        keep[gross] = False
        why |= {row: _off(off_g[row], off_g[row] / u_g[row]) for row in gross}
    _outliers(rows, names, keep, why)
    left = [_left_out(pieces, row, why[row], paired.partners[row]) for row in sorted(why)]
    return replace(
        paired,
        pieces=pieces.take(keep),
        partners=tuple(paired.partners[row] for row in np.flatnonzero(keep)),
        rows=rows.take(keep),
        set_aside=(*paired.set_aside, *left),
        findings=tuple(findings),
    )


def _off(off_g: float, u: float) -> str:
    return f"weight is {off_g:+.1f} g off what all other pieces say ({u:+.1f} u)"


def _screened_by(rows: FitRows) -> tuple[str, ...]:
    if len(rows) >= 12 and np.ptp(rows.fat_cm3 / rows.volume_cm3) > 0.02:
        return ("lean", "fat", "offset")
    return ("lean", "offset") if len(rows) >= 8 else ("lean",)


def _expected(rows: FitRows, names: tuple[str, ...]) -> tuple[Floats, Floats]:
    """Give each piece's likely weight and the standard deviation of a weighing about it."""
    columns = design(rows, names, rows.weight_g)
    # what a piece should weigh sets its scatter: a swapped label gives it another piece's weight
    size = _size(rows, float(np.median(rows.weight_g / rows.volume_cm3)) * rows.volume_cm3)
    beta, scale = robust_start(columns, rows.weight_g, size)
    predicted_g = columns @ beta
    size = _size(rows, np.maximum(predicted_g, 1.0))
    good = np.abs(rows.weight_g - predicted_g) < 3.5 * scale * size
    if good.sum() > len(names) + 3:
        # a median of few rows is a rough measure of scatter: the rows that agree give a better one
        a, b = columns[good] / size[good, None], rows.weight_g[good] / size[good]
        beta = np.asarray(np.linalg.lstsq(a, b, rcond=None)[0], dtype=np.float64)
        predicted_g = columns @ beta
        scale = float(np.sqrt(np.sum((b - a @ beta) ** 2) / (good.sum() - len(names))))
    return predicted_g, scale * size


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
        keep[row] = False
        why[row] = _off(float(fit.left_out_g[worst]), float(t[worst]))
