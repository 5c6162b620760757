"""Fat probability from the shipped network, run by onnxruntime on the processor.

The file is checked against the hash below before anything in it is looked at: a model that is
wrong, cut or swapped is refused, and nothing of it runs.
"""

import hashlib
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from geomscan.errors import InputError
from geomscan.files import shipped_folder
from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.shading import Blocks, coefficient_per_cell, densest_value, shading_of
from geomscan.tissue.surface import Surface

__all__ = ["FEATURES", "MODEL_FILE", "MODEL_SHA256", "load_network", "network_features"]

Floats = npt.NDArray[np.floating[Any]]
Singles = npt.NDArray[np.float32]

MODEL_FILE = "fat-lean.onnx"
#: Hash of the shipped model; `models/train.py` prints the one of a newly trained model.
MODEL_SHA256 = "b8299ddf534c31c531c75fb32f93010b613fcbc8948f3de83ab4a9c816ebb79a"
#: A model of this design is far smaller; more is not read.
MOST_BYTES = 4_000_000
#: The network sees a piece in patches of this many cells a side, and those two by two.
PATCH = 4
GRID_STEP = 2 * PATCH
_N_CELLS = PATCH * PATCH
_N_QUARTERS = (PATCH // 2) ** 2

#: Input channels of a patch in order, and how many each takes: one a cell, one for two by two cells
#: (their mean), or one. Cells and quarters run along x first. Each 0 where it is not known.
FEATURES = (
    ("log reflectance less shading and its most frequent value", _N_CELLS),
    ("1 where the light can be trusted", _N_CELLS),
    ("1 where the piece is", _N_QUARTERS),
    ("rise of the surface along the belt", _N_QUARTERS),
    ("rise of the surface across the belt", _N_QUARTERS),
    ("log shade that was taken off for the slope", _N_QUARTERS),
    ("thickness / 20 mm", 1),
)
N_CHANNELS = sum(n for _, n in FEATURES)
#: Odds of a cell are an offset and the cell's own light times a gain, both from the network.
N_OUTPUTS = 2 * _N_CELLS


def network_features(surface: Surface, blocks: Blocks, height_mm: Floats) -> Singles:
    """Stack the network's input, (N_CHANNELS, n_x / 4, n_y / 4), free of laser power.

    Parameters
    ----------
    surface : Surface
        What was read from the piece.
    blocks : Blocks
        Its shading, from `block_surface`.
    height_mm : (n_x, n_y) array
        Thickness of the piece.

    Returns
    -------
    features : array
        Padded to whole steps of the grid.
    """
    n_x, n_y = surface.inside.shape
    main = densest_value(blocks.light - blocks.coefficient @ blocks.terms)
    out = np.zeros(
        (N_CHANNELS, 2 * -(-n_x // GRID_STEP), 2 * -(-n_y // GRID_STEP)), dtype=np.float32
    )
    _fill_features(
        out,
        surface.log_light,
        surface.log_shade,
        surface.usable,
        surface.inside,
        surface.slope_x,
        surface.slope_y,
        height_mm,
        np.float32(surface.cell_mm),
        coefficient_per_cell(blocks.coefficient),
        np.float32(main - blocks.coefficient @ blocks.centre),
    )
    return out


@njit(nogil=True, cache=True)
def _clip(value, size):  # type: ignore[no-untyped-def]
    return min(max(value, -size), size)


@njit(nogil=True, cache=True, fastmath={"nsz", "arcp", "contract"})
def _fill_features(  # type: ignore[no-untyped-def]
    out, light, shade, usable, inside, slope_x, slope_y, thickness, cell, coefficient, level
):
    n_x, n_y = light.shape
    quarter = np.float32(0.25)
    for a in range(out.shape[1]):
        for b in range(out.shape[2]):
            deep = np.float32(0)
            for p in range(PATCH):
                i = a * PATCH + p
                if i >= n_x:
                    break
                for q in range(PATCH):
                    j = b * PATCH + q
                    if j >= n_y:
                        break
                    if not inside[i, j]:
                        continue
                    at = 2 * _N_CELLS + (p // 2) * (PATCH // 2) + q // 2
                    out[at, a, b] += quarter
                    out[at + _N_QUARTERS, a, b] += quarter * _clip(slope_x[i, j], np.float32(4))
                    out[at + 2 * _N_QUARTERS, a, b] += quarter * _clip(slope_y[i, j], np.float32(4))
                    out[at + 3 * _N_QUARTERS, a, b] += quarter * shade[i, j]
                    deep += np.float32(_clip(thickness[i, j], 100.0))
                    if usable[i, j]:
                        here = p * PATCH + q
                        out[here, a, b] = _clip(
                            light[i, j]
                            - level
                            - shading_of(
                                i,
                                j,
                                n_x,
                                n_y,
                                cell,
                                shade[i, j],
                                slope_x[i, j],
                                slope_y[i, j],
                                coefficient,
                            ),
                            np.float32(1.5),
                        )
                        out[_N_CELLS + here, a, b] = np.float32(1)
            out[N_CHANNELS - 1, a, b] = deep / np.float32(20 * _N_CELLS)


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

    One thread does a 512 × 256 map in 7 to 8 ms; a second one gains nothing on a busy machine.

    Raises
    ------
    InputError
        If the file is absent, cut, changed or another model.
    """
    return _session(path or _shipped(), n_threads)


@lru_cache(maxsize=1)
def _shipped() -> Path:
    return shipped_folder("models") / MODEL_FILE


def run_network(session: Any, features: Singles) -> Singles:
    """Offsets and gains of one stack of features, (N_OUTPUTS, n_x / 4, n_y / 4)."""
    odds: Singles = session.run(["odds"], {"features": features[None]})[0][0]
    return odds


def network_probability(
    piece: PieceMap, surface: Surface, blocks: Blocks, settings: TissueSettings
) -> Floats:
    """Fat probability of each cell by the network, (n_x, n_y); meaningless outside the piece."""
    features = network_features(surface, blocks, piece.thickness_mm)
    probability = np.zeros(surface.inside.shape, np.float32)
    _fill_probability(
        probability,
        surface.inside,
        features,
        run_network(load_network(), features),
        np.float32(settings.network_shift),
    )
    return probability


@njit(nogil=True, cache=True, fastmath=True)
def _fill_probability(out, inside, features, odds, shift):  # type: ignore[no-untyped-def]
    """Probability of each cell from its patch's offsets and gains."""
    n_x, n_y = out.shape
    one, most = np.float32(1), np.float32(20)
    for i in range(n_x):
        a, p = i // PATCH, (i % PATCH) * PATCH
        for j in range(n_y):
            if inside[i, j]:
                b, k = j // PATCH, p + j % PATCH
                value = odds[k, a, b] + odds[_N_CELLS + k, a, b] * features[k, a, b] + shift
                out[i, j] = one / (one + np.exp(-_clip(value, most)))
