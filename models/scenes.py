"""Random pieces with known fat, as the maps a scanner makes of them: what the network learns from.

Everything that changes in a plant and should not change the answer is drawn at random: laser power,
a dirty window (vignetting), slope, glare, shadow, grain, colour, where the piece and the cameras
are. Bodies are rounded, bounded by planes, or rounded and cut by planes, as blades leave them.
Scene kinds are kept apart so that a judgement can be made on kinds that training never saw.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from geomscan.shape.piece_map import PieceMap, Sight

__all__ = ["FACETED", "JUDGED", "TRAINED", "Scene", "SceneKind", "draw_scene"]

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

BELT_HALF_MM = 200.0
SMALLEST_PATCH_MM = 8.0


@dataclass(frozen=True, kw_only=True, slots=True)
class SceneKind:
    """Which families of outline, fat patch, grain and body a scene is drawn from.

    far: cameras and source of light stand so far off that all rays are alike.
    """

    name: str
    outline: Literal["lobed", "superellipse", "union", "planes"]
    patches: Literal["ellipses", "rind", "seams", "clouds", "none"]
    grain: Literal["speckle", "fibres"]
    body: Literal["rounded", "planes", "cut"] = "rounded"
    far: bool = False


#: Kinds the network learns from.
TRAINED = (
    SceneKind(name="lobed-ellipses", outline="lobed", patches="ellipses", grain="speckle"),
    SceneKind(name="superellipse-rind", outline="superellipse", patches="rind", grain="speckle"),
    SceneKind(name="lobed-clouds", outline="lobed", patches="clouds", grain="speckle"),
    SceneKind(
        name="superellipse-ellipses", outline="superellipse", patches="ellipses", grain="speckle"
    ),
    SceneKind(name="lobed-rind", outline="lobed", patches="rind", grain="speckle"),
    SceneKind(name="lobed-lean", outline="lobed", patches="none", grain="speckle"),
    SceneKind(
        name="planes-ellipses",
        outline="planes",
        patches="ellipses",
        grain="speckle",
        body="planes",
    ),
    SceneKind(
        name="planes-clouds", outline="planes", patches="clouds", grain="speckle", body="planes"
    ),
    SceneKind(name="planes-lean", outline="planes", patches="none", grain="speckle", body="planes"),
    SceneKind(
        name="cut-ellipses", outline="lobed", patches="ellipses", grain="speckle", body="cut"
    ),
    SceneKind(name="cut-rind", outline="superellipse", patches="rind", grain="speckle", body="cut"),
    SceneKind(name="cut-lean", outline="lobed", patches="none", grain="speckle", body="cut"),
)

#: Kinds kept for judging: another outline family, another patch family, another grain.
JUDGED = (
    SceneKind(name="union-seams", outline="union", patches="seams", grain="fibres", far=True),
    SceneKind(name="union-ellipses", outline="union", patches="ellipses", grain="fibres", far=True),
    SceneKind(name="lobed-seams", outline="lobed", patches="seams", grain="fibres", far=True),
)

#: Kinds kept for judging faces that meet in edges.
FACETED = (
    SceneKind(
        name="planes-seams", outline="planes", patches="seams", grain="fibres", body="planes"
    ),
    SceneKind(name="cut-union-seams", outline="union", patches="seams", grain="fibres", body="cut"),
)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Scene:
    """A piece as seen, and its truth.

    fat_share is the fat part of what the piece covers of each cell, (n_x, n_y), counted on a grid
    three times finer, and fat is where it is above one half; fat_area_fraction is the true share of
    the plan area; contrast the ratio of reflectances, fat to lean.
    """

    kind: str
    seed: int
    piece: PieceMap
    fat_share: Floats
    fat: Mask
    fat_area_fraction: float
    contrast: float


def draw_scene(
    seed: int, kind: SceneKind, *, cell_mm: float | None = None, lean: bool = False
) -> Scene:
    """Draw one scene; the same seed and kind give the same scene.

    Parameters
    ----------
    seed : int
        Start of the random numbers.
    kind : SceneKind
        Families to draw from.
    cell_mm : float, optional
        Grid pitch; drawn from 0.5 to 1 mm where absent.
    lean : bool
        True: the piece has no fat at all.
    """
    rng = np.random.default_rng([seed, *kind.name.encode()])
    cell = float(rng.choice([0.4, 0.5, 0.5, 0.6, 0.8, 1.0])) if cell_mm is None else cell_mm
    length, width = rng.uniform(70, 190), rng.uniform(55, 115)
    margin = 6.0
    n_x, n_y = int((1.5 * length + 2 * margin) / cell), int((1.5 * width + 2 * margin) / cell)
    fine = 3  # sub-cells per side: an odd number, so that no cell is half fat
    x = ((np.arange(n_x * fine) + 0.5) / fine - 0.5 - (n_x - 1) / 2) * cell
    y = ((np.arange(n_y * fine) + 0.5) / fine - 0.5 - (n_y - 1) / 2) * cell
    own = np.random.default_rng([seed, *kind.name.encode(), 1])
    faces = _faces(own, kind, length, width)
    inside = _inside(rng, kind, x[:, None], y[None, :], length, width)
    inside = np.asarray(inside & (_under(faces, x[:, None], y[None, :])[0] > 0))
    keep_x, keep_y = (_span(np.asarray(inside.any(axis)), fine) for axis in (1, 0))
    inside, x, y = inside[keep_x, keep_y], x[keep_x, None], y[None, keep_y]
    pitch = cell / fine
    depth_mm = _distance(inside, pitch) - _distance(~inside, pitch)
    contrast = float(np.exp(rng.uniform(np.log(1.4), np.log(2.5))))
    if lean or kind.patches == "none":
        fat_fine = np.zeros_like(inside)
    else:
        fat_fine = _fat(rng, kind, depth_mm, x, y, pitch) & inside
    cover = _cells(inside.astype(float), fine)
    seen = cover > 0
    fat_share = np.zeros_like(cover)
    np.divide(_cells(fat_fine.astype(float), fine), cover, out=fat_share, where=seen)
    thickness = _thickness(rng, np.maximum(_cells(depth_mm, fine), 0.0), cell)
    slopes = np.gradient(ndimage.gaussian_filter(thickness, 0.7), cell)
    if kind.body != "rounded":
        middle = slice(fine // 2, None, fine)
        z, along, across = _under(faces, x[middle], y[:, middle])
        flat = (z < thickness) | (kind.body == "planes")
        thickness = np.where(seen, np.where(flat, np.maximum(z, 0.3), thickness), 0.0)
        blunt = own.uniform(0.0, 0.8) / cell
        slopes = [
            ndimage.gaussian_filter(np.where(flat, face, round_), blunt)
            for face, round_ in zip((along, across), slopes, strict=True)
        ]

    middle_mm = rng.uniform(-1, 1) * (BELT_HALF_MM - 10 - cover.shape[1] * cell / 2)
    y_first = float(middle_mm - (cover.shape[1] - 1) / 2 * cell)
    light, glare, shadow, sight = _light(
        rng, own, kind, thickness, slopes, fat_share, cover, contrast, cell, y_first
    )
    light[~seen | (shadow > 0)] = np.nan
    width_px = _line_width(rng, fat_share, thickness, cell)
    width_px[np.isnan(light)] = np.nan
    nan = np.where(seen, 0.0, np.nan)
    piece = PieceMap(
        piece=1,
        lane=1,
        x_first_mm=0.0,
        y_first_mm=y_first,
        cell_mm=cell,
        thickness_mm=thickness + nan + rng.normal(0, 0.08, thickness.shape),
        cover=cover,
        u_independent_mm=0.08 + nan,
        x0_mm=0.0,
        u_x0_mm=0.1,
        length_mm=cover.shape[0] * cell,
        width_mm=cover.shape[1] * cell,
        reflectance=light,
        line_width_px=width_px,
        shadow=shadow,
        glare=glare & seen,
        sight=sight,
    )
    return Scene(
        kind=kind.name,
        seed=seed,
        piece=piece,
        fat_share=fat_share,
        fat=seen & (fat_share > 0.5),
        fat_area_fraction=float(fat_fine.sum() / inside.sum()),
        contrast=contrast,
    )


def _faces(
    rng: np.random.Generator, kind: SceneKind, length: float, width: float
) -> npt.NDArray[np.float64]:
    """Planes (height at the middle, rise along x, rise along y) that bound a body from above."""
    rows: list[tuple[float, float, float]] = []
    if kind.body == "rounded":
        return np.zeros((0, 3))
    top = rng.uniform(12, 38)
    if kind.body == "planes":
        n_sides, turn = int(rng.integers(3, 8)), rng.uniform(0, 2 * np.pi)
        for k in range(n_sides):
            facing = turn + 2 * np.pi * (k + rng.uniform(-0.25, 0.25)) / n_sides
            fall = np.tan(np.radians(rng.uniform(15, 80)))
            reach = 0.5 * np.hypot(length * np.cos(facing), width * np.sin(facing))
            reach *= rng.uniform(0.7, 1.0)
            rows.append((fall * reach, -fall * np.cos(facing), -fall * np.sin(facing)))
        for _ in range(int(rng.integers(1, 4))):
            rise = rng.uniform(0, 0.35)
            facing = rng.uniform(0, 2 * np.pi)
            rows.append((top, rise * np.cos(facing), rise * np.sin(facing)))
    else:
        facing = rng.normal(0, 0.4) + (np.pi if rng.random() < 0.5 else 0.0)
        for k in range(int(rng.integers(1, 3))):
            here = facing + k * np.pi + rng.normal(0, 0.2) * k
            fall = np.tan(np.radians(rng.uniform(20, 85)))
            reach = rng.uniform(0.15, 0.45) * length + rng.uniform(0, 1) * top / fall
            rows.append((fall * reach, -fall * np.cos(here), -fall * np.sin(here)))
    return np.array(rows)


def _under(faces: npt.NDArray[np.float64], x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Height below all planes, and its rise along x and y; far above everything without planes."""
    shape = np.broadcast_shapes(x.shape, y.shape)
    z, along, across = np.full(shape, 1e3), np.zeros(shape), np.zeros(shape)
    for level, rise_x, rise_y in faces:
        here = level + rise_x * x + rise_y * y
        lower = here < z
        z[lower] = here[lower]
        along[lower], across[lower] = rise_x, rise_y
    return z, along, across


def _span(any_inside: Mask, fine: int) -> slice:
    """Fine rows that hold the piece and one whole cell around it."""
    where = np.flatnonzero(any_inside.reshape(-1, fine).any(1))
    first, last = max(where[0] - 1, 0), min(where[-1] + 2, any_inside.size // fine)
    return slice(first * fine, last * fine)


def _distance(mask: Mask, pitch: float) -> Floats:
    """Distance to the nearest place outside the mask, mm."""
    import cv2

    far = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.asarray(far, dtype=np.float64) * pitch


def _cells(values: Floats, fine: int) -> Floats:
    n_x, n_y = values.shape[0] // fine, values.shape[1] // fine
    return np.asarray(values.reshape(n_x, fine, n_y, fine).mean((1, 3)))


def _inside(
    rng: np.random.Generator, kind: SceneKind, x: Floats, y: Floats, length: float, width: float
) -> Mask:
    """Draw the plan of the piece."""
    turn = rng.uniform(-0.5, 0.5)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    if kind.outline == "superellipse":
        power = rng.uniform(2.0, 3.2)
        inside = np.abs(2 * u / length) ** power + np.abs(2 * v / width) ** power < 1
    elif kind.outline == "lobed":
        step = u / length + 1j * v / width
        step /= np.maximum(np.abs(step), 1e-12)
        turned = step.copy()
        radius = 1.0 + np.zeros(step.shape)
        for k in (1, 2, 3, 4, 5):
            size = rng.normal(0, 0.12 / k)
            radius += (turned * (size * np.exp(1j * rng.uniform(0, 2 * np.pi)))).real
            turned *= step
        inside = np.hypot(2 * u / length, 2 * v / width) < radius
    elif kind.outline == "planes":
        inside = np.ones(np.broadcast_shapes(u.shape, v.shape), bool)
    else:
        inside = np.zeros(np.broadcast_shapes(u.shape, v.shape), bool)
        n_discs = int(rng.integers(3, 6))
        for k in range(n_discs):
            at = (k / (n_discs - 1) - 0.5) * 0.7 * length
            side, radius_mm = rng.normal(0, 0.08 * width), rng.uniform(0.3, 0.5) * width
            inside |= ((u - at) / max(1.0, 0.35 * length / radius_mm)) ** 2 + (
                v - side
            ) ** 2 < radius_mm**2
        pitch = float(x.ravel()[1] - x.ravel()[0])
        inside = ndimage.gaussian_filter(inside.astype(float), 4 / pitch) > 0.5
    inside[[0, -1], :] = inside[:, [0, -1]] = False
    labels, n_parts = ndimage.label(inside)
    if n_parts > 1:
        inside = labels == 1 + np.argmax(ndimage.sum(inside, labels, range(1, n_parts + 1)))
    return np.asarray(inside)


def _fat(
    rng: np.random.Generator, kind: SceneKind, depth_mm: Floats, x: Floats, y: Floats, pitch: float
) -> Mask:
    """Fat patches, nowhere narrower than SMALLEST_PATCH_MM but where the outline cuts them."""
    shape = depth_mm.shape
    inside = depth_mm > 0
    fat = np.zeros(shape, bool)
    spots = np.argwhere(inside)
    if kind.patches == "ellipses":
        for _ in range(int(rng.integers(1, 6))):
            i, j = spots[rng.integers(len(spots))]
            a, b, turn = rng.uniform(4.0, 18), rng.uniform(4.0, 18), rng.uniform(0, np.pi)
            u = (x - x.ravel()[i]) * np.cos(turn) + (y - y.ravel()[j]) * np.sin(turn)
            v = (y - y.ravel()[j]) * np.cos(turn) - (x - x.ravel()[i]) * np.sin(turn)
            fat |= (u / a) ** 2 + (v / b) ** 2 < 1
    elif kind.patches == "rind":
        angle = np.arctan2(y, x)
        middle, half = rng.uniform(-np.pi, np.pi), rng.uniform(0.3, 1.6)
        off = np.abs((angle - middle + np.pi) % (2 * np.pi) - np.pi)
        broad = rng.uniform(8, 18) + 2 * np.sin(3 * angle + rng.uniform(0, 6))
        fat = (off < half) & (depth_mm < broad)
    elif kind.patches == "seams":
        for _ in range(int(rng.integers(1, 3))):
            i, j = spots[rng.integers(len(spots))]
            turn, bend = rng.uniform(0, np.pi), rng.normal(0, 0.004)
            u = (x - x.ravel()[i]) * np.cos(turn) + (y - y.ravel()[j]) * np.sin(turn)
            v = (y - y.ravel()[j]) * np.cos(turn) - (x - x.ravel()[i]) * np.sin(turn)
            fat |= (np.abs(v - bend * u**2) < rng.uniform(4.5, 10)) & (
                np.abs(u) < rng.uniform(15, 80)
            )
    else:
        field = ndimage.gaussian_filter(rng.normal(size=shape), rng.uniform(8, 14) / pitch)
        level = np.quantile(field[inside], 1 - rng.uniform(0.08, 0.6))
        fat = field > level
    return _open_to_width(fat, pitch)


def _open_to_width(fat: Mask, pitch: float) -> Mask:
    """Morphological opening by a disc: keeps what a disc of the smallest patch size fits into."""
    radius = SMALLEST_PATCH_MM / 2 - pitch
    core = _distance(np.pad(fat, 1, constant_values=True), pitch)[1:-1, 1:-1] > radius
    if not core.any():
        return np.zeros_like(fat)
    return np.asarray(_distance(~core, pitch) <= radius + 0.5 * pitch) & fat


def _thickness(rng: np.random.Generator, depth_mm: Floats, cell: float) -> Floats:
    """Shape a flat-bottomed body with a rounded rim and gentle lobes."""
    top = rng.uniform(12, 38)
    rim = top * rng.uniform(0.8, 2.2)
    rise = (1 - np.clip(1 - depth_mm / rim, 0, 1) ** 2) ** rng.uniform(0.5, 1.0)
    lobes = ndimage.gaussian_filter(rng.normal(size=depth_mm.shape), rng.uniform(10, 18) / cell)
    lobes *= rng.uniform(0.03, 0.15) / max(float(lobes.std()), 1e-9)
    body = top * rise * (1 + np.clip(lobes, -0.4, 0.4))
    # the middle line of the outline's distance is no ridge in meat
    body = ndimage.gaussian_filter(body, 2.0 / cell) + (
        body - ndimage.gaussian_filter(body, 2.0 / cell)
    ) * (np.clip(1 - depth_mm / 6.0, 0, 1))
    return np.asarray(np.where(depth_mm > 0, np.maximum(body, 0.3), 0.0))


def _light(
    rng: np.random.Generator,
    own: np.random.Generator,
    kind: SceneKind,
    thickness: Floats,
    slopes: list[Floats],
    fat_share: Floats,
    cover: Floats,
    contrast: float,
    cell: float,
    y_first: float,
) -> tuple[Floats, Mask, npt.NDArray[np.uint8], Sight]:
    """Reflectance as read, cells with glare, cells in shadow, and where all is seen from."""
    shape = thickness.shape
    slope_x, slope_y = slopes
    x_mm, y_mm = np.arange(shape[0])[:, None] * cell, y_first + np.arange(shape[1])[None, :] * cell
    # light of a matt surface towards a camera that looks along x at 25 to 45 degrees to the sheet
    view = np.radians(rng.uniform(25, 45))
    two = rng.random() < 0.6
    sight = _sight(own, kind, view, two=two)
    steep = np.sqrt(1 + slope_x**2 + slope_y**2)
    fan_y, fan_z = sight.fan_mm
    spread = 1 + (y_mm - fan_y) / (fan_z - thickness) * slope_y
    heads = []
    for x_view, y_view, z_view in sight.viewpoints_mm:
        above = z_view - thickness
        towards = 1 - x_view / above * slope_x + (y_mm - y_view) / above * slope_y
        column = 1 + (y_mm - y_view) * z_view / (x_view**2 + z_view * above) * slope_y
        head = np.cos(view) * towards / steep * np.maximum(spread, 0) / np.maximum(column, 0.2)
        heads.append(head if kind.far else head * np.exp(own.normal(0, 0.05)))
    seen_by = [head > 0.12 for head in heads]
    shadow = (~np.any(seen_by, axis=0) & (cover > 0)).astype(np.uint8)
    # heads are fused by their own light, so that one that loses the surface fades out
    trust = rng.uniform(0.7, 2.0)
    weights = [
        np.where(ok, np.maximum(head, 0.0) ** trust, 0.0)
        for head, ok in zip(heads, seen_by, strict=True)
    ]
    total = np.maximum(sum(weights), 1e-6)
    lit = sum(weight * head for weight, head in zip(weights, heads, strict=True)) / total
    shade = np.maximum(lit / np.cos(view), 0.05) ** rng.uniform(0.7, 1.1)

    blur = rng.uniform(0.2, 0.9) / cell
    whole = np.maximum(ndimage.gaussian_filter((cover > 0).astype(float), blur), 1e-6)
    albedo = 1 + (contrast - 1) * ndimage.gaussian_filter(fat_share * (cover > 0), blur) / whole

    vignetting = 1 - rng.uniform(0, 0.4) * ((y_mm - rng.normal(0, 15)) / BELT_HALF_MM) ** 2
    power = np.exp(rng.uniform(np.log(0.7), np.log(1.3)))
    ripple = 1 + rng.uniform(0, 0.02) * np.sin(y_mm / rng.uniform(2, 12) + rng.uniform(0, 6))
    drift = 1 + rng.uniform(-0.05, 0.05) * x_mm / 150
    lines = 1 + rng.normal(0, rng.uniform(0, 0.015), (shape[0], 1))

    tone = _field(rng, shape, rng.uniform(12, 30) / cell, rng.uniform(0.0, 0.05))
    if kind.grain == "speckle":
        grain = _field(rng, shape, rng.uniform(0.3, 0.9), rng.uniform(0.03, 0.12))
        grain += _field(rng, shape, rng.uniform(1.0, 2.5) / cell, rng.uniform(0.0, 0.04))
    else:
        along, across = rng.uniform(3, 7) / cell, rng.uniform(0.4, 0.8) / cell
        turned = _field(rng, shape, (along, across), rng.uniform(0.01, 0.05))
        grain = turned + np.log(rng.gamma(rng.uniform(80, 900), 1.0, shape))
        grain -= grain.mean()
    light = (
        0.3 * power * albedo * shade * vignetting * ripple * drift * lines * np.exp(grain + tone)
    )

    # wet skin: the mirror direction, broken into streaks
    mirror = np.exp(-(((slope_x - np.tan(view / 2)) / 0.10) ** 2) - (slope_y / 0.25) ** 2)
    streaks = ndimage.gaussian_filter(rng.normal(size=shape), (0.6 / cell, 2.0 / cell))
    streaks /= max(float(streaks.std()), 1e-9)
    wet = rng.uniform(0, 4) * mirror * (streaks > 1.0)
    spots = ndimage.binary_dilation(rng.random(shape) < 10 ** rng.uniform(-5, -3.3), iterations=1)
    wet += spots * rng.uniform(0.5, 4)
    light *= 1 + ndimage.gaussian_filter(wet, 0.4)
    noticed = rng.random() < 0.5  # many a scanner does not notice its glare
    return light, np.asarray((wet > 0.3) & noticed), shadow, sight


def _sight(rng: np.random.Generator, kind: SceneKind, view: float, *, two: bool) -> Sight:
    """Place cameras and source; the first camera stands at smaller x, unless drawn otherwise."""
    if kind.far:
        far = 1e7
        x, z = float(far * np.sin(view)), float(far * np.cos(view))
        sides = ((-x, 0.0, z), (x, 0.0, z))
        return Sight(viewpoints_mm=sides[: 1 + two], fan_mm=(0.0, far))
    points: list[tuple[float, float, float]] = []
    first = -1.0 if rng.random() < 0.5 else 1.0
    for side in (first, -first)[: 1 + two]:
        away, turn = rng.uniform(600, 1300), view + rng.normal(0, np.radians(2))
        points.append(
            (side * away * np.sin(turn), float(rng.normal(0, 20)), float(away * np.cos(turn)))
        )
    return Sight(
        viewpoints_mm=tuple(points),
        fan_mm=(float(rng.normal(0, 20)), float(rng.uniform(500, 1300))),
    )


def _field(
    rng: np.random.Generator, shape: tuple[int, ...], sigma: float | tuple[float, float], sd: float
) -> Floats:
    values = ndimage.gaussian_filter(rng.normal(size=shape), sigma)
    return np.asarray(values * sd / max(float(values.std()), 1e-12))


def _line_width(
    rng: np.random.Generator, fat_share: Floats, thickness: Floats, cell: float
) -> Floats:
    """Draw the width of the line, px: wider where light spreads below the surface and on slopes."""
    slope_x = np.gradient(thickness, cell, axis=0)
    wider = rng.uniform(0.0, 0.25) * ndimage.gaussian_filter(fat_share, 0.8)
    width = rng.uniform(1.4, 2.6) * (1 + wider) * (1 + 0.1 * np.minimum(np.abs(slope_x), 3))
    return np.asarray(width * np.exp(rng.normal(0, 0.04, thickness.shape)))
