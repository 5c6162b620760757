"""From a scene made ready to lines: frames as cameras deliver them, or rows without frames."""

import math
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.simulation.camera import Camera
from geomscan.simulation.chance import State, gamma, normal, start
from geomscan.simulation.looks import Looks
from geomscan.simulation.placed import Surface
from geomscan.simulation.scene import Scene
from geomscan.simulation.sensor import (
    Sensor,
    add_ghost,
    add_light,
    add_second_peaks,
    digitise,
    speckle_of,
)
from geomscan.simulation.sheet import Buckets, Fan, Pose, lit_points
from geomscan.simulation.sight import Cells
from geomscan.simulation.stage import HeadSetup, Stage
from geomscan.simulation.view import Optics, seen_stretches

__all__ = ["SimulatedLines", "frames_of", "simulate_lines"]

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Frame = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]

BLOCK_LINES = 16
MEANT_EXPOSURE_US = 500.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SimulatedLines:
    """Lines of one head without going through frames: arrays (n_lines, n_columns), NaN = no line.

    row_px counts on the whole sensor, in the turned sense (rows are height); reflectance is the
    light of the column in grey·px; width_px is the line's standard deviation.
    """

    name: str
    row_px: Floats32
    reflectance: Floats32
    width_px: Floats32


def _gain(stage: Stage, setup: HeadSetup) -> Floats:
    """Light of every line against the first: the laser's drift and the stated power."""
    drift = stage.scene.lasers[setup.head.laser].power_drift
    exposed = (stage.scene.exposure_us or MEANT_EXPOSURE_US) / MEANT_EXPOSURE_US
    return exposed * np.linspace(1.0, 1.0 + drift, stage.scene.n_lines)


def _window(setup: HeadSetup) -> Floats:
    """Share of the light that the window lets through, column by column."""
    columns = np.arange(setup.n_across)
    through = np.ones(setup.n_across)
    for dirt in setup.head.dirt:
        near = np.maximum(1 - np.abs(columns - dirt.column) / dirt.half_width_px, 0.0)
        through *= 1 - dirt.loss * near**2 * (3 - 2 * near)
    return through


def _seeds(scene: Scene, head: int) -> Ints:
    """One seed a line, the same however the lines are spread over threads."""
    words = np.random.SeedSequence([scene.seed, head]).generate_state(scene.n_lines)
    return words.astype(np.int64)


@njit(nogil=True, cache=True)
def _stretches(
    pose: Pose,
    surface: Surface,
    cells: Cells,
    looks: Looks,
    buckets: Buckets,
    fan: Fan,
    camera: Camera,
    optics: Optics,
    coarse: tuple[float, float, float],
    may_be_hidden: npt.NDArray[np.bool_],
    thickness_mm: float,
) -> Floats:
    t, point, hit, apart = lit_points(pose, surface, buckets, fan)
    stretch: Floats = seen_stretches(
        pose,
        t,
        point,
        hit,
        apart,
        surface,
        cells,
        may_be_hidden,
        coarse,
        looks,
        fan,
        camera,
        optics,
        thickness_mm,
    )
    return stretch


@njit(nogil=True, cache=True)
def _draw_frames(
    poses: Floats,
    gain: Floats,
    seeds: Ints,
    surface: Surface,
    cells: Cells,
    looks: Looks,
    buckets: Buckets,
    fan: Fan,
    camera: Camera,
    optics: Optics,
    sensor: Sensor,
    coarse: tuple[float, float, float],
    may_be_hidden: npt.NDArray[np.bool_],
    layers: Floats,
    layer_mm: float,
    window: Floats,
    ghosts: Floats,
    numbers: Ints,
    height0: float,
    frames: npt.NDArray[np.uint16],
) -> None:
    for k in range(len(poses)):
        pose = Pose(poses[k, 0], poses[k, 1], poses[k, 2])
        chance = start(seeds[k])
        image = np.zeros(frames.shape[1:], np.float32)
        move, bright = speckle_of(sensor, frames.shape[2], chance)
        bright *= window
        width = 1.0
        for layer in range(len(layers)):
            sheet = Fan(
                fan.at_mm + layers[layer, 0],
                fan.tilt,
                fan.skew,
                fan.source_y_mm,
                fan.source_z_mm,
                fan.half_width_mm,
                fan.relief_mm,
                fan.relief_x_mm,
                fan.relief_y_mm,
                fan.n_rays,
            )
            stretch = _stretches(
                pose,
                surface,
                cells,
                looks,
                buckets,
                sheet,
                camera,
                optics,
                coarse,
                may_be_hidden,
                layer_mm,
            )
            share = gain[k] * layers[layer, 1]
            add_light(image, stretch, height0, share, sensor.psf_px, move, bright)
            if len(stretch) > 0:
                width = stretch[len(stretch) // 2, 5]
        if sensor.second_peak_share > 0:
            add_second_peaks(image, sensor.second_peak_share, width, chance)
        for g in range(len(ghosts)):
            if ghosts[g, 2] <= numbers[k] <= ghosts[g, 3]:
                add_ghost(image, int(ghosts[g, 0]), int(ghosts[g, 1]), ghosts[g, 4], ghosts[g, 5])
        digitise(image, sensor, frames[k], chance)


@njit(nogil=True, cache=True)
def _sample_lines(
    poses: Floats,
    gain: Floats,
    seeds: Ints,
    surface: Surface,
    cells: Cells,
    looks: Looks,
    buckets: Buckets,
    fan: Fan,
    camera: Camera,
    optics: Optics,
    coarse: tuple[float, float, float],
    may_be_hidden: npt.NDArray[np.bool_],
    thickness_mm: float,
    scatter: float,
    contrast: float,
    row: Floats32,
    light: Floats32,
    width: Floats32,
) -> None:
    for k in range(len(poses)):
        pose = Pose(poses[k, 0], poses[k, 1], poses[k, 2])
        stretch = _stretches(
            pose,
            surface,
            cells,
            looks,
            buckets,
            fan,
            camera,
            optics,
            coarse,
            may_be_hidden,
            thickness_mm,
        )
        _sample(stretch, gain[k], row[k], light[k], width[k])
        if scatter > 0 or contrast > 0:
            chance = start(seeds[k])
            _row_noise(row[k], light[k], scatter, contrast, chance)


def _poses(stage: Stage, lines: Ints) -> Floats:
    return np.column_stack([stage.travel.travel_mm[lines], stage.lift_mm[lines], stage.roll[lines]])


def frames_of(stage: Stage, head: int, *, n_threads: int = 2) -> Iterator[Frame]:
    """Frames of one head as its camera delivers them, dropped lines left out.

    Yields
    ------
    frame : (n_rows, n_columns) uint8 or uint16
        The region of interest; transposed for a camera turned by 90°.
    """
    setup = stage.heads[head]
    gain, seeds, window = _gain(stage, setup), _seeds(stage.scene, head), _window(setup)
    lines = np.flatnonzero(~stage.travel.dropped)
    ghosts = np.array(
        [(*g.columns, *g.lines, g.offset_px, g.strength) for g in setup.head.ghosts],
        dtype=np.float64,
    ).reshape(-1, 6)

    def block(first: int) -> npt.NDArray[np.uint16]:
        here = lines[first : first + BLOCK_LINES]
        frames = np.empty((len(here), setup.n_height, setup.n_across), dtype=np.uint16)
        _draw_frames(
            _poses(stage, here),
            gain[here],
            seeds[here],
            stage.surface,
            setup.cells,
            stage.looks,
            setup.buckets,
            setup.fan,
            setup.camera,
            setup.optics,
            setup.sensor,
            setup.coarse,
            setup.may_be_hidden,
            setup.layers,
            setup.layer_mm,
            window,
            ghosts,
            here,
            float(setup.height0),
            frames,
        )
        return frames

    eight_bit = setup.head.bit_depth == 8
    starts = range(0, len(lines), BLOCK_LINES)
    with ThreadPoolExecutor(n_threads) as pool:
        # a few blocks at a time, so that memory does not grow with the recording
        for batch in range(0, len(starts), 2 * n_threads):
            for frames in pool.map(block, starts[batch : batch + 2 * n_threads]):
                for frame in frames:
                    turned = np.ascontiguousarray(frame.T) if setup.turned else frame
                    yield turned.astype(np.uint8) if eight_bit else turned


@njit(nogil=True, cache=True)
def _sample(stretch: Floats, gain: float, row: Floats32, light: Floats32, width: Floats32) -> None:
    """Row, light and width where a stretch passes a column's centre; the brightest of several."""
    row[:], light[:], width[:] = np.nan, 0.0, np.nan
    for k in range(len(stretch)):
        a0, h0, a1, h1 = stretch[k, 0], stretch[k, 1], stretch[k, 2], stretch[k, 3]
        low, high = min(a0, a1), max(a0, a1)
        span = a1 - a0
        if high - low < 1e-9:
            continue
        density = gain * stretch[k, 4] / (high - low)
        for a in range(max(int(np.ceil(low)), 0), min(int(np.floor(high)), len(row) - 1) + 1):
            if density > light[a]:
                row[a] = h0 + (h1 - h0) * (a - a0) / span + stretch[k, 6] * stretch[k, 7]
                light[a] = density
                width[a] = stretch[k, 5]
    for a in range(len(row)):
        if light[a] == 0:
            light[a] = np.nan


@njit(nogil=True, cache=True)
def _row_noise(
    row: Floats32, light: Floats32, scatter: float, contrast: float, chance: State
) -> None:
    for a in range(len(row)):
        if not math.isnan(row[a]):
            row[a] += scatter * normal(chance)
            if contrast > 0:
                light[a] *= gamma(chance, 1 / contrast**2)


def simulate_lines(
    stage: Stage, head: int, *, noise: bool = False, n_threads: int = 2
) -> SimulatedLines:
    """Lines of one head where they truly lie, or with the row noise of the scene.

    Light from below the surface moves the row by its share times its mean shift, as it moves the
    centre of gravity of the line.
    """
    setup = stage.heads[head]
    gain, seeds, window = _gain(stage, setup), _seeds(stage.scene, head), _window(setup)
    lines = np.flatnonzero(~stage.travel.dropped)
    row, light, width = (np.empty((len(lines), setup.n_across), dtype=np.float32) for _ in range(3))
    scatter, contrast = 0.0, 0.0
    if noise:
        scatter = math.hypot(stage.scene.row_noise_px, setup.sensor.speckle_row_px)
        scatter = stage.scene.height_noise_mm if stage.scene.payload == "height" else scatter
        contrast = setup.sensor.speckle_brightness

    def block(first: int) -> None:
        rows = slice(first, first + BLOCK_LINES)
        here = lines[rows]
        _sample_lines(
            _poses(stage, here),
            gain[here],
            seeds[here],
            stage.surface,
            setup.cells,
            stage.looks,
            setup.buckets,
            setup.fan,
            setup.camera,
            setup.optics,
            setup.coarse,
            setup.may_be_hidden,
            setup.thickness_mm,
            scatter,
            contrast,
            row[rows],
            light[rows],
            width[rows],
        )

    with ThreadPoolExecutor(n_threads) as pool:
        list(pool.map(block, range(0, len(lines), BLOCK_LINES)))
    if stage.scene.payload != "height":
        light *= window.astype(np.float32)
    return SimulatedLines(name=setup.name, row_px=row, reflectance=light, width_px=width)
