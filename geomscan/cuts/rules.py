"""What a cutting plan must keep to: target, tolerance, machine, trim and remainder."""

import math
from dataclasses import dataclass
from typing import Literal

from geomscan.errors import InputError

__all__ = ["REMAINDERS", "CutRules", "Remainder"]

Remainder = Literal["back", "front", "both", "none", "portion"]

#: What may happen to what is left over.
REMAINDERS: dict[str, str] = {
    "back": "it is trim at the trailing end",
    "front": "it is trim at the leading end",
    "both": "it is trim at either end, wherever that yields more",
    "none": "there is none: the portions share the whole piece",
    "portion": "it leaves as one more portion, whatever it weighs",
}

#: Tolerance where none is given, as a share of the target (common practice, no source).
USUAL_TOLERANCE = 0.05


@dataclass(frozen=True, kw_only=True, slots=True)
class CutRules:
    """Rules for one lane.

    Sizes (target, tolerance, smallest, largest) are in g with by = "mass", in mm with "length".
    A portion outside smallest … largest is not made; one outside target ± tolerance may be made
    where the rules ask for it, but counts for no yield.
    """

    by: Literal["mass", "length"]
    target: float
    tolerance: float | None = None  #: None: a twentieth of the target
    smallest: float | None = None  #: None: target − tolerance
    largest: float | None = None  #: None: target + tolerance
    fewest: int = 0  #: portions of a piece
    most: int | None = None
    kerf_mm: float = 0.0  #: taken away by each cut, half on either side
    trim_front_mm: float = 0.0
    trim_back_mm: float = 0.0
    remainder: Remainder = "back"
    belt_mm_per_s: float = 0.0
    stroke_s: float = 0.0
    u_cut_mm: float = 0.0  #: standard uncertainty of where a cut falls, independent from cut to cut
    resolution_mm: float = 0.25  #: cuts are placed on multiples of it

    def __post_init__(self) -> None:
        positive = {"target": self.target, "resolution_mm": self.resolution_mm}
        for name, value in positive.items():
            if not 0 < value < math.inf:
                msg = f"{name}: expected more than 0, got {value:g}"
                raise InputError(msg)
        others = {
            "tolerance": self.tolerance,
            "smallest": self.smallest,
            "largest": self.largest,
            "kerf_mm": self.kerf_mm,
            "trim_front_mm": self.trim_front_mm,
            "trim_back_mm": self.trim_back_mm,
            "belt_mm_per_s": self.belt_mm_per_s,
            "stroke_s": self.stroke_s,
            "u_cut_mm": self.u_cut_mm,
            "fewest": float(self.fewest),
            "most": None if self.most is None else float(self.most),
        }
        for name, number in others.items():
            if number is not None and not 0 <= number < math.inf:
                msg = f"{name}: expected 0 or more, got {number:g}"
                raise InputError(msg)
        if self.remainder not in REMAINDERS:
            msg = f"remainder: expected one of {', '.join(REMAINDERS)}, got {self.remainder!r}"
            raise InputError(msg)
        low, high = self.allowed
        if not low <= self.target <= high:
            msg = f"smallest and largest: expected {low:g} <= target {self.target:g} <= {high:g}"
            raise InputError(msg)
        if self.most is not None and self.most < self.fewest:
            msg = f"portions a piece: expected fewest <= most, got {self.fewest} and {self.most}"
            raise InputError(msg)

    @property
    def good(self) -> tuple[float, float]:
        """Sizes within tolerance."""
        tolerance = USUAL_TOLERANCE * self.target if self.tolerance is None else self.tolerance
        return self.target - tolerance, self.target + tolerance

    @property
    def allowed(self) -> tuple[float, float]:
        """Sizes that may be made."""
        low = self.good[0] if self.smallest is None else self.smallest
        high = self.good[1] if self.largest is None else self.largest
        return low, high

    @property
    def least_distance_mm(self) -> float:
        """Belt travel during one stroke of the blade: no two cuts are nearer."""
        return self.belt_mm_per_s * self.stroke_s
