"""Pieces drawn by chance for studies of coverage, training and robustness; every draw is seeded."""

import math
from typing import Literal, get_args

import numpy as np

from geomscan.simulation.scene import (
    BeltScene,
    FatPatch,
    HeadScene,
    LaserScene,
    Piece,
    Scene,
)
from geomscan.simulation.shapes import (
    Ball,
    Box,
    Cap,
    Ellipsoid,
    Fillet,
    FlatSide,
    Frustum,
    Paraboloid,
    Prismoid,
    Shape,
)

__all__ = [
    "KINDS",
    "Kind",
    "random_patches",
    "random_piece",
    "random_shape",
    "touching_pair",
    "usual_scene",
]

Kind = Literal[
    "fillet",
    "thin_fillet",
    "tucked",
    "cap",
    "paraboloid",
    "ellipsoid",
    "box",
    "wedge",
    "frustum",
    "ball",
    "hemisphere",
    "rimmed",
    "shred",
    "loin",
]
KINDS: tuple[Kind, ...] = get_args(Kind)


def random_shape(rng: np.random.Generator, kind: Kind) -> Shape:
    """Draw a solid of the size of real portions: 60 to 180 mm long, 12 to 40 mm thick.

    Shreds are smaller, of 2 to 15 cm³; loins larger, of 0.5 to 2 dm³.
    """
    long, wide = rng.uniform(40, 80), rng.uniform(28, 45)
    high = rng.uniform(20, 38)
    match kind:
        case "fillet":
            return _fillet(rng, long, wide, high)
        case "thin_fillet":
            return _fillet(rng, rng.uniform(70, 90), rng.uniform(25, 38), rng.uniform(12, 20))
        case "tucked":
            body = _fillet(rng, long, wide, high)
            rim = rng.uniform(4, 8)
            return body.model_copy(update={"rim_mm": rim, "tuck_mm": rng.uniform(3, 6)})
        case "cap":
            return Cap(base_radius_mm=wide, height_mm=min(high, 0.7 * wide))
        case "paraboloid":
            return Paraboloid(half_axes_mm=(long, wide), height_mm=high)
        case "ellipsoid":
            return Ellipsoid(half_axes_mm=(long, wide), height_mm=min(high, 0.8 * wide))
        case "box":
            return Box(size_mm=(1.5 * long, 1.5 * wide, high))
        case "wedge":
            top = (rng.uniform(0.2, 0.9) * long, rng.uniform(0.0, 0.8) * wide)
            return Prismoid(base_mm=(1.6 * long, 1.6 * wide), top_mm=top, height_mm=high)
        case "frustum":
            return Frustum(
                base_radius_mm=wide, top_radius_mm=rng.uniform(0.3, 0.95) * wide, height_mm=high
            )
        case "ball":
            radius = rng.uniform(18, 26)
            return Ball(radius_mm=radius, cut_mm=rng.uniform(0.2, 0.6) * radius)
        case "hemisphere":
            radius = rng.uniform(18, 42)
            return Ellipsoid(half_axes_mm=(radius, radius), height_mm=radius)
        case "rimmed":
            body = _fillet(rng, long, wide, high)
            return body.model_copy(update={"rim_mm": rng.uniform(3, 8)})
        case "shred":
            return _fillet(rng, rng.uniform(18, 34), rng.uniform(10, 16), rng.uniform(7, 14))
        case "loin":
            body = _fillet(rng, rng.uniform(140, 200), rng.uniform(60, 85), rng.uniform(40, 49))
            taper = rng.uniform(-0.1, 0.1)  # loins are of even thickness and stand full at the rim
            return body.model_copy(update={"fullness": rng.uniform(0.4, 0.8), "taper": taper})


def _fillet(rng: np.random.Generator, long: float, wide: float, high: float) -> Fillet:
    waves = (
        (2, rng.uniform(0.0, 0.06), rng.uniform(0, 360)),
        (3, rng.uniform(0.02, 0.08), rng.uniform(0, 360)),
        (5, rng.uniform(0.0, 0.02), rng.uniform(0, 360)),
    )
    return Fillet(
        half_axes_mm=(long, wide),
        height_mm=high,
        fullness=rng.uniform(0.7, 1.0),
        taper=rng.uniform(-0.3, 0.3),
        waves=waves,
    )


def random_patches(
    rng: np.random.Generator,
    shape: Shape,
    *,
    n: int = 2,
    smallest_mm: float = 8.0,
    brightness: float = 1.8,
) -> tuple[FatPatch, ...]:
    """Draw fat patches within a solid's plan; `smallest_mm` is their least width across."""
    long, wide = _half_size(shape)
    patches = []
    for _ in range(n):
        across = rng.uniform(smallest_mm / 2, max(smallest_mm / 2, 0.4 * wide))
        along = across * rng.uniform(1.0, 2.5)
        angle, reach = rng.uniform(0, 2 * math.pi), rng.uniform(0, 0.75)
        patches.append(
            FatPatch(
                at_mm=(reach * long * math.cos(angle), reach * wide * math.sin(angle)),
                half_axes_mm=(along, across),
                turn_deg=rng.uniform(0, 180),
                lobes=int(rng.integers(2, 7)),
                lobe_depth=rng.uniform(0.0, 0.2),
                brightness=brightness,
            )
        )
    return tuple(patches)


def _half_size(shape: Shape) -> tuple[float, float]:
    match shape:
        case Fillet() | Ellipsoid() | Paraboloid():
            return shape.half_axes_mm
        case Box():
            return shape.size_mm[0] / 2, shape.size_mm[1] / 2
        case Prismoid():
            return shape.base_mm[0] / 2, shape.base_mm[1] / 2
        case Cap() | Frustum():
            return shape.base_radius_mm, shape.base_radius_mm
        case Ball():
            return shape.radius_mm, shape.radius_mm
        case _:
            return 30.0, 30.0


def random_piece(
    rng: np.random.Generator,
    kind: Kind,
    *,
    at_mm: tuple[float, float],
    yaw_deg: float | None = None,
    n_patches: int = 0,
    brightness: float = 1.8,
    below_share: float = 0.0,
    below_mm: float = 1.0,
) -> Piece:
    """Draw one piece at a place; without `yaw_deg` it lies as it falls, up to 25° off the belt."""
    shape = random_shape(rng, kind)
    yaw = rng.uniform(-25, 25) if yaw_deg is None else yaw_deg
    fat = random_patches(rng, shape, n=n_patches, brightness=brightness) if n_patches else ()
    return Piece(
        solid=shape,
        at_mm=at_mm,
        yaw_deg=yaw,
        reflectance=rng.uniform(0.25, 0.4),
        grain=rng.uniform(0.0, 0.1),
        fat=fat,
        below_share=below_share,
        below_mm=below_mm,
    )


def touching_pair(
    rng: np.random.Generator,
    *,
    at_mm: tuple[float, float],
    shared: float,
    high_mm: tuple[float, float] = (20.0, 36.0),
    toward_deg: float | None = None,
) -> tuple[Piece, Piece]:
    """Draw two lobed pieces that touch along a straight side.

    Parameters
    ----------
    shared : float
        Length of the touching side over the outline of the shorter piece, 0.05 to 0.3.
    toward_deg : float, optional
        Where the second piece lies as seen from the first; drawn where not given.

    Returns
    -------
    first, second : Piece
        `at_mm` is the middle of the side they share.
    """
    facing = float(rng.uniform(0, 360)) if toward_deg is None else toward_deg
    pieces = []
    for turn in (0.0, 180.0):
        body = _fillet(rng, rng.uniform(50, 75), rng.uniform(32, 45), rng.uniform(*high_mm))
        # the broad side: only there is room for a long touching side
        towards = 90.0 + rng.uniform(-35, 35)
        yaw = facing + turn - towards
        distance = _chord_distance(body, towards, shared)
        body = body.model_copy(
            update={"flat_sides": (FlatSide(toward_deg=towards, distance_mm=distance),)}
        )
        away = math.radians(facing + turn)
        # a hair of 0.02 mm keeps the two surfaces apart, as two skins do
        reach = distance + 0.01
        place = (at_mm[0] - reach * math.cos(away), at_mm[1] - reach * math.sin(away))
        pieces.append(
            Piece(solid=body, at_mm=place, yaw_deg=yaw, reflectance=float(rng.uniform(0.28, 0.38)))
        )
    return pieces[0], pieces[1]


def _chord_distance(body: Fillet, toward_deg: float, shared: float) -> float:
    """How far from the middle a chord must lie to be `shared` of the outline that it leaves."""
    angle = np.linspace(0, 2 * np.pi, 2001)
    a, b = body.half_axes_mm
    radius = a * b / np.hypot(b * np.cos(angle), a * np.sin(angle))
    for order, depth, phase_deg in body.waves:
        radius = radius * (1 + depth * np.cos(order * angle + np.deg2rad(phase_deg)))
    facing = np.cos(angle - np.deg2rad(toward_deg))
    side = np.sin(angle - np.deg2rad(toward_deg))
    low, high = 0.2 * b, float(np.max(radius * facing))
    for _ in range(40):
        distance = (low + high) / 2
        cut = np.where(
            facing > 1e-6, np.minimum(radius, distance / np.maximum(facing, 1e-6)), radius
        )
        x, y = cut * np.cos(angle), cut * np.sin(angle)
        outline = float(np.sum(np.hypot(np.diff(x), np.diff(y))))
        on_chord = (facing > 0) & (radius * facing >= distance)
        # a wavy outline may meet the chord in more than one place: their sum falls with distance
        chord = float(np.sum(np.abs(np.diff(cut * side))[on_chord[1:] & on_chord[:-1]]))
        if chord < shared * outline:
            high = distance
        else:
            low = distance
    return (low + high) / 2


def usual_scene(
    *,
    n_lines: int,
    n_heads: int = 2,
    pieces: tuple[Piece, ...] = (),
    seed: int = 1,
    payload: Literal["frames", "range", "height"] = "range",
    pitch_mm: float = 0.6,
    n_columns: int = 1280,
    speckle_contrast: float = 0.3,
    facet_mm: float = 1.5,
) -> Scene:
    """Set up a 400 mm belt under one laser and one or two oblique cameras, as on real lines."""
    pixel_um = 5.5 * 1280 / n_columns
    size = (n_columns, round(1024 * n_columns / 1280))
    heads = (
        HeadScene(
            name="a",
            angle_deg=38.0,
            across_mm=8.0,
            roll_deg=0.4,
            distortion=(-0.09, 0.02, 0.0004, -0.0003),
            pixel_um=pixel_um,
            sensor_size=size,
            white_peak_grey=420.0,
            speckle_contrast=speckle_contrast,
        ),
        HeadScene(
            name="b",
            angle_deg=-35.5,
            distance_mm=1020.0,
            across_mm=-11.0,
            roll_deg=179.3,
            distortion=(-0.11, 0.03, -0.0002, 0.0005),
            pixel_um=pixel_um,
            sensor_size=size,
            white_peak_grey=440.0,
            speckle_contrast=speckle_contrast,
        ),
    )
    laser = LaserScene(source_mm=(6.0, 900.0), tilt_deg=0.8, skew_deg=-0.6, falloff=0.25)
    return Scene(
        seed=seed,
        n_lines=n_lines,
        pitch_mm=pitch_mm,
        payload=payload,
        facet_mm=facet_mm,
        belt=BeltScene(lanes=((-200.0, -3.0), (3.0, 200.0)), reflectance=0.2),
        lasers={"main": laser},
        heads=heads[:n_heads],
        pieces=pieces,
    )
