"""Measured pieces as a study needs them, from one or many results folders."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.mass.density_file import read_density_file
from geomscan.mass.masses import FAT_DEPTH_MM
from geomscan.results.reader import Results, read_results

__all__ = ["Assumption", "StudyPieces", "find_results", "read_pieces"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Texts = npt.NDArray[np.str_]

#: Flags with which a piece's volume is not the whole piece's.
INCOMPLETE = frozenset({"cut_by_start", "cut_by_end", "too_long", "at_image_border"})


@dataclass(frozen=True, kw_only=True, slots=True)
class Assumption:
    """Density in use when the pieces were measured; NaN where none was stated."""

    lean_kg_m3: float = float("nan")
    fat_kg_m3: float = float("nan")
    height_offset_mm: float = 0.0

    @property
    def stated(self) -> bool:
        """Whether there is a density to judge."""
        return math.isfinite(self.lean_kg_m3)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class StudyPieces:
    """Measured pieces in belt order; every array has shape (n,), NaN = not known.

    volume_cm3 is as seen, before any height offset was taken off. u_own_cm3 is the part of its
    standard uncertainty that is drawn anew for each piece, u_run_cm3 the part common to all.
    predicted_g is the mass by the assumption in use.
    """

    recording: Texts
    piece: Ints
    lane: Ints
    head: Texts
    volume_cm3: Floats
    area_cm2: Floats
    fat_cm3: Floats
    u_own_cm3: Floats
    u_run_cm3: Floats
    predicted_g: Floats
    thickness_mm: Floats
    x_mm: Floats
    y_mm: Floats
    time_s: Floats
    temperature_c: Floats
    flags: Texts
    assumption: Assumption = Assumption()
    calibrations: tuple[str, ...] = ()

    def __len__(self) -> int:
        return self.piece.size

    def take(self, chosen: npt.NDArray[Any]) -> Self:
        """Choose pieces by index or mask."""
        arrays = {
            field.name: getattr(self, field.name)[chosen]
            for field in fields(self)
            if field.name not in {"assumption", "calibrations"}
        }
        return replace(self, **arrays)

    def name(self, index: int) -> str:
        """Name a piece for people."""
        return f"{self.recording[index]} piece {self.piece[index]}"

    def incomplete(self, index: int) -> str:
        """Flag with which this piece is no whole piece, or nothing."""
        return next(iter(sorted(INCOMPLETE.intersection(self.flags[index].split(";")))), "")

    def under(self, assumption: Assumption) -> Self:
        """Judge another assumption: the masses it would have predicted."""
        lean = assumption.lean_kg_m3 / 1000
        fat = lean if math.isnan(assumption.fat_kg_m3) else assumption.fat_kg_m3 / 1000
        true_cm3 = self.volume_cm3 - assumption.height_offset_mm / 10 * self.area_cm2
        predicted_g = lean * (true_cm3 - self.fat_cm3) + fat * self.fat_cm3
        return replace(self, predicted_g=predicted_g, assumption=assumption)


def find_results(paths: Sequence[Path]) -> list[Path]:
    """Expand folders that hold results folders.

    Raises
    ------
    InputError
        If a path is no results folder and holds none, or none is given.
    """
    found: list[Path] = []
    for path in paths:
        if (path / "run.json").exists():
            found.append(path)
            continue
        inner = sorted(item.parent for item in path.glob("*/run.json")) if path.is_dir() else []
        if not inner:
            msg = (
                f"{path}: expected a results folder made by `geomscan measure`, or a folder of them"
            )
            raise InputError(msg)
        found.extend(inner)
    unique = list(dict.fromkeys(item.resolve() for item in found))
    if not unique:
        msg = "expected at least one results folder"
        raise InputError(msg)
    return unique


def read_pieces(paths: Sequence[Path]) -> StudyPieces:
    """Read the pieces of results folders, in the order in which they were recorded.

    Raises
    ------
    InputError
        If a folder can't be read, two are of one recording and head, or there is no piece.
    """
    results = [read_results(path) for path in find_results(paths)]
    keys = [(_name(item), _head(item)) for item in results]
    for key in keys:
        if keys.count(key) > 1:
            msg = f"{key[0]}: two results folders of one recording were given, expected one"
            raise InputError(msg)
    recorded = [_recorded(item) for item in results]
    if all(math.isfinite(moment) for moment in recorded):
        order = sorted(range(len(results)), key=lambda index: recorded[index])
        results = [results[index] for index in order]
    rows = [(item, row) for item in results for row in item.pieces]
    if not rows:
        msg = f"{results[0].path}: no piece was measured here"
        raise InputError(msg)
    return _pieces(rows, _assumption(results))


def _pieces(rows: list[tuple[Results, dict[str, Any]]], assumption: Assumption) -> StudyPieces:
    def column(name: str) -> Floats:
        return np.array([float(row.get(name, float("nan"))) for _, row in rows])

    for item, row in rows:
        missing = [name for name in ("piece", "volume_cm3", "area_cm2") if name not in row]
        if missing:
            msg = f"{item.path / 'pieces.csv'}: expected a column {missing[0]}"
            raise InputError(msg)
    alone = len({_name(item) for item, _ in rows}) == 1
    applied_mm = np.array([_applied_offset(item, row) for item, row in rows])
    own_cm3 = np.hypot(column("u_volume_piece_cm3"), column("u_volume_independent_cm3"))
    run_cm3 = column("u_volume_run_cm3")
    # an older table parts nothing: then all of it is taken as drawn anew for each piece
    unparted = ~np.isfinite(own_cm3) | ~np.isfinite(run_cm3)
    own_cm3 = np.where(unparted, np.nan_to_num(column("u_volume_cm3")), own_cm3)
    return StudyPieces(
        recording=np.array([_name(item) for item, _ in rows]),
        piece=np.array([int(row["piece"]) for _, row in rows], dtype=np.int64),
        lane=np.array([_lane(row) for _, row in rows], dtype=np.int64),
        head=np.array([str(row.get("head") or _head(item)) for item, row in rows]),
        volume_cm3=column("volume_cm3") + applied_mm / 10 * column("area_cm2"),
        area_cm2=column("area_cm2"),
        fat_cm3=_fat(column, rows),
        u_own_cm3=own_cm3,
        u_run_cm3=np.where(unparted, 0.0, run_cm3),
        predicted_g=column("mass_g"),
        thickness_mm=10 * column("volume_cm3") / column("area_cm2"),
        x_mm=column("x_mm"),
        y_mm=column("y_mm"),
        time_s=column("time_s") + np.array([_start(item, alone=alone) for item, _ in rows]),
        temperature_c=column("temperature_c"),
        flags=np.array([str(row.get("flags", "")) for _, row in rows]),
        assumption=assumption,
        calibrations=tuple(sorted({_calibration(item) for item, _ in rows} - {""})),
    )


def _fat(column: Callable[[str], Floats], rows: list[tuple[Results, dict[str, Any]]]) -> Floats:
    """Volume that counts as fat; from the share of plan area where the table has no volume."""
    volume_cm3, area_cm2 = column("volume_cm3"), column("area_cm2")
    depth_mm = np.array([_fat_depth(item) for item, _ in rows])
    by_share_cm3 = column("fat_area_fraction") * np.minimum(depth_mm / 10 * area_cm2, volume_cm3)
    fat_cm3 = column("fat_volume_cm3")
    return np.nan_to_num(np.where(np.isfinite(fat_cm3), fat_cm3, by_share_cm3))


def _fat_depth(item: Results) -> float:
    return float(
        _table(item.run, "settings", "content", "tissue").get("fat_depth_mm", FAT_DEPTH_MM)
    )


def _table(run: dict[str, Any], *names: str) -> dict[str, Any]:
    """Table below a table; empty where it is absent or something else."""
    for name in names:
        inner = run.get(name)
        run = inner if isinstance(inner, dict) else {}
    return run


def _name(item: Results) -> str:
    """Name of the recording: what the run states, else the folder's."""
    return str(_table(item.run, "recording").get("name") or item.path.name)


def _lane(row: dict[str, Any]) -> int:
    lane = row.get("lane", 0)
    return 0 if lane is None or math.isnan(lane) else int(lane)


def _recorded(item: Results) -> float:
    text = _table(item.run, "recording").get("recorded")
    try:
        return datetime.fromisoformat(str(text)).timestamp() if text else float("nan")
    except ValueError:
        return float("nan")


def _start(item: Results, *, alone: bool) -> float:
    """Moment from which a recording's own times count; any will do for one recording alone."""
    moment = _recorded(item)
    return 0.0 if alone and math.isnan(moment) else moment


def _head(item: Results) -> str:
    """Name of the head where only one was used."""
    heads = _table(item.run, "method").get("heads")
    return str(heads[0]) if isinstance(heads, list) and len(heads) == 1 else ""


def _calibration(item: Results) -> str:
    return str(_table(item.run, "calibration").get("sha256", ""))


def _density_of(item: Results) -> dict[str, Any]:
    """Find what the run says of the density that it used."""
    settings = _table(item.run, "settings")
    stated = _table(settings, "content", "density")
    for place in (_table(item.run, "density"), stated):
        if place.get("lean_kg_m3") is not None:
            return place
    if stated.get("file") and settings.get("path"):
        file = Path(settings["path"]).parent / stated["file"]
        if not file.exists():
            msg = (
                f"{item.path}: was measured with the density file {file}, which is gone: it is "
                "needed to know which height offset was taken off"
            )
            raise InputError(msg)
        return read_density_file(file).model_dump()
    return {}


def _applied_offset(item: Results, row: dict[str, Any]) -> float:
    """Height offset that `measure` already took off this piece's thickness."""
    offset = row.get("height_offset_mm", float("nan"))
    if not math.isfinite(offset):
        offset = float(_density_of(item).get("height_offset_mm") or 0.0)
    return float(offset)


def _assumption(results: list[Results]) -> Assumption:
    """Assumption in use: what the runs state, else what mass over volume of lean pieces gives."""
    stated = {
        (
            float(density["lean_kg_m3"]),
            float(density.get("fat_kg_m3") or float("nan")),
            float(density.get("height_offset_mm") or 0.0),
        )
        for density in map(_density_of, results)
        if density
    }
    if len({lean for lean, _, _ in stated}) > 1:
        msg = "expected one density in use in all results folders, found " + ", ".join(
            f"{lean:g} kg/m³" for lean, _, _ in sorted(stated)
        )
        raise InputError(msg)
    if stated:
        lean, fat, offset = next(iter(stated))
        return Assumption(lean_kg_m3=lean, fat_kg_m3=fat, height_offset_mm=offset)
    ratios = [
        1000 * row["mass_g"] / row["volume_cm3"]
        for item in results
        for row in item.pieces
        if row.get("volume_cm3", 0) > 0 and not row.get("fat_volume_cm3", 0.0) > 0
    ]
    ratios = [ratio for ratio in ratios if math.isfinite(ratio)]
    return Assumption(lean_kg_m3=float(np.median(ratios))) if ratios else Assumption()
