"""Plans for all pieces of a run, what they are worth, and what other targets would be worth."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import NormalDist
from typing import Any

from geomscan.cuts.plan import PiecePlan, plan_piece
from geomscan.cuts.rules import CutRules
from geomscan.errors import InputError
from geomscan.profiles.document import PieceDocument, profiles_of, read_document
from geomscan.profiles.slices import SliceProfile

__all__ = [
    "LaneRules",
    "Sliced",
    "Summary",
    "cuts_document",
    "pick_profile",
    "plan_all",
    "read_pieces",
    "scaled",
    "summarise",
    "what_if",
]

#: Share of portions that may fall below the target when the guard band is kept.
GUARD_RISK = 0.05


@dataclass(frozen=True, kw_only=True, slots=True)
class LaneRules:
    """Rules and blade angle of one lane."""

    rules: CutRules
    angle_deg: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sliced:
    """One piece's document and its profiles, one a blade angle."""

    document: PieceDocument
    profiles: tuple[SliceProfile, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Summary:
    """What a set of plans is worth; shares are 0 to 1, NaN where there is no portion.

    give_away_g is the mean portion mass above the target (by mass only). guard_g is how far above
    a limit one must aim so that, with the portions' u, no more than GUARD_RISK of them fall below
    it: the give-away that the uncertainty asks for (JCGM 106:2012, guard bands).
    """

    n_pieces: int
    n_portions: int
    n_unmet: int
    yield_share: float
    good_share: float
    expected_good_share: float
    give_away_g: float
    deviation: float
    u_mass_g: float
    guard_g: float


def read_pieces(folder: Path) -> list[Sliced]:
    """Read all piece documents of a results folder, in order.

    Raises
    ------
    InputError
        If there are none or one is broken.
    """
    paths = sorted((folder / "pieces").glob("*.json"))
    if not paths:
        msg = (
            f"{folder / 'pieces'}: expected piece documents made by `geomscan measure`, found none"
        )
        raise InputError(msg)
    documents = [read_document(path) for path in paths]
    return [Sliced(document=item, profiles=profiles_of(item)) for item in documents]


def pick_profile(piece: Sliced, angle_deg: float) -> SliceProfile:
    """Find the profile of one blade angle (no plan angle unless there is no other).

    Raises
    ------
    InputError
        If the piece was not measured for that angle.
    """
    fitting = [p for p in piece.profiles if abs(p.angle_deg - angle_deg) < 1e-6]
    if not fitting:
        known = ", ".join(f"{profile.angle_deg:g}" for profile in piece.profiles)
        where = f"piece {piece.document.piece}: no profile at {angle_deg:g}°, only at {known}°"
        msg = f"{where}; measure again with --angle {angle_deg:g}"
        raise InputError(msg)
    return min(fitting, key=lambda profile: abs(profile.plan_angle_deg))


def plan_all(
    pieces: Iterable[Sliced], usual: LaneRules | None, lanes: Mapping[int, LaneRules] | None = None
) -> list[PiecePlan]:
    """Plan every piece by the rules of its lane, or the usual ones; with neither it is left out.

    Raises
    ------
    InputError
        If an angle was not measured, or a target mass asked of pieces without mass.
    """
    plans = []
    for piece in pieces:
        rules = (lanes or {}).get(piece.document.lane, usual)
        if rules is not None:
            plans.append(plan_piece(pick_profile(piece, rules.angle_deg), rules.rules))
    return plans


def summarise(plans: Sequence[PiecePlan]) -> Summary:
    """Add up what the plans are worth."""
    portions = [(portion, plan.rules) for plan in plans for portion in plan.wanted]
    known = [plan for plan in plans if math.isfinite(plan.mass_g)]
    whole = math.fsum(plan.mass_g for plan in known) or math.nan
    n = len(portions)
    by_mass = [(portion, rules) for portion, rules in portions if rules.by == "mass"]
    away = [portion.mass_g - rules.target for portion, rules in by_mass]
    sizes = [
        (portion.mass_g if rules.by == "mass" else portion.length_mm) - rules.target
        for portion, rules in portions
    ]
    expected = [
        _chance(portion.mass_g, portion.u_mass_g, rules.good) for portion, rules in by_mass
    ] or [float(portion.good) for portion, _ in portions]
    u_g = _rms([portion.u_mass_g for portion, _ in portions])
    return Summary(
        n_pieces=len(plans),
        n_portions=n,
        n_unmet=sum(not plan.met for plan in plans),
        yield_share=math.fsum(plan.yield_share * plan.mass_g for plan in known) / whole
        if known
        else _mean([plan.yield_share for plan in plans]),
        good_share=sum(portion.good for portion, _ in portions) / n if n else math.nan,
        expected_good_share=_mean(expected),
        give_away_g=_mean(away),
        deviation=_rms(sizes),
        u_mass_g=u_g,
        guard_g=NormalDist().inv_cdf(1 - GUARD_RISK) * u_g,
    )


def _chance(value: float, u_value: float, limits: tuple[float, float]) -> float:
    """Probability that the true value lies within the limits."""
    if not u_value > 0:
        return float(limits[0] <= value <= limits[1]) if u_value == 0 else math.nan
    error = NormalDist(value, u_value)
    return error.cdf(limits[1]) - error.cdf(limits[0])


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values) if values else math.nan


def _rms(values: Sequence[float]) -> float:
    return math.sqrt(_mean([value**2 for value in values])) if values else math.nan


def what_if(
    pieces: Sequence[Sliced],
    usual: LaneRules,
    *,
    targets: Sequence[float],
    angles_deg: Sequence[float],
) -> list[tuple[float, float, Summary]]:
    """Plan all pieces for every pair of target and angle, all other rules alike.

    Tolerance and allowed sizes keep their ratio to the target.

    Returns
    -------
    list of (target, angle_deg, Summary)
    """
    rows = []
    for angle in angles_deg:
        for target in targets:
            rules = scaled(usual.rules, target / usual.rules.target)
            plans = plan_all(pieces, LaneRules(rules=rules, angle_deg=angle))
            rows.append((target, angle, summarise(plans)))
    return rows


def scaled(rules: CutRules, ratio: float) -> CutRules:
    """Scale the target, and tolerance and allowed sizes with it."""

    def scale(size: float | None) -> float | None:
        return None if size is None else size * ratio

    return replace(
        rules,
        target=rules.target * ratio,
        tolerance=scale(rules.tolerance),
        smallest=scale(rules.smallest),
        largest=scale(rules.largest),
    )


def cuts_document(
    pieces: Sequence[Sliced],
    plans: Sequence[PiecePlan],
    table: Sequence[tuple[float, float, Summary]],
) -> dict[str, Any]:
    """Collect plans, their worth and the what-if table for cuts.json and --json."""
    documents = {piece.document.piece: piece.document for piece in pieces}
    return {
        "pieces": [_plan_entry(plan, documents[plan.piece]) for plan in plans],
        "summary": _summary_entry(summarise(plans)),
        "what_if": [
            {"target": target, "angle_deg": angle, **_summary_entry(summary)}
            for target, angle, summary in table
        ],
    }


def _plan_entry(plan: PiecePlan, document: PieceDocument) -> dict[str, Any]:
    encoder = None
    if document.blade is not None and document.encoder is not None:
        scale = document.belt.mm_per_count
        encoder = [document.encoder + (cut + document.blade.x_mm) / scale for cut in plan.cuts_mm]
    return {
        "piece": plan.piece,
        "lane": plan.lane,
        "angle_deg": plan.angle_deg,
        "by": plan.rules.by,
        "target": plan.rules.target,
        "kerf_mm": plan.rules.kerf_mm,
        "mass_g": plan.mass_g,
        "cuts_mm": list(plan.cuts_mm),
        "encoder_at_blade": encoder,
        "portions": [
            {
                "mass_g": portion.mass_g,
                "u_mass_g": portion.u_mass_g,
                "length_mm": portion.length_mm,
                "volume_cm3": portion.volume_cm3,
                "from_mm": portion.from_mm,
                "to_mm": portion.to_mm,
                "good": portion.good,
                "remainder": portion.remainder,
            }
            for portion in plan.portions
        ],
        "trim_g": plan.trim_g,
        "kerf_g": plan.kerf_g,
        "yield": plan.yield_share,
        "deviation": plan.deviation,
        "rules_met": plan.met,
        "flags": list(document.flags),
    }


def _summary_entry(summary: Summary) -> dict[str, Any]:
    return {
        "n_pieces": summary.n_pieces,
        "n_portions": summary.n_portions,
        "n_rules_not_met": summary.n_unmet,
        "yield": summary.yield_share,
        "good_share": summary.good_share,
        "expected_good_share": summary.expected_good_share,
        "give_away_g": summary.give_away_g,
        "deviation": summary.deviation,
        "u_mass_g": summary.u_mass_g,
        "guard_g": summary.guard_g,
    }
