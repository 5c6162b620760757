"""From lines to finished pieces: tissue, mass and profiles of each as soon as it has passed."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from geomscan.mass.density import TissueDensity
from geomscan.mass.mass_map import MassMap
from geomscan.mass.masses import mass_map
from geomscan.mass.part_mass import PartMass, part_mass
from geomscan.profiles.slices import SliceProfile, slice_profiles
from geomscan.runs.ahead import ahead
from geomscan.runs.scan import Scan, scan_geometry
from geomscan.runs.settings import Settings
from geomscan.shape.finder import PieceFinder
from geomscan.shape.geometry import BeltLines, HeadLines
from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.classify import classify
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.tissue_map import TissueMap

__all__ = ["MeasuredPiece", "find_pieces", "measure_found", "measure_piece", "measure_pieces"]

_PIECES_AHEAD = 3  # pieces found while one is measured; each holds some megabytes


@dataclass(frozen=True, kw_only=True, slots=True)
class MeasuredPiece:
    """One piece with all that is known of it."""

    piece: PieceMap
    tissue: TissueMap
    masses: MassMap
    whole: PartMass
    profiles: tuple[SliceProfile, ...]

    @property
    def flags(self) -> frozenset[str]:
        """All flags of the piece."""
        return self.piece.flags | self.tissue.flags


def measure_pieces(
    scan: Scan,
    settings: Settings,
    density: TissueDensity | None,
    *,
    angles_deg: Sequence[float] = (0.0,),
    n_threads: int = 1,
) -> Iterator[MeasuredPiece]:
    """Hand out pieces as they pass, each a moment after its last line.

    A planner that lives in Python reads from this iterator; a finished run goes to a folder by
    `geomscan.runs.measure.measure`.

    Parameters
    ----------
    scan : Scan
        From `geomscan.runs.scan.open_scan`.
    settings : Settings
    density : TissueDensity or None
        Without one, masses are NaN.
    angles_deg : sequence of float
        Blade angles of the profiles.
    n_threads : int
        Threads that extract, shared by the heads; each has one of its own at least.

    Yields
    ------
    MeasuredPiece
        In the order in which the pieces end.
    """
    lanes = scan.recording.manifest.belt.lanes or ()
    finder = PieceFinder(scan_geometry(scan), settings.shape, lanes)
    found = find_pieces(finder, scan.blocks(n_threads=n_threads))
    yield from measure_found(found, settings, density, angles_deg=angles_deg)


def find_pieces(
    finder: PieceFinder, blocks: Iterable[tuple[BeltLines, Mapping[str, HeadLines]]]
) -> Iterator[PieceMap]:
    """Find the pieces in blocks of lines, to their end."""
    for belt, heads in blocks:
        yield from finder.push(belt, heads)
    yield from finder.finish()


def measure_found(
    pieces: Iterator[PieceMap],
    settings: Settings,
    density: TissueDensity | None,
    *,
    angles_deg: Sequence[float] = (0.0,),
) -> Iterator[MeasuredPiece]:
    """Measure pieces one by one while the search for others goes on in a thread of its own."""
    for piece in ahead(pieces, _PIECES_AHEAD):
        yield measure_piece(piece, settings, density, angles_deg=angles_deg)


def measure_piece(
    piece: PieceMap,
    settings: Settings,
    density: TissueDensity | None,
    *,
    angles_deg: Sequence[float] = (0.0,),
) -> MeasuredPiece:
    """Tissue, mass and profiles of one piece."""
    tissue = _classify(piece, settings.tissue)
    masses = mass_map(
        piece,
        tissue,
        density,
        fat_depth_mm=settings.tissue.fat_depth_mm,
        u_fat_depth_mm=settings.tissue.u_fat_depth_mm,
    )
    return MeasuredPiece(
        piece=piece,
        tissue=tissue,
        masses=masses,
        whole=part_mass(masses),
        profiles=slice_profiles(
            masses,
            angles_deg=angles_deg,
            plan_angle_deg=settings.blade.plan_angle_deg,
            step_mm=settings.blade.step_mm,
        ),
    )


def _classify(piece: PieceMap, settings: TissueSettings) -> TissueMap:
    """Fat and lean; where the recording holds no reflectance, all counts as the settings say."""
    if piece.reflectance is not None and np.isfinite(piece.reflectance).any():
        return classify(piece, settings)
    only = 0.0 if settings.one_class == "lean" else 1.0
    inside = np.isfinite(piece.thickness_mm) & (piece.cover > 0)
    return TissueMap(
        fat_probability=np.where(inside, only, np.nan),
        fat_area_fraction=float("nan"),
        u_fat_area_fraction=float("nan"),
        method="none: the recording holds no reflectance",
    )
