"""Fat probability from the shipped network, run by onnxruntime on the processor.

The network works on cells of about half a millimetre: the ground (slope, thickness, shading) is
read from cells twice as large, the light from every one. For each cell it gives three numbers, and
log-odds = offset + own · light + near · mean light of the 3 × 3 cells around.

The file is checked against the hash below before anything in it is looked at: a model that is
wrong, cut or swapped is refused, and nothing of it runs.
"""

import hashlib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.errors import InputError
from geomscan.files import shipped_folder
from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.cells import merge_cells
from geomscan.tissue.patches import drop_what_is_no_tissue
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.shading import block_surface, densest_value, light_less_shading
from geomscan.tissue.surface import Surface, read_surface

__all__ = ["GROUND", "LIGHT", "MODEL_FILE", "MODEL_SHA256", "load_network", "network_features"]

Floats = npt.NDArray[np.floating[Any]]
Float32s = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

MODEL_FILE = "fat-lean.onnx"
#: Hash of the shipped model; `models/train.py` prints the one of a newly trained model.
MODEL_SHA256 = "11cb807bf37833f0d1816aeec9ebfbe724efca596fbed37489205ff1e3be2983"
#: A model of this design is far smaller; more is not read.
MOST_BYTES = 4_000_000
#: Maps are padded to whole steps of cells, for the network's coarsest cells.
GRID_STEP = 8
#: Cells of the light on a side of one cell of the ground's channels.
GROUND_CELLS = 4
#: Cells of the piece from this size on are as large as the ground is read from.
LARGE_CELL_MM = 0.7

#: Channels of the light, on the cells themselves; 0 where it is not known.
LIGHT = (
    "log reflectance less shading and its most frequent value",
    "1 where the light can be trusted",
)
#: Channels of the ground, means over GROUND_CELLS on a side.
GROUND = (
    "log reflectance less its median",
    "share where the light can be trusted",
    "share where the piece is",
    "rise of the surface along the belt",
    "rise of the surface across the belt",
    "thickness / 20 mm",
)
#: Numbers that the network gives for each cell: offset, and weights of its own and of near light.
N_WEIGHTS = 3


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Features:
    """Input of the network, free of laser power.

    light: (2, n_a, n_b) channels LIGHT; near_light: (n_a, n_b) its mean over 3 × 3 trusted cells;
    ground: (6, n_a/4, n_b/4) channels GROUND; inside: (n_a, n_b), where the piece is; n_a and n_b
    are padded to whole steps. surface: what the ground was read from, cells twice as large.
    merged: piece cells on a side of one cell of the network; split: the reverse.
    """

    light: Float32s
    near_light: Float32s
    ground: Float32s
    inside: Mask
    surface: Surface
    merged: int
    split: int


def network_features(piece: PieceMap, settings: TissueSettings) -> Features | None:
    """Read the network's input from a piece; None where no light can be used."""
    split = 2 if piece.cell_mm >= LARGE_CELL_MM else 1
    merged = 1 if split == 2 else max(1, round(0.5 / piece.cell_mm))
    fine = merge_cells(piece, merged)
    surface = read_surface(fine if split == 2 else merge_cells(fine, 2), settings)
    if not surface.usable.any():
        return None
    blocks = block_surface(surface)
    shading = blocks.coefficient @ blocks.terms
    main = densest_value(blocks.light - shading)
    flat = light_less_shading(surface, blocks, blocks.coefficient)
    raw, raw_blocks = surface.log_light, blocks.light
    if settings.fat_is == "darker":
        # turned over, shade would lie over the piece as light: it is turned back
        raw, raw_blocks = 2 * flat - raw, raw_blocks - 2 * shading
    n_x, n_y = surface.inside.shape
    half = GRID_STEP // 2
    n_a, n_b = -(-n_x // half) * GRID_STEP, -(-n_y // half) * GRID_STEP
    light = np.zeros((len(LIGHT), n_a, n_b), np.float32)
    ground = np.zeros((len(GROUND), n_a // GROUND_CELLS, n_b // GROUND_CELLS), np.float32)
    inside = np.zeros((n_a, n_b), np.bool_)
    nothing = np.zeros((1, 1), np.uint8)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_light = np.log(np.asarray(fine.reflectance, dtype=np.float32))
    if settings.fat_is == "darker":
        log_light = -log_light
    _fill(
        light,
        ground,
        inside,
        log_light,
        fine.thickness_mm,
        fine.cover,
        nothing if fine.shadow is None else fine.shadow,
        nothing if fine.glare is None else fine.glare.view(np.uint8),
        surface.usable,
        surface.inside,
        surface.log_light,
        flat,
        raw,
        surface.slope_x,
        surface.slope_y,
        surface.thickness_mm,
        main,
        float(np.median(raw_blocks)),
        split,
    )
    return Features(
        light=light,
        near_light=_mean_of_near(light),
        ground=ground,
        inside=inside,
        surface=surface,
        merged=merged,
        split=split,
    )


def _mean_of_near(light: Float32s) -> Float32s:
    """Mean over the trusted cells among 3 × 3; 0 where there is none."""
    import cv2

    total, count = (
        cv2.boxFilter(channel, -1, (3, 3), normalize=False, borderType=cv2.BORDER_CONSTANT)
        for channel in light
    )
    return np.asarray(total / np.maximum(count, 1.0), dtype=np.float32)


@njit(nogil=True, cache=True)
def _clip(value, size):  # type: ignore[no-untyped-def]
    return min(max(value, -size), size)


@njit(nogil=True, cache=True)
def _fill(  # type: ignore[no-untyped-def]
    light,
    ground,
    inside,
    log_light,
    thickness,
    cover,
    shadow,
    glare,
    usable,
    surface_inside,
    mean_light,
    flat,
    raw,
    slope_x,
    slope_y,
    mean_thickness,
    main,
    median,
    split,
):
    n_x, n_y = usable.shape
    n_a, n_b = log_light.shape
    has_shadow, has_glare = shadow.shape == log_light.shape, glare.shape == log_light.shape
    quarter = np.float32(0.25)
    halved = split - 1  # a shift, for a division by a number not known ahead is slow
    for i in range(n_x):
        for j in range(n_y):
            if not surface_inside[i, j]:
                continue
            a, b = i >> 1, j >> 1
            ground[2, a, b] += quarter
            ground[3, a, b] += quarter * _clip(slope_x[i, j], 4.0)
            ground[4, a, b] += quarter * _clip(slope_y[i, j], 4.0)
            ground[5, a, b] += quarter * min(max(mean_thickness[i, j] / 20.0, 0.0), 5.0)
            trusted = usable[i, j]
            shade = 0.0
            if trusted:
                ground[0, a, b] += quarter * _clip(raw[i, j] - median, 1.5)
                ground[1, a, b] += quarter
                shade = mean_light[i, j] - flat[i, j] + main
            for p in range(2 * i, 2 * i + 2):
                for q in range(2 * j, 2 * j + 2):
                    c, d = p >> halved, q >> halved
                    if c >= n_a or d >= n_b:
                        continue
                    if not (cover[c, d] > 0 and np.isfinite(thickness[c, d])):
                        continue
                    inside[p, q] = True
                    value = log_light[c, d]
                    if not (trusted and value > -80.0 and value < 80.0):
                        continue
                    if (has_shadow and shadow[c, d] != 0) or (has_glare and glare[c, d] != 0):
                        continue
                    light[0, p, q] = _clip(value - shade, 1.5)
                    light[1, p, q] = 1.0


@lru_cache(maxsize=2)
def _session(path: Path, n_threads: int) -> Any:
    """Read, check and only then open the model."""
    try:
        with path.open("rb") as stream:
            content = stream.read(MOST_BYTES + 1)
    except OSError as error:
        msg = f"{path}: the tissue model cannot be read ({error.strerror or error})"
        raise InputError(msg) from error
    found = hashlib.sha256(content).hexdigest()
    if found != MODEL_SHA256:
        msg = (
            f"{path}: not the tissue model of this release (SHA-256 {found[:12]}…, expected "
            f'{MODEL_SHA256[:12]}…); reinstall geomscan or set [tissue] method = "mixture"'
        )
        raise InputError(msg)
    import onnxruntime as ort

    options = ort.SessionOptions()
    options.intra_op_num_threads = n_threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 4
    return ort.InferenceSession(content, options, providers=["CPUExecutionProvider"])


def load_network(path: Path | None = None, *, n_threads: int = 1) -> Any:
    """Open the shipped model after checking its hash; opened once a process.

    Raises
    ------
    InputError
        If the file is absent, cut, changed or another model.
    """
    return _session(path or _shipped(), n_threads)


@lru_cache(maxsize=1)
def _shipped() -> Path:
    return shipped_folder("models") / MODEL_FILE


def run_network(session: Any, light: Float32s, ground: Float32s) -> Float32s:
    """Numbers of each cell: offset and weights of its own and of near light.

    As the network gives them: (48, n_a/4, n_b/4), the 4 × 4 cells of each of its own cells in
    rows, one kind after the other.
    """
    return np.asarray(
        session.run(["weights"], {"light": light[None], "ground": ground[None]})[0][0]
    )


def network_probability(piece: PieceMap, settings: TissueSettings) -> tuple[Float32s, Mask] | None:
    """Fat probability of each cell by the network, and where its light could be used.

    Returns
    -------
    probability : (n_x, n_y) array, meaningless outside the piece
    usable : (n_x, n_y) bool array

    None where no light of the piece can be used.
    """
    features = network_features(piece, settings)
    if features is None:
        return None
    weights = run_network(load_network(), features.light, features.ground)
    probability = fat_probability(
        weights, features.light[0], features.near_light, shift=settings.network_shift
    )
    surface = features.surface
    mean = _mean_of_pairs(probability, features.inside, *surface.inside.shape)
    drop_what_is_no_tissue(mean, surface.inside, settings, cell_mm=surface.cell_mm)
    if features.split == 2:
        return mean, surface.usable
    _keep_to_sides(probability, mean, _at_an_outline(mean, surface.inside))
    n_x, n_y = piece.cover.shape
    if features.merged > 1:
        probability = probability.repeat(features.merged, 0).repeat(features.merged, 1)
    n = 2 * features.merged
    usable = surface.usable.repeat(n, 0).repeat(n, 1)
    return probability[:n_x, :n_y], usable[:n_x, :n_y]


def fat_probability(
    weights: Float32s, light: Float32s, near_light: Float32s, *, shift: float = 0.0
) -> Float32s:
    """Fat probability on the network's cells from its numbers, with a shift of all log-odds."""
    odds_against = np.empty(light.shape, np.float32)
    _log_odds_against(weights, light, near_light, np.float32(shift), odds_against)
    np.exp(odds_against, out=odds_against)
    odds_against += 1
    return np.asarray(np.reciprocal(odds_against, out=odds_against))


@njit(nogil=True, cache=True)
def _log_odds_against(weights, light, near, shift, out):  # type: ignore[no-untyped-def]
    n_x, n_y = out.shape
    most = np.float32(20.0)
    for i in range(n_x):
        a, r = i >> 2, 4 * (i & 3)
        for j in range(n_y):
            b, k = j >> 2, r + (j & 3)
            odds = weights[k, a, b] + shift
            odds += weights[16 + k, a, b] * light[i, j] + weights[32 + k, a, b] * near[i, j]
            out[i, j] = -min(max(odds, -most), most)


@njit(nogil=True, cache=True)
def _mean_of_pairs(values, inside, n_x, n_y):  # type: ignore[no-untyped-def]
    """Means over those of 2 × 2 cells that the piece covers; 0 where it covers none."""
    out = np.zeros((n_x, n_y), np.float32)
    for i in range(n_x):
        for j in range(n_y):
            total = np.float32(0.0)
            n = 0
            for p in range(2 * i, 2 * i + 2):
                for q in range(2 * j, 2 * j + 2):
                    if inside[p, q]:
                        total += values[p, q]
                        n += 1
            if n:
                out[i, j] = total / n
    return out


def _at_an_outline(mean: Float32s, inside: Mask) -> npt.NDArray[np.uint8]:
    """1 where cells of both tissues lie among the 3 × 3 around."""
    import cv2

    square = np.ones((3, 3), np.uint8)
    fat = mean > 0.5
    near_fat = cv2.dilate((fat & inside).view(np.uint8), square)
    near_lean = cv2.dilate((~fat & inside).view(np.uint8), square)
    return np.asarray(near_fat & near_lean)


@njit(nogil=True, cache=True)
def _keep_to_sides(probability, mean, outline):  # type: ignore[no-untyped-def]
    """Away from outlines, turn over single cells that are not of their surroundings' tissue."""
    n_x, n_y = mean.shape
    for i in range(2 * n_x):
        for j in range(2 * n_y):
            if outline[i >> 1, j >> 1]:
                continue
            p = probability[i, j]
            if (p > 0.5) != (mean[i >> 1, j >> 1] > 0.5):
                probability[i, j] = 1 - p
