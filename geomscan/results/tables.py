"""Columns of the result tables with unit and meaning, written as CSV and Parquet."""

import csv
import io
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.files import NEWEST, write_whole

__all__ = ["PIECE_COLUMNS", "PROFILE_COLUMNS", "write_csv", "write_parquet"]

FORMAT = f"geomscan.run/{NEWEST['run']}"

#: pieces.csv and pieces.parquet: a row a piece.
PIECE_COLUMNS = {
    "piece": "number, from 1 by x of the leading edge, ties by y",
    "lane": "1… in the order of the recording's lanes, by centroid; 0 = none",
    "encoder": "unwrapped count when s = 0 passes the sheet at y = z = 0",
    "time_s": "time of that count, from the line table",
    "x0_mm": "belt x of the leading edge, s = 0",
    "u_x0_mm": "standard uncertainty of x0_mm",
    "x_mm": "centroid of the plan area along the belt",
    "y_mm": "centroid of the plan area across the belt",
    "length_mm": "extent along x",
    "width_mm": "extent along y",
    "thickness_max_mm": "greatest thickness",
    "thickness_mean_mm": "volume over plan area",
    "area_cm2": "plan area",
    "volume_cm3": "volume over the bare belt",
    "u_volume_cm3": "standard uncertainty of volume_cm3",
    "u_volume_run_cm3": "part of it common to all pieces of the run (calibration)",
    "u_volume_piece_cm3": "part of it common to the piece (belt zero, shadow)",
    "u_volume_independent_cm3": "part of it independent from cell to cell",
    "fat_area_fraction": "share of fat in the plan area, as seen from above",
    "u_fat_area_fraction": "standard uncertainty of it",
    "fat_volume_cm3": "volume that counts as fat at the depth of the settings",
    "mass_g": "predicted mass; empty without a stated density; not a weighing",
    "u_mass_g": "standard uncertainty of mass_g",
    "u_mass_run_g": "part of it common to all pieces of the run (density, calibration)",
    "fat_g": "predicted mass of fat",
    "temperature_c": "temperature of the piece as the recording states it",
    "shadow_camera_fraction": "share of the plan area that no camera saw",
    "shadow_fan_fraction": "share of the plan area that the laser fan never lit",
    "u_belt_zero_mm": "standard uncertainty of the bare belt's height under the piece",
    "bare_belt_fraction": "share of the ground around the piece that spoke for the bare belt",
    "belt_pattern_mm": "period of the belt's pattern that was taken off; empty without one",
    "heads_gap_mm": "first head's height less the second's, median over gentle slopes",
    "tissue_method": "the way in which fat and lean were told apart",
    "flags": "names from the flag list in DEVELOPERS.md, joined by ;",
}

#: profiles.parquet: a row a slice.
PROFILE_COLUMNS = {
    "piece": "number of the piece",
    "lane": "its lane",
    "angle_deg": "angle of the blade",
    "s_mm": "knot: place of the cut, 0 at the leading edge on the belt",
    "volume_cm3_per_mm": "mean from this knot to the next; the last row 0",
    "cumulative_cm3": "volume with x − z·tan(angle) ≤ s",
    "mass_g_per_mm": "mean from this knot to the next; the last row 0",
    "cumulative_g": "mass with x − z·tan(angle) ≤ s",
    "u_cumulative_g": "standard uncertainty of cumulative_g",
    "u_cumulative_common_g": "part of it common to the piece or the run",
    "u_cumulative_independent_g": "part of it independent from cell to cell",
    "fat_g_per_mm": "fat, mean from this knot to the next; the last row 0",
    "width_mm": "width of the piece in this slice",
    "thickness_max_mm": "greatest thickness in this slice",
}


def write_csv(path: Path, columns: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> None:
    """Write a table as CSV: header first, UTF-8, an empty cell where a value is not known."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in columns])
    write_whole(path, text.getvalue().encode())


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float | np.floating):
        return repr(float(value)) if math.isfinite(value) else ""
    return str(value)


def write_parquet(path: Path, columns: Mapping[str, npt.NDArray[Any]]) -> None:
    """Write a table as Parquet, its format in the file's metadata."""
    import duckdb

    table = dict(columns)
    with duckdb.connect() as connection:
        connection.register("result_table", table)
        target = str(path).replace("'", "''")
        connection.execute(
            f"COPY result_table TO '{target}' (FORMAT parquet, KV_METADATA {{format: '{FORMAT}'}})"
        )
