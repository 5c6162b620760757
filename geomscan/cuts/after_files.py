"""What the check after the cut reads and writes: plan, documents and maps in, findings out."""

import math
from collections.abc import Callable
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field

from geomscan.cuts.aftercut import (
    AfterCut,
    CutError,
    PlannedPiece,
    PortionError,
    ScannedPortion,
    Slice,
)
from geomscan.cuts.preview import read_pieces
from geomscan.cuts.seen import PieceSurface
from geomscan.errors import InputError
from geomscan.files import parse_model, read_json
from geomscan.profiles.document import PieceDocument

__all__ = ["Crop", "aftercut_document", "planned_pieces", "scanned_portions"]

#: Gives a piece's thickness map (n_x, n_y), x and y of its first cell's centre, and the pitch.
Crop = Callable[[int], tuple[npt.NDArray[np.float64], float, float, float]]


class _PortionEntry(BaseModel):
    """What is needed of a portion in cuts.json."""

    model_config = ConfigDict(extra="ignore")

    from_mm: float
    to_mm: float


class _PlanEntry(BaseModel):
    """What is needed of a piece in cuts.json."""

    model_config = ConfigDict(extra="ignore")

    piece: int
    angle_deg: Annotated[float, Field(ge=-45, le=45)]
    kerf_mm: Annotated[float, Field(ge=0)]
    cuts_mm: list[float]
    portions: list[_PortionEntry]


class _Plans(BaseModel):
    model_config = ConfigDict(extra="ignore")

    pieces: list[_PlanEntry]


def planned_pieces(folder: Path, crop: Crop) -> list[PlannedPiece]:
    """Read the pieces of a results folder with the cuts planned for them.

    Raises
    ------
    InputError
        If the folder has no cuts.json, or the two do not fit.
    """
    path = folder / "cuts.json"
    if not path.exists():
        msg = f"{path}: expected a plan made by `geomscan cuts`"
        raise InputError(msg)
    plans = parse_model(_Plans, read_json(path, "cuts"), path)
    documents = {item.document.piece: item.document for item in read_pieces(folder)}
    pieces = []
    for plan in plans.pieces:
        if plan.piece not in documents:
            msg = f"{path}: piece {plan.piece} is not in {folder / 'pieces'}"
            raise InputError(msg)
        pieces.append(_planned(plan, documents[plan.piece], crop))
    return pieces


def _planned(plan: _PlanEntry, document: PieceDocument, crop: Crop) -> PlannedPiece:
    surface = _surface(document, crop)
    volume, mass = document.volume_cm3 or math.nan, document.mass_g or math.nan
    return PlannedPiece(
        piece=document.piece,
        lane=document.lane,
        x0_mm=document.x0_mm,
        u_x0_mm=document.u_x0_mm or 0.0,
        angle_deg=plan.angle_deg,
        surface=surface,
        volume_cm3=volume,
        u_volume_share=(document.u_volume_cm3 or 0.0) / volume,
        density_g_cm3=mass / volume,
        slices=_slices(plan),
    )


def _slices(plan: _PlanEntry) -> tuple[Slice, ...]:
    """List all slices between neighbouring cuts; one that is no portion is trim."""
    bounds = [-math.inf, *plan.cuts_mm, math.inf]
    half = 0.5 * plan.kerf_mm
    slices = []
    for number, (low, high) in enumerate(pairwise(bounds), 1):
        start, end = low + half, high - half
        middle = min(max(0.5 * (start + end), -1e9), 1e9) if math.isfinite(start + end) else None
        inside = [
            portion
            for portion in plan.portions
            if (middle is not None and portion.from_mm < middle < portion.to_mm)
            or (middle is None and portion.from_mm < high and portion.to_mm > low)
        ]
        slices.append(Slice(number=number, from_mm=start, to_mm=end, is_trim=not inside))
    return tuple(slices)


def scanned_portions(folder: Path, crop: Crop) -> list[ScannedPortion]:
    """Read the portions of a results folder made behind the blade.

    Raises
    ------
    InputError
        If documents or maps are absent or broken.
    """
    return [_scanned(item.document, crop) for item in read_pieces(folder)]


def _scanned(document: PieceDocument, crop: Crop) -> ScannedPortion:
    return ScannedPortion(
        piece=document.piece,
        lane=document.lane,
        x0_mm=document.x0_mm,
        surface=_surface(document, crop),
        volume_cm3=document.volume_cm3 or math.nan,
        u_volume_cm3=document.u_volume_cm3 or 0.0,
        # both ends are found as the leading edge is
        u_length_mm=math.sqrt(2) * (document.u_x0_mm or 0.0),
    )


def _surface(document: PieceDocument, crop: Crop) -> PieceSurface:
    height, x_first, y_first, cell = crop(document.piece)
    # cells covered to a small part may stand too high on the map; the profiles know the true height
    highest = max(max(known(profile.thickness_max_mm)) for profile in document.profiles)
    height = np.minimum(height, highest)
    if not np.isfinite(height).any():
        msg = f"piece {document.piece}: not on the map of piece numbers"
        raise InputError(msg)
    return PieceSurface(
        height_mm=height,
        x_mm=x_first - document.x0_mm + cell * np.arange(height.shape[0], dtype=np.float64),
        y_mm=y_first + cell * np.arange(height.shape[1], dtype=np.float64),
        cell_mm=cell,
        length_mm=document.length_mm,
        volume_mm3=1000 * (document.volume_cm3 or math.nan),
    )


def known(values: list[float | None]) -> list[float]:
    """Give the numbers of a column that are known."""
    return [value for value in values if value is not None]


def aftercut_document(compared: AfterCut) -> dict[str, Any]:
    """Collect the findings for aftercut.json and --json."""
    return {
        "portions": [_portion_entry(portion) for portion in compared.portions],
        "cuts": [_cut_entry(cut) for cut in compared.cuts],
        "extra_pieces": list(compared.extra),
        "run": asdict(compared.run),
    }


def _portion_entry(portion: PortionError) -> dict[str, Any]:
    return {
        "piece": portion.piece,
        "slice": portion.number,
        "is_trim": portion.is_trim,
        "found_piece": portion.found,
        "mass_error_g": portion.mass_error_g,
        "u_mass_error_g": portion.u_mass_error_g,
        "volume_error_cm3": portion.volume_error_cm3,
        "u_volume_error_cm3": portion.u_volume_error_cm3,
        "length_error_mm": portion.length_error_mm,
        "u_length_error_mm": portion.u_length_error_mm,
    }


def _cut_entry(cut: CutError) -> dict[str, Any]:
    angle = cut.angle
    return {
        "piece": cut.piece,
        "cut": cut.number,
        "s_mm": cut.s_mm,
        "face": cut.face,
        "angle": "measured" if angle.observable else "not_observable",
        "why_not": angle.why or None,
        "angle_deg": angle.angle_deg,
        "u_angle_deg": angle.u_angle_deg,
        "angle_error_deg": cut.angle_error_deg,
        "plan_angle_deg": angle.plan_angle_deg,
        "place_error_mm": cut.place_error_mm,
        "u_place_error_mm": cut.u_place_error_mm,
        "hidden_face": {"face": cut.hidden_face, "angle": "not_observable"},
        "named": list(cut.named),
    }
