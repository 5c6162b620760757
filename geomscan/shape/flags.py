"""Every flag a piece can carry, with its meaning: the one list that reports and documents quote."""

from typing import Final

__all__ = ["FLAGS"]

FLAGS: Final[dict[str, str]] = {
    "crosses_lane_border": "more than a hundredth of the plan area lies outside the piece's lane",
    "at_image_border": "the piece reaches the edge of what the heads see",
    "cut_by_start": "the piece was on the belt before the first line",
    "cut_by_end": "the recording ended before the piece had passed",
    "touching": "the piece touched another one and was separated from it",
    "may_be_two": "the piece could be two that lie close together, or was one with a deep waist",
    "steep_rim": "the rim ends above the belt as a wall: a cavity below it can't be ruled out",
    "heads_disagree": "two heads differ by more than their uncertainties allow: calibration?",
    "shadowed": "a noticeable share of the surface was hidden from all cameras or from the light",
    "outside_calibrated_region": "part of the piece lies outside the region the calibration covers",
    "lines_missing": "lines were lost while the piece passed",
    "belt_stopped": "the belt stood still while the piece passed",
    "belt_reversed": "the belt ran backwards while the piece passed",
    "belt_zero_doubtful": "little or no bare belt was seen around the piece",
    "too_long": "the piece was longer than the memory kept for one piece and was cut",
}
