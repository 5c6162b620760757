"""Why weights disagree with predictions: causes ranked by evidence."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from geomscan.studies.fit import CheckWeights, FitRows, scale_and_height
from geomscan.studies.pairing import Finding

__all__ = ["Cause", "Circumstances", "rank_causes"]

Floats = npt.NDArray[np.float64]

#: At most this many causes at once: beyond it anything explains everything.
MOST_CAUSES = 3

#: Log odds within which the data can't tell two causes apart: 7 to 1.
ALIKE = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Cause:
    """One possible cause: evidence is the probability that it plays a part, given those tried.

    estimate and u are in `unit`, from the best model with this cause; NaN for causes that are no
    size. not_told_from lists causes from which these data can't tell it.
    """

    cause: str
    evidence: float
    log_odds: float
    detail: str = ""
    estimate: float = float("nan")
    u: float = float("nan")
    unit: str = ""
    not_told_from: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Circumstances:
    """What else is known of each row, shape (n,); NaN, 0 or empty = not known.

    predicted_g is the mass by the assumption in use, all NaN where none is stated.
    """

    predicted_g: Floats
    density_g_cm3: float  #: of lean, in use or fitted: turns heights into grams
    lane: npt.NDArray[np.int64]
    head: npt.NDArray[np.str_]
    time_s: Floats
    temperature_c: Floats
    minutes_after_scan: Floats
    #: number of each row's weighing: one weighing is of two rows where two heads saw the piece
    weighing: npt.NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Candidate:
    cause: str
    detail: str
    unit: str
    column: Floats  #: change of each row's weight in g for one unit of the cause


def rank_causes(
    rows: FitRows,
    about: Circumstances,
    *,
    scatter: float,
    checks: CheckWeights | None = None,
    findings: Sequence[Finding] = (),
) -> list[Cause]:
    """Rank what could make weights differ from predictions.

    Every set of up to three causes is fitted to weight minus prediction. A set's probability
    follows from its Bayesian information criterion, each cause in its several forms having no more
    to say beforehand than any other; a cause's evidence is the summed probability of the sets it is
    in. The scanner's own common errors are part of the expected scatter, so that what they explain
    is no cause. Without an assumption in use the density is free in every set.

    Parameters
    ----------
    rows : FitRows
    about : Circumstances
    scatter : float
        Relative scatter from piece to piece.
    checks : CheckWeights, optional
    findings : sequence of Finding
        What the pairing found wrong with rows.

    Returns
    -------
    list of Cause
        Most likely first.

    References
    ----------
    Schwarz 1978, Ann. Stat. 6:461; Kass & Raftery 1995, JASA 90:773: exp(-BIC/2) approximates the
    probability of the data under a model.
    """
    checks = CheckWeights() if checks is None else checks
    base, right = _base(rows, about, checks)
    candidates = _candidates(rows, about, checks)
    whiten = _whitener(rows, checks, about, scatter)
    columns = whiten @ np.stack([item.column for item in candidates], axis=1)
    sets, scores, values, errors = _score_sets(whiten @ base, columns, whiten @ right, candidates)
    causes = _evidence(candidates, sets, scores, values, errors)
    causes += [
        Cause(
            cause=finding.cause,
            evidence=float(1 / (1 + np.exp(-finding.log_odds))),
            log_odds=finding.log_odds,
            detail=finding.detail,
        )
        for finding in _strongest(findings)
    ]
    if len(checks) == 0:
        causes = _with_inseparable_gain(causes)
    return sorted(causes, key=lambda cause: -cause.log_odds)


def _base(rows: FitRows, about: Circumstances, checks: CheckWeights) -> tuple[Floats, Floats]:
    """Columns that every set has, and what is to be explained."""
    m = len(checks)
    if np.isfinite(about.predicted_g).all():
        misfit = np.concatenate(
            [rows.weight_g - about.predicted_g, checks.reading_g - checks.certified_g]
        )
        return np.zeros((misfit.size, 0)), misfit
    right = np.concatenate([rows.weight_g, checks.reading_g - checks.certified_g])
    return np.concatenate([rows.volume_cm3, np.zeros(m)])[:, None], right


def _candidates(rows: FitRows, about: Circumstances, checks: CheckWeights) -> list[_Candidate]:
    """Collect all forms of all causes that these rows could show."""
    density = about.density_g_cm3
    stated = bool(np.isfinite(about.predicted_g).all())
    mass_g = about.predicted_g if stated else density * rows.volume_cm3
    percent_g, height_g = mass_g / 100, -rows.area_cm2 * density / 10
    found: list[_Candidate] = []

    def add(
        cause: str, detail: str, unit: str, column: Floats, check: Floats | None = None
    ) -> None:
        on_checks = np.zeros(len(checks)) if check is None else check
        whole = np.concatenate([column, on_checks])
        if np.any(whole != 0):
            found.append(_Candidate(cause=cause, detail=detail, unit=unit, column=whole))

    if stated:
        add("density", "density of lean against the one in use", "kg/m³", _lean(rows) / 1000)
    add("height offset", "light under the surface, air below, or belt zero", "mm", height_g)
    add(
        "scale zero",
        "the scale reads too much or too little",
        "g",
        np.ones(len(rows)),
        np.ones(len(checks)),
    )
    if len(checks):
        add(
            "scale gain",
            "the scale reads too much or too little",
            "%",
            percent_g,
            checks.certified_g / 100,
        )
    for kind, labels in (("lane", about.lane), ("head", about.head)):
        for label in _groups(labels):
            here = (labels == label).astype(np.float64)
            add(f"one {kind}", f"{kind} {label}, scale", "%", percent_g * here)
            add(f"one {kind}", f"{kind} {label}, height", "mm", height_g * here)
    if _varies(about.time_s):
        since = (about.time_s - about.time_s.min()) / np.ptp(about.time_s)
        add("drift in time", "scale, from the first piece to the last", "%", percent_g * since)
        add("drift in time", "height, from the first piece to the last", "mm", height_g * since)
        add("drift in time", "scale, about the middle", "%", percent_g * (since - since.mean()))
        add("drift in time", "height, about the middle", "mm", height_g * (since - since.mean()))
    if _varies(rows.fat_cm3 / rows.volume_cm3):
        add("fat share", "fat is denser, or more, than taken", "kg/m³ of fat", rows.fat_cm3 / 1000)
    if _varies(about.temperature_c):
        warmer = about.temperature_c - about.temperature_c.mean()
        add("temperature", "per kelvin", "%/K", percent_g * warmer)
    if _varies(about.minutes_after_scan):
        add(
            "drip loss",
            "per minute between scan and scale",
            "%/min",
            percent_g * about.minutes_after_scan,
        )
    return found


def _lean(rows: FitRows) -> Floats:
    return rows.volume_cm3 - rows.fat_cm3


def _varies(values: Floats) -> bool:
    if not np.isfinite(values).all():
        return False
    return bool(np.ptp(values) > 1e-9 * max(1.0, float(np.abs(values).max())))


def _groups(labels: npt.NDArray[np.int64] | npt.NDArray[np.str_]) -> list[object]:
    """Labels that at least two rows carry, if there is more than one label."""
    different, counts = np.unique(labels, return_counts=True)
    known = [
        label
        for label, count in zip(different.tolist(), counts.tolist(), strict=True)
        if count >= 2 and label not in {0, ""}
    ]
    return known if len(different) > 1 else []


def _whitener(rows: FitRows, checks: CheckWeights, about: Circumstances, scatter: float) -> Floats:
    """Matrix that makes the expected scatter of all rows independent and of size 1."""
    density, n = about.density_g_cm3, len(rows)
    covariance = np.zeros((n + len(checks), n + len(checks)))
    # a piece's own density and its weighing are the same, whichever head saw it
    same = about.weighing[:, None] == about.weighing[None, :]
    of_piece = np.hypot(rows.u_weight_g, scatter * rows.weight_g)
    covariance[:n, :n] = same * np.outer(of_piece, of_piece)
    covariance[np.arange(n), np.arange(n)] += (density * rows.u_own_cm3) ** 2 + 1e-9
    covariance[np.arange(n, len(covariance)), np.arange(n, len(covariance))] = checks.u_reading_g**2
    scale, height = scale_and_height(rows)
    for change_cm3 in (scale * rows.volume_cm3, height * rows.area_cm2):
        change_g = np.concatenate([density * change_cm3, np.zeros(len(checks))])
        covariance += np.outer(change_g, change_g)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)), dtype=np.float64)


def _score_sets(
    base: Floats, columns: Floats, right: Floats, candidates: list[_Candidate]
) -> tuple[list[tuple[int, ...]], Floats, list[Floats], list[Floats]]:
    """Fit every set of causes; give sets, log probability (not normalised), values and errors."""
    n = right.size
    if base.shape[1]:
        basis, _ = np.linalg.qr(base)
        columns = columns - basis @ (basis.T @ columns)
        right = right - basis @ (basis.T @ right)
    size = np.linalg.norm(columns, axis=0)
    size[size < 1e-9] = np.inf  # nothing left of it beside the base: it can't be told at all
    normed = columns / size
    gram, projection = normed.T @ normed, normed.T @ right
    total = float(right @ right)
    forms = {
        item.cause: sum(other.cause == item.cause for other in candidates) for item in candidates
    }
    sets: list[tuple[int, ...]] = []
    most = min(MOST_CAUSES, n - base.shape[1] - 2)
    for count in range(most + 1):
        sets += [
            chosen
            for chosen in combinations(range(len(candidates)), count)
            if len({candidates[index].cause for index in chosen}) == count
        ]
    scores, values, errors = [], [], []
    for chosen in sets:
        index = list(chosen)
        k = len(index)
        # the ridge only keeps sets of like columns from failing; they then gain nothing
        inverse = np.linalg.inv(gram[np.ix_(index, index)] + 1e-9 * np.eye(k))
        beta = inverse @ projection[index]
        rest = max(total - float(projection[index] @ beta), 1e-9 * total, 1e-12)
        variance = rest / max(n - k - base.shape[1], 1)
        prior = -sum(np.log(forms[candidates[item].cause]) for item in index)
        scores.append(-0.5 * (n * np.log(rest / n) + (k + base.shape[1]) * np.log(n)) + prior)
        values.append(beta / size[index])
        errors.append(np.sqrt(np.diag(inverse) * variance) / size[index])
    return sets, np.array(scores), values, errors


def _evidence(
    candidates: list[_Candidate],
    sets: list[tuple[int, ...]],
    scores: Floats,
    values: list[Floats],
    errors: list[Floats],
) -> list[Cause]:
    names = list(dict.fromkeys(item.cause for item in candidates))
    members = [{candidates[index].cause for index in chosen} for chosen in sets]
    held = {name: np.array([name in member for member in members]) for name in names}
    total = _log_sum(scores)
    causes = []
    for name in names:
        log_odds = _log_sum(scores[held[name]]) - _log_sum(scores[~held[name]])
        best = int(np.flatnonzero(held[name])[np.argmax(scores[held[name]])])
        place = next(i for i, index in enumerate(sets[best]) if candidates[index].cause == name)
        form = candidates[sets[best][place]]
        alike = []
        for other in names:
            mine, its = held[name] & ~held[other], held[other] & ~held[name]
            either = _log_sum(scores[held[name] | held[other]]) - total
            near = abs(_log_sum(scores[mine]) - _log_sum(scores[its])) < ALIKE
            alone = np.logaddexp(_log_sum(scores[mine]), _log_sum(scores[its])) - total
            if other != name and near and either > np.log(0.8) and alone > np.log(0.5):
                alike.append(other)
        causes.append(
            Cause(
                cause=name,
                evidence=float(1 / (1 + np.exp(-np.clip(log_odds, -500, 500)))),
                log_odds=log_odds,
                detail=form.detail,
                estimate=float(values[best][place]),
                u=float(errors[best][place]),
                unit=form.unit,
                not_told_from=tuple(alike),
            )
        )
    return causes


def _log_sum(scores: Floats) -> float:
    if scores.size == 0:
        return -500.0
    top = float(scores.max())
    return top + float(np.log(np.sum(np.exp(scores - top))))


def _strongest(findings: Sequence[Finding]) -> list[Finding]:
    """One finding of each kind, its details joined."""
    joined = []
    for kind in dict.fromkeys(finding.cause for finding in findings):
        same = [finding for finding in findings if finding.cause == kind]
        joined.append(
            Finding(
                cause=kind,
                log_odds=max(finding.log_odds for finding in same),
                detail="; ".join(finding.detail for finding in same),
            )
        )
    return joined


def _with_inseparable_gain(causes: list[Cause]) -> list[Cause]:
    """Without check weights a scale's gain looks exactly like density: say so, both ways."""
    shown = []
    for cause in causes:
        if cause.cause != "density":
            shown.append(cause)
            continue
        twin = Cause(
            cause="scale gain",
            evidence=cause.evidence,
            log_odds=cause.log_odds - 1e-6,
            detail="inseparable from density without check weights in the file",
            not_told_from=("density", *cause.not_told_from),
        )
        told = Cause(
            cause=cause.cause,
            evidence=cause.evidence,
            log_odds=cause.log_odds,
            detail=cause.detail + "; inseparable from a scale gain without check weights",
            estimate=cause.estimate,
            u=cause.u,
            unit=cause.unit,
            not_told_from=("scale gain", *cause.not_told_from),
        )
        shown += [told, twin]
    return shown
