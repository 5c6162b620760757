"""Can this light tell this fat from this lean at all? Answered on patches that a person marked."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.shape.piece_map import PieceMap, Sight
from geomscan.tissue.classify import classify
from geomscan.tissue.marks import FAT, LEAN, MapGrid, Marks
from geomscan.tissue.patches import label_patches
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.shading import block_surface, densest_value, light_less_shading
from geomscan.tissue.surface import read_surface

__all__ = [
    "Confusion",
    "Separability",
    "area_under_curve",
    "best_limit",
    "judge_marks",
    "pieces_from_maps",
]

Floats = npt.NDArray[np.floating[Any]]

#: Fewer marked cells of a class say nothing (common practice, no source).
LEAST_CELLS = 50
#: Verdicts: contrast that the ways were shown to work at, and the least that is claimed at all;
#: balanced accuracy on the marks that counts as telling them apart (common practice, no source).
SURE_CONTRAST, LEAST_CONTRAST = 1.4, 1.1
SURE_ACCURACY, LEAST_ACCURACY = 0.95, 0.85


@dataclass(frozen=True, kw_only=True, slots=True)
class Confusion:
    """Marked cells by what they were marked as and what they were taken for."""

    lean_as_lean: int
    lean_as_fat: int
    fat_as_lean: int
    fat_as_fat: int

    @property
    def balanced_accuracy(self) -> float:
        """Mean of the shares of lean and of fat that were taken for what they are."""
        lean = self.lean_as_lean / (self.lean_as_lean + self.lean_as_fat)
        fat = self.fat_as_fat / (self.fat_as_fat + self.fat_as_lean)
        return (lean + fat) / 2


@dataclass(frozen=True, kw_only=True, slots=True)
class Separability:
    """What marked patches say about light, fat and lean.

    auc: chance that a fat cell sends back more light than a lean one (0.5 tells nothing);
    auc_shaded: the same for light less shading; d_prime: difference of the class means over their
    pooled standard deviation, on the logarithm; contrast: ratio of the medians, fat to lean; limit:
    reflectance that splits the marks best; confusion: by way of telling apart.
    """

    n_lean: int
    n_fat: int
    n_patches_lean: int
    n_patches_fat: int
    auc: float
    auc_shaded: float
    d_prime: float
    contrast: float
    limit: float
    confusion: dict[str, Confusion]
    verdict: Literal["yes", "with care", "no"]
    reasons: tuple[str, ...]
    settings: TissueSettings
    lean_light: Floats = field(repr=False)
    fat_light: Floats = field(repr=False)


def area_under_curve(lean: Floats, fat: Floats) -> float:
    """Chance that a value of the second sample is above one of the first; ties count half.

    References
    ----------
    Hanley & McNeil 1982, Radiology 143(1):29: the area under the ROC curve is this chance.

    Examples
    --------
    >>> area_under_curve(np.array([1.0, 2.0]), np.array([2.0, 3.0]))
    0.875
    """
    order = np.sort(lean)
    below = np.searchsorted(order, fat, side="left")
    up_to = np.searchsorted(order, fat, side="right")
    return float((below + up_to).mean() / 2 / lean.size)


def best_limit(lean: Floats, fat: Floats) -> float:
    """Limit with the greatest sum of shares on the right side (Youden 1950, Cancer 3:32).

    It lies in the middle between the two values it parts.

    Examples
    --------
    >>> best_limit(np.array([1.0, 2.0]), np.array([3.0, 4.0]))
    2.5
    """
    values = np.unique(np.concatenate([lean, fat]))
    if values.size == 1:
        return float(values[0])
    limits = (values[1:] + values[:-1]) / 2
    lean_right = np.searchsorted(np.sort(lean), limits) / lean.size
    fat_right = 1 - np.searchsorted(np.sort(fat), limits) / fat.size
    gain = lean_right + fat_right
    best = np.flatnonzero(gain >= gain.max() - 1e-12)
    return float(limits[best[best.size // 2]])


def pieces_from_maps(
    thickness_mm: npt.NDArray[Any],
    reflectance: npt.NDArray[Any],
    number: npt.NDArray[Any],
    *,
    grid: MapGrid,
    sight: Sight | None,
) -> list[tuple[PieceMap, tuple[slice, slice]]]:
    """Cut maps of a whole run into pieces, each with its place in the maps.

    The maps hold neither how much of a cell is covered nor glare: the slope, and with it the light,
    is less well known within about 3 mm of the rim than it was when the piece was measured.
    """
    cell_mm = grid.cell_mm
    found = []
    for piece in np.unique(number[np.isfinite(number)]):
        inside = number == piece
        rows, columns = np.flatnonzero(inside.any(1)), np.flatnonzero(inside.any(0))
        part = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)
        nothing = np.where(inside[part], 0.0, np.nan)
        x_first_mm = grid.x_first_mm + float(rows[0]) * cell_mm
        found.append(
            (
                PieceMap(
                    piece=int(piece),
                    lane=0,
                    x_first_mm=x_first_mm,
                    y_first_mm=grid.y_first_mm + float(columns[0]) * cell_mm,
                    cell_mm=cell_mm,
                    thickness_mm=thickness_mm[part] + nothing,
                    cover=np.where(inside[part] & np.isfinite(thickness_mm[part]), 1.0, 0.0),
                    u_independent_mm=nothing,
                    x0_mm=x_first_mm - cell_mm / 2,
                    u_x0_mm=0.0,
                    length_mm=float(rows[-1] - rows[0] + 1) * cell_mm,
                    width_mm=float(columns[-1] - columns[0] + 1) * cell_mm,
                    reflectance=reflectance[part] + nothing,
                    sight=sight,
                ),
                part,
            )
        )
    return found


def judge_marks(pieces: Sequence[tuple[PieceMap, Marks]], settings: TissueSettings) -> Separability:
    """Judge the light on marked cells, and find settings that suit them.

    Parameters
    ----------
    pieces
        Pieces with their marks: (n_x, n_y), 0 nothing, 1 lean, 2 fat.
    settings
        Settings to start from.

    Raises
    ------
    InputError
        If fewer than 50 usable cells of a class are marked.
    """
    marked = [(piece, marks) for piece, marks in pieces if np.any(marks)]
    plain = settings.model_copy(update={"fat_is": "brighter"})
    light: dict[int, list[Floats]] = {LEAN: [], FAT: []}
    flat: dict[int, list[Floats]] = {LEAN: [], FAT: []}
    n_patches = {LEAN: 0, FAT: 0}
    for piece, marks in marked:
        surface = read_surface(piece, plain)
        if not surface.usable.any():
            continue
        blocks = block_surface(surface)
        shaded = light_less_shading(surface, blocks, blocks.coefficient)
        # each piece's own laser power goes with its most frequent value
        shaded -= densest_value(blocks.light - blocks.coefficient @ blocks.terms)
        for kind in (LEAN, FAT):
            cells = surface.usable & (marks == kind)
            light[kind].append((surface.log_light + surface.log_shade)[cells])
            flat[kind].append(shaded[cells])
            n_patches[kind] += label_patches(marks == kind)[1]
    lean, fat = np.concatenate([*light[LEAN], []]), np.concatenate([*light[FAT], []])
    for name, values in (("lean", lean), ("fat", fat)):
        if values.size < LEAST_CELLS:
            msg = (
                f"marks: expected at least {LEAST_CELLS} cells of {name} that lie on a piece and "
                f"are neither shadowed nor glaring, found {values.size}"
            )
            raise InputError(msg)
    auc = area_under_curve(lean, fat)
    auc_shaded = area_under_curve(np.concatenate(flat[LEAN]), np.concatenate(flat[FAT]))
    contrast = float(np.exp(np.median(fat) - np.median(lean)))
    darker = contrast < 1
    strength = max(contrast, 1 / contrast)
    limit = math.exp(-best_limit(-lean, -fat)) if darker else math.exp(best_limit(lean, fat))
    adapted = settings.model_copy(
        update={
            "fat_is": "darker" if darker else "brighter",
            "limit": round(limit, 6 - round(math.log10(max(limit, 1e-6)))),
            # half way, on the logarithm, between no step and the step seen
            "least_contrast": round(max(1.02, math.sqrt(strength)), 3),
        }
    )
    confusion, adapted = _try_all_ways(marked, adapted, default=settings.method)
    accuracy = confusion[adapted.method].balanced_accuracy
    verdict, reasons = _verdict(strength, accuracy, auc, n_patches)
    return Separability(
        n_lean=lean.size,
        n_fat=fat.size,
        n_patches_lean=n_patches[LEAN],
        n_patches_fat=n_patches[FAT],
        auc=auc,
        auc_shaded=auc_shaded,
        d_prime=_d_prime(lean, fat),
        contrast=contrast,
        limit=limit,
        confusion=confusion,
        verdict=verdict,
        reasons=reasons,
        settings=adapted,
        lean_light=np.exp(lean),
        fat_light=np.exp(fat),
    )


def _d_prime(lean: Floats, fat: Floats) -> float:
    """Difference of the means over the root of the mean variance (Green & Swets 1966)."""
    pooled = math.sqrt((float(lean.var(ddof=1)) + float(fat.var(ddof=1))) / 2)
    difference = abs(float(fat.mean() - lean.mean()))
    return difference / pooled if pooled > 0 else (math.inf if difference else 0.0)


def _counts(odds_or_share: list[tuple[Floats, Marks]], limit: float) -> Confusion:
    table = np.zeros((3, 2), dtype=np.int64)
    for values, marks in odds_or_share:
        for kind in (LEAN, FAT):
            as_fat = values[(marks == kind) & np.isfinite(values)] > limit
            table[kind] += np.array([np.count_nonzero(~as_fat), np.count_nonzero(as_fat)])
    return Confusion(
        lean_as_lean=int(table[LEAN, 0]),
        lean_as_fat=int(table[LEAN, 1]),
        fat_as_lean=int(table[FAT, 0]),
        fat_as_fat=int(table[FAT, 1]),
    )


def _try_all_ways(
    marked: Sequence[tuple[PieceMap, Marks]], settings: TissueSettings, *, default: str
) -> tuple[dict[str, Confusion], TissueSettings]:
    """Run every way on the marked pieces; take the default unless another is clearly better."""
    confusion: dict[str, Confusion] = {}
    shift = 0.0
    for method in ("threshold", "mixture", "network"):
        own = settings.model_copy(update={"method": method, "network_shift": 0.0})
        maps = [(classify(piece, own).fat_probability, marks) for piece, marks in marked]
        confusion[method] = _counts(maps, 0.5)
        if method == "network":
            # one shift of all log-odds: the prior odds of fat on this product (Saerens 2002)
            tried = np.linspace(-4, 4, 33)
            gains = [_counts(maps, 1 / (1 + math.exp(t))).balanced_accuracy for t in tried]
            good = np.flatnonzero(np.array(gains) >= max(gains) - 1e-9)
            shift = float(tried[good[np.argmin(np.abs(tried[good]))]])
            confusion[method] = _counts(maps, 1 / (1 + math.exp(shift)))
    best = max(confusion, key=lambda method: confusion[method].balanced_accuracy)
    gain = confusion[best].balanced_accuracy - confusion[default].balanced_accuracy
    chosen = best if gain > 0.01 else default
    return confusion, settings.model_copy(update={"method": chosen, "network_shift": shift})


def _verdict(
    strength: float, accuracy: float, auc: float, n_patches: dict[int, int]
) -> tuple[Literal["yes", "with care", "no"], tuple[str, ...]]:
    reasons = []
    if strength < LEAST_CONTRAST:
        reasons.append(
            f"fat and lean differ by a factor of {strength:.2f} only; below {LEAST_CONTRAST} shade "
            "and colour look the same"
        )
    elif strength < SURE_CONTRAST:
        reasons.append(
            f"contrast {strength:.2f} is below {SURE_CONTRAST}, where the ways were shown to work"
        )
    if accuracy < SURE_ACCURACY:
        reasons.append(f"{100 * (1 - accuracy):.0f} % of the marked cells come out wrong")
    if max(auc, 1 - auc) < SURE_ACCURACY:
        reasons.append(f"single cells overlap (AUC {auc:.2f})")
    if min(n_patches.values()) < 3:
        reasons.append("fewer than three patches of a tissue: mark more, on several pieces")
    if strength < LEAST_CONTRAST or accuracy < LEAST_ACCURACY:
        return "no", tuple(reasons)
    sure = strength >= SURE_CONTRAST and accuracy >= SURE_ACCURACY
    return ("yes" if sure else "with care"), tuple(reasons)
