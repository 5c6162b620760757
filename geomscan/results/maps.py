"""Maps of a whole run as TIFF, assembled from the pieces strip by strip."""

import json
import zlib
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import numpy.typing as npt

from geomscan.results.tables import FORMAT
from geomscan.shape.piece_map import PieceMap
from geomscan.tissue.tissue_map import TissueMap

__all__ = ["MAPS", "MapStore"]

#: Map name -> unit of its values.
MAPS = {
    "thickness": "mm",
    "u_thickness": "mm",
    "reflectance": "grey levels, corrected",
    "fat_probability": "1",
    "piece": "number",
}

STRIP_ROWS = 128


class MapStore:
    """Keeps each piece's crop on disk as it comes and writes the whole maps at the end.

    Rows of the maps are x, columns y. Memory holds one strip at a time, however long the run.
    """

    def __init__(self, folder: Path, *, cell_mm: float) -> None:
        self._folder = folder
        self._cell_mm = cell_mm
        self._places: list[tuple[int, int, int, int]] = []
        self._anchor_mm: tuple[float, float] | None = None  #: middle of one cell of the grid
        (folder / "parts").mkdir(parents=True)

    def add(self, piece: PieceMap, tissue: TissueMap) -> None:
        """Keep one piece."""
        inside = piece.cover > 0
        common_mm = np.sqrt(sum((term.delta_mm**2 for term in piece.terms), np.zeros(inside.shape)))
        nothing = np.full(inside.shape, np.nan)
        layers = {
            "thickness": piece.thickness_mm,
            "u_thickness": np.hypot(piece.u_independent_mm, common_mm),
            "reflectance": nothing if piece.reflectance is None else piece.reflectance,
            "fat_probability": tissue.fat_probability,
            "piece": np.full(inside.shape, float(piece.piece)),
        }
        stack = np.stack([np.where(inside, layers[name], np.nan) for name in MAPS])
        if self._anchor_mm is None:
            self._anchor_mm = (piece.x_first_mm, piece.y_first_mm)
        first = (
            round((piece.x_first_mm - self._anchor_mm[0]) / self._cell_mm),
            round((piece.y_first_mm - self._anchor_mm[1]) / self._cell_mm),
        )
        np.save(self._folder / "parts" / f"{len(self._places)}.npy", stack.astype(np.float32))
        self._places.append((*first, *inside.shape))

    def finish(self) -> Mapping[str, object]:
        """Write the TIFF files; give what run.json says of them."""
        import shutil

        import tifffile

        places = np.array(self._places, dtype=np.int64).reshape(-1, 4)
        anchor_mm = self._anchor_mm or (0.0, 0.0)
        about: dict[str, object] = {}
        if len(places):
            low = places[:, :2].min(axis=0)
            size = (places[:, :2] + places[:, 2:]).max(axis=0) - low
            for number, (name, unit) in enumerate(MAPS.items()):
                about[name] = described = {
                    "file": f"maps/{name}.tif",
                    "unit": unit,
                    "axes": "rows along x, columns along y; NaN = nothing there",
                    "x_first_mm": anchor_mm[0] + float(low[0] * self._cell_mm),
                    "y_first_mm": anchor_mm[1] + float(low[1] * self._cell_mm),
                    "cell_mm": self._cell_mm,
                }
                tifffile.imwrite(
                    self._folder / f"{name}.tif",
                    self._strips(number, low, size),
                    shape=(int(size[0]), int(size[1])),
                    dtype=np.float32,
                    compression="zlib",
                    rowsperstrip=STRIP_ROWS,
                    photometric="minisblack",
                    metadata=None,
                    bigtiff=bool(size.prod() > 2**29),
                    description=json.dumps({"format": FORMAT, "map": name, **described}),
                )
        shutil.rmtree(self._folder / "parts")
        return about

    def _strips(
        self, number: int, low: npt.NDArray[np.int64], size: npt.NDArray[np.int64]
    ) -> Iterator[bytes]:
        for start in range(0, int(size[0]), STRIP_ROWS):
            stop = min(start + STRIP_ROWS, int(size[0]))
            strip = np.full((stop - start, int(size[1])), np.nan, dtype=np.float32)
            for part, (x, y, n_x, n_y) in enumerate(self._places):
                x_in, y_in = x - int(low[0]), y - int(low[1])
                first, last = max(x_in, start), min(x_in + n_x, stop)
                if first >= last:
                    continue
                stack = np.load(self._folder / "parts" / f"{part}.npy", mmap_mode="r")
                crop = stack[number, first - x_in : last - x_in]
                place = strip[first - start : last - start, y_in : y_in + n_y]
                np.copyto(place, crop, where=np.isfinite(crop))
            yield zlib.compress(strip.tobytes(), 1)
