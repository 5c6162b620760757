"""From one piece's maps to fat and lean: one interface for every way of telling them apart."""

import numpy as np
import numpy.typing as npt

from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.mixture import fit_mixture, mixture_probability
from geomscan.tissue.network import network_probability
from geomscan.tissue.patches import otsu_limit
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.shading import block_surface
from geomscan.tissue.surface import Surface, fill_from_neighbours, read_surface
from geomscan.tissue.tissue_map import TissueMap, TissueTerm

__all__ = ["UNSEEN", "classify"]

Floats = npt.NDArray[np.float64]

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
    surface = read_surface(piece, settings)
    inside = surface.inside
    flags = frozenset[str]()
    if not surface.usable.any():
        probability = np.full(inside.shape, 0.0 if settings.one_class == "lean" else 1.0)
        flags = frozenset({UNSEEN})
    elif settings.method == "threshold":
        probability = threshold_probability(surface, settings)
    else:
        blocks = block_surface(surface)
        if settings.method == "network":
            probability = network_probability(piece, surface, blocks, settings)
        else:
            fit = fit_mixture(surface, blocks, settings)
            probability = mixture_probability(surface, fit, settings)
    area = np.where(inside, piece.cover, 0.0)
    fraction = float((probability * area).sum() / max(float(area.sum()), 1e-12))
    terms = _terms(surface, probability, fraction, settings.method)
    shares = [float((term.delta * area).sum() / max(float(area.sum()), 1e-12)) for term in terms]
    return TissueMap(
        fat_probability=np.where(inside, probability, np.nan),
        fat_area_fraction=fraction,
        u_fat_area_fraction=float(np.sqrt(sum(share**2 for share in shares))),
        method=settings.method,
        terms=terms,
        n_unseen=surface.n_unseen,
        flags=flags,
    )


def threshold_probability(surface: Surface, settings: TissueSettings) -> Floats:
    """Fat where the light passes one limit: the settings', or Otsu's of this piece; 0 or 1."""
    light = surface.log_light[surface.usable]
    if settings.limit is None:
        limit = otsu_limit(light)
    else:
        limit = float(np.log(settings.limit)) * (1 if settings.fat_is == "brighter" else -1)
    fat = np.where(surface.usable & (surface.log_light > limit), 1.0, 0.0)
    return fill_from_neighbours(fat, surface.usable)


def _terms(
    surface: Surface, probability: Floats, fraction: float, method: str
) -> tuple[TissueTerm, ...]:
    """Errors of the fat probability, each common to the piece."""
    doubt = probability * (1 - probability)
    seen, unseen = surface.inside & surface.usable, surface.inside & ~surface.usable
    if method == "network":
        shift = U_OUTLINE_MM / surface.cell_mm * _steepness(probability, surface.inside)
        outline, filled = np.hypot(NETWORK_U_SEEN * doubt, shift), NETWORK_U_UNSEEN * doubt
    elif method == "mixture":
        outline = MIXTURE_U_SEEN * doubt
        filled = np.full(doubt.shape, MIXTURE_U_UNSEEN * fraction * (1 - fraction))
    else:
        fat = probability > 0.5
        outline = np.zeros(doubt.shape)
        for axis in (0, 1):
            changes = np.diff(fat, axis=axis)
            first = tuple(slice(0, -1) if k == axis else slice(None) for k in (0, 1))
            second = tuple(slice(1, None) if k == axis else slice(None) for k in (0, 1))
            outline[first][changes] = outline[second][changes] = 1.0
        filled = np.full(doubt.shape, fraction * (1 - fraction))
    return (
        TissueTerm(name="fat outline", scope="piece", delta=np.where(seen, outline, 0.0)),
        TissueTerm(name="fat where unseen", scope="piece", delta=np.where(unseen, filled, 0.0)),
    )


def _steepness(probability: Floats, inside: npt.NDArray[np.bool_]) -> Floats:
    """Give the slope of the fat probability per cell: summed up, it is the outline's length.

    Beyond the piece a cell's own value goes on: the piece's rim is no outline of its fat.
    """
    slopes = []
    for axis in (0, 1):
        steps = np.diff(probability, axis=axis)
        ends = tuple(slice(1, None) if k == axis else slice(None) for k in (0, 1))
        begins = tuple(slice(0, -1) if k == axis else slice(None) for k in (0, 1))
        steps[~(inside[ends] & inside[begins])] = 0.0
        both = [(1, 0) if k == axis else (0, 0) for k in (0, 1)]
        after = [(0, 1) if k == axis else (0, 0) for k in (0, 1)]
        slopes.append(0.5 * (np.pad(steps, both) + np.pad(steps, after)))
    return np.hypot(*slopes)
