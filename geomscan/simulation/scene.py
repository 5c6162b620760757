"""The scene file: belt, encoder, laser, heads and the pieces that lie on the belt.

Everything a simulated recording depends on is in one hand-written TOML file (`geomscan.scene/1`),
or in the same models made in Python. Coordinates: x along the belt (leading edges have the smallest
x, the sheet is at x = 0 in the first line), y across, z up from the bare belt.
"""

import math
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from geomscan.files import FileModel, parse_model, read_toml
from geomscan.simulation.shapes import Shape

__all__ = [
    "BeltScene",
    "BlockScene",
    "Cut",
    "Dirt",
    "EncoderScene",
    "FatPatch",
    "Ghost",
    "HeadScene",
    "LaserScene",
    "Piece",
    "Relief",
    "Scene",
    "read_scene",
]

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Share = Annotated[float, Field(ge=0, le=1)]
Pair = tuple[float, float]


class Relief(FileModel):
    """A belt that is not flat: a regular pattern of gaps, up to `depth_mm` deep."""

    depth_mm: NotNegative
    period_x_mm: Positive
    period_y_mm: Positive


class BeltScene(FileModel):
    """The belt: width, looks, and how it moves up and down under the sheet."""

    width_mm: Positive = 400.0
    lanes: tuple[Pair, ...] = ()
    reflectance: NotNegative = 0.3
    texture: Share = 0.0
    texture_period_mm: Positive = 12.0
    relief: Relief | None = None
    lift_mm: float = 0.0  # amplitude of a slow up and down of the whole belt
    lift_period_mm: Positive = 300.0
    lift_drift_mm_per_m: float = 0.0
    lift_roll_deg: float = 0.0  # amplitude of the belt's rocking across, same period


class EncoderScene(FileModel):
    """Triggering: counts, their true worth, and what goes wrong on real lines."""

    mm_per_count: float = 0.05
    nominal_mm_per_count: float | None = None
    start: int = 100_000
    wrap_bits: Literal[16, 24, 32] | None = None
    slip_percent: Annotated[float, Field(gt=-50, lt=50)] = 0.0  # belt falls behind the counts
    jitter_mm: NotNegative = 0.0  # scatter of the belt's place at a count, standard deviation
    line_rate_hz: Positive = 800.0
    dropped: tuple[int, ...] = ()
    dropped_share: Share = 0.0
    stop_at_line: int | None = None
    stop_lines: Annotated[int, Field(ge=0)] = 0  # lines triggered by time while the belt stands
    back_at_line: int | None = None
    back_mm: NotNegative = 0.0


class LaserScene(FileModel):
    """A sheet of light from one apparent source, spreading across the belt."""

    wavelength_nm: Positive = 450.0
    source_mm: Pair = (0.0, 900.0)  # y, z of the fan's apparent source
    at_mm: float = 0.0  # where the sheet meets the belt, against the first sheet, along x
    tilt_deg: Annotated[float, Field(gt=-60, lt=60)] = 0.0
    skew_deg: Annotated[float, Field(gt=-30, lt=30)] = 0.0
    thickness_mm: NotNegative = 0.5  # standard deviation of the sheet's thickness on the object
    layers: Annotated[int, Field(ge=1, le=31)] = 1  # thin sheets for a thick one: edges half lit
    falloff: Share = 0.0  # loss of light from the fan's middle to the belt's edge
    power: Positive = 1.0
    power_drift: float = 0.0  # relative change from the first to the last line
    half_width_mm: Positive | None = None  # lit belt on either side of y = 0; default: the belt


class Ghost(FileModel):
    """A second line that stands in the image for a while: wet glare, a side guide."""

    columns: tuple[int, int]
    lines: tuple[int, int]
    offset_px: float
    strength: Positive = 1.0


class Dirt(FileModel):
    """A smear on the camera's window: columns that lose light, fading out over its half width."""

    column: float
    half_width_px: Positive
    loss: Share


class HeadScene(FileModel):
    """One camera: where it is, its lens, its sensor.

    `angle_deg` is measured from the vertical in the x-z plane, > 0 on the upstream side. `roll_deg`
    turns the camera about its view: 180 is upside down, 90 lays the laser line along the sensor's
    columns.
    """

    name: str
    laser: str = "main"
    angle_deg: Annotated[float, Field(gt=-85, lt=85)] = 38.0
    distance_mm: Positive = 1000.0
    aim_mm: Pair = (0.0, 20.0)  # y, z of the point in the sheet that it looks at
    across_mm: float = 0.0  # y of the camera, against the point it looks at
    roll_deg: float = 0.0
    focal_mm: Positive = 16.0
    pixel_um: Positive = 5.5
    sensor_size: tuple[int, int] = (1280, 1024)
    centre_px: Pair | None = None  # principal point, column and row
    distortion: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)  # Brown: k1, k2, p1, p2
    roi_heights_mm: Pair = (-4.0, 56.0)  # the region of interest covers these heights, all columns
    f_number: Positive = 4.0
    psf_px: NotNegative = 0.5  # standard deviation of the lens's blur
    vignetting: Share = 0.0  # loss of light from the sensor's middle to its corner
    white_peak_grey: Positive = 600.0  # brightest pixel of the line on a white matt belt, power 1
    bit_depth: Annotated[int, Field(ge=8, le=16)] = 8
    electrons_per_grey: Positive = 40.0
    read_noise_grey: NotNegative = 0.4
    black_level_grey: float = -4.0  # < 0: a pedestal is subtracted, so that dark pixels read 0
    ambient_grey: NotNegative = 0.0
    speckle_contrast: Share = 0.0
    speckle_row_px: NotNegative | None = None  # default: from contrast, wavelength and aperture
    speckle_brightness: NotNegative | None = None  # default: contrast averaged over a pixel
    second_peak_share: Share = 0.0  # columns with a second peak, 0.6 to 1.6 of the line
    ghosts: tuple[Ghost, ...] = ()
    dirt: tuple[Dirt, ...] = ()
    tell_noise: bool = True  # the manifest states gain, read noise and optics


class FatPatch(FileModel):
    """A patch of brighter tissue, an ellipse with lobes, in the piece's own plan coordinates."""

    at_mm: Pair
    half_axes_mm: tuple[Positive, Positive]
    turn_deg: float = 0.0
    lobes: Annotated[int, Field(ge=0, le=12)] = 0
    lobe_depth: Annotated[float, Field(ge=0, le=0.5)] = 0.0
    brightness: Positive = 1.8  # its reflectance over the lean's
    below_share: Share | None = None  # default: as the piece's lean
    below_mm: NotNegative | None = None


class Cut(FileModel):
    """A blade's cut through a piece, before it is laid at its place: keep one side of it.

    The plane is x - z·tan(angle) - y·tan(plan angle) = at_mm, in the belt's axes about the piece's
    own origin.
    """

    at_mm: float
    angle_deg: Annotated[float, Field(gt=-60, lt=60)] = 0.0
    plan_angle_deg: Annotated[float, Field(gt=-60, lt=60)] = 0.0
    keep: Literal["before", "after"]  # smaller or larger x


class Piece(FileModel):
    """One solid on the belt; `at_mm` is where its own origin lies."""

    solid: Shape = Field(discriminator="shape")
    at_mm: Pair
    yaw_deg: float = 0.0
    cuts: tuple[Cut, ...] = ()
    reflectance: NotNegative = 0.3
    grain: Share = 0.0  # slow change of reflectance over the surface
    fat: tuple[FatPatch, ...] = ()
    below_share: Share = 0.0  # share of the light that comes out below the surface
    below_mm: NotNegative = 1.0  # its mean depth
    below: Literal["tail", "lobe"] = "tail"
    glint_per_cm2: NotNegative = 0.0  # wet spots that throw the laser straight into the lens
    glint_mm: Positive = 0.8
    glint_strength: Positive = 15.0


class BlockScene(FileModel):
    """A pass of the reference block; placed by its leading end and its first profile point."""

    file: str
    x_mm: float
    across_mm: float  # y of the first profile point at the trailing end
    reversed: bool = False
    yaw_deg: float = 0.0
    seat_mm: float = 0.0
    roll_deg: float = 0.0
    pitch_deg: float = 0.0
    reflectance: NotNegative = 0.5
    height_error_mm: float = 0.0  # all treads against the certificate
    tread_error_mm: tuple[float, ...] = ()  # each profile point against the certificate
    stated_across_mm: float | None = None
    u_stated_across_mm: NotNegative = 1.0


class Scene(FileModel):
    """A stretch of belt and everything that looks at it."""

    seed: Annotated[int, Field(ge=0)] = 1
    product: str = "simulated"
    recorded: datetime | None = None
    temperature_c: float | None = None
    n_lines: Annotated[int, Field(ge=1)]
    pitch_mm: Positive = 0.6
    payload: Literal["frames", "range", "height"] = "frames"
    exposure_us: Positive | None = None  # told in the line table; brightness is meant at 500 µs
    tell_power: bool = False  # the line table states the laser power
    row_noise_px: NotNegative = 0.02  # range payload: scatter of the row beside that of speckle
    height_noise_mm: NotNegative = 0.02  # height payload: scatter of a height
    height_grid_mm: Positive = 0.4  # height payload: pitch across the belt
    facet_mm: Positive = 1.0  # edge length of the facets that curved surfaces are made of
    belt: BeltScene = BeltScene()
    encoder: EncoderScene = EncoderScene()
    lasers: dict[str, LaserScene] = Field(default_factory=lambda: {"main": LaserScene()})
    heads: tuple[HeadScene, ...]
    pieces: tuple[Piece, ...] = ()
    blocks: tuple[BlockScene, ...] = ()

    @model_validator(mode="after")
    def _check(self) -> "Scene":
        names = [head.name for head in self.heads]
        if not names or len(set(names)) != len(names):
            msg = f"heads need names of their own, got {names}"
            raise ValueError(msg)
        for head in self.heads:
            if head.laser not in self.lasers:
                msg = f"head {head.name!r}: the scene has no laser {head.laser!r}"
                raise ValueError(msg)
        if self.encoder.mm_per_count == 0 or not math.isfinite(self.encoder.mm_per_count):
            msg = "encoder.mm_per_count: expected a number other than 0"
            raise ValueError(msg)
        return self


def read_scene(path: Path) -> Scene:
    """Read a scene file.

    Raises
    ------
    InputError
        If the file is absent, not a scene, or breaks its contract.
    """
    return parse_model(Scene, read_toml(path, "scene"), path)
