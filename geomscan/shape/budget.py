"""Common errors of a piece as changes of thickness: what one standard uncertainty of each does."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.shape.cells import polynomial_terms
from geomscan.shape.geometry import CommonModes, HeadGeometry
from geomscan.shape.maps import Maps
from geomscan.shape.piece_map import ErrorTerm

__all__ = ["CalibrationErrors", "thickness_effect"]


Floats = npt.NDArray[np.float64]

#: Standard uncertainty (px) of the line's place on one surface against another that is darker or
#: brighter, beyond noise: line finders near the noise bound keep within 0.01 to 0.02 px.
_U_LINE_PX = 0.015
_LEAST_NODES = 20  # covered nodes that the terms can be fitted to
_KEPT = 0.05  # share of the largest effect below which a term is left out (0.25 % of variance)


def thickness_effect(modes: CommonModes) -> Floats:
    """Change of thickness that moves as much volume as the displacements do.

    Points move by (dx, dy, dz); material between the belt and height z then gains
    dz(y, z) - dz(y, 0) + ∫ ∂dy/∂y dz' + z ∂dx/∂x (Gauss's theorem for the column; the belt's own
    share goes with the belt zero, which is measured anew beside every piece).

    Returns
    -------
    ndarray, shape (n_modes, n_y, n_z)
    """
    _dx, dy, dz = modes.delta_mm[:, 0], modes.delta_mm[:, 1], modes.delta_mm[:, 2]
    widening = np.gradient(dy, modes.y_mm, axis=1)
    steps = np.diff(modes.z_mm)
    inside = np.zeros_like(widening)
    inside[:, :, 1:] = np.cumsum(0.5 * (widening[:, :, 1:] + widening[:, :, :-1]) * steps, axis=2)
    belt = dz[:, :, :1]
    stretch = modes.stretch[:, None, None] * modes.z_mm
    return np.asarray(dz - belt + inside + stretch)


class CalibrationErrors:
    """Terms of the calibration, few in number, as polynomials in y and z.

    Parameters
    ----------
    heads
        The heads in use; their maps are taken as weighed alike. Only what the calibration covers
        is fitted; beyond, the terms are carried on and the piece is flagged.
    """

    def __init__(self, heads: Mapping[str, HeadGeometry]) -> None:
        self._u_line = _U_LINE_PX * float(np.mean([head.mm_per_row for head in heads.values()]))
        known = [head for head in heads.values() if head.modes is not None]
        self._terms = np.zeros((0, 6))
        self._scale = 100.0
        if not known:
            return
        effects, designs = [], []
        for head in known:
            modes = head.modes
            if modes is None:
                continue
            y, z = np.meshgrid(modes.y_mm, modes.z_mm, indexing="ij")
            covered = np.ones(y.shape, dtype=bool)
            if head.in_region is not None:
                inner = _inner(head.in_region(y, z))
                covered = inner if inner.sum() > _LEAST_NODES else covered
            design = _powers(y / self._scale, z / self._scale)[:, covered]
            effect = thickness_effect(modes)[:, covered]
            terms, *_ = np.linalg.lstsq(design.T, effect.T, rcond=None)
            effects.append(terms.T)
            designs.append(design)
        mean = np.mean(effects, axis=0)
        # few independent terms with the same covariance of thickness
        weight = designs[0].std(axis=1) + np.abs(designs[0].mean(axis=1))
        _, strength, right = np.linalg.svd(mean * weight, full_matrices=False)
        keep = strength > _KEPT * max(float(strength.max()), 1e-300)
        self._terms = (strength[:, None] * right / weight)[keep]

    @property
    def n_maps(self) -> int:
        """Number of maps that a piece's terms take."""
        return 1 + len(self._terms)

    def terms(
        self, y_mm: Floats, thickness_mm: npt.NDArray[Any], maps: Maps | None = None
    ) -> tuple[ErrorTerm, ...]:
        """Give a piece's terms; y_mm (n_y,), thickness_mm (n_x, n_y), NaN off the piece.

        maps: room for n_maps maps.
        """
        maps = maps or Maps(self.n_maps, thickness_mm.shape)
        deltas = maps.take_together(self.n_maps)
        polynomial_terms(
            self._terms, y_mm / self._scale, thickness_mm, 1.0 / self._scale, self._u_line, deltas
        )
        names = ["line position", *(f"calibration {k}" for k in range(1, len(deltas)))]
        return tuple(
            ErrorTerm(name=name, scope="run", delta_mm=delta)
            for name, delta in zip(names, deltas, strict=True)
            if name != "line position" or self._u_line > 0.0
        )

    def u_mm(self, y_mm: float, z_mm: float) -> float:
        """Give the standard uncertainty of thickness at one place."""
        if len(self._terms) == 0:
            return 0.0
        base = _powers(np.array(y_mm / self._scale), np.array(z_mm / self._scale))
        return float(np.sqrt(np.square(self._terms @ base).sum()))


def _inner(covered: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Nodes whose neighbours across are covered, too.

    Errors grow from the covered region's border outwards; that growth is a statement of doubt, no
    widening of the piece, and differences across the border don't count.
    """
    inner = np.zeros_like(covered)
    inner[1:-1] = covered[:-2] & covered[1:-1] & covered[2:]
    return inner


def _powers(y: Floats, z: Floats) -> Floats:
    """Terms that vanish on the belt, shape (6, ...)."""
    return np.stack([z, z * y, z * z, z * y * y, z * z * y, z**3])
