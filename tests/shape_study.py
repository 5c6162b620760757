"""Simulated pieces through a scanner whose every common error is drawn anew.

The scanner as it truly is: the calibration's model fitted to the simulation's own cameras, which
know nothing of it. What the chain is given instead is drawn about that with the covariance of a
real calibration on three passes (`references/scanner-1.json`); the belt's unevenness, the line's
place on product against belt, and the noise of rows are drawn, too.
"""

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from geomscan.laser_line.extract import extract_lines
from geomscan.laser_line.noise import NoiseModel
from geomscan.laser_line.settings import LineSettings
from geomscan.scanner.calibration import ScannerCalibration, read_calibration
from geomscan.scanner.head import HeadModel
from geomscan.shape.finder import PieceFinder
from geomscan.shape.from_scanner import rows_to_mm, shape_geometry
from geomscan.shape.geometry import BeltLines, HeadLines
from geomscan.shape.piece_map import PieceMap
from geomscan.shape.settings import ShapeSettings
from geomscan.simulation.camera import project_points
from geomscan.simulation.lines import frames_of, simulate_lines
from geomscan.simulation.random_pieces import usual_scene
from geomscan.simulation.scene import Piece
from geomscan.simulation.stage import Stage, prepare
from geomscan.simulation.truth import PieceTruth, scene_truth, truth_maps

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

BESIDE_MM = 60.0  #: belt kept on either side of a piece; the rest of the columns is left out
BELT_RMS_MM = 0.02  #: unevenness of the belt, over 80 to 400 mm
U_LINE_PX = 0.015  #: the line's place on product against belt
LINE_MM_PER_COUNT = 0.05


@dataclass(frozen=True, kw_only=True, eq=False)
class Lines:
    """What the heads saw of one piece: sensor rows and light, first column, scatter of rows."""

    e_mm: Floats
    rows: dict[str, tuple[Singles, Singles, int]]
    u_row_px: float
    y_mm: tuple[float, float]
    truth: PieceTruth
    from_above_cm3: float  #: as seen from above: what hangs over is filled


def _model(like: ScannerCalibration, name: str, parameters: Floats) -> HeadModel:
    value = dict(zip(like.parameter_names, parameters.tolist(), strict=True))
    homography = [[value.get(f"head.{name}.h{i}{j}", 1.0) for j in range(3)] for i in range(3)]
    lens = [value.get(f"head.{name}.{term}", 0.0) for term in ("k1", "k2", "p1", "p2", "k3")]
    return replace(like.heads[name], homography=np.array(homography), distortion=np.array(lens))


def _with(like: ScannerCalibration, parameters: Floats) -> ScannerCalibration:
    value = dict(zip(like.parameter_names, parameters.tolist(), strict=True))
    sheet = replace(
        like.sheets["main"],
        tilt_deg=value["sheet.main.tilt_deg"], skew_deg=value["sheet.main.skew_deg"],
        fan_y_mm=value["sheet.main.fan_y_mm"], fan_z_mm=value["sheet.main.fan_z_mm"],
    )  # fmt: skip
    return replace(
        like, heads={name: _model(like, name, parameters) for name in like.heads},
        sheets={"main": sheet}, parameters=parameters, mm_per_count=value["belt.mm_per_count"],
    )  # fmt: skip


@cache
def true_scanner() -> ScannerCalibration:
    """Give the scanner as it is: the model fitted to what the simulated cameras project."""
    from scipy.optimize import least_squares

    like = read_calibration(Path(__file__).parent / "references" / "scanner-1.json")
    scene = usual_scene(n_lines=2)
    parameters = like.parameters.copy()
    names = list(like.parameter_names)
    for setup in prepare(scene).heads:
        y, z = np.meshgrid(np.linspace(-205, 205, 42), np.linspace(-3, 60, 14), indexing="ij")
        points = np.column_stack(
            [(z * setup.fan.tilt + y * setup.fan.skew).ravel(), y.ravel(), z.ravel()]
        )
        column, row = project_points(setup.camera, points).T
        own = [i for i, name in enumerate(names) if name.startswith(f"head.{setup.name}.")]

        def off(
            values: Floats, setup_name: str = setup.name, own: list[int] = own,
            at: tuple[Floats, Floats] = (column, row), points: Floats = points,
        ) -> Floats:  # fmt: skip
            trial = parameters.copy()
            trial[own] = values
            y, z = _model(like, setup_name, trial).to_plane(*at)
            return np.concatenate([y - points[:, 1], z - points[:, 2]])

        fit = least_squares(off, parameters[own], x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15)
        assert np.abs(fit.fun).max() < 1e-3  # the model holds the camera to a micrometre
        parameters[own] = fit.x
    laser = scene.lasers["main"]
    for name, value in (
        ("tilt_deg", laser.tilt_deg), ("skew_deg", laser.skew_deg),
        ("fan_y_mm", laser.source_mm[0]), ("fan_z_mm", laser.source_mm[1]),
    ):  # fmt: skip
        parameters[names.index(f"sheet.main.{name}")] = value
    parameters[names.index("belt.mm_per_count")] = LINE_MM_PER_COUNT
    return _with(like, parameters)


def drawn_scanner(rng: np.random.Generator) -> ScannerCalibration:
    """Give a calibration as it might have come out: the true one and a draw of its errors."""
    true = true_scanner()
    own = true.scanner_parameters
    covariance = true.covariance[np.ix_(own, own)]
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    draw = vectors @ (np.sqrt(np.maximum(values, 0.0)) * rng.standard_normal(len(own)))
    parameters = true.parameters.copy()
    parameters[own] += scale * draw
    return _with(true, parameters)


def _laid(piece: Piece, *, pitch_mm: float, seed: int, facet_mm: float) -> Stage:
    """Lay one piece on the belt, 60 mm behind the first line."""
    (alone,) = scene_truth(prepare(usual_scene(n_lines=2, pieces=(piece,), facet_mm=facet_mm)))
    at = (piece.at_mm[0] + 60.0 - alone.x0_mm, piece.at_mm[1])
    return prepare(
        usual_scene(
            n_lines=int((alone.length_mm + 130.0) / pitch_mm), pitch_mm=pitch_mm, seed=seed,
            pieces=(piece.model_copy(update={"at_mm": at}),), facet_mm=facet_mm,
        )
    )  # fmt: skip


def lines_of(
    piece: Piece, *, heads: str, pitch_mm: float, seed: int, facet_mm: float = 1.3,
    frames: bool = False,
) -> Lines:  # fmt: skip
    """Simulate the lines of one piece, from frames or with the noise that extraction has."""
    stage = _laid(piece, pitch_mm=pitch_mm, seed=seed, facet_mm=facet_mm)
    (truth,) = scene_truth(stage)
    half = 0.5 * truth.width_mm + BESIDE_MM
    y_mm = (truth.y_mm - half, truth.y_mm + half)
    rows = {}
    for number, setup in enumerate(stage.heads):
        if setup.name not in heads:
            continue
        if frames:
            drawn = np.stack(list(frames_of(stage, number, n_threads=1))).astype(np.uint8)
            noise = NoiseModel(
                electrons_per_grey=setup.head.electrons_per_grey,
                read_noise_grey=setup.head.read_noise_grey, black_level_grey=0.0,
            )  # fmt: skip
            found = extract_lines(drawn, noise=noise, settings=LineSettings(), bit_depth=8)
            row, light = found.row_px + np.float32(setup.height0), found.reflectance
        else:
            seen = simulate_lines(stage, number, noise=True, n_threads=1)
            row, light = seen.row_px, seen.reflectance
        column = np.arange(row.shape[1], dtype=np.float64)
        middle = np.full(len(column), np.nanmedian(row))
        y, _ = true_scanner().heads[setup.name].to_plane(column, middle)
        kept = np.flatnonzero((y > y_mm[0]) & (y < y_mm[1]))
        part = slice(kept[0], kept[-1] + 1)
        rows[setup.name] = (row[:, part].copy(), light[:, part].copy(), int(kept[0]))
    x = np.arange(truth.x0_mm - 1.0, truth.x0_mm + truth.length_mm + 1.0, 0.5)
    y = np.arange(y_mm[0], y_mm[1], 0.5)
    return Lines(
        e_mm=stage.travel.travel_mm, rows=rows, y_mm=y_mm, truth=truth,
        u_row_px=float(
            np.hypot(stage.scene.row_noise_px, stage.heads[0].sensor.speckle_row_px)
        ),
        from_above_cm3=float(truth_maps(stage, x, y).height_mm.sum()) * 0.25e-3,
    )  # fmt: skip


def uneven_mm(rng: np.random.Generator, x_mm: Floats, y_mm: Floats) -> Floats:
    """Height of an uneven belt: waves of 80 to 400 mm in all directions."""
    total = np.zeros(np.broadcast_shapes(x_mm.shape, y_mm.shape))
    size = rng.normal(0.0, 1.0, 8)
    for part in size * BELT_RMS_MM / np.sqrt(0.5 * np.square(size).sum()):
        wave, turn, phase = 2 * np.pi / rng.uniform(80, 400), *rng.uniform(0, 2 * np.pi, 2)
        total += part * np.sin(wave * (np.cos(turn) * x_mm + np.sin(turn) * y_mm) + phase)
    return total


def measured(lines: Lines, rng: np.random.Generator | None = None) -> list[PieceMap]:
    """Find pieces; with a generator every common error is drawn, without there is none."""
    true = true_scanner()
    given = true if rng is None else drawn_scanner(rng)
    shift_px = 0.0 if rng is None else float(rng.normal(0.0, U_LINE_PX))
    belt = None if rng is None else np.random.default_rng(rng.integers(2**32))
    heads = {}
    for name, (row, light, first) in lines.rows.items():
        if belt is not None:
            model = true.heads[name]
            column = np.arange(first, first + row.shape[1], dtype=np.float64)
            y, z = model.to_plane(column, row)
            middle = np.full(len(column), np.nanmedian(row))
            per_row = model.to_plane(column, middle + 0.5)[1]
            per_row = per_row - model.to_plane(column, middle - 0.5)[1]
            state = belt.bit_generator.state  # all heads look at one belt
            uneven = uneven_mm(belt, lines.e_mm[:, None], np.nan_to_num(y))
            belt.bit_generator.state = state
            on_product = np.where(z > 0.5, shift_px * np.sign(per_row), 0.0)
            row = (row + uneven / per_row + on_product).astype(np.float32)
        heads[name] = rows_to_mm(
            given, name, row, first_column=first, u_row_px=lines.u_row_px, reflectance=light
        )
    return _found(given, lines, heads)


def _found(given: ScannerCalibration, lines: Lines, heads: dict[str, HeadLines]) -> list[PieceMap]:
    geometry = shape_geometry(given, list(heads))
    geometry = replace(
        geometry,
        y_first_mm=max(geometry.y_first_mm, lines.y_mm[0]),
        y_last_mm=min(geometry.y_last_mm, lines.y_mm[1]),
    )
    finder = PieceFinder(geometry, ShapeSettings())
    e_mm = lines.e_mm * (given.mm_per_count / LINE_MM_PER_COUNT)
    pieces = []
    for first in range(0, len(e_mm), 64):
        part = slice(first, first + 64)
        pieces += finder.push(
            BeltLines(e_mm=e_mm[part]), {name: head.part(part) for name, head in heads.items()}
        )
    return pieces + finder.finish()


def volume_cm3(piece: PieceMap) -> float:
    """Volume of a piece."""
    return float(piece.cell_volume_mm3.sum()) / 1000.0


def u_volume_cm3(piece: PieceMap) -> float:
    """Give its standard uncertainty: terms add as they are over cells, noise in quadrature."""
    common = [float((term.delta_mm * piece.cover).sum()) for term in piece.terms]
    noise = float(np.square(piece.u_independent_mm * piece.cover).sum())
    return float(np.sqrt(np.square(common).sum() + noise)) * piece.cell_mm**2 / 1000.0
