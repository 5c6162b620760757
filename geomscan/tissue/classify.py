"""From one piece's maps to fat and lean: one interface for every way of telling them apart."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.mixture import fit_mixture, mixture_probability
from geomscan.tissue.network import network_probability
from geomscan.tissue.patches import (
    drop_what_is_no_tissue,
    follows_slope,
    keep_one_class,
    otsu_limit,
)
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.shading import block_surface
from geomscan.tissue.surface import Surface, fill_from_neighbours, read_surface
from geomscan.tissue.tissue_map import TissueMap, TissueTerm

__all__ = ["FOLLOWS_SLOPE", "UNSEEN", "classify"]

Floats = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

#: Flag of a piece none of whose light could be used: it counts as the settings' one class.
UNSEEN = "tissue_unseen"
#: Flag of a piece some of whose fat may be the shade of a tilted face: see `follows_slope`.
FOLLOWS_SLOPE = "fat_follows_slope"

#: Standard uncertainty of the share of fat over the mean of p·(1 − p), p the fat probability: of
#: cells that were seen, and of cells that were not. From 600 scenes of the kinds that training
#: knows, other seeds (models/CARD.md); checked on kinds that it does not know.
NETWORK_U_SEEN, NETWORK_U_UNSEEN = 0.42, 1.5
MIXTURE_U_SEEN = 4.2
#: A patch that is fat or not with even chances: standard deviation of its share of fat.
U_EITHER = 0.5
#: Over f·(1 - f) of each unseen cell, f the piece's share of fat: for the mixture, which gives it
#: its neighbours' tissue, and the least that the network's own guess leaves open.
SHARE_U_UNSEEN = 0.65
#: The network's outlines may lie off by the same distance all around a piece. Under a blur of σ the
#: light of an outline is half way at its true place, its logarithm up to 0.29 σ outside (contrast
#: 2.5: Φ⁻¹ of (√2.5 - 1)/1.5); how much of the blur adds light and how much multiplies it (light
#: that spreads below the surface) is not known. With 0.5 mm of blur (line, lens, cell) that is
#: anything up to 0.145 mm, so 0.145/√3. The blur is a judgement, no source.
U_OUTLINE_MM = 0.08


def classify(piece: PieceMap, settings: TissueSettings) -> TissueMap:
    """Tell fat from lean on one piece.

    Parameters
    ----------
    piece : PieceMap
        With a reflectance map.
    settings : TissueSettings
        Section [tissue]: the way and its limits.

    Returns
    -------
    TissueMap
        Its terms are errors common to the piece; their sum over the plan area, in quadrature, is
        the uncertainty of the share. A limit (method "threshold") knows no probability: its
        uncertainty counts a cell on either side of each outline.

    Raises
    ------
    InputError
        If the piece has no reflectance map, or the network's file is not the shipped one.

    Notes
    -----
    Bulk fat at the surface is the claim; fine marbling is not.
    """
    surface = read_surface(piece, settings)
    told = _told(piece, surface, settings) if surface.usable.any() else None
    if told is None:
        only = np.full(surface.inside.shape, float(settings.one_class == "fat"), np.float32)
        told = _Told(probability=only, guess=only, doubtful=None, flags=frozenset({UNSEEN}))
    return _tissue_map(piece, surface, told, settings.method)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Told:
    """Fat probability, what it was before whole patches were turned, and patches in doubt."""

    probability: Floats
    guess: Floats
    doubtful: Mask | None = None
    flags: frozenset[str] = frozenset()


def _told(piece: PieceMap, surface: Surface, settings: TissueSettings) -> _Told:
    """Tell fat from lean where some light can be used."""
    if settings.method == "threshold":
        probability = threshold_probability(surface, settings)
        return _Told(probability=probability, guess=probability)
    blocks = block_surface(surface)
    if settings.method == "network":
        guess = network_probability(piece, surface, blocks, settings)
        probability = guess.copy()
        drop_what_is_no_tissue(
            probability,
            surface.inside,
            settings,
            cell_mm=surface.cell_mm,
            usable=surface.usable,
        )
        keep_one_class(probability, surface.inside, surface.usable, settings)
    else:
        probability = mixture_probability(surface, fit_mixture(surface, blocks, settings), settings)
        guess = probability
    doubtful = follows_slope(probability, surface, settings)
    flags = frozenset[str]() if doubtful is None else frozenset({FOLLOWS_SLOPE})
    if settings.method == "network":  # too small, or too little of them seen, to be claimed
        turned = surface.inside & ((probability > 0.5) != (guess > 0.5))
        doubtful = turned if doubtful is None else doubtful | turned
    return _Told(probability=probability, guess=guess, doubtful=doubtful, flags=flags)


def threshold_probability(surface: Surface, settings: TissueSettings) -> Floats:
    """Fat where the light passes one limit: the settings', or Otsu's of this piece; 0 or 1.

    The light as it came, its shade not taken off: as plain as it gets.
    """
    log_reflectance = surface.log_light + surface.log_shade
    light = log_reflectance[surface.usable]
    if settings.limit is None:
        limit = otsu_limit(light)
    else:
        limit = float(np.log(settings.limit)) * (1 if settings.fat_is == "brighter" else -1)
    fat = np.where(surface.usable & (log_reflectance > limit), 1.0, 0.0)
    return fill_from_neighbours(fat, surface.usable)


def _tissue_map(piece: PieceMap, surface: Surface, told: _Told, method: str) -> TissueMap:
    """Put together the map, its share and the errors common to the piece."""
    inside, usable = surface.inside, surface.usable
    if method == "network":
        in_doubt, in_doubt_unseen, shift_mm = NETWORK_U_SEEN, NETWORK_U_UNSEEN, U_OUTLINE_MM
    elif method == "mixture":
        in_doubt, in_doubt_unseen, shift_mm = MIXTURE_U_SEEN, 0.0, 0.0
    else:  # a cell on either side of each outline: steps of 1 on both have half of it as slope
        in_doubt, in_doubt_unseen, shift_mm = 0.0, 0.0, 2 * piece.cell_mm
    fat_probability, outline, filled, area, fat, n_unseen = _sum_up(
        told.probability,
        told.guess,
        inside,
        usable,
        piece.cover,
        np.float32(in_doubt),
        np.float32(in_doubt_unseen),
        np.float32(shift_mm / piece.cell_mm),
    )
    fraction = fat / max(area, 1e-12)
    share_open = fraction * (1 - fraction) * (1.0 if method == "threshold" else SHARE_U_UNSEEN)
    filled = np.where(inside & ~usable, np.maximum(filled, np.float32(share_open)), filled)
    terms = [
        TissueTerm(name="fat outline", scope="piece", delta=outline),
        TissueTerm(name="fat where unseen", scope="piece", delta=filled),
    ]
    if told.doubtful is not None:
        either = np.where(told.doubtful & inside, np.float32(U_EITHER), np.float32(0))
        terms.append(TissueTerm(name="patches in doubt", scope="piece", delta=either))
    cover = piece.cover.astype(np.float32)
    shares = [float(np.vdot(term.delta, cover)) / max(area, 1e-12) for term in terms]
    return TissueMap(
        fat_probability=fat_probability,
        fat_area_fraction=fraction,
        u_fat_area_fraction=float(np.hypot.reduce(shares)),
        method=method,
        terms=tuple(terms),
        n_unseen=n_unseen,
        flags=told.flags,
    )


@njit(nogil=True, cache=True)
def _sum_up(probability, guess, inside, usable, cover, seen_u, unseen_u, shift_cells):  # type: ignore[no-untyped-def]
    """Map of fat, NaN where the piece is not, its errors, areas in cells, and cells not seen.

    The outline's error is that of telling cells apart, u·p·(1 - p), and a shift of every outline
    by the same distance, which changes p by its slope: their sum over the piece is the outline's
    length times the shift. The two in quadrature.
    """
    n_x, n_y = probability.shape
    fat_map = np.full((n_x, n_y), np.nan, np.float32)
    outline = np.zeros((n_x, n_y), np.float32)
    filled = np.zeros((n_x, n_y), np.float32)
    area = fat = 0.0
    n_unseen = 0
    half = np.float32(0.5)
    for i in range(n_x):
        for j in range(n_y):
            if not inside[i, j]:
                continue
            p = np.float32(probability[i, j])
            fat_map[i, j] = p
            area += cover[i, j]
            fat += cover[i, j] * p
            if not usable[i, j]:
                here = np.float32(guess[i, j])
                filled[i, j] = unseen_u * here * (1 - here)
                n_unseen += 1
                continue
            doubt = p * (1 - p)
            # beyond the piece its own value goes on: the piece's rim is no outline of its fat
            low = probability[i - 1, j] if i > 0 and inside[i - 1, j] else p
            high = probability[i + 1, j] if i < n_x - 1 and inside[i + 1, j] else p
            left = probability[i, j - 1] if j > 0 and inside[i, j - 1] else p
            right = probability[i, j + 1] if j < n_y - 1 and inside[i, j + 1] else p
            along, across = half * (high - low), half * (right - left)
            told = seen_u * doubt
            shift = shift_cells * shift_cells * (along * along + across * across)
            outline[i, j] = np.sqrt(told * told + shift)
    return fat_map, outline, filled, area, fat, n_unseen
