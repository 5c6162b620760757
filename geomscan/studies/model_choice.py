"""Which unknowns these weighings can tell apart, and why."""

from dataclasses import dataclass

import numpy as np

from geomscan.errors import InputError
from geomscan.studies.fit import CheckWeights, FitRows, WeightFit, fit_weights

__all__ = ["Choice", "choose_model"]

#: A height offset less sure than this says nothing: half a millimetre is 2.5 % of a 20 mm piece.
WORST_U_OFFSET_MM = 0.5

#: A fat density less sure than 3 % does not tell fat (900 to 970 kg/m³) from lean (1030 to 1070).
WORST_U_FAT = 0.03

#: A scale zero is believed without check weights only from this fall of AICc on: it and a height
#: offset look much alike where pieces are of like area.
ZERO_GAIN = 8.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """The chosen fit, every fit that was tried (names, AICc), and the reasons in plain words."""

    fit: WeightFit
    tried: tuple[tuple[tuple[str, ...], float], ...]
    reasons: tuple[str, ...]


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
        Density of fat in use, held where fat can't be fitted.

    Raises
    ------
    InputError
        If there are fewer than 3 rows.
    """
    if len(rows) < 3:
        msg = f"density study: expected 3 usable weighed pieces or more, got {len(rows)}"
        raise InputError(msg)
    checks = CheckWeights() if checks is None else checks
    tried: list[tuple[tuple[str, ...], float]] = []
    reasons: list[str] = []

    def attempt(names: tuple[str, ...]) -> WeightFit | None:
        if len(rows) < len(names) + 2:
            return None
        try:
            fit = fit_weights(rows, names, checks=checks, fat_kg_m3=fat_kg_m3)
        except InputError:
            return None
        tried.append((names, fit.aicc))
        return fit

    scale = _scale_terms(checks, reasons)
    best = attempt(("lean", *scale)) or fit_weights(rows, ("lean",), fat_kg_m3=fat_kg_m3)
    best = _with_offset(best, attempt(_add(best.names, "offset")), reasons)
    if np.any(rows.fat_cm3 > 0):
        best = _with_fat(best, attempt(_add(best.names, "fat")), fat_kg_m3, reasons)
    if "zero" not in best.names:
        best = _with_zero(best, attempt(_add(best.names, "zero")), reasons)
    return Choice(fit=best, tried=tuple(tried), reasons=tuple(reasons))


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


def _with_fat(
    best: WeightFit, fit: WeightFit | None, fat_kg_m3: float, reasons: list[str]
) -> WeightFit:
    u_share = np.inf if fit is None else fit.u("fat") / fit.value("lean")
    if fit is not None and u_share <= WORST_U_FAT:
        reasons.append(
            f"Density of fat: fitted (± {fit.u('fat'):.0f} kg/m³). It rests on the depth of fat in "
            "the settings, which the camera does not see."
        )
        return fit
    held = f"held at {fat_kg_m3:g} kg/m³" if np.isfinite(fat_kg_m3) else "fat counts as lean"
    reasons.append(f"Density of fat: not fitted, too little or too even fat; {held}.")
    return best


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
