"""What a user may set about the laser line: table `[line]` of a settings file."""

from typing import Literal

from pydantic import Field

from geomscan.files import FileModel

__all__ = ["LineSettings"]


class LineSettings(FileModel):
    """How the line is looked for and measured; the defaults suit lines of σ 1 to 3 pixels."""

    #: "symmetric": near the noise bound, for opaque surfaces; "tail": Gaussian with a one-sided
    #: exponential tail, for light that comes out below the surface (slower, noisier, unbiased)
    model: Literal["symmetric", "tail"] = "symmetric"
    #: side on which the tail lies: towards larger or smaller rows, or found from the frames
    tail_side: Literal["auto", "larger", "smaller"] = "auto"
    #: rows on each side of the brightest pixel that belong to the line
    half_window_px: int = Field(default=11, ge=5, le=30)
    #: a column without a line is taken for one with at most this probability
    false_line_rate: float = Field(default=1e-7, gt=0, le=1e-2)
    #: narrower than this (standard deviation) is a defect pixel or a speck, not a line
    min_width_px: float = Field(default=0.6, ge=0.3)
    #: the runner-up over the chosen peak from which a column is flagged as doubtful
    second_peak_ratio: float = Field(default=0.4, gt=0, le=1)
    #: contrast of the lit line's speckle, 0 to 1, for its share in u of the row; it counts where
    #: the manifest states wavelength_nm, f_number and pixel_um. Common practice, no source
    speckle_contrast: float = Field(default=0.3, ge=0, le=1)
    #: choose between two peaks by continuity (else the brightest is taken)
    choose_peaks: bool = True
