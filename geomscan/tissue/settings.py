"""The `[tissue]` section of a settings file."""

from typing import Literal

from pydantic import Field

from geomscan.files import FileModel

__all__ = ["TissueSettings"]


class TissueSettings(FileModel):
    """How fat and lean are told apart, section `[tissue]`.

    method is "mixture" (two classes fitted to each piece, with neighbourhood), "network" (the
    shipped model), or "threshold" (one limit for all pieces, as plain as it gets). Bulk fat (rind,
    seams, cover fat) is what any of them claims; fine marbling is not.
    """

    method: Literal["mixture", "network", "threshold"] = "network"
    #: What a piece with one class only is made of; also what stands where nothing was seen.
    one_class: Literal["lean", "fat"] = "lean"
    fat_is: Literal["brighter", "darker"] = "brighter"
    #: Ratio of reflectances below which a difference is taken as colour or shade, not as tissue.
    least_contrast: float = Field(default=1.2, gt=1.0, le=5.0)
    #: Patches with a smaller diameter are not claimed and not reported.
    smallest_patch_mm: float = Field(default=5.0, ge=0.0, le=100.0)
    #: Surface steeper than this gives no trustworthy reflectance.
    steepest_deg: float = Field(default=75.0, gt=0.0, le=90.0)
    #: Reflectance from which a cell is fat, for method "threshold"; where absent Otsu's limit.
    limit: float | None = Field(default=None, gt=0.0)
    #: Shift of the network's log-odds, found by `geomscan tissue` on your own product.
    network_shift: float = Field(default=0.0, ge=-10.0, le=10.0)
    #: Depth of cover fat below a fat surface: the camera sees the surface only.
    #: Common practice, no source.
    fat_depth_mm: float = Field(default=4.0, ge=0.0, le=500.0)
    u_fat_depth_mm: float = Field(default=2.0, ge=0.0, le=500.0)
