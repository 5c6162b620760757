"""Pictures of what was seen, for the page of a calibration that was refused."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.pass_lines import read_pass_lines
from geomscan.errors import GeomscanError
from geomscan.recording.recording import Recording

__all__ = ["line_pictures"]


def line_pictures(recordings: Sequence[Recording]) -> dict[str, npt.NDArray[np.float64]]:
    """Rows of the laser line by pass and head; passes that can't be read are left out."""
    pictures = {}
    for recording in recordings:
        for head in recording.manifest.heads:
            try:
                lines = read_pass_lines(recording, head.name)
            except GeomscanError:
                continue
            pictures[f"{recording.path.name}, head {head.name}"] = lines.row_px
    return pictures
