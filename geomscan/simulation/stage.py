"""A scene made ready: solids laid on the belt, every head's camera, light and sensor set up."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.errors import InputError
from geomscan.simulation.camera import Camera, camera_of, project_points
from geomscan.simulation.encoder import BeltTravel, belt_travel
from geomscan.simulation.looks import Looks, looks_of
from geomscan.simulation.placed import PlacedSolid, Surface, place, surface_of
from geomscan.simulation.scene import HeadScene, LaserScene, Scene
from geomscan.simulation.sensor import Sensor
from geomscan.simulation.sheet import Buckets, Fan, buckets_of
from geomscan.simulation.sight import Cells, cells_of
from geomscan.simulation.view import IMAGE, ON_BELT, TURNED, Optics

__all__ = ["HeadSetup", "Stage", "prepare", "speckle_row_px"]

Floats = npt.NDArray[np.float64]

COARSE_MM = 4.0


class HeadSetup(NamedTuple):
    """One head ready for the kernels; the window is (first, count) along across and height."""

    name: str
    head: HeadScene
    camera: Camera
    fan: Fan
    buckets: Buckets
    optics: Optics
    sensor: Sensor
    turned: bool
    n_across: int
    height0: int
    n_height: int
    coarse: tuple[float, float, float]
    may_be_hidden: npt.NDArray[np.bool_]
    layers: Floats
    layer_mm: float
    thickness_mm: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Stage:
    """The whole scene made ready: solids, surface, belt travel and heads."""

    scene: Scene
    solids: list[PlacedSolid]
    surface: Surface
    cells: Cells
    looks: Looks
    travel: BeltTravel
    heads: tuple[HeadSetup, ...]
    lift_mm: Floats
    roll: Floats


def prepare(scene: Scene, *, folder: Path | None = None) -> Stage:
    """Lay the pieces, set up cameras and light.

    Parameters
    ----------
    folder : Path, optional
        Where block and mesh files of the scene are looked for; default the current folder.

    Raises
    ------
    InputError
        If a file of the scene cannot be used or a head does not see the belt.
    """
    solids = place(scene, folder=folder)
    surface = surface_of(solids)
    travel = belt_travel(scene)
    along = 2 * np.pi * travel.travel_mm / scene.belt.lift_period_mm
    lift = (
        scene.belt.lift_mm * np.sin(along)
        + scene.belt.lift_drift_mm_per_m * travel.travel_mm / 1000
    )
    roll = math.tan(math.radians(scene.belt.lift_roll_deg)) * np.sin(along + 1.0)
    cells = cells_of(surface)
    heads = tuple(_head_setup(scene, head, surface, cells) for head in scene.heads)
    return Stage(
        scene=scene,
        solids=solids,
        surface=surface,
        cells=cells,
        looks=looks_of(scene, solids),
        travel=travel,
        heads=heads,
        lift_mm=lift,
        roll=roll,
    )


def speckle_row_px(head: HeadScene, wavelength_nm: float) -> float:
    """Scatter of a column's row by speckle, in pixels.

    C·lambda / (2 pi sin u') on the image side: Dorsch, Häusler & Herrmann 1994, Appl. Opt.
    33(7):1306-1314, with sin u' of the lens focused to the object's distance.
    """
    if head.speckle_row_px is not None:
        return head.speckle_row_px
    image_mm = head.focal_mm * head.distance_mm / (head.distance_mm - head.focal_mm)
    aperture = math.sin(math.atan(head.focal_mm / head.f_number / 2 / image_mm))
    return head.speckle_contrast * wavelength_nm * 1e-3 / (2 * math.pi * aperture) / head.pixel_um


def _speckle_brightness(head: HeadScene, wavelength_nm: float) -> float:
    """Contrast of a column's light: speckles of width lambda·N average over pixel and line."""
    if head.speckle_brightness is not None:
        return head.speckle_brightness
    grain_um = wavelength_nm * 1e-3 * head.f_number * (1 + head.focal_mm / head.distance_mm)
    across = max(1.0, head.pixel_um / grain_um)
    along = max(1.0, 2 * math.sqrt(math.pi) * max(head.psf_px, 0.5) * head.pixel_um / grain_um)
    return head.speckle_contrast / math.sqrt(across * along)


def _head_setup(scene: Scene, head: HeadScene, surface: Surface, cells: Cells) -> HeadSetup:
    laser = scene.lasers[head.laser]
    camera = camera_of(head, laser)
    half_width = min(laser.half_width_mm or math.inf, scene.belt.width_mm / 2)
    turned = abs(math.sin(math.radians(head.roll_deg))) > math.sqrt(0.5)
    n_across, n_rows = head.sensor_size[::-1] if turned else head.sensor_size
    layout = TURNED if turned else IMAGE
    if scene.payload == "height":
        layout, n_across = ON_BELT, int(2 * half_width / scene.height_grid_mm) + 1
    relief = scene.belt.relief
    fan = Fan(
        laser.at_mm,
        math.tan(math.radians(laser.tilt_deg)),
        math.tan(math.radians(laser.skew_deg)),
        *laser.source_mm,
        half_width,
        relief.depth_mm if relief else 0.0,
        relief.period_x_mm if relief else 1.0,
        relief.period_y_mm if relief else 1.0,
        n_across,
    )

    def seen(y: float, z: float) -> tuple[float, float]:
        x = fan.at_mm + z * fan.tilt + y * fan.skew
        column, row = project_points(camera, [(x, y, z)])[0]
        return (row, column) if turned else (column, row)

    heights = [
        seen(y, z)[1] for y in np.linspace(-half_width, half_width, 9) for z in head.roi_heights_mm
    ]
    height0 = max(0, math.floor(min(heights) - 6))
    n_height = min(n_rows, math.ceil(max(heights) + 7)) - height0
    if n_height < 8:
        msg = (
            f"head {head.name!r}: the belt lies outside its image "
            f"(rows {min(heights):.0f} to {max(heights):.0f})"
        )
        raise InputError(msg)

    # how much light makes the stated peak on a white matt belt, half a millimetre either side of
    # the middle
    y_mid = head.aim_mm[0]
    a, b = seen(y_mid - 0.5, 0.0), seen(y_mid + 0.5, 0.0)
    centre = np.array([camera.x_mm, camera.y_mm, camera.z_mm])
    to_camera = centre - [fan.at_mm + y_mid * fan.skew, y_mid, 0.0]
    distance = float(np.linalg.norm(to_camera))
    tangent = (y_mid - fan.source_y_mm) / fan.source_z_mm
    radians_per_column = 1 / fan.source_z_mm / (1 + tangent**2) / abs(b[0] - a[0])
    behind = project_points(camera, [(fan.at_mm + y_mid * fan.skew + 0.05, y_mid, 0.0)])[0]
    row_shift = (behind[0] if turned else behind[1]) - seen(y_mid, 0.0)[1]
    width = math.hypot(head.psf_px, row_shift / 0.05 * laser.thickness_mm)
    cosine = float(to_camera[2]) / distance
    # the pixel in the middle of the line holds this share of the column's light
    in_peak = math.erf(0.5 / width / math.sqrt(2))
    light = head.white_peak_grey / in_peak * laser.power
    light *= distance**2 / (radians_per_column * cosine)

    optics = Optics(
        light,
        head.psf_px,
        laser.falloff,
        head.vignetting,
        math.hypot(head.sensor_size[0] / 2, head.sensor_size[1] / 2),
        layout,
        -half_width,
        scene.height_grid_mm,
    )
    sensor = Sensor(
        head.electrons_per_grey,
        head.read_noise_grey,
        head.black_level_grey,
        head.ambient_grey,
        float((1 << head.bit_depth) - 1),
        head.psf_px,
        speckle_row_px(head, laser.wavelength_nm),
        _speckle_brightness(head, laser.wavelength_nm),
        head.second_peak_share,
    )
    lift = (
        abs(scene.belt.lift_mm)
        + abs(scene.belt.lift_drift_mm_per_m) * scene.n_lines * scene.pitch_mm / 1000
    )
    lift += math.tan(math.radians(abs(scene.belt.lift_roll_deg))) * half_width
    margin = 0.6 + 3 * laser.thickness_mm + lift * abs(fan.tilt) + 2 * scene.encoder.jitter_mm
    buckets = buckets_of(surface, fan, margin_mm=margin)
    coarse, hidden = _may_be_hidden(cells, camera, half_width)
    return HeadSetup(
        head.name,
        head,
        camera,
        fan,
        buckets,
        optics,
        sensor,
        turned,
        n_across,
        height0,
        n_height,
        coarse,
        hidden,
        *_layers(laser),
        laser.thickness_mm,
    )


def _layers(laser: LaserScene) -> tuple[Floats, float]:
    """Split a thick sheet into thinner ones: places (mm) and shares (n, 2), and their thickness.

    The thinner ones reach over ±2.3 of their own spread and are 0.8 of their pitch thick, so that
    they blend: a sum of Gaussians of width w at pitch d ripples by 2·exp(-2·(pi·w/d)²), here 7e-6.
    """
    if laser.layers == 1:
        return np.array([[0.0, 1.0]]), laser.thickness_mm
    pitch = 4.6 / (laser.layers - 1)  # both against the spread of the layers' places
    spread = 1 / math.hypot(1, 0.8 * pitch)  # of the whole thickness
    at = pitch * (np.arange(laser.layers) - (laser.layers - 1) / 2)
    share = np.exp(-(at**2) / 2)
    places = np.column_stack([laser.thickness_mm * spread * at, share / share.sum()])
    return places, 0.8 * pitch * spread * laser.thickness_mm


def _may_be_hidden(
    cells: Cells, camera: Camera, half_width: float
) -> tuple[tuple[float, float, float], npt.NDArray[np.bool_]]:
    """Where a solid stands within reach of the line of sight: only there must rays be cast."""
    if cells.top_mm.size == 0:
        return (0.0, 0.0, COARSE_MM), np.zeros((0, 0), dtype=np.bool_)
    steep_x = camera.x_mm / (camera.z_mm - cells.highest_mm)
    steep_y = (half_width + abs(camera.y_mm)) / (camera.z_mm - cells.highest_mm)
    reach_x = cells.highest_mm * steep_x
    reach_y = cells.highest_mm * steep_y + COARSE_MM
    nx, ny = cells.top_mm.shape
    x0 = cells.x0_mm - max(reach_x, 0) - 2 * COARSE_MM
    y0 = cells.y0_mm - reach_y - COARSE_MM
    shape = (
        int((nx * cells.size_mm + abs(reach_x) + 4 * COARSE_MM) / COARSE_MM) + 1,
        int((ny * cells.size_mm + 2 * reach_y + 2 * COARSE_MM) / COARSE_MM) + 1,
    )
    hidden = np.zeros(shape, dtype=np.bool_)
    _dilate(
        cells.top_mm, cells.x0_mm - x0, cells.y0_mm - y0, cells.size_mm, steep_x, steep_y, hidden
    )
    return (x0, y0, COARSE_MM), hidden


@njit(nogil=True, cache=True)
def _dilate(
    top: Floats,
    dx: float,
    dy: float,
    size: float,
    steep_x: float,
    steep_y: float,
    hidden: npt.NDArray[np.bool_],
) -> None:
    for i in range(top.shape[0]):
        for j in range(top.shape[1]):
            if top[i, j] <= 0:
                continue
            x, y = dx + i * size, dy + j * size
            reach_x, reach_y = top[i, j] * steep_x, top[i, j] * steep_y + size
            low_x, high_x = x - max(reach_x, 0.0) - size, x + size - min(reach_x, 0.0) + size
            for a in range(
                max(int(low_x / COARSE_MM), 0), min(int(high_x / COARSE_MM) + 1, hidden.shape[0])
            ):
                for b in range(
                    max(int((y - reach_y) / COARSE_MM), 0),
                    min(int((y + size + reach_y) / COARSE_MM) + 1, hidden.shape[1]),
                ):
                    hidden[a, b] = True
