"""Which unknowns these weighings can tell apart, and why."""

from dataclasses import dataclass

import numpy as np

from geomscan.errors import InputError
from geomscan.studies.fit import CheckWeights, FitRows, WeightFit, fit_weights

__all__ = ["Choice", "choose_model"]

#: A height offset less sure than this says nothing: half a millimetre is 2.5 % of a 20 mm piece.
WORST_U_OFFSET_MM = 0.5

#: What is known of fat beforehand: separable fat of beef, pork and chicken lies at 942 to 972
#: kg/m³ by composition (USDA SR), adipose tissue near 920 (Farvid et al. 2005). The uncertainty
#: covers that range, and a depth of fat that is off by half, which changes fat's share alike.
USUAL_FAT_KG_M3 = 945.0
U_USUAL_FAT_KG_M3 = 60.0

#: Density of fat counts as told by the weighings where they alone give it to 3 %: less does not
#: tell fat (900 to 970 kg/m³) from lean (1030 to 1070).
WORST_U_FAT_KG_M3 = 32.0

#: A scale zero is believed without check weights only from this fall of AICc on: it and a height
#: offset look much alike where pieces are of like area.
ZERO_GAIN = 4.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """The chosen fit, all that were tried (names, AICc), and the reasons in plain words."""

    fit: WeightFit
    tried: tuple[tuple[tuple[str, ...], float], ...]
    reasons: tuple[str, ...]
    fat_told: bool  #: whether the weighings themselves tell the density of fat
    fat_prior: tuple[float, float]


def choose_model(
    rows: FitRows, *, checks: CheckWeights | None = None, fat_kg_m3: float = float("nan")
) -> Choice:
    """Choose what to fit by what can be identified, not by what happens to look significant.

    A height offset that is there but not seen would be taken for density, so it is fitted whenever
    the pieces differ enough in thickness to tell the two apart.

    Parameters
    ----------
    rows : FitRows
    checks : CheckWeights, optional
    fat_kg_m3 : float, optional
        Density of fat in use; without one what is usual for fat helps.

    Raises
    ------
    InputError
        If there are fewer than 3 rows.
    """
    if len(rows) < 3:
        msg = f"density study: expected 3 usable weighed pieces or more, got {len(rows)}"
        raise InputError(msg)
    checks = CheckWeights() if checks is None else checks
    fat_prior = (
        fat_kg_m3 if np.isfinite(fat_kg_m3) else USUAL_FAT_KG_M3,
        U_USUAL_FAT_KG_M3,
    )
    tried: list[tuple[tuple[str, ...], float]] = []
    reasons: list[str] = []

    def attempt(names: tuple[str, ...]) -> WeightFit | None:
        if len(rows) < len(set(names) - {"fat"}) + 2:
            return None
        try:
            fit = fit_weights(rows, names, checks=checks, fat_prior=fat_prior)
        except InputError:
            return None
        tried.append((names, fit.aicc))
        return fit

    tissues = ("lean", "fat") if np.any(rows.fat_cm3 > 0) else ("lean",)
    scale = _scale_terms(checks, reasons)
    best = attempt((*tissues, *scale)) or fit_weights(rows, tissues, fat_prior=fat_prior)
    best = _with_offset(best, attempt(_add(best.names, "offset")), reasons)
    if "zero" not in best.names:
        best = _with_zero(best, attempt(_add(best.names, "zero")), reasons)
    told = "fat" in best.names and _fat_told(best, fat_prior, reasons)
    return Choice(
        fit=best,
        tried=tuple(tried),
        reasons=tuple(reasons),
        fat_told=told,
        fat_prior=fat_prior,
    )


def _add(names: tuple[str, ...], name: str) -> tuple[str, ...]:
    order = ("lean", "fat", "offset", "zero", "gain")
    return tuple(item for item in order if item in {*names, name})


def _scale_terms(checks: CheckWeights, reasons: list[str]) -> tuple[str, ...]:
    """Take the scale's errors from check weights, as far as these tell them."""
    different = np.unique(checks.certified_g)
    if different.size == 0:
        reasons.append(
            "No check weights are in the file: a scale that reads a constant percentage too much "
            "or too little can't be told from a density that is off by as much."
        )
        return ()
    if different.size == 1:
        reasons.append("One check weight: the scale's gain is fitted, its zero is taken as right.")
        return ("gain",) if different[0] > 0 else ("zero",)
    reasons.append(
        "Check weights of several sizes: the scale's zero and gain are fitted with them."
    )
    return ("zero", "gain")


def _with_offset(best: WeightFit, fit: WeightFit | None, reasons: list[str]) -> WeightFit:
    if fit is None:
        reasons.append(
            "Height offset: not fitted, there are too few pieces or they are alike. The density "
            "holds for pieces of this thickness only, and hides whatever height offset there is."
        )
        return best
    u_mm = fit.u("offset")
    if u_mm > WORST_U_OFFSET_MM:
        reasons.append(
            f"Height offset: not fitted, these pieces would tell it to ± {u_mm:.2f} mm only (limit "
            f"{WORST_U_OFFSET_MM} mm). The density holds for pieces of this thickness only: weigh "
            "thinner and thicker ones."
        )
        return best
    reasons.append(
        f"Height offset: fitted, the pieces differ enough in thickness to tell it from density "
        f"(± {u_mm:.2f} mm)."
    )
    return fit


def _fat_told(fit: WeightFit, prior: tuple[float, float], reasons: list[str]) -> bool:
    """Whether the weighings alone, without what was known before, tell the density of fat."""
    index = fit.names.index("fat")
    known = 1 / fit.covariance[index, index] - 1 / prior[1] ** 2
    u_alone = known**-0.5 if known > 0 else np.inf
    if u_alone <= WORST_U_FAT_KG_M3:
        reasons.append(
            f"Density of fat: told by the weighings (± {u_alone:.0f} kg/m³ by them alone). It "
            "rests on the depth of fat in the settings, which the camera does not see."
        )
        return True
    reasons.append(
        "Density of fat: not told by these weighings, there is too little or too even fat. It was "
        f"taken as {prior[0]:g} ± {prior[1]:g} kg/m³, which also covers an uncertain depth of fat."
    )
    return False


def _with_zero(best: WeightFit, fit: WeightFit | None, reasons: list[str]) -> WeightFit:
    if fit is None or not np.isfinite(fit.aicc):
        return best
    gain = best.aicc - fit.aicc
    if gain > ZERO_GAIN:
        reasons.append(
            f"Scale zero: fitted, for the weights ask for it (AICc falls by {gain:.0f}). Check the "
            "scale's zero with nothing and with check weights on it."
        )
        return fit
    reasons.append("Scale zero: taken as right, the weights do not ask for one.")
    return best
