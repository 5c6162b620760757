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

from geomscan.errors import InputError
from geomscan.files import shipped_folder
from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.shading import Blocks, light_without_shading
from geomscan.tissue.surface import Surface

__all__ = ["FEATURES", "MODEL_FILE", "MODEL_SHA256", "load_network", "network_features"]

Floats = npt.NDArray[np.float64]

MODEL_FILE = "fat-lean.onnx"
#: Hash of the shipped model; `models/train.py` prints the one of a newly trained model.
MODEL_SHA256 = "33fcc708b3e7d2de51fc9a37c10e6ca5cfee5e409a378194114b126d1daf811e"
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


def network_features(piece: PieceMap, surface: Surface, flat: Floats) -> npt.NDArray[np.float32]:
    """Stack the network's input, (n_features, n_x, n_y), without units and free of laser power.

    Parameters
    ----------
    piece, surface
        The piece and what was read from it.
    flat : (n_x, n_y) array
        Log light less shading, 0 at its most frequent value (`light_without_shading`).
    """
    usable = surface.usable
    width = np.zeros(usable.shape)
    if piece.line_width_px is not None:
        width_px = np.nan_to_num(piece.line_width_px, nan=0.0, posinf=0.0)
        known = usable & (width_px > 0)
        if known.any():
            log_width = np.log(np.where(known, width_px, 1.0))
            width = np.where(known, log_width - np.median(log_width[known]), 0.0)
    level = float(np.median(surface.log_light[usable])) if usable.any() else 0.0
    stack = np.stack(
        [
            np.where(usable, np.clip(flat, -1.5, 1.5), 0.0),
            np.where(usable, np.clip(surface.log_light - level, -1.5, 1.5), 0.0),
            usable,
            surface.inside,
            np.where(surface.inside, np.clip(surface.slope_x, -2, 2), 0.0),
            np.where(surface.inside, np.clip(surface.slope_y, -2, 2), 0.0),
            np.where(surface.inside, np.nan_to_num(piece.thickness_mm) / 20.0, 0.0),
            np.clip(width, -1, 1),
        ]
    )
    return stack.astype(np.float32)


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


def load_network(path: Path | None = None, *, n_threads: int = 2) -> Any:
    """Open the shipped model after checking its hash; opened once a process.

    Raises
    ------
    InputError
        If the file is absent, cut, changed or another model.
    """
    return _session(path or shipped_folder("models") / MODEL_FILE, n_threads)


def run_network(session: Any, features: npt.NDArray[np.float32]) -> Floats:
    """Log-odds of fat, (n_x, n_y), for one stack of features."""
    n_x, n_y = features.shape[1:]
    padded = np.zeros(
        (1, features.shape[0], -(-n_x // GRID_STEP) * GRID_STEP, -(-n_y // GRID_STEP) * GRID_STEP),
        dtype=np.float32,
    )
    padded[0, :, :n_x, :n_y] = features
    odds: Floats = session.run(["log_odds"], {"features": padded})[0][0, 0, :n_x, :n_y].astype(
        float
    )
    return odds


def network_probability(
    piece: PieceMap, surface: Surface, blocks: Blocks, settings: TissueSettings
) -> Floats:
    """Fat probability of each cell by the network, (n_x, n_y); meaningless outside the piece."""
    features = network_features(piece, surface, light_without_shading(surface, blocks))
    odds = run_network(load_network(), features) + settings.network_shift
    probability = 1 / (1 + np.exp(-np.clip(odds, -20, 20)))
    return np.asarray(probability)
