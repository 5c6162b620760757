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
from geomscan.tissue.patches import drop_what_is_no_tissue
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.shading import Blocks, densest_value, light_less_shading
from geomscan.tissue.surface import Surface

__all__ = ["FEATURES", "MODEL_FILE", "MODEL_SHA256", "load_network", "network_features"]

Floats = npt.NDArray[np.floating[Any]]

MODEL_FILE = "fat-lean.onnx"
#: Hash of the shipped model; `models/train.py` prints the one of a newly trained model.
MODEL_SHA256 = "76445c8b1538ef9b358f76d260ab22bbee48e35a055c4e184de45d2a00640226"
#: A model of this design is far smaller; more is not read.
MOST_BYTES = 4_000_000
#: The network halves its grid three times.
GRID_STEP = 8

#: Input channels in order; each 0 where it is not known.
FEATURES = (
    "log reflectance less shading and its most frequent value",
    "log reflectance less its median",
    "1 where the light can be trusted",
    "1 where the piece is",
    "rise of the surface along the belt",
    "rise of the surface across the belt",
    "thickness / 20 mm",
    "log line width less its median",
)


def network_features(
    piece: PieceMap, surface: Surface, blocks: Blocks, *, line_width: bool = False
) -> npt.NDArray[np.float32]:
    """Stack the network's input, (n_features, n_x, n_y) padded to whole steps, free of laser power.

    Parameters
    ----------
    piece, surface
        The piece and what was read from it.
    blocks : Blocks
        Its shading, from `block_surface`.
    line_width : bool
        Fill the last channel, as training does in two thirds of its steps. This release leaves it
        at 0 in use: slope widens a line more than fat does, differently on each scanner, and a
        network that was given it took smooth slopes for fat (models/CARD.md).
    """
    flat = light_less_shading(surface, blocks, blocks.coefficient)
    main = densest_value(blocks.light - blocks.coefficient @ blocks.terms)
    n_x, n_y = flat.shape
    out = np.zeros(
        (len(FEATURES), -(-n_x // GRID_STEP) * GRID_STEP, -(-n_y // GRID_STEP) * GRID_STEP),
        dtype=np.float32,
    )
    _fill_features(
        out,
        flat,
        main,
        surface.log_light,
        float(np.median(blocks.light)),
        surface.usable,
        surface.inside,
        surface.slope_x,
        surface.slope_y,
        piece.thickness_mm,
    )
    if line_width and piece.line_width_px is not None:
        known = surface.usable & (np.nan_to_num(piece.line_width_px, posinf=0.0) > 0)
        if known.any():
            log_width = np.log(piece.line_width_px[known])
            out[7, :n_x, :n_y][known] = np.clip(log_width - np.median(log_width), -1.0, 1.0)
    return out


@njit(nogil=True, cache=True)
def _clip(value, size):  # type: ignore[no-untyped-def]
    return min(max(value, -size), size)


@njit(nogil=True, cache=True)
def _fill_features(  # type: ignore[no-untyped-def]
    out, flat, main, light, level, usable, inside, slope_x, slope_y, thickness
):
    n_x, n_y = flat.shape
    for i in range(n_x):
        for j in range(n_y):
            if not inside[i, j]:
                continue
            out[3, i, j] = 1.0
            out[4, i, j] = _clip(slope_x[i, j], 4.0)
            out[5, i, j] = _clip(slope_y[i, j], 4.0)
            out[6, i, j] = min(max(thickness[i, j] / 20.0, 0.0), 5.0)
            if not usable[i, j]:
                continue
            out[0, i, j] = _clip(flat[i, j] - main, 1.5)
            out[1, i, j] = _clip(light[i, j] - level, 1.5)
            out[2, i, j] = 1.0


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


def run_network(session: Any, features: npt.NDArray[np.float32]) -> Floats:
    """Log-odds of fat for one stack of features, (n_x, n_y) padded alike."""
    odds: Floats = session.run(["log_odds"], {"features": features[None]})[0][0, 0]
    return odds


def network_probability(
    piece: PieceMap, surface: Surface, blocks: Blocks, settings: TissueSettings
) -> Floats:
    """Fat probability of each cell by the network, (n_x, n_y); meaningless outside the piece."""
    n_x, n_y = surface.inside.shape
    odds = run_network(load_network(), network_features(piece, surface, blocks))[:n_x, :n_y]
    probability = np.asarray(1 / (1 + np.exp(-np.clip(odds + settings.network_shift, -20, 20))))
    drop_what_is_no_tissue(probability, surface.inside, settings, cell_mm=surface.cell_mm)
    return probability
