"""From one piece's maps to fat and lean: one interface for every way of telling them apart."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.mixture import fit_mixture, mixture_probability
from geomscan.tissue.network import network_probability
from geomscan.tissue.patches import otsu_limit
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.shading import block_surface
from geomscan.tissue.surface import Surface, fill_from_neighbours, read_surface
from geomscan.tissue.tissue_map import TissueMap, TissueTerm

__all__ = ["UNSEEN", "classify"]

Floats = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

#: Flag of a piece none of whose light could be used: it counts as the settings' one class.
UNSEEN = "tissue_unseen"

#: Standard uncertainty of the share of fat over the mean of p·(1 − p), p the fat probability: of
#: cells that were seen, and of cells that were not. From 600 scenes of the kinds that training
#: knows, other seeds (models/CARD.md); checked on kinds that it does not know.
NETWORK_U_SEEN, NETWORK_U_UNSEEN = 0.42, 1.5
MIXTURE_U_SEEN = 4.2
#: For hard neighbours' tissue: over f·(1 − f) of each unseen cell, f the piece's share of fat.
MIXTURE_U_UNSEEN = 0.65
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
    inside, usable, probability = _probability(piece, settings)
    flags = frozenset[str]()
    if probability is None:
        probability = np.full(
            inside.shape, 0.0 if settings.one_class == "lean" else 1.0, np.float32
        )
        flags = frozenset({UNSEEN})
    return _tissue_map(piece, inside, usable, probability, flags, settings.method)


def _probability(piece: PieceMap, settings: TissueSettings) -> tuple[Mask, Mask, Floats | None]:
    """Where the piece is, where its light can be used, and its fat probability if anywhere."""
    surface = read_surface(piece, settings)
    probability = None
    if surface.usable.any():
        if settings.method == "threshold":
            probability = threshold_probability(surface, settings)
        elif settings.method == "network":
            probability = network_probability(piece, surface, block_surface(surface), settings)
        else:
            fit = fit_mixture(surface, block_surface(surface), settings)
            probability = mixture_probability(surface, fit, settings)
    return surface.inside, surface.usable, probability


def threshold_probability(surface: Surface, settings: TissueSettings) -> Floats:
    """Fat where the light passes one limit: the settings', or Otsu's of this piece; 0 or 1."""
    light = surface.log_light[surface.usable]
    if settings.limit is None:
        limit = otsu_limit(light)
    else:
        limit = float(np.log(settings.limit)) * (1 if settings.fat_is == "brighter" else -1)
    fat = np.where(surface.usable & (surface.log_light > limit), 1.0, 0.0)
    return fill_from_neighbours(fat, surface.usable)


def _tissue_map(
    piece: PieceMap,
    inside: Mask,
    usable: Mask,
    probability: Floats,
    flags: frozenset[str],
    method: str,
) -> TissueMap:
    """Put together the map, its share and the errors common to the piece."""
    if method == "network":
        in_doubt, in_doubt_unseen, shift_mm = NETWORK_U_SEEN, NETWORK_U_UNSEEN, U_OUTLINE_MM
    elif method == "mixture":
        in_doubt, in_doubt_unseen, shift_mm = MIXTURE_U_SEEN, 0.0, 0.0
    else:  # a cell on either side of each outline: steps of 1 on both have half of it as slope
        in_doubt, in_doubt_unseen, shift_mm = 0.0, 0.0, 2 * piece.cell_mm
    fat_probability, outline, filled, area, fat, n_unseen = _sum_up(
        probability,
        inside,
        usable,
        piece.cover,
        np.float32(in_doubt),
        np.float32(in_doubt_unseen),
        np.float32(shift_mm / piece.cell_mm),
    )
    fraction = fat / max(area, 1e-12)
    if method != "network":
        f = fraction * (1 - fraction)
        filled[inside & ~usable] = f * (MIXTURE_U_UNSEEN if method == "mixture" else 1.0)
    terms = (
        TissueTerm(name="fat outline", scope="piece", delta=outline),
        TissueTerm(name="fat where unseen", scope="piece", delta=filled),
    )
    shares = [
        float(np.vdot(term.delta, piece.cover.astype(np.float32))) / max(area, 1e-12)
        for term in terms
    ]
    return TissueMap(
        fat_probability=fat_probability,
        fat_area_fraction=fraction,
        u_fat_area_fraction=float(np.hypot(*shares)),
        method=method,
        terms=terms,
        n_unseen=n_unseen,
        flags=flags,
    )


@njit(nogil=True, cache=True)
def _sum_up(probability, inside, usable, cover, seen_u, unseen_u, shift_cells):  # type: ignore[no-untyped-def]
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
            doubt = p * (1 - p)
            if not usable[i, j]:
                filled[i, j] = unseen_u * doubt
                n_unseen += 1
                continue
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
