"""Portions behind the blade against the planned slices: mass, length, each cut's face and place."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.cuts.face import FaceAngle, measure_face, pool_scatter
from geomscan.cuts.matching import Found, Planned, match_in_order
from geomscan.cuts.run_errors import CutPlace, RunErrors, run_errors
from geomscan.cuts.seen import PieceSurface, SeenPortion, see_portion

__all__ = [
    "AfterCut",
    "CutError",
    "PlannedPiece",
    "PortionError",
    "ScannedPortion",
    "Slice",
    "compare_after_cut",
]

Floats = npt.NDArray[np.float64]

#: An error is named when it is beyond this many standard uncertainties …
NAMED_BEYOND = 3.0
#: … and beyond what matters to a portion (common practice, no source).
LEAST_ANGLE_DEG, LEAST_PLACE_MM = 0.3, 0.3
# Keeps the places of cuts solvable where a neighbour was not found; far wider than any real error.
_PRIOR_MM = 10.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Slice:
    """One planned slice of a piece between two cuts, kerf taken off; ±inf at the piece's ends."""

    number: int
    from_mm: float
    to_mm: float
    is_trim: bool


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PlannedPiece:
    """One piece before the blade: its surface, its slices in order, and the blade's angle."""

    piece: int
    lane: int
    x0_mm: float
    u_x0_mm: float
    angle_deg: float
    surface: PieceSurface
    volume_cm3: float
    u_volume_share: float  #: standard uncertainty of a slice's volume as a share of it
    density_g_cm3: float  #: NaN where it is not known
    slices: tuple[Slice, ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ScannedPortion:
    """One portion behind the blade."""

    piece: int
    lane: int
    x0_mm: float
    surface: PieceSurface
    volume_cm3: float
    u_volume_cm3: float
    u_length_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class PortionError:
    """One slice and the portion it became; found is None where none was matched.

    Errors are found minus planned. For a slanted blade both are what the view from above shows, the
    hollow below the hanging face included, so that like is compared with like.
    """

    piece: int
    number: int
    is_trim: bool
    found: int | None
    mass_error_g: float = math.nan
    u_mass_error_g: float = math.nan
    volume_error_cm3: float = math.nan
    u_volume_error_cm3: float = math.nan
    length_error_mm: float = math.nan
    u_length_error_mm: float = math.nan


@dataclass(frozen=True, kw_only=True, slots=True)
class CutError:
    """One cut: angle of the face that looks up, and how far along the belt it missed its place.

    face and hidden_face say which face was measured and which one no view from above can show.
    """

    piece: int
    number: int
    s_mm: float
    face: str
    hidden_face: str
    angle: FaceAngle
    angle_error_deg: float
    place_error_mm: float
    u_place_error_mm: float
    named: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class AfterCut:
    """All that was compared. Extra portions were matched to no slice."""

    portions: tuple[PortionError, ...]
    cuts: tuple[CutError, ...]
    extra: tuple[int, ...]
    run: RunErrors


def compare_after_cut(
    planned: Sequence[PlannedPiece],
    scanned: Sequence[ScannedPortion],
    *,
    u_tilt_deg: float = 0.0,
    least_angle_deg: float = LEAST_ANGLE_DEG,
    least_place_mm: float = LEAST_PLACE_MM,
) -> AfterCut:
    """Match portions to slices lane by lane, and find each cut's errors.

    Parameters
    ----------
    planned
        Pieces before the blade with their slices.
    scanned
        Portions behind it.
    u_tilt_deg
        Standard uncertainty of the light sheet's tilt behind the blade.
    least_angle_deg, least_place_mm
        Smaller errors are not named, however sure they are.

    Returns
    -------
    AfterCut
    """
    portions: list[PortionError] = []
    cuts: list[CutError] = []
    extra: list[int] = []
    matched: list[tuple[PlannedPiece, list[ScannedPortion | None]]] = []
    for lane in sorted({piece.lane for piece in planned} | {item.lane for item in scanned}):
        pieces = sorted((p for p in planned if p.lane == lane), key=lambda p: p.x0_mm)
        items = sorted((p for p in scanned if p.lane == lane), key=lambda p: p.x0_mm)
        partners, alone = _match(pieces, items)
        extra += alone
        matched += [
            (piece, [partners.get((piece.piece, part.number)) for part in piece.slices])
            for piece in pieces
        ]
    faces = pool_scatter(
        [
            _measure_cut(piece, k, found)
            for piece, found in matched
            for k in range(len(piece.slices) - 1)
        ],
        u_tilt_deg=u_tilt_deg,
    )
    least = (least_angle_deg, least_place_mm)
    for piece, found in matched:
        n_cuts = len(piece.slices) - 1
        own, faces = faces[:n_cuts], faces[n_cuts:]
        portions += [
            _portion_error(piece, part, item)
            for part, item in zip(piece.slices, found, strict=True)
        ]
        cuts += _cut_errors(piece, found, own, least)
    common = run_errors(
        [
            CutPlace(
                piece=cut.piece,
                s_mm=cut.s_mm,
                angle_error_deg=cut.angle_error_deg,
                u_angle_deg=cut.angle.u_angle_deg,
                place_error_mm=cut.place_error_mm,
                u_place_error_mm=cut.u_place_error_mm,
            )
            for cut in cuts
        ],
        u_tilt_deg=u_tilt_deg,
        least_angle_deg=least_angle_deg,
        least_place_mm=least_place_mm,
        beyond=NAMED_BEYOND,
    )
    return AfterCut(portions=tuple(portions), cuts=tuple(cuts), extra=tuple(extra), run=common)


def _match(
    pieces: Sequence[PlannedPiece], found: Sequence[ScannedPortion]
) -> tuple[dict[tuple[int, int], ScannedPortion], list[int]]:
    rows = []
    for piece in pieces:
        for part in piece.slices:
            seen = _see(piece, part, {})
            if seen.volume_mm3 > 0:
                rows.append(
                    Planned(
                        piece=piece.piece,
                        number=part.number,
                        is_trim=part.is_trim,
                        volume_cm3=seen.volume_mm3 / 1000,
                        length_mm=seen.last_mm - seen.first_mm,
                    )
                )
    items = [
        Found(piece=item.piece, volume_cm3=item.volume_cm3, length_mm=item.surface.length_mm)
        for item in found
    ]
    partners, alone = {}, []
    for a, b in match_in_order(rows, items):
        if a is not None and b is not None:
            partners[rows[a].piece, rows[a].number] = found[b]
        elif b is not None:
            alone.append(items[b].piece)
    return partners, alone


def _see(
    piece: PlannedPiece,
    part: Slice,
    angles: Mapping[float, float],
    moved: tuple[float, float] = (0.0, 0.0),
) -> SeenPortion:
    """See one slice, with cuts' own angles where they are known, and cuts moved by some mm."""
    return see_portion(
        piece.surface,
        part.from_mm + moved[0],
        part.to_mm + moved[1],
        from_deg=angles.get(part.from_mm, piece.angle_deg),
        to_deg=angles.get(part.to_mm, piece.angle_deg),
    )


def _cut_errors(
    piece: PlannedPiece,
    found: Sequence[ScannedPortion | None],
    faces: Sequence[FaceAngle],
    least: tuple[float, float],
) -> list[CutError]:
    angles: dict[float, float] = {}
    for k, face in enumerate(faces):
        if face.observable:
            angles[piece.slices[k].to_mm] = angles[piece.slices[k + 1].from_mm] = face.angle_deg
    place, u_place = _places(piece, found, faces, angles)
    cuts = []
    for k, face in enumerate(faces):
        error = face.angle_deg - piece.angle_deg
        named = []
        if face.observable and abs(error) > max(NAMED_BEYOND * face.u_angle_deg, least[0]):
            named.append("face_angle")
        if abs(place[k]) > max(NAMED_BEYOND * u_place[k], least[1]):
            named.append("place")
        before, behind = piece.slices[k].number, piece.slices[k + 1].number
        leading, trailing = f"leading face of slice {behind}", f"trailing face of slice {before}"
        up, down = (trailing, leading) if piece.angle_deg < 0 else (leading, trailing)
        cuts.append(
            CutError(
                piece=piece.piece,
                number=k + 1,
                s_mm=0.5 * (piece.slices[k].to_mm + piece.slices[k + 1].from_mm),
                face=up,
                hidden_face=down,
                angle=face,
                angle_error_deg=error,
                place_error_mm=float(place[k]),
                u_place_error_mm=float(u_place[k]),
                named=tuple(named),
            )
        )
    return cuts


def _measure_cut(
    piece: PlannedPiece,
    cut: int,
    found: Sequence[ScannedPortion | None],
) -> FaceAngle:
    """Measure the face that looks up: the leading one behind the cut for an angle above 0."""
    number = cut if piece.angle_deg < 0 else cut + 1
    item = found[number]
    if item is None:
        return FaceAngle(observable=False, why="its portion was not found behind the blade")
    expected = _see(piece, piece.slices[number], {})
    return measure_face(
        item.surface,
        expected,
        piece.surface,
        planned_deg=piece.angle_deg,
    )


def _portion_error(piece: PlannedPiece, part: Slice, item: ScannedPortion | None) -> PortionError:
    if item is None:
        return PortionError(piece=piece.piece, number=part.number, is_trim=part.is_trim, found=None)
    seen = _see(piece, part, {})
    planned_cm3 = seen.volume_mm3 / 1000
    volume = item.volume_cm3 - planned_cm3
    u_volume = math.hypot(item.u_volume_cm3, planned_cm3 * piece.u_volume_share)
    return PortionError(
        piece=piece.piece,
        number=part.number,
        is_trim=part.is_trim,
        found=item.piece,
        mass_error_g=volume * piece.density_g_cm3,
        u_mass_error_g=u_volume * piece.density_g_cm3,
        volume_error_cm3=volume,
        u_volume_error_cm3=u_volume,
        length_error_mm=item.surface.length_mm - (seen.last_mm - seen.first_mm),
        u_length_error_mm=item.u_length_mm,
    )


def _places(
    piece: PlannedPiece,
    found: Sequence[ScannedPortion | None],
    faces: Sequence[FaceAngle],
    angles: Mapping[float, float],
) -> tuple[Floats, Floats]:
    """Solve for how far each cut missed its place, from lengths and volumes of its neighbours.

    A cut that moves by d makes the slice before it longer by d and the one behind it shorter; the
    volumes follow by the section there. Weighted least squares over the whole piece, the measured
    face angles put in.
    """
    n = len(faces)
    if n == 0:
        return np.zeros(0), np.zeros(0)
    rows, values, weights = [], [], []
    for number, (part, item) in enumerate(zip(piece.slices, found, strict=True)):
        if item is None:
            continue
        seen = _see(piece, part, angles)
        planned_cm3 = seen.volume_mm3 / 1000
        length_row, volume_row = np.zeros(n), np.zeros(n)
        u_lean = 0.0
        for cut, moved in ((number - 1, (1.0, 0.0)), (number, (0.0, 1.0))):
            if not 0 <= cut < n:
                continue
            there = _see(piece, part, angles, moved)
            length_row[cut] = (there.last_mm - there.first_mm) - (seen.last_mm - seen.first_mm)
            volume_row[cut] = there.volume_mm3 / 1000 - planned_cm3
            u_lean = math.hypot(u_lean, _u_lean_mm(seen, faces[cut], piece))
        rows += [length_row, volume_row]
        values += [
            item.surface.length_mm - (seen.last_mm - seen.first_mm),
            item.volume_cm3 - planned_cm3,
        ]
        # the last slice's far end is the piece's own, found before the cut
        u_end = piece.u_x0_mm if math.isinf(part.to_mm) else 0.0
        weights += [
            1 / math.hypot(item.u_length_mm, u_lean, u_end),
            1 / math.hypot(item.u_volume_cm3, planned_cm3 * piece.u_volume_share),
        ]
    weight = np.array([*weights, *([1 / _PRIOR_MM] * n)])
    design = np.vstack([*rows, np.eye(n)]) * weight[:, None]
    covariance = np.linalg.inv(design.T @ design)
    place = covariance @ design.T @ (np.array([*values, *([0.0] * n)]) * weight)
    # where s = 0 was taken to be before the cut moves all cuts of the piece alike
    return place, np.sqrt(np.diag(covariance) + piece.u_x0_mm**2)


def _u_lean_mm(seen: SeenPortion, face: FaceAngle, piece: PlannedPiece) -> float:
    """How far the top of a leaning face is uncertain along the belt through its angle."""
    if piece.angle_deg == 0 or not face.observable:
        return 0.0
    height = float(np.nanmax(seen.height_mm)) if np.isfinite(seen.height_mm).any() else 0.0
    return height * math.radians(face.u_angle_deg) / math.cos(math.radians(face.angle_deg)) ** 2
