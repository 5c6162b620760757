"""What to do next, in plain words, and how many more pieces would settle a question."""

from dataclasses import dataclass

import numpy as np

from geomscan.errors import InputError
from geomscan.studies.causes import Cause
from geomscan.studies.fit import FitRows, WeightFit, fit_weights
from geomscan.studies.statistics import t_quantile
from geomscan.studies.study import DensityStudy, Judgement

__all__ = ["Need", "advise", "pieces_needed"]

#: More than this is no advice.
MOST_PIECES = 400

#: Evidence from which a cause is called shown, and from which it is called likely.
SHOWN, LIKELY = 0.95, 0.75

#: What to do about each cause.
REMEDIES = {
    "density": "Put the density found here into the settings (the density file does it), then "
    "confirm it on pieces that were not in this study.",
    "height offset": "Use the density file: it takes the offset off. Then look for the reason: "
    "light that sinks into the product (offset below 0), air below the pieces or a belt zero that "
    "is off (above 0). Check the belt zero on bare belt first.",
    "one lane": "Verify the calibration in that lane with a reference block, and look at that side "
    "of the belt: dirt on the window, a worn or raised belt, a lane limit that cuts pieces.",
    "one head": "Measure the recordings again with each head alone and verify that head's "
    "calibration with a reference block.",
    "drift in time": "Look at the bare belt and at the laser's warm-up over the run; verify with "
    "the reference block at the start and at the end, and clean the window.",
    "scale zero": "Tare the empty scale, put check weights on it, add those rows (certified_g) to "
    "the weights file and run the study again.",
    "scale gain": "Put check weights on the scale and add those rows (certified_g): only they tell "
    "a scale's gain from density.",
    "fat share": "Check fat against lean on marked pieces (`geomscan tissue`), and the depth of "
    "fat in the settings by cutting a few pieces open.",
    "temperature": "Weigh and scan at one temperature, or keep one density for each; check that no "
    "piece was below its freezing point.",
    "drip loss": "Weigh right after the scan, or note the minutes and let the study take them off.",
    "swapped labels": "Look the named pieces up and correct the weights file; they were left out.",
    "missing row": "Find the weighing that is missing, or take the piece out; then run again.",
    "double row": "Find out which of the two weights is right and remove the other.",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Need:
    """How many more pieces of which mean thickness settle the question; None: none do."""

    n: int | None
    thickness_mm: tuple[float, ...]
    why: str


def pieces_needed(study: DensityStudy) -> Need:
    """Count how many more pieces would settle whether the density in use holds.

    Pieces like those at hand, at the thinnest and thickest tenth of the study, half of each or all
    of one; whichever needs fewest.
    """
    fit, judgement = study.fit, study.judgement
    thickness_mm = study.pieces.thickness_mm
    thin, thick = (float(value) for value in np.quantile(thickness_mm, [0.1, 0.9]))
    plans = {(thin, thick): "half of each", (thin,): "all thin", (thick,): "all thick"}
    if judgement.verdict in {"holds", "does not hold"}:
        return Need(n=0, thickness_mm=(), why="The question is settled.")
    margin = _margin(judgement)
    target = margin / t_quantile(0.95, max(fit.dof, 10))
    floor = _floor(study)
    if floor >= target:
        return Need(
            n=None,
            thickness_mm=(),
            why="More pieces will not settle it: the scanner's own common error "
            f"({100 * floor:.2f} % of density) is as large as what is to be decided. Calibrate "
            "anew or allow a wider tolerance.",
        )
    best: tuple[int, tuple[float, ...]] | None = None
    for plan in plans:
        n = _count(study, fit, plan, target)
        if n is not None and (best is None or n < best[0]):
            best = (n, plan)
    if best is None:
        return Need(
            n=None,
            thickness_mm=(thin, thick),
            why=f"Even {MOST_PIECES} more pieces like these would not settle it: the value in use "
            "is too near the limit of the tolerance, or the pieces scatter too much.",
        )
    words = " and ".join(f"{value:.0f} mm" for value in best[1])
    return Need(
        n=best[0],
        thickness_mm=best[1],
        why=f"About {best[0]} more pieces with a mean thickness of {words}"
        + (", half of each," if len(best[1]) > 1 else "")
        + " should settle it, if what was found so far is near the truth.",
    )


def _margin(judgement: Judgement) -> float:
    """Relative distance from what was found to the limit of the tolerance."""
    if judgement.verdict == "no density in use":
        return judgement.tolerance_percent / 100
    return abs(judgement.tolerance_percent - abs(judgement.bias_percent)) / 100


def _floor(study: DensityStudy) -> float:
    return float(np.sqrt(study.fit.run_covariance[0, 0]) / study.fit.value("lean"))


def _count(
    study: DensityStudy, fit: WeightFit, plan: tuple[float, ...], target: float
) -> int | None:
    """Fewest more pieces of this plan with which the relative u of density is small enough."""
    low, high = 1, MOST_PIECES
    if _u_with(study, fit, plan, high) > target:
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (
            (low, middle) if _u_with(study, fit, plan, middle) <= target else (middle + 1, high)
        )
    return low


def _u_with(study: DensityStudy, fit: WeightFit, plan: tuple[float, ...], n: int) -> float:
    """Relative u of density once n imagined pieces are added: they only need their sizes."""
    rows = study.rows
    area = float(np.median(rows.area_cm2))
    volume = area * np.resize(np.array(plan), n) / 10
    density = fit.value("lean") / 1000
    fat = float(np.median(rows.fat_cm3 / rows.volume_cm3))
    # more of the fat that there is, spread as it is: a fat density keeps what tells it
    fats = np.resize(rows.fat_cm3 / rows.volume_cm3, n) if "fat" in fit.names else np.full(n, fat)
    share = float(np.median(rows.u_own_cm3 / rows.volume_cm3))
    more = FitRows(
        weight_g=np.concatenate([fit.fitted_g, density * volume]),
        volume_cm3=np.concatenate([rows.volume_cm3, volume]),
        area_cm2=np.concatenate([rows.area_cm2, np.full(n, area)]),
        fat_cm3=np.concatenate([rows.fat_cm3, fats * volume]),
        u_weight_g=np.concatenate([rows.u_weight_g, np.full(n, np.median(rows.u_weight_g))]),
        u_own_cm3=np.concatenate([rows.u_own_cm3, share * volume]),
        u_run_cm3=np.concatenate([rows.u_run_cm3, np.zeros(n)]),
    )
    try:
        wider = fit_weights(
            more,
            fit.names,
            checks=study.checks,
            fat_prior=study.choice.fat_prior,
            scatter=fit.scatter,
        )
    except InputError:
        return float("inf")
    return float(
        np.hypot(
            np.sqrt(wider.covariance[0, 0]) / wider.value("lean"),
            _floor(study),
        )
    )


def advise(study: DensityStudy) -> list[str]:
    """Say what to do next, most important first."""
    steps = [f"{note}." for note in study.notes if note.startswith("NUMBERS LOOK SHIFTED")]
    shown = [cause for cause in study.causes if cause.evidence >= SHOWN]
    likely = [cause for cause in study.causes if LIKELY <= cause.evidence < SHOWN]
    named: set[str] = set()
    for cause in [*shown, *likely]:
        if cause.cause in named or (cause.cause == "scale gain" and "density" in named):
            continue
        named.add(cause.cause)
        certain = "Shown" if cause.evidence >= SHOWN else "Likely, but not shown"
        steps.append(f"{certain}: {_headline(cause)}. {REMEDIES[cause.cause]}")
        for other in cause.not_told_from:
            if other not in named and other != "scale gain":
                steps.append(
                    f"These data can't tell {cause.cause} from {other}. "
                    + _how_to_tell(cause.cause, other)
                )
                named.add(other)
    steps.append(_verdict_step(study))
    if study.judgement.verdict == "not settled":
        steps.append(pieces_needed(study).why)
    if "offset" not in study.fit.names:
        steps.append(
            "Weigh thinner and thicker pieces (12 mm and 40 mm, say): only then does a height "
            "offset come apart from density."
        )
    if len(study.checks) == 0:
        steps.append(
            "Put two or three check weights on the scale and add them as rows with certified_g: "
            "without them a scale that reads a percentage too much looks like density."
        )
    trends = [test.against for test in study.residual_tests if test.shown]
    if trends:
        steps.append(
            f"What is left over still hangs together with {', '.join(trends)}: look there before "
            "you trust the density to the last tenth of a percent."
        )
    return steps


def _headline(cause: Cause) -> str:
    size = ""
    if np.isfinite(cause.estimate):
        size = f" ({cause.estimate:+.2g} ± {cause.u:.1g} {cause.unit}; {cause.detail})"
    elif cause.detail:
        size = f" ({cause.detail})"
    return cause.cause + size


def _how_to_tell(first: str, second: str) -> str:
    both = {first, second}
    if both == {"density", "height offset"}:
        return "Pieces that differ more in thickness would: one scales with volume, one with area."
    if "scale zero" in both:
        return "Check weights would: rows with certified_g."
    if "drift in time" in both:
        return "Weighing and scanning the same pieces at the start and at the end would."
    if "one lane" in both:
        return "Scanning the same pieces once in each lane would."
    if "temperature" in both:
        return "The same pieces, scanned cold and warm, would."
    return "Pieces that differ in one and not in the other would."


def _verdict_step(study: DensityStudy) -> str:
    judgement = study.judgement
    value = judgement.assumption.lean_kg_m3
    if judgement.verdict == "no density in use":
        return (
            f"No density was in use. Take the one found here, {study.fit.value('lean'):.0f} ± "
            f"{study.fit.u('lean'):.0f} kg/m³: name the density file in the settings."
        )
    bias = judgement.bias_percent
    if judgement.verdict == "holds":
        return (
            f"Keep {value:g} kg/m³: it is shown to be right within "
            + f"± {judgement.tolerance_percent:g} %."
        )
    if judgement.verdict == "does not hold":
        way = "heavy, so they come out light" if bias > 0 else "light, so they come out heavy"
        return (
            f"Do not keep {value:g} kg/m³: by it portions are predicted {abs(bias):.1f} % too "
            f"{way}. Name the density file of this study in the settings."
        )
    seen = "a difference is seen, but" if abs(bias) > 2 * judgement.u_bias_percent else "and"
    return (
        f"Whether {value:g} kg/m³ is right within ± {judgement.tolerance_percent:g} % is not "
        f"settled: by it portions are predicted {bias:+.2f} ± {judgement.u_bias_percent:.2f} % "
        f"off; {seen} these data do not say on which side of the tolerance it lies."
    )
