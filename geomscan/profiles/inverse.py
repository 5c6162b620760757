"""Where along the piece a mass or volume is reached, and what lies between two cuts."""

from typing import Literal

import numpy as np
import numpy.typing as npt

from geomscan.profiles.slices import SliceProfile

__all__ = ["at_knots", "between", "s_at_mass", "s_at_volume"]

Floats = npt.NDArray[np.float64]
Numbers = npt.ArrayLike


def s_at_mass(profile: SliceProfile, mass_g: Numbers) -> tuple[Floats, Floats]:
    """Find the cut before which a given mass lies.

    Parameters
    ----------
    profile
        Slices of a piece; between knots the running mass is a straight line.
    mass_g
        0 to the mass of the piece, any shape.

    Returns
    -------
    s_mm, u_s_mm : arrays like mass_g
        The first s at which the mass is reached; where several s have the same running mass (a
        gap in the piece) that is the near end of the stretch. The first knot for 0, NaN outside 0
        to the whole. u_s_mm is half the distance between the places where mass_g ± u is reached,
        so it stays finite at the ends and covers a flat stretch.
    """
    return _inverse(profile.s_mm, profile.cumulative_g, profile.u_cumulative_g, mass_g)


def s_at_volume(profile: SliceProfile, volume_cm3: Numbers) -> tuple[Floats, Floats]:
    """Find the cut before which a given volume lies; the counterpart of `s_at_mass`."""
    return _inverse(profile.s_mm, profile.cumulative_cm3, profile.u_cumulative_cm3, volume_cm3)


def _inverse(
    s_mm: Floats, running: Floats, u_running: Floats, wanted: Numbers
) -> tuple[Floats, Floats]:
    wanted = np.asarray(wanted, dtype=np.float64)
    rising = np.maximum.accumulate(running)
    rounding = 1e-9 * abs(rising[-1])  # a sum of all parts may differ from the whole by that
    at_end = (wanted > rising[-1]) & (wanted <= rising[-1] + rounding)
    wanted = np.where(at_end, rising[-1], wanted)
    s = _first_reached(s_mm, rising, wanted)
    u = np.interp(s, s_mm, u_running)
    low = _first_reached(s_mm, rising, np.maximum(wanted - u, rising[0]))
    high = _last_below(s_mm, rising, np.minimum(wanted + u, rising[-1]))
    return s, np.where(np.isnan(s), np.nan, 0.5 * (high - low))


def _first_reached(s_mm: Floats, rising: Floats, wanted: Floats) -> Floats:
    """Smallest s with running >= wanted; NaN outside the range or where nothing is known."""
    known = (wanted >= rising[0]) & (wanted <= rising[-1])
    k = np.clip(np.searchsorted(rising, wanted, side="left"), 1, rising.size - 1)
    return np.where(known, _on_segment(s_mm, rising, k, wanted, flat=0.0), np.nan)


def _last_below(s_mm: Floats, rising: Floats, wanted: Floats) -> Floats:
    """Largest s with running <= wanted."""
    k = np.clip(np.searchsorted(rising, wanted, side="right"), 1, rising.size - 1)
    return _on_segment(s_mm, rising, k, wanted, flat=1.0)


def _on_segment(
    s_mm: Floats, rising: Floats, k: npt.NDArray[np.intp], wanted: Floats, *, flat: float
) -> Floats:
    rise = rising[k] - rising[k - 1]
    share = np.where(rise > 0, (wanted - rising[k - 1]) / np.where(rise > 0, rise, 1), flat)
    return np.asarray(s_mm[k - 1] + np.clip(share, 0, 1) * (s_mm[k] - s_mm[k - 1]))


def at_knots(profile: SliceProfile, rows: Floats, s_mm: Numbers) -> Floats:
    """Read running sums, shape (…, n knots), at any s: straight lines between the knots."""
    s = np.asarray(s_mm, dtype=np.float64)
    knots = profile.s_mm
    k = np.clip(np.searchsorted(knots, s, side="right"), 1, knots.size - 1)
    share = np.clip((s - knots[k - 1]) / (knots[k] - knots[k - 1]), 0, 1)
    return np.asarray(rows[..., k - 1] * (1 - share) + rows[..., k] * share)


def between(
    profile: SliceProfile,
    from_mm: Numbers,
    to_mm: Numbers,
    *,
    kind: Literal["mass", "volume"] = "mass",
) -> tuple[Floats, Floats]:
    """Give mass (g) or volume (cm³) between two cuts, with its standard uncertainty.

    Common errors act on both cuts alike and partly cancel; independent ones add up only over what
    lies between. A difference of two running sums therefore has less u than either of them may.

    Parameters
    ----------
    profile
        Slices of a piece.
    from_mm, to_mm
        The two cuts, from_mm <= to_mm; arrays of one shape.
    kind
        Mass or volume.

    Returns
    -------
    value, u_value : arrays

    References
    ----------
    JCGM 100:2008 (GUM), 5.2.2: each common error's effects on both ends are subtracted before they
    are squared.
    """
    mass = kind == "mass"
    running = profile.cumulative_g if mass else profile.cumulative_cm3
    terms = profile.term_cumulative_g if mass else profile.term_cumulative_cm3
    variance = profile.independent_g2 if mass else profile.independent_cm6
    value = at_knots(profile, running, to_mm) - at_knots(profile, running, from_mm)
    common = at_knots(profile, terms, to_mm) - at_knots(profile, terms, from_mm)
    independent = at_knots(profile, variance, to_mm) - at_knots(profile, variance, from_mm)
    return value, np.sqrt(np.sum(common**2, axis=0) + np.maximum(independent, 0))
