"""Measure recordings into results folders."""

import hashlib
import json
import platform
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan import __version__
from geomscan.errors import InputError
from geomscan.files import (
    new_folder,
    read_json,
    sha256_file,
    sha256_folder,
    write_json,
    write_whole,
)
from geomscan.mass.density import TissueDensity, resolve_density
from geomscan.mass.monte_carlo import draw_mass
from geomscan.mass.part_mass import PartMass, joined_budget
from geomscan.profiles.binary import encode_binary
from geomscan.profiles.document import piece_document, write_document
from geomscan.recording.recording import Recording, open_recording
from geomscan.report.measurement import measurement_page
from geomscan.results.maps import MapStore
from geomscan.results.tables import PIECE_COLUMNS, PROFILE_COLUMNS, write_csv, write_parquet
from geomscan.runs.chain import MeasuredPiece, measure_pieces
from geomscan.runs.scan import Scan, open_scan, scan_geometry
from geomscan.runs.settings import LoadedSettings, load_settings
from geomscan.scanner.calibration import ScannerCalibration, read_calibration
from geomscan.shape.flags import FLAGS
from geomscan.tissue.classify import FOLLOWS_SLOPE, UNSEEN

__all__ = ["MeasureOptions", "Measured", "measure", "measure_all"]


MEANINGS = {
    **FLAGS,
    UNSEEN: "no cell of the piece showed a reflectance that could be judged",
    FOLLOWS_SLOPE: "what looks like fat may be the shade of a face that is tilted otherwise",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class MeasureOptions:
    """What was asked for; everything here enters the fingerprint of a results folder."""

    angles_deg: tuple[float, ...] = ()
    lines: tuple[int | None, int | None] | None = None
    heads: tuple[str, ...] = ()
    monte_carlo: int = 0
    maps: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Measured:
    """What became of one recording."""

    recording: Path
    out: Path
    n_pieces: int
    flags: Mapping[str, int]
    skipped: bool
    warnings: tuple[str, ...] = ()


def measure_all(
    recordings: Sequence[Path],
    out: Path,
    *,
    calibration: Path | None,
    settings: Path | None,
    options: MeasureOptions,
    replace: bool = False,
    n_jobs: int = 1,
) -> list[Measured]:
    """Measure one recording into `out`, several into out/<recording's folder name>.

    Raises
    ------
    InputError
        If two recordings have one folder name, or one of them can't be measured.
    """
    if len(recordings) == 1:
        places = [out]
    else:
        names = Counter(path.resolve().name for path in recordings)
        clash = [name for name, number in names.items() if number > 1]
        if clash:
            msg = f"{clash[0]}: two recordings have this folder name, expected different ones"
            raise InputError(msg)
        places = [out / path.resolve().name for path in recordings]
    work = [
        (path, place, calibration, settings, options, replace)
        for path, place in zip(recordings, places, strict=True)
    ]
    if n_jobs == 1 or len(work) == 1:
        return [_measure_job(job) for job in work]
    with ProcessPoolExecutor(min(n_jobs, len(work)), mp_context=get_context("spawn")) as pool:
        return list(pool.map(_measure_job, work))


def _measure_job(
    job: tuple[Path, Path, Path | None, Path | None, MeasureOptions, bool],
) -> Measured:
    path, out, calibration, settings, options, replace = job
    return measure(
        path, out, calibration=calibration, settings=settings, options=options, replace=replace
    )


def measure(
    path: Path,
    out: Path,
    *,
    calibration: Path | None,
    settings: Path | None = None,
    options: MeasureOptions | None = None,
    replace: bool = False,
) -> Measured:
    """Measure one recording into a results folder, which appears whole or not at all.

    Parameters
    ----------
    path, out : Path
        The recording's folder, and the results folder to make. One that was made of the same
        inputs by the same version is left as it is.
    calibration : Path or None
        Scanner calibration; not needed for height payloads.
    settings : Path or None
        Settings of the product. Without a density, mass is left empty with one warning.
    options : MeasureOptions, optional
    replace : bool
        Whether another results folder at this place may go.

    Raises
    ------
    InputError
        If an input breaks its contract, or `out` exists and is not of these inputs.
    """
    options = options or MeasureOptions()
    loaded = load_settings(settings)
    with open_recording(path, lines=options.lines) as recording:
        scanner = None if calibration is None else read_calibration(calibration)
        scan = open_scan(recording, scanner, line=loaded.settings.line, heads=options.heads)
        inputs = _inputs(recording, calibration, loaded, options)
        earlier = _earlier(out, inputs["fingerprint"], replace=replace)
        if earlier is not None:
            return Measured(
                recording=path,
                out=out,
                n_pieces=int(earlier["n_pieces"]),
                flags=earlier["flags"],
                skipped=True,
            )
        density = resolve_density(
            loaded.settings.density,
            folder=loaded.folder,
            temperature_c=recording.manifest.temperature_c,
            calibration_sha256=inputs["calibration"]["sha256"],
        )
        notes = []
        if density is None:
            notes.append(
                f"{path.name}: no density stated (settings, [density] lean_kg_m3): "
                "mass is left empty"
            )
        with new_folder(out, replace=replace) as folder:
            run = _measure_into(folder, scan, loaded, density, options, inputs, notes)
    return Measured(
        recording=path,
        out=out,
        n_pieces=run["n_pieces"],
        flags=run["flags"],
        skipped=False,
        warnings=tuple(notes),
    )


def _inputs(
    recording: Recording, calibration: Path | None, loaded: LoadedSettings, options: MeasureOptions
) -> dict[str, Any]:
    """All that the result depends on, with hashes and one fingerprint over them."""
    density_file = loaded.settings.density.file
    inputs: dict[str, Any] = {
        "recording": {
            "name": recording.path.resolve().name,
            "path": str(recording.path.resolve()),
            "sha256": sha256_folder(recording.path),
            "product": recording.manifest.product,
            "recorded": str(recording.manifest.recorded) if recording.manifest.recorded else None,
            "temperature_c": recording.manifest.temperature_c,
            "lines": [recording.first, recording.stop],
        },
        "calibration": {
            "path": None if calibration is None else str(calibration.resolve()),
            "sha256": "" if calibration is None else sha256_file(calibration),
        },
        "settings": {
            "path": None if loaded.path is None else str(loaded.path.resolve()),
            "sha256": loaded.sha256,
            "density_file_sha256": ""
            if density_file is None
            else sha256_file(loaded.folder / density_file),
            "content": loaded.settings.model_dump(),
        },
        "options": asdict(options),
        "versions": {
            "geomscan": __version__,
            "numpy": np.__version__,
            "python": platform.python_version(),
        },
    }
    what = [
        inputs["recording"]["sha256"],
        inputs["calibration"]["sha256"],
        inputs["settings"]["sha256"],
        inputs["settings"]["density_file_sha256"],
        inputs["options"],
        __version__,
    ]
    inputs["fingerprint"] = hashlib.sha256(json.dumps(what).encode()).hexdigest()
    return inputs


def _earlier(out: Path, fingerprint: str, *, replace: bool) -> dict[str, Any] | None:
    """Give run.json of a folder made of the same inputs; refuse any other folder there."""
    if not out.exists():
        return None
    try:
        run = read_json(out / "run.json", "run")
    except InputError:
        run = {}
    if run.get("fingerprint") == fingerprint:
        return run
    if replace:
        return None
    msg = f"{out}: exists and is not of these inputs: name another folder or pass --replace"
    raise InputError(msg)


def _measure_into(
    folder: Path,
    scan: Scan,
    loaded: LoadedSettings,
    density: TissueDensity | None,
    options: MeasureOptions,
    inputs: dict[str, Any],
    notes: list[str],
) -> dict[str, Any]:
    started = time.perf_counter()
    settings = loaded.settings
    angles = options.angles_deg or settings.blade.angles_deg
    store = MapStore(folder / "maps", cell_mm=settings.grid.cell_mm) if options.maps else None
    rows: list[dict[str, Any]] = []
    slices: list[dict[str, npt.NDArray[np.float64]]] = []
    wholes: list[PartMass] = []
    drawn: list[dict[str, Any]] = []
    fat_at_lean = False
    flags: Counter[str] = Counter()
    methods: set[str] = set()
    (folder / "pieces").mkdir()
    provenance = {
        "recording_sha256": inputs["recording"]["sha256"],
        "calibration_sha256": inputs["calibration"]["sha256"],
        "settings_sha256": inputs["settings"]["sha256"],
        "geomscan": __version__,
    }
    found = measure_pieces(scan, settings, density, angles_deg=angles)
    for sequence, measured in enumerate(found):
        rows.append(_piece_row(measured, scan))
        slices += [_profile_columns(profile) for profile in measured.profiles]
        wholes.append(measured.whole)
        fat_at_lean |= bool(measured.masses.extra.get("fat_at_lean_density"))
        flags.update(measured.flags)
        methods.add(measured.tissue.method)
        document = _document(measured, scan.calibration, sequence, scan.mm_per_count, provenance)
        place = folder / "pieces" / f"{measured.piece.piece:04d}.json"
        write_document(place, document)
        write_whole(place.with_suffix(".bin"), encode_binary(document))
        if store is not None:
            store.add(measured.masses.piece, measured.tissue)
        if options.monte_carlo:
            drawn.append(_draw(measured, loaded, density, options.monte_carlo))
    if fat_at_lean:
        notes.append(
            f"{inputs['recording']['name']}: fat counts at lean's density "
            "(settings, [density] fat_kg_m3 is not stated)"
        )
    rows.sort(key=lambda row: row["piece"])
    write_csv(folder / "pieces.csv", list(PIECE_COLUMNS), rows)
    write_parquet(folder / "pieces.parquet", _columns(rows))
    write_parquet(folder / "profiles.parquet", _joined(slices))
    table = scan.recording.lines
    sight = scan_geometry(scan).seen_from
    run: dict[str, Any] = {
        **inputs,
        "n_pieces": len(rows),
        "flags": dict(flags),
        "flag_meanings": {name: MEANINGS[name] for name in flags},
        "events": [
            {"what": event.what, "line": event.line, "text": event.text} for event in table.events
        ],
        "warnings": notes,
        "method": {
            "heads": list(scan.heads),
            "line": settings.line.model,
            "tissue": "; ".join(sorted(methods)),
            "density": "not stated" if density is None else density.source,
            "mm_per_count": scan.mm_per_count,
            "angles_deg": list(angles),
            "plan_angle_deg": settings.blade.plan_angle_deg,
        },
        "density": None
        if density is None
        else {
            "lean_kg_m3": density.lean_kg_m3,
            "fat_kg_m3": density.fat_kg_m3,
            "height_offset_mm": density.height_offset_mm,
        },
        "sight": None if sight is None else asdict(sight),
        "noise": {n: asdict(scan.noise[n]) if n in scan.noise else None for n in scan.heads},
        "budget": _budget(wholes),
        "total_budget": [asdict(row) for row in joined_budget(wholes)],
        "monte_carlo": drawn,
        "maps": {} if store is None else store.finish(),
        "timings": {
            "lines": scan.recording.stop - scan.recording.first,
            "seconds": round(time.perf_counter() - started, 3),
        },
    }
    write_json(folder / "run.json", "run", run)
    (folder / "report.html").write_text(measurement_page(folder), encoding="utf-8")
    return run


#: figures of a piece that the shape gives as they are
_SEEN_COLUMNS = (
    "shadow_camera_fraction",
    "shadow_fan_fraction",
    "u_belt_zero_mm",
    "bare_belt_fraction",
    "belt_pattern_mm",
    "heads_gap_mm",
)


def _piece_row(measured: MeasuredPiece, scan: Scan) -> dict[str, Any]:
    """One row of pieces.csv."""
    piece, tissue, whole = measured.piece, measured.tissue, measured.whole
    cell_mm2 = piece.cell_mm**2
    area_mm2 = float(np.sum(piece.cover)) * cell_mm2
    x_mm = piece.x_first_mm + piece.cell_mm * np.arange(piece.cover.shape[0])
    y_mm = piece.y_first_mm + piece.cell_mm * np.arange(piece.cover.shape[1])
    weight = piece.cover / np.sum(piece.cover)
    table = scan.recording.lines
    order = np.argsort(table.count, kind="stable")
    return {
        "piece": piece.piece,
        "lane": piece.lane,
        "encoder": piece.encoder,
        "time_s": float(np.interp(piece.encoder, table.count[order], table.time_s[order])),
        "x0_mm": piece.x0_mm,
        "u_x0_mm": piece.u_x0_mm,
        "x_mm": float(np.sum(weight * x_mm[:, None])),
        "y_mm": float(np.sum(weight * y_mm[None, :])),
        "length_mm": piece.length_mm,
        "width_mm": piece.width_mm,
        "thickness_max_mm": float(np.nanmax(measured.masses.piece.thickness_mm)),
        "thickness_mean_mm": whole.volume_mm3 / area_mm2,
        "area_cm2": area_mm2 / 100,
        "volume_cm3": whole.volume_mm3 / 1000,
        "u_volume_cm3": whole.u_volume_mm3 / 1000,
        "u_volume_run_cm3": whole.u_of("run")[1] / 1000,
        "u_volume_piece_cm3": whole.u_of("piece")[1] / 1000,
        "u_volume_independent_cm3": whole.u_of("independent")[1] / 1000,
        "fat_area_fraction": tissue.fat_area_fraction,
        "u_fat_area_fraction": tissue.u_fat_area_fraction,
        "fat_volume_cm3": whole.fat_mm3 / 1000,
        "mass_g": whole.mass_g,
        "u_mass_g": whole.u_mass_g,
        "u_mass_run_g": whole.u_run_g,
        "fat_g": whole.fat_g,
        "temperature_c": scan.recording.manifest.temperature_c,
        **{name: piece.extra.get(name) for name in _SEEN_COLUMNS},
        "tissue_method": tissue.method,
        "flags": ";".join(sorted(measured.flags)),
    }


def _profile_columns(profile: Any) -> dict[str, npt.NDArray[np.float64]]:
    n = len(profile.s_mm)
    columns = {}
    for name in PROFILE_COLUMNS:
        value = getattr(profile, name)
        columns[name] = np.full(n, value) if np.ndim(value) == 0 else np.asarray(value)
    return columns


def _joined(slices: list[dict[str, npt.NDArray[np.float64]]]) -> dict[str, npt.NDArray[Any]]:
    slices = sorted(slices, key=lambda columns: (columns["piece"][0], columns["angle_deg"][0]))
    return {
        name: np.concatenate([columns[name] for columns in slices])
        if slices
        else np.empty(0, dtype=np.int64 if name in {"piece", "lane"} else np.float64)
        for name in PROFILE_COLUMNS
    }


def _columns(rows: list[dict[str, Any]]) -> dict[str, npt.NDArray[Any]]:
    columns: dict[str, npt.NDArray[Any]] = {}
    for name in PIECE_COLUMNS:
        values = [row[name] for row in rows]
        if name in {"flags", "tissue_method"}:
            columns[name] = np.array(values, dtype=object)
        elif name in {"piece", "lane"}:
            columns[name] = np.array(values, dtype=np.int64)
        else:
            columns[name] = np.array([np.nan if v is None else v for v in values], dtype=np.float64)
    return columns


def _document(
    measured: MeasuredPiece,
    calibration: ScannerCalibration | None,
    sequence: int,
    mm_per_count: float,
    provenance: Mapping[str, str],
) -> dict[str, Any]:
    nan = float("nan")
    blade = None if calibration is None else calibration.blade_x_mm
    u_blade = None if calibration is None else calibration.u_blade_x_mm
    return piece_document(
        measured.profiles,
        measured.piece,
        sequence=sequence,
        mm_per_count=mm_per_count,
        u_mm_per_count=nan if calibration is None else calibration.u_mm_per_count,
        blade_x_mm=blade,
        u_blade_x_mm=nan if u_blade is None else u_blade,
        provenance=provenance,
        extra={
            "fat_area_fraction": measured.tissue.fat_area_fraction,
            "u_fat_area_fraction": measured.tissue.u_fat_area_fraction,
            "tissue_method": measured.tissue.method,
        },
    )


def _draw(
    measured: MeasuredPiece, loaded: LoadedSettings, density: TissueDensity | None, n_draws: int
) -> dict[str, Any]:
    tissue = loaded.settings.tissue
    drawn = draw_mass(
        measured.piece,
        measured.tissue,
        density,
        fat_depth_mm=tissue.fat_depth_mm,
        u_fat_depth_mm=tissue.u_fat_depth_mm,
        n_draws=n_draws,
        seed=measured.piece.piece,
    )
    first_order = {
        "u_mass_g_first_order": measured.whole.u_mass_g,
        "u_volume_mm3_first_order": measured.whole.u_volume_mm3,
    }
    return {"piece": measured.piece.piece, **asdict(drawn), **first_order}


def _budget(wholes: Sequence[PartMass]) -> list[dict[str, Any]]:
    """Each cause's root mean square over the pieces."""
    causes: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for whole in wholes:
        for row in whole.budget:
            causes.setdefault((row.cause, row.scope), []).append((row.u_mass_g, row.u_volume_mm3))
    budget = []
    for (name, scope), values in causes.items():
        mass, volume = np.sqrt(np.sum(np.array(values) ** 2, axis=0) / len(wholes))
        budget.append(
            {"name": name, "scope": scope, "u_g": float(mass), "u_cm3": float(volume) / 1000}
        )
    return budget
