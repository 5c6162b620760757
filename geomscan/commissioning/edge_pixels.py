"""Edges from pixels: the place at which a tread's light ends, and the lens's blur beside it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["EdgePixels", "bell_share", "fit_edges", "lit_share"]

Floats = npt.NDArray[np.float64]

_STEPS = 6
#: blur to begin with, and its bounds: standard deviation, columns
_BLUR_PX, _LEAST_BLUR_PX, _MOST_BLUR_PX = 0.5, 0.05, 2.0
#: a pedestal above this share of the line's peak is no pedestal
_MOST_PEDESTAL = 0.2
_MOST_STEP_PX = 0.5
#: steps of numerical derivatives: columns, grey levels
_TINY_PX, _TINY_GREY = 0.02, 0.05


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class EdgePixels:
    """Pixels about one face's edge, over lines in groups that begin at `starts`.

    grey (n_lines, n_rows, n_columns) is the light above the dark level; place (n_lines, n_columns)
    counts columns inwards from the expected edge; off like grey counts rows from the tread's
    course. weight is 0 where the lower level's light may be; bell is the tread's profile where it
    fills a column, which it does in the columns `whole`. The face reaches `reach` columns outwards
    and `drop` rows down; 0 columns where it is turned away.
    """

    grey: Floats
    weight: Floats
    place: Floats
    off: Floats
    sigma: float
    whole: slice
    starts: npt.NDArray[np.intp]
    reach: float
    drop: float
    bell: Floats

    def spread(self, by_group: Floats) -> Floats:
        """Repeat a value of each group for each of its lines; (n_lines, 1, 1)."""
        n = np.diff(np.append(self.starts, len(self.place)))
        return np.repeat(by_group, n)[:, None, None]

    def total(self, values: Floats) -> Floats:
        """Sum over the pixels of each group."""
        return np.asarray(np.add.reduceat(values.sum(axis=(1, 2)), self.starts))

    def left(self, model: Floats, pedestal: float) -> Floats:
        """Give what a model leaves of the light, in units of a column that the tread fills.

        The camera takes a pedestal off; where it then reads 0, there may have been light up to
        the pedestal.
        """
        lit = self.grey > 0
        light = self.grey + pedestal
        own = (slice(None), slice(None), self.whole)
        shown = np.where(lit[own], self.bell[own], 0.0).sum(axis=(1, 2))
        full = np.where(lit[own], light[own], 0.0).sum(axis=(1, 2)) / np.maximum(shown, 1e-3)
        full = np.maximum(full, 1e-3)[:, None, None]
        seen = np.where(lit, light / full, np.minimum(model, pedestal / full))
        return np.asarray(self.weight * (seen - model))

    def tread(self, shift: Floats, blur: float) -> Floats:
        """Give the light of the tread with its edge `shift` columns further in, by group."""
        x = self.place - self.spread(shift)[:, :, 0]
        return np.asarray(lit_share(x, blur)[:, None, :] * self.bell)

    def face(self, shift: Floats, blur: float) -> Floats:
        """Give the light of a face as bright as the tread."""
        x = self.place - self.spread(shift)[:, :, 0]
        share = lit_share(x + self.reach, blur) - lit_share(x, blur)
        per_column = self.drop / self.reach
        upper = -np.clip(x + 0.5, -self.reach, 0.0) * per_column
        lower = -np.clip(x - 0.5, -self.reach, 0.0) * per_column
        bell = bell_share(self.off - upper[:, None, :], self.off - lower[:, None, :], self.sigma)
        return np.asarray(share[:, None, :] * bell)


def fit_edges(
    pixels: list[EdgePixels], start: list[Floats], *, clipped_dark: bool
) -> tuple[list[Floats], float, float]:
    """Find how far each edge lies further in than expected, in columns; by face and group.

    Least squares over the pixels: the tread up to the edge, the face from the edge to its foot at a
    brightness of its own, both blurred across the columns by the lens. The blur is one number for
    all edges, and so is the pedestal of a camera whose dark pixels read 0 (`clipped_dark`);
    Gauss-Newton, edges and these in turns.

    Returns
    -------
    shifts : list of ndarray
    blur_px, pedestal_grey : float
    """
    shifts = [np.array(own) for own in start]
    blur, pedestal = _BLUR_PX, 0.0
    most = _MOST_PEDESTAL * min((float(own.grey.max()) for own in pixels), default=0.0)
    for _ in range(_STEPS):
        slope, normal = np.zeros(2), 1e-9 * np.eye(2)
        for k, own in enumerate(pixels):
            shifts[k], model, left, tread = _step(own, shifts[k], blur, pedestal)
            wider = own.weight * (own.tread(shifts[k], blur + _TINY_PX) - tread) / _TINY_PX
            lifted = (left - own.left(model, pedestal + _TINY_GREY)) / _TINY_GREY
            rows = np.stack([wider.ravel(), lifted.ravel() * clipped_dark])
            slope += rows @ left.ravel()
            normal += rows @ rows.T
        change = np.linalg.solve(normal, slope)
        blur = float(np.clip(blur + change[0], _LEAST_BLUR_PX, _MOST_BLUR_PX))
        pedestal = float(np.clip(pedestal + change[1], 0.0, most))
    return shifts, blur, pedestal


def _step(
    own: EdgePixels, shift: Floats, blur: float, pedestal: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """One step of one face's groups: new shifts; the old ones' model, what it left, its tread."""
    tread = own.tread(shift, blur)
    model = tread
    slope = own.weight * (own.tread(shift + _TINY_PX, blur) - tread) / _TINY_PX
    if own.reach > 0:
        face = own.face(shift, blur)
        weighted = own.weight * face
        square = np.maximum(own.total(weighted**2), 1e-9)
        left = own.left(tread, pedestal)
        bright = np.maximum(own.total(left * weighted) / square, 0.0)
        there = own.spread(bright)
        model = tread + there * face
        moved = own.face(shift + _TINY_PX, blur)
        slope = slope + own.weight * there * (moved - face) / _TINY_PX
        # brightness follows: only what it can't take up moves the edge
        share = np.where(bright > 0, own.total(slope * weighted) / square, 0.0)
        slope = slope - own.spread(share) * weighted
    left = own.left(model, pedestal)
    curvature = np.maximum(own.total(slope**2), 1e-9)
    move = np.clip(own.total(left * slope) / curvature, -_MOST_STEP_PX, _MOST_STEP_PX)
    return np.asarray(shift + move), model, left, tread


def lit_share(place: Floats, blur: float) -> Floats:
    """Share of a column's light where light begins at 0 and goes on inwards, blurred."""
    return _risen(place + 0.5, blur) - _risen(place - 0.5, blur)


def _risen(x: Floats, blur: float) -> Floats:
    """Integral of a blurred step: x Φ(x) + φ(x) in units of the blur."""
    from scipy.special import ndtr

    t = x / blur
    return np.asarray(x * ndtr(t) + blur * np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi))


def bell_share(a: Floats, b: Floats, sigma: float) -> Floats:
    """Mean of a Gaussian of unit area, one row wide pixels, over centres from a to b rows away."""
    from scipy.special import ndtr

    width = b - a
    wide = np.abs(width) > 0.05
    middle = (a + b) / 2
    narrow = ndtr((middle + 0.5) / sigma) - ndtr((middle - 0.5) / sigma)
    if not wide.any():
        return np.asarray(narrow)
    safe = np.where(wide, width, 1.0)
    spread = (ndtr(b / sigma) - ndtr(a / sigma)) / safe
    return np.asarray(np.where(wide, spread, narrow))
