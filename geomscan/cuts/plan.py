"""The plan of one piece: where to cut, what each portion will weigh, and what is left over."""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from geomscan.cuts.rules import CutRules
from geomscan.cuts.search import Candidates, best_cuts
from geomscan.errors import InputError
from geomscan.profiles.inverse import at_knots, between
from geomscan.profiles.slices import SliceProfile

__all__ = ["PiecePlan", "Portion", "candidates_of", "plan_piece", "portions_between"]

Floats = npt.NDArray[np.float64]

_UNIT = 1e-6  # g or cm³: whole numbers of it are added without rounding

_MOST_PORTIONS = 400


@dataclass(frozen=True, kw_only=True, slots=True)
class Portion:
    """One portion, from one blade plane to the next, with its predicted mass."""

    from_mm: float
    to_mm: float
    mass_g: float
    u_mass_g: float
    volume_cm3: float
    good: bool  #: within tolerance as predicted
    remainder: bool = False

    @property
    def length_mm(self) -> float:
        """Distance of its two faces along the belt."""
        return self.to_mm - self.from_mm


@dataclass(frozen=True, kw_only=True, eq=False)
class PiecePlan:
    """Where to cut one piece; cuts_mm are the middles of the kerfs, s of the profile.

    met is false where no choice of cuts met the rules: then nothing is cut and all is trim.
    """

    piece: int
    lane: int
    angle_deg: float
    rules: CutRules
    mass_g: float
    volume_cm3: float
    cuts_mm: tuple[float, ...]
    portions: tuple[Portion, ...]
    trim_g: float  #: at the ends
    kerf_g: float
    met: bool

    @cached_property
    def yield_share(self) -> float:
        """Share of the piece in portions within tolerance: of its mass, else of its volume."""
        good = [portion for portion in self.portions if portion.good]
        if math.isfinite(self.mass_g):
            return sum(portion.mass_g for portion in good) / self.mass_g
        return sum(portion.volume_cm3 for portion in good) / self.volume_cm3

    @cached_property
    def wanted(self) -> tuple[Portion, ...]:
        """The portions without the remainder."""
        return tuple(portion for portion in self.portions if not portion.remainder)

    @cached_property
    def deviation(self) -> float:
        """Root mean square of portion size minus target, in the target's unit."""
        sizes = [_size(portion, self.rules) - self.rules.target for portion in self.wanted]
        return math.sqrt(sum(size**2 for size in sizes) / len(sizes)) if sizes else math.nan


def _size(portion: Portion, rules: CutRules) -> float:
    return portion.mass_g if rules.by == "mass" else portion.length_mm


def plan_piece(profile: SliceProfile, rules: CutRules) -> PiecePlan:
    """Choose the best cuts for one piece.

    Parameters
    ----------
    profile
        Its slices at the blade's angle. Between knots the running mass is a straight line.
    rules
        What the plan must keep to.

    Returns
    -------
    PiecePlan
        Largest yield, then least deviation; see `geomscan.cuts.search.best_cuts`.

    Raises
    ------
    InputError
        If a target mass is asked of a profile without mass.
    """
    if rules.by == "mass" and not profile.has_mass:
        msg = f"piece {profile.piece}: a target mass needs a density; measure again with [density]"
        raise InputError(msg)
    places = candidates_of(profile, rules)
    least = max(rules.allowed[0], 1e-9)
    whole = float(places.end_size[-1] - places.start_size[0])
    bound = int(min(whole / least + 1, places.place_mm.size - 1, _MOST_PORTIONS))
    most = bound if rules.most is None else min(rules.most, bound)
    chosen = best_cuts(
        places,
        target=rules.target,
        good=rules.good,
        allowed=rules.allowed,
        least_distance_mm=rules.least_distance_mm,
        fewest=rules.fewest,
        most=most,
    )
    return _plan(profile, rules, places, chosen)


def candidates_of(profile: SliceProfile, rules: CutRules) -> Candidates:
    """List where cuts may fall: multiples of the resolution, the ends, and the trims' places."""
    first, last = float(profile.s_mm[0]), float(profile.s_mm[-1])
    step = rules.resolution_mm
    front, back = first + rules.trim_front_mm, last - rules.trim_back_mm
    inner = step * np.arange(math.ceil(first / step), math.floor(last / step) + 1)
    fixed = np.array([first, last, min(front, last), max(back, first)])
    place = np.unique(np.concatenate([inner, fixed]))
    # places nearer than this are one place: the fixed ones win
    keep = np.ones(place.size, np.bool_)
    close = np.flatnonzero(np.diff(place) < 1e-6 * step)
    for k in close:
        keep[k if place[k + 1] in fixed else k + 1] = False
    place = place[keep]
    is_cut = (place > first) & (place < last)
    half = np.where(is_cut, 0.5 * rules.kerf_mm, 0.0)
    running = profile.cumulative_g if profile.has_mass else profile.cumulative_cm3
    rising = np.maximum.accumulate(running)
    end_mass = at_knots(profile, rising, place - half)
    start_mass = at_knots(profile, rising, place + half)
    by_mass = rules.by == "mass"
    at_front = place == front if rules.remainder in {"back", "none", "portion"} else place >= front
    at_back = place == back if rules.remainder in {"front", "none"} else place <= back
    return Candidates(
        place_mm=place,
        start_units=np.rint(start_mass / _UNIT).astype(np.int64),
        end_units=np.rint(end_mass / _UNIT).astype(np.int64),
        start_size=start_mass if by_mass else place + half,
        end_size=end_mass if by_mass else place - half,
        may_start=at_front & (front <= last),
        may_end=at_back & (back >= first),
        is_cut=is_cut,
    )


def _plan(
    profile: SliceProfile, rules: CutRules, places: Candidates, chosen: list[int] | None
) -> PiecePlan:
    first, last = float(profile.s_mm[0]), float(profile.s_mm[-1])
    bounds = [float(places.place_mm[place]) for place in chosen or []]
    if len(bounds) == 1:  # no portion: a cut that bounds none is not made
        bounds = []
    portions = portions_between(profile, rules, bounds)
    if rules.remainder == "portion" and (not bounds or bounds[-1] < last):
        start = bounds[-1] if bounds else first
        portions += portions_between(profile, rules, [start, last], remainder=True)
    cuts = np.array([bound for bound in bounds if first < bound < last])
    half = 0.5 * rules.kerf_mm
    running = profile.cumulative_g
    kerf = at_knots(profile, running, cuts + half) - at_knots(profile, running, cuts - half)
    kerf_g, whole = float(np.sum(kerf)), float(running[-1])
    return PiecePlan(
        piece=profile.piece,
        lane=profile.lane,
        angle_deg=profile.angle_deg,
        rules=rules,
        mass_g=whole,
        volume_cm3=float(profile.cumulative_cm3[-1]),
        cuts_mm=tuple(float(cut) for cut in cuts),
        portions=tuple(portions),
        trim_g=whole - sum(portion.mass_g for portion in portions) - kerf_g,
        kerf_g=kerf_g,
        met=chosen is not None,
    )


def portions_between(
    profile: SliceProfile, rules: CutRules, bounds_mm: list[float], *, remainder: bool = False
) -> list[Portion]:
    """Give the portions between neighbouring bounds, the kerf taken off at each real cut."""
    if len(bounds_mm) < 2:
        return []
    first, last = float(profile.s_mm[0]), float(profile.s_mm[-1])
    bounds = np.array(bounds_mm)
    is_cut = (bounds > first) & (bounds < last)
    half = np.where(is_cut, 0.5 * rules.kerf_mm, 0.0)
    start, end = (bounds + half)[:-1], (bounds - half)[1:]
    mass, u_mass = between(profile, start, end)
    volume = at_knots(profile, profile.cumulative_cm3, end) - at_knots(
        profile, profile.cumulative_cm3, start
    )
    if rules.u_cut_mm:
        density = np.append(np.diff(profile.cumulative_g) / np.diff(profile.s_mm), 0.0)
        place = np.clip(np.searchsorted(profile.s_mm, bounds, side="right") - 1, 0, None)
        per_cut = np.where(is_cut, density[place] * rules.u_cut_mm, 0.0)
        u_mass = np.sqrt(u_mass**2 + per_cut[:-1] ** 2 + per_cut[1:] ** 2)
    low, high = rules.good
    slack = 1e-9 * rules.target
    sizes = mass if rules.by == "mass" else end - start
    good = (sizes >= low - slack) & (sizes <= high + slack) & (not remainder)
    return [
        Portion(
            from_mm=float(start[k]),
            to_mm=float(end[k]),
            mass_g=float(mass[k]),
            u_mass_g=float(u_mass[k]),
            volume_cm3=float(volume[k]),
            good=bool(good[k]),
            remainder=remainder,
        )
        for k in range(bounds.size - 1)
    ]
