"""A scene made ready: solids laid on the belt, every head's camera, light and sensor set up."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.simulation.camera import Camera, camera_of, project_points
from geomscan.simulation.encoder import BeltTravel, belt_travel
from geomscan.simulation.looks import Looks, looks_of
from geomscan.simulation.placed import PlacedSolid, Surface, place, surface_of
from geomscan.simulation.scene import HeadScene, LaserScene, Scene
from geomscan.simulation.sensor import Sensor
from geomscan.simulation.sheet import Buckets, Fan, buckets_of
from geomscan.simulation.sight import Cells, cells_of, may_be_hidden
from geomscan.simulation.view import IMAGE, ON_BELT, TURNED, Optics

__all__ = ["HeadSetup", "Stage", "prepare", "speckle_row_px"]

Floats = npt.NDArray[np.float64]


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
    cells: Cells
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
    heads = tuple(_head_setup(scene, head, surface) for head in scene.heads)
    return Stage(
        scene=scene,
        solids=solids,
        surface=surface,
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


def _head_setup(scene: Scene, head: HeadScene, surface: Surface) -> HeadSetup:
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
    cells = cells_of(surface, _hiding(surface, fan, camera))
    coarse, hidden = may_be_hidden(cells, camera, half_width)
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
        cells,
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


def _hiding(surface: Surface, fan: Fan, camera: Camera) -> npt.NDArray[np.bool_]:
    """Which triangles can stand between a lit point and this camera.

    A ray enters a closed surface through a triangle that faces away from where the ray goes, so
    only those matter; the margin of 0.1 allows for a camera seen from up to 80 mm beside the sheet.
    """
    if len(surface.triangle) == 0:
        return np.zeros(0, dtype=np.bool_)
    corner = surface.vertex_mm[surface.triangle]
    middle = corner.mean(axis=1)
    x, y, z = middle.T
    e_mm = x - fan.at_mm - z * fan.tilt - y * fan.skew
    to_camera = np.column_stack([e_mm + camera.x_mm - x, camera.y_mm - y, camera.z_mm - z])
    facing = np.einsum("ij,ij->i", surface.normal, to_camera)
    on_belt = corner[:, :, 2].max(axis=1) < 1e-6  # no ray passes between a piece and the belt
    away = facing < 0.1 * np.linalg.norm(to_camera, axis=1)
    return np.asarray(away & ~on_belt, dtype=np.bool_)
