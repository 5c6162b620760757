"""From thickness, tissue and density to a mass for every cell of a piece."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.mass.density import TissueDensity
from geomscan.mass.mass_map import MassMap, MassTerm
from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.tissue_map import TissueMap

__all__ = ["FAT_DEPTH_MM", "U_FAT_DEPTH_MM", "mass_map"]

Floats = npt.NDArray[np.float64]

#: Depth of cover fat below a fat surface: the camera sees the surface only. Common practice, no
#: source; settings files state their own in [tissue].
FAT_DEPTH_MM = 4.0
U_FAT_DEPTH_MM = 2.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Columns:
    """What stands on each cell, shape (n_x, n_y); 0 where the piece is not."""

    thickness_mm: Floats
    area_mm2: Floats  #: covered part of the cell
    fat_share: Floats  #: probability that the surface is fat, 0 to 1

    def fat_mm(self, depth_mm: float) -> Floats:
        """Thickness of fat in each column: the top of a fat surface down to its depth."""
        return self.fat_share * np.minimum(self.thickness_mm, depth_mm)


def mass_map(
    piece: PieceMap,
    tissue: TissueMap | None,
    density: TissueDensity | None,
    *,
    fat_depth_mm: float = FAT_DEPTH_MM,
    u_fat_depth_mm: float = U_FAT_DEPTH_MM,
) -> MassMap:
    """Give every cell of a piece its mass, with every error kept by its cause.

    Under a surface of fat, fat reaches down to `fat_depth_mm` or to the belt; the rest is lean.
    A piece without tissue map is lean throughout. Where fat's density is not stated, fat counts at
    lean's. Without any density all masses are NaN; volumes and their errors stand.

    Parameters
    ----------
    piece : PieceMap
        Thickness as measured; a height offset of the density is taken off here.
    tissue : TissueMap or None
        Fat probability on the same cells.
    density : TissueDensity or None
    fat_depth_mm, u_fat_depth_mm : float
        Depth of fat below a fat surface and its standard uncertainty, common to a run.

    Returns
    -------
    MassMap

    Raises
    ------
    InputError
        If the tissue map has another shape, or a depth is negative.

    References
    ----------
    JCGM 100:2008 (GUM), 5.1.2 and 5.2.2: first order; each term is one input of the model.
    """
    if tissue is not None and tissue.fat_probability.shape != piece.thickness_mm.shape:
        msg = (
            f"piece {piece.piece}: expected a tissue map of shape {piece.thickness_mm.shape}, "
            f"got {tissue.fat_probability.shape}"
        )
        raise InputError(msg)
    if not (fat_depth_mm >= 0 and u_fat_depth_mm >= 0):
        msg = f"fat depth: expected 0 or more, got {fat_depth_mm:g} ± {u_fat_depth_mm:g} mm"
        raise InputError(msg)
    piece = _without_offset(piece, 0.0 if density is None else density.height_offset_mm)
    columns = _columns(piece, tissue)
    lean_g_mm3, fat_g_mm3 = _densities(density)

    volume_mm3 = columns.area_mm2 * columns.thickness_mm
    fat_mm3 = columns.area_mm2 * columns.fat_mm(fat_depth_mm)
    # at first order more thickness is more of what lies at the column's foot: lean, or fat where
    # the whole column is fat
    shallow = columns.thickness_mm < fat_depth_mm
    foot_g_mm3 = lean_g_mm3 + (fat_g_mm3 - lean_g_mm3) * columns.fat_share * shallow
    terms = _thickness_terms(piece, columns, foot_g_mm3)
    if density is not None:
        terms += _fat_terms(
            columns,
            tissue,
            fat_g_mm3 - lean_g_mm3,
            depth_mm=fat_depth_mm,
            u_depth_mm=u_fat_depth_mm,
        )
        terms += _density_terms(density, columns, volume_mm3, fat_mm3, foot_g_mm3)

    fat_g = fat_mm3 * fat_g_mm3
    mass_g = (volume_mm3 - fat_mm3) * lean_g_mm3 + fat_g
    u_independent_mm3 = columns.area_mm2 * np.nan_to_num(piece.u_independent_mm)
    whole_mm3 = np.where(volume_mm3 > 0, volume_mm3, 1.0)
    return MassMap(
        piece=piece,
        volume_mm3=volume_mm3,
        density_g_mm3=np.where(volume_mm3 > 0, mass_g / whole_mm3, lean_g_mm3),
        mass_g=mass_g,
        fat_g=fat_g,
        fat_mm3=fat_mm3,
        u_independent_g=u_independent_mm3 * foot_g_mm3,
        u_independent_mm3=u_independent_mm3,
        terms=tuple(terms),
        has_density=density is not None,
        extra={
            "height_offset_mm": 0.0 if density is None else density.height_offset_mm,
            "fat_depth_mm": fat_depth_mm,
            "fat_at_lean_density": float(
                density is not None and density.fat_kg_m3 is None and bool(fat_mm3.any())
            ),
        },
    )


def _without_offset(piece: PieceMap, height_offset_mm: float) -> PieceMap:
    """Take the product's height offset off; nothing gets thinner than the belt."""
    if height_offset_mm == 0:
        return piece
    return replace(piece, thickness_mm=np.maximum(piece.thickness_mm - height_offset_mm, 0.0))


def _columns(piece: PieceMap, tissue: TissueMap | None) -> _Columns:
    inside = np.isfinite(piece.thickness_mm) & (piece.cover > 0)
    share = np.zeros(inside.shape)
    if tissue is not None:
        share = np.clip(np.nan_to_num(tissue.fat_probability), 0.0, 1.0)
    return _Columns(
        thickness_mm=np.where(inside, piece.thickness_mm, 0.0),
        area_mm2=np.where(inside, piece.cover, 0.0) * piece.cell_mm**2,
        fat_share=np.where(inside, share, 0.0),
    )


def _densities(density: TissueDensity | None) -> tuple[float, float]:
    """Densities of lean and fat in g/mm³, NaN where none is stated."""
    if density is None:
        return float("nan"), float("nan")
    fat_kg_m3 = density.lean_kg_m3 if density.fat_kg_m3 is None else density.fat_kg_m3
    return density.lean_kg_m3 * 1e-6, fat_kg_m3 * 1e-6


def _thickness_terms(piece: PieceMap, columns: _Columns, foot_g_mm3: Floats) -> list[MassTerm]:
    """Errors of the thickness map; they sit at the top surface."""
    terms = []
    for term in piece.terms:
        delta_mm3 = columns.area_mm2 * np.nan_to_num(term.delta_mm)
        terms.append(
            MassTerm(
                name=term.name,
                scope=term.scope,
                delta_g=delta_mm3 * foot_g_mm3,
                delta_mm3=delta_mm3,
                at_surface=True,
            )
        )
    return terms


def _fat_terms(
    columns: _Columns,
    tissue: TissueMap | None,
    difference_g_mm3: float,
    *,
    depth_mm: float,
    u_depth_mm: float,
) -> list[MassTerm]:
    """Errors of how much is fat; fat lies on top, and so does its error."""
    nothing = np.zeros(columns.area_mm2.shape)
    deep_mm = np.minimum(columns.thickness_mm, depth_mm)
    changes_mm3 = [
        (term.name, term.scope, columns.area_mm2 * np.nan_to_num(term.delta) * deep_mm)
        for term in (() if tissue is None else tissue.terms)
    ]
    deeper = columns.area_mm2 * columns.fat_share * (columns.thickness_mm > depth_mm)
    if u_depth_mm > 0 and deeper.any():
        changes_mm3.append(("depth of fat", "run", deeper * u_depth_mm))
    return [
        MassTerm(
            name=name,
            scope=scope,
            delta_g=change_mm3 * difference_g_mm3,
            delta_mm3=nothing,
            at_surface=True,
        )
        for name, scope, change_mm3 in changes_mm3
    ]


def _density_terms(
    density: TissueDensity,
    columns: _Columns,
    volume_mm3: Floats,
    fat_mm3: Floats,
    foot_g_mm3: Floats,
) -> list[MassTerm]:
    """Errors of the densities and of the height offset that came with them."""
    terms = []
    for term in density.terms:
        fat_kg_m3 = term.lean_kg_m3 if density.fat_kg_m3 is None else term.fat_kg_m3
        offset_mm3 = -term.height_offset_mm * columns.area_mm2
        by_density_g = ((volume_mm3 - fat_mm3) * term.lean_kg_m3 + fat_mm3 * fat_kg_m3) * 1e-6
        terms.append(
            MassTerm(
                name=term.name,
                scope=term.scope,
                delta_g=by_density_g + offset_mm3 * foot_g_mm3,
                delta_mm3=offset_mm3,
                # a joint error of density and offset counts with the larger of the two
                at_surface=bool(np.abs(offset_mm3 * foot_g_mm3).sum() > np.abs(by_density_g).sum()),
            )
        )
    return terms
