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

__all__ = ["classify"]

Floats = npt.NDArray[np.float64]


def classify(piece: PieceMap, settings: TissueSettings) -> TissueMap:
    """Tell fat from lean on one piece.

    Raises
    ------
    InputError
        If the piece has no reflectance map, or the network's file is not the shipped one.
    """
    surface = read_surface(piece, settings)
    if not surface.usable.any():
        only = 0.0 if settings.one_class == "lean" else 1.0
        probability = np.full(surface.inside.shape, only)
    elif settings.method == "threshold":
        probability = threshold_probability(surface, settings)
    else:
        blocks = block_surface(surface)
        if settings.method == "network":
            probability = network_probability(piece, surface, blocks, settings)
        else:
            fit = fit_mixture(surface, blocks, settings)
            probability = mixture_probability(surface, fit, settings)
    probability = np.where(surface.inside, probability, np.nan)
    area = np.where(surface.inside, piece.cover, 0.0)
    fraction = float(np.nansum(probability * area) / area.sum())
    wobble = np.where(surface.inside, probability * (1 - probability), 0.0)
    u = 0.005
    delta = wobble * u * area.sum() / max(float((wobble * area).sum()), 1e-12)
    return TissueMap(
        fat_probability=probability,
        fat_area_fraction=fraction,
        u_fat_area_fraction=u,
        method=settings.method,
        terms=(TissueTerm(name="fat outline", scope="piece", delta=delta),),
        n_unseen=surface.n_unseen,
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
