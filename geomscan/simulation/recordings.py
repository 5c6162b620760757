"""A scene becomes a recording on disk, with its truth beside it."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from geomscan.files import new_folder, plain, write_whole
from geomscan.recording.line_file import write_line_file
from geomscan.recording.writer import FrameWriter, write_manifest
from geomscan.simulation.lines import frames_of, simulate_lines
from geomscan.simulation.scene import Scene
from geomscan.simulation.stage import HeadSetup, Stage, prepare
from geomscan.simulation.truth import truth_document

__all__ = ["TRUTH_NAME", "simulate"]

TRUTH_NAME = "truth.json"
TRUTH_FORMAT = "geomscan.truth/1"


def simulate(
    scene: Scene,
    folder: Path,
    *,
    files: Path | None = None,
    replace: bool = False,
    n_threads: int = 2,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Write the recording of a scene.

    Parameters
    ----------
    scene : Scene
        What lies on the belt and what looks at it.
    folder : Path
        The recording; it appears whole or not at all.
    files : Path, optional
        Where block and mesh files of the scene are looked for; default the current folder.
    replace : bool
        Replace an existing folder.
    n_threads : int
        Threads that draw; the recording does not depend on it.
    progress : callable, optional
        Called with (lines done, lines in all) now and then.

    Returns
    -------
    folder : Path

    Raises
    ------
    InputError
        If a file of the scene cannot be used or the place cannot be written.
    """
    stage = prepare(scene, folder=files)
    with new_folder(folder, replace=replace) as beside:
        done, total = 0, len(stage.heads) * int((~stage.travel.dropped).sum())
        for number, setup in enumerate(stage.heads):
            if scene.payload == "frames":
                with FrameWriter(beside / f"head-{setup.name}.tif") as writer:
                    for frame in frames_of(stage, number, n_threads=n_threads):
                        writer.write(frame)
                        done += 1
                        if progress is not None and done % 50 == 0:
                            progress(done, total)
            else:
                _write_reduced(stage, number, beside, n_threads)
                done += total // len(stage.heads)
                if progress is not None:
                    progress(done, total)
        write_line_file(beside / "lines.csv", _line_columns(stage))
        write_manifest(beside, _manifest(stage))
        truth = {"format": TRUTH_FORMAT, **plain(truth_document(stage))}
        text = json.dumps(truth, allow_nan=False, ensure_ascii=False)
        write_whole(beside / TRUTH_NAME, (text + "\n").encode())
    return folder


def _write_reduced(stage: Stage, number: int, folder: Path, n_threads: int) -> None:
    """Range or height payload: one array of lines, with its reflectance beside it."""
    setup = stage.heads[number]
    lines = simulate_lines(stage, number, noise=True, n_threads=n_threads)
    if stage.scene.payload == "range":
        counts = np.rint(lines.row_px * np.float32(_counts_per_row(setup)))
        counts = np.where(np.isfinite(counts), np.clip(counts, 1, 65535), 0)
        np.save(folder / f"head-{setup.name}.npy", counts.astype(np.uint16))
        np.save(folder / f"head-{setup.name}-width.npy", lines.width_px)
    else:
        np.save(folder / f"head-{setup.name}.npy", lines.row_px)
    np.save(folder / f"head-{setup.name}-light.npy", lines.reflectance)


def _counts_per_row(setup: HeadSetup) -> int:
    """Find the finest power of two that a 16-bit number holds over all rows of the sensor."""
    n_rows = setup.head.sensor_size[0 if setup.turned else 1]
    return int(2 ** np.floor(np.log2(65535 / (n_rows - 1))))


def _line_columns(stage: Stage) -> dict[str, Any]:
    travel = stage.travel
    columns: dict[str, Any] = {
        "line": np.arange(stage.scene.n_lines),
        "encoder": travel.encoder,
        "time_s": travel.time_s,
    }
    if stage.scene.exposure_us is not None:
        columns["exposure_us"] = np.full(stage.scene.n_lines, stage.scene.exposure_us)
    if stage.scene.tell_power:
        laser = next(iter(stage.scene.lasers.values()))
        drift = np.linspace(0.0, laser.power_drift, stage.scene.n_lines)
        columns["laser_power"] = laser.power * (1 + drift)
    if travel.dropped.any():
        columns["dropped"] = travel.dropped
    return columns


def _manifest(stage: Stage) -> dict[str, Any]:
    scene = stage.scene
    nominal = scene.encoder.nominal_mm_per_count
    manifest: dict[str, Any] = {
        "product": scene.product,
        "recorded": scene.recorded,
        "temperature_c": scene.temperature_c,
        "belt": {
            "nominal_mm_per_count": scene.encoder.mm_per_count if nominal is None else nominal,
            "lanes": [list(lane) for lane in scene.belt.lanes] or None,
        },
    }
    if scene.blocks:
        block = scene.blocks[0]
        across = block.across_mm if block.stated_across_mm is None else block.stated_across_mm
        manifest["block"] = {
            "across_mm": across,
            "u_across_mm": block.u_stated_across_mm,
            "reversed": block.reversed,
        }
    manifest["lasers"] = {
        name: {"wavelength_nm": laser.wavelength_nm} for name, laser in scene.lasers.items()
    }
    manifest["heads"] = [_head_manifest(stage, setup) for setup in stage.heads]
    return manifest


def _head_manifest(stage: Stage, setup: HeadSetup) -> dict[str, Any]:
    head, kind = setup.head, stage.scene.payload
    entry: dict[str, Any] = {"name": setup.name, "laser": head.laser, "payload_is": kind}
    entry["payload"] = f"head-{setup.name}.{'tif' if kind == 'frames' else 'npy'}"
    if kind == "height":
        entry["y_start_mm"] = setup.optics.across0_mm
        entry["y_step_mm"] = setup.optics.across_step_mm
        entry["reflectance"] = f"head-{setup.name}-light.npy"
        return entry
    entry["rows_are_height"] = not setup.turned
    entry["sensor_size"] = list(head.sensor_size)
    if kind == "frames":
        entry["roi_origin"] = [setup.height0, 0] if setup.turned else [0, setup.height0]
        entry["bit_depth"] = head.bit_depth
        if head.tell_noise:
            entry["electrons_per_grey"] = head.electrons_per_grey
            entry["read_noise_grey"] = head.read_noise_grey
            entry["black_level_grey"] = head.black_level_grey
    else:
        entry["counts_per_row"] = _counts_per_row(setup)
        entry["reflectance"] = f"head-{setup.name}-light.npy"
        entry["line_width"] = f"head-{setup.name}-width.npy"
    if head.tell_noise:
        entry.update(pixel_um=head.pixel_um, focal_mm=head.focal_mm, f_number=head.f_number)
    return entry
