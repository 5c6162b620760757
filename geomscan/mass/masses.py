"""From thickness, tissue and density to a mass for every cell of a piece."""

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.mass.density import TissueDensity
from geomscan.mass.kernels import change_by, weigh_columns
from geomscan.mass.mass_map import MassMap, MassTerm
from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.tissue_map import TissueMap

__all__ = ["FAT_DEPTH_MM", "U_FAT_DEPTH_MM", "mass_map"]

Floats = npt.NDArray[np.float64]
Changes = npt.NDArray[np.floating]  # in single precision: no error is known better than that

#: Depth of cover fat below a fat surface: the camera sees the surface only. Common practice, no
#: source; settings files state their own in [tissue].
FAT_DEPTH_MM = 4.0
U_FAT_DEPTH_MM = 2.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Columns:
    """What stands on each cell, shape (n_x, n_y); 0 where the piece is not."""

    area_mm2: Floats  #: covered part of the cell
    deep_mm: Floats  #: of the column, what fat would take under a fat surface
    volume_mm3: Floats
    fat_mm3: Floats
    mass_g: Floats
    fat_g: Floats
    density_g_mm3: Floats  #: mean of the column
    foot_g_mm3: Floats  #: of what lies at its foot: one more mm of thickness is one more of that
    deeper_mm2: Floats  #: fat that one more mm of its depth would bring, per mm


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
    offset_mm = 0.0 if density is None else density.height_offset_mm
    lean_g_mm3, fat_g_mm3 = _densities(density)
    columns = _columns(piece, tissue, offset_mm, fat_depth_mm, lean_g_mm3, fat_g_mm3)
    terms = _thickness_terms(piece, columns)
    if density is not None:
        terms += _fat_terms(columns, tissue, fat_g_mm3 - lean_g_mm3, u_depth_mm=u_fat_depth_mm)
        terms += _density_terms(density, columns)
    u_independent_mm3, u_independent_g = _changes(piece.u_independent_mm, columns)
    return MassMap(
        piece=_without_offset(piece, offset_mm),
        volume_mm3=columns.volume_mm3,
        density_g_mm3=columns.density_g_mm3,
        mass_g=columns.mass_g,
        fat_g=columns.fat_g,
        fat_mm3=columns.fat_mm3,
        u_independent_g=u_independent_g,
        u_independent_mm3=u_independent_mm3,
        terms=tuple(terms),
        has_density=density is not None,
        extra={
            "height_offset_mm": offset_mm,
            "fat_depth_mm": fat_depth_mm,
            "fat_at_lean_density": float(
                density is not None and density.fat_kg_m3 is None and bool(columns.fat_mm3.any())
            ),
        },
    )


def _without_offset(piece: PieceMap, height_offset_mm: float) -> PieceMap:
    """Take the product's height offset off; nothing gets thinner than the belt."""
    if height_offset_mm == 0:
        return piece
    return replace(piece, thickness_mm=np.maximum(piece.thickness_mm - height_offset_mm, 0.0))


def _columns(
    piece: PieceMap,
    tissue: TissueMap | None,
    offset_mm: float,
    fat_depth_mm: float,
    lean_g_mm3: float,
    fat_g_mm3: float,
) -> _Columns:
    share = np.zeros(piece.cover.shape) if tissue is None else tissue.fat_probability
    names = [field.name for field in fields(_Columns)]
    maps = tuple(np.empty(piece.cover.shape) for _ in names)
    weigh_columns(
        piece.thickness_mm, piece.cover, share, piece.cell_mm**2, offset_mm, fat_depth_mm,
        lean_g_mm3, fat_g_mm3, maps,
    )  # fmt: skip
    return _Columns(**dict(zip(names, maps, strict=True)))


def _changes(delta_mm: Changes, columns: _Columns) -> tuple[Changes, Changes]:
    """Volume and mass of so much more thickness."""
    volume_mm3, mass_g = np.empty((2, *delta_mm.shape), dtype=np.float32)
    change_by(delta_mm, columns.area_mm2, columns.foot_g_mm3, volume_mm3, mass_g)
    return volume_mm3, mass_g


def _densities(density: TissueDensity | None) -> tuple[float, float]:
    """Densities of lean and fat in g/mm³, NaN where none is stated."""
    if density is None:
        return float("nan"), float("nan")
    fat_kg_m3 = density.lean_kg_m3 if density.fat_kg_m3 is None else density.fat_kg_m3
    return density.lean_kg_m3 * 1e-6, fat_kg_m3 * 1e-6


def _thickness_terms(piece: PieceMap, columns: _Columns) -> list[MassTerm]:
    """Errors of the thickness map; they sit at the top surface."""
    terms = []
    for term in piece.terms:
        delta_mm3, delta_g = _changes(term.delta_mm, columns)
        terms.append(
            MassTerm(
                name=term.name,
                scope=term.scope,
                delta_g=delta_g,
                delta_mm3=delta_mm3,
                at_surface=True,
            )
        )
    return terms


def _fat_terms(
    columns: _Columns, tissue: TissueMap | None, difference_g_mm3: float, *, u_depth_mm: float
) -> list[MassTerm]:
    """Errors of how much is fat; fat lies on top, and so does its error."""
    causes = [
        (term.name, term.scope, term.delta, columns.deep_mm * difference_g_mm3)
        for term in (() if tissue is None else tissue.terms)
    ]
    changes = []
    for name, scope, delta, per_share in causes:
        other, delta_g = np.empty((2, *delta.shape), dtype=np.float32)
        change_by(delta, columns.area_mm2, per_share, other, delta_g)
        changes.append((name, scope, delta_g))
    if u_depth_mm > 0 and columns.deeper_mm2.any():
        changes.append(
            ("depth of fat", "run", columns.deeper_mm2 * (u_depth_mm * difference_g_mm3))
        )
    nothing = np.zeros(columns.area_mm2.shape, dtype=np.float32)
    return [
        MassTerm(name=name, scope=scope, delta_g=delta_g, delta_mm3=nothing, at_surface=True)
        for name, scope, delta_g in changes
    ]


def _density_terms(density: TissueDensity, columns: _Columns) -> list[MassTerm]:
    """Errors of the densities and of the height offset that came with them."""
    terms = []
    for term in density.terms:
        fat_kg_m3 = term.lean_kg_m3 if density.fat_kg_m3 is None else term.fat_kg_m3
        by_density_g = columns.volume_mm3 * (term.lean_kg_m3 * 1e-6)
        if fat_kg_m3 != term.lean_kg_m3:
            by_density_g += columns.fat_mm3 * ((fat_kg_m3 - term.lean_kg_m3) * 1e-6)
        delta_g, offset_mm3, by_offset = by_density_g, np.zeros(by_density_g.shape), 0.0
        if term.height_offset_mm != 0:
            offset_mm3 = -term.height_offset_mm * columns.area_mm2
            offset_g = offset_mm3 * columns.foot_g_mm3
            delta_g, by_offset = by_density_g + offset_g, float(np.abs(offset_g).sum())
        terms.append(
            MassTerm(
                name=term.name,
                scope=term.scope,
                delta_g=delta_g,
                delta_mm3=offset_mm3,
                # a joint error of density and offset counts with the larger of the two
                at_surface=by_offset > float(np.abs(by_density_g).sum()),
            )
        )
    return terms
