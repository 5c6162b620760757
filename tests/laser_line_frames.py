"""Simulated laser lines and the bounds they allow, written apart from the package."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import erf

Array = npt.NDArray[np.float64]

GAIN, READ, DARK = 40.0, 0.4, 4.0  #: electrons a grey level; grey levels


@dataclass(frozen=True, kw_only=True)
class Line:
    """A Gaussian line: peak in grey levels, sigma in px, rows a column; a tail is one-sided."""

    peak: float
    sigma: float
    slope: float = 0.0
    tail_share: float = 0.0
    tail_px: float = 4.0
    n_rows: int = 64

    def mean(self, row_px: Array) -> Array:
        """Draw the expected grey values, (n_rows, n): integrals over pixels, and over a column."""
        across = (np.arange(24) + 0.5) / 24 - 0.5 if self.slope else np.zeros(1)
        light = self.peak * self.sigma * np.sqrt(2 * np.pi)
        total = np.zeros((self.n_rows, row_px.size))
        for step in across:
            edges = np.arange(self.n_rows + 1)[:, None] - 0.5 - (row_px + self.slope * step)
            total += np.diff(self.below(edges), axis=0)
        grey: Array = DARK + light * total / across.size
        return grey

    def below(self, d: Array) -> Array:
        """Share of the light below d rows from the line's row."""
        gauss: Array = 0.5 * (1 + erf(d / (self.sigma * np.sqrt(2))))
        if not self.tail_share:
            return gauss
        # exponentially modified Gaussian: its distribution function is Phi(d/s) - exp(...) Phi(...)
        rate = self.sigma / self.tail_px
        damped = np.exp(np.minimum(rate**2 / 2 - d / self.tail_px, 50))
        tail = gauss - damped * 0.5 * (1 + erf((d / self.sigma - rate) / np.sqrt(2)))
        both: Array = (1 - self.tail_share) * gauss + self.tail_share * tail
        return both

    def frames(self, row_px: Array, *, seed: int, bits: int = 8) -> npt.NDArray[np.uint16]:
        """One frame with shot noise, read noise and rounding, (1, n_rows, n)."""
        rng = np.random.default_rng(seed)
        mean = self.mean(row_px)
        grey = rng.poisson(mean * GAIN) / GAIN + rng.normal(0, READ, mean.shape)
        kind = np.uint8 if bits == 8 else np.uint16
        frame: npt.NDArray[np.uint16] = np.clip(np.rint(grey), 0, 2**bits - 1).astype(kind)
        return frame[None]


def row_bound_px(line: Line, *, top: float | None = None) -> float:
    """Cramér–Rao bound of the row, rms over phases; peak, sigma and background unknown.

    Fisher information of independent pixels with the noise variance at their mean (the mean's
    own information only). Pixels whose mean is at or above `top` say nothing.
    """
    squares = []
    for phase in np.linspace(-0.5, 0.5, 11):

        def mean(p: Array) -> Array:
            there = Line(
                peak=p[1],
                sigma=p[2],
                slope=line.slope,
                tail_share=line.tail_share if p.size == 4 else p[4],
                tail_px=line.tail_px if p.size == 4 else p[5],
                n_rows=line.n_rows,
            )
            grey: Array = there.mean(np.array([p[0]]))[:, 0] - DARK + p[3]
            return grey

        at = [line.n_rows / 2 + phase, line.peak, line.sigma, DARK]
        if line.tail_share:
            at += [line.tail_share, line.tail_px]
        point = np.array(at)
        step = 1e-4
        slopes = np.array(
            [(mean(point + h) - mean(point - h)) / (2 * step) for h in np.eye(point.size) * step]
        )
        middle = mean(point)
        variance = middle / GAIN + READ**2 + 1 / 12
        seen = middle < top if top is not None else np.ones(middle.size, bool)
        information = (slopes[:, seen] / variance[seen]) @ slopes[:, seen].T
        squares.append(np.linalg.inv(information)[0, 0])
    return float(np.sqrt(np.mean(squares)))
