"""Plans: never worse than greedy, as good as trying everything, and true to their rules."""

import itertools
import math
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from profiles_pieces import Lobed, half_ellipsoid, piece_of, sampled, weigh

from geomscan.cuts.plan import PiecePlan, candidates_of, plan_piece, portions_between
from geomscan.cuts.rules import CutRules
from geomscan.errors import InputError
from geomscan.profiles.slices import SliceProfile, slice_profile


def box(length_mm: int = 100, section_mm: tuple[float, float] = (40, 25)) -> SliceProfile:
    """Slice a box of 1.05 g for each mm of length."""
    z = np.full((2 * length_mm, int(2 * section_mm[0])), section_mm[1])
    return slice_profile(weigh(piece_of(z)), angle_deg=0)


def of_heights(heights: list[float]) -> SliceProfile:
    """Rows of 1 mm × 10 mm with these heights."""
    z = np.repeat(np.array(heights)[:, None], 10, axis=1)
    return slice_profile(weigh(piece_of(z, cell_mm=1.0)), angle_deg=0)


def worth(plan: PiecePlan) -> tuple[float, float]:
    """Yield in g, and the sum of squared deviations."""
    rules = plan.rules
    sizes = [p.mass_g if rules.by == "mass" else p.length_mm for p in plan.wanted]
    good_g = sum(p.mass_g for p in plan.wanted if p.good)
    return good_g, sum((size - rules.target) ** 2 for size in sizes)


# ------------------------------------------------- against other ways of choosing


def every_choice(profile: SliceProfile, rules: CutRules) -> Iterator[list[float]]:
    """All bounds that the rules allow, written without the search: bounds of 0, 1, 2 … portions."""
    places = candidates_of(profile, rules)
    first, last = float(profile.s_mm[0]), float(profile.s_mm[-1])
    for n_bounds in range(1, places.place_mm.size + 1):
        for numbers in itertools.combinations(range(places.place_mm.size), n_bounds):
            if not (places.may_start[numbers[0]] and places.may_end[numbers[-1]]):
                continue
            bounds = [float(places.place_mm[k]) for k in numbers]
            portions = portions_between(profile, rules, bounds)
            sizes = [p.mass_g if rules.by == "mass" else p.length_mm for p in portions]
            low, high = rules.allowed
            if any(not low - 1e-9 <= size <= high + 1e-9 for size in sizes):
                continue
            if rules.most is not None and len(portions) > rules.most:
                continue
            if len(portions) < rules.fewest:
                continue
            real = [bound for bound in bounds if first < bound < last]
            if any(b - a < rules.least_distance_mm for a, b in itertools.pairwise(real)):
                continue
            yield bounds


_rules = st.fixed_dictionaries(
    {
        "by": st.sampled_from(["mass", "length"]),
        "target": st.floats(1.0, 4.0),
        "tolerance": st.floats(0.1, 1.0),
        "spare": st.floats(0.0, 0.8),
        "kerf_mm": st.sampled_from([0.0, 0.0, 0.5]),
        "remainder": st.sampled_from(["back", "front", "both", "none", "portion"]),
        "trim_front_mm": st.sampled_from([0.0, 0.0, 1.0]),
        "trim_back_mm": st.sampled_from([0.0, 0.0, 1.3]),
        "fewest": st.sampled_from([0, 0, 2]),
        "most": st.sampled_from([None, None, 2]),
        "stroke_s": st.sampled_from([0.0, 0.02]),
    }
)


def _made(options: dict[str, Any]) -> CutRules:
    spare = options.pop("spare") * options["tolerance"]
    return CutRules(
        **options,
        smallest=max(options["target"] - options["tolerance"] - spare, 0.05),
        largest=options["target"] + options["tolerance"] + spare,
        belt_mm_per_s=100.0,
        resolution_mm=1.0,
    )


@settings(deadline=None, max_examples=60)
@given(st.lists(st.floats(40, 260), min_size=3, max_size=8), _rules)
def test_as_good_as_trying_everything(heights: list[float], options: dict[str, Any]) -> None:
    profile, rules = of_heights(heights), _made(options)
    plan = plan_piece(profile, rules)
    best = None
    for bounds in every_choice(profile, rules):
        portions = portions_between(profile, rules, bounds)
        good_g = sum(p.mass_g for p in portions if p.good)
        sizes = [p.mass_g if rules.by == "mass" else p.length_mm for p in portions]
        found = (round(good_g, 4), -sum((size - rules.target) ** 2 for size in sizes))
        best = found if best is None else max(best, found)
    assert plan.met == (best is not None)
    if best is not None:
        good_g, spread = worth(plan)
        assert good_g == pytest.approx(best[0], abs=2e-4)
        if good_g == pytest.approx(best[0], abs=1e-5):
            assert spread <= -best[1] + 1e-3


def greedy(profile: SliceProfile, rules: CutRules) -> float:
    """Cut portion by portion from the front, each as near to the target as the grid allows."""
    places = candidates_of(profile, rules)
    at, good_g = int(np.flatnonzero(places.may_start)[0]), 0.0
    while True:
        sizes = places.end_size[at + 1 :] - places.start_size[at]
        if not sizes.size:
            return good_g
        k = int(np.argmin(np.abs(sizes - rules.target)))
        low, high = rules.good
        if not low - 1e-9 <= sizes[k] <= high + 1e-9:
            return good_g
        good_g += portions_between(
            profile, rules, [float(places.place_mm[at]), float(places.place_mm[at + 1 + k])]
        )[0].mass_g
        at += 1 + k


@settings(deadline=None, max_examples=60)
@given(
    st.integers(0, 10_000),
    st.floats(10, 60),
    st.floats(0.3, 4),
    st.sampled_from([0.0, 1.0]),
    st.sampled_from([0.25, 1.0]),
)
def test_never_worse_than_greedy(
    seed: int, target: float, tolerance: float, kerf: float, resolution: float
) -> None:
    rng = np.random.default_rng(seed)
    heights = 15 + 10 * np.cumsum(rng.normal(0, 0.2, 120))
    z = np.repeat(np.clip(heights, 3, 60)[:, None], 60, axis=1)
    profile = slice_profile(weigh(piece_of(z, cell_mm=1.0)), angle_deg=0)
    rules = CutRules(
        by="mass", target=target, tolerance=tolerance, kerf_mm=kerf, resolution_mm=resolution
    )
    assert worth(plan_piece(profile, rules))[0] >= greedy(profile, rules) - 1e-3


# ------------------------------------------------------------------ cases by hand


def test_a_box_by_length() -> None:
    """100 mm into portions of 30 mm: three, and 10 mm of trim behind."""
    rules = CutRules(by="length", target=30, tolerance=0.1)
    plan = plan_piece(box(), rules)
    assert plan.cuts_mm == pytest.approx([30, 60, 90])
    assert [portion.length_mm for portion in plan.portions] == pytest.approx([30, 30, 30])
    assert plan.trim_g == pytest.approx(10 * 1.05)
    assert plan.yield_share == pytest.approx(0.9)


@pytest.mark.parametrize(
    ("remainder", "cuts", "trim_g", "n"),
    [
        ("back", [30, 60, 90], 10.5, 3),
        ("front", [10, 40, 70], 10.5, 3),
        ("portion", [30, 60, 90], 0.0, 4),
    ],
)
def test_where_the_remainder_goes(remainder: Any, cuts: list[float], trim_g: float, n: int) -> None:
    rules = CutRules(by="mass", target=31.5, tolerance=0.1, remainder=remainder)
    plan = plan_piece(box(), rules)
    assert plan.cuts_mm == pytest.approx(cuts)
    assert plan.trim_g == pytest.approx(trim_g, abs=1e-9)
    assert len(plan.portions) == n
    assert plan.yield_share == pytest.approx(0.9)
    assert [portion.remainder for portion in plan.portions].count(True) == n - 3


def test_no_remainder_shares_the_piece_evenly() -> None:
    """100 mm at 24 mm ± 2: four portions of 25 mm, nothing left; at ± 0.5 there is no plan."""
    rules = CutRules(by="length", target=24, tolerance=2, remainder="none")
    plan = plan_piece(box(), rules)
    assert plan.cuts_mm == pytest.approx([25, 50, 75])
    assert plan.deviation == pytest.approx(1)
    narrow = plan_piece(box(), CutRules(by="length", target=24, tolerance=0.5, remainder="none"))
    assert not narrow.met
    assert narrow.cuts_mm == ()
    assert narrow.trim_g == pytest.approx(105)


def test_kerf_and_trims_are_accounted_for() -> None:
    """Trims of 5 and 7 mm, kerf 1 mm: portions of 20 mm between, all mass adds up."""
    rules = CutRules(
        by="length",
        target=20,
        tolerance=0.1,
        kerf_mm=1,
        trim_front_mm=5,
        trim_back_mm=7,
        remainder="back",
    )
    plan = plan_piece(box(), rules)
    assert plan.cuts_mm == pytest.approx([5, 26, 47, 68, 89])
    assert [portion.from_mm for portion in plan.portions] == pytest.approx([5.5, 26.5, 47.5, 68.5])
    assert plan.kerf_g == pytest.approx(5 * 1.05)
    assert plan.trim_g == pytest.approx((4.5 + 10.5) * 1.05)
    total = plan.trim_g + plan.kerf_g + sum(portion.mass_g for portion in plan.portions)
    assert total == pytest.approx(plan.mass_g, rel=1e-12)


def test_no_two_cuts_nearer_than_a_stroke() -> None:
    """300 mm/s and 0.1 s a stroke: 30 mm; portions of 20 g would want 19 mm."""
    slow = CutRules(by="mass", target=20, tolerance=14, belt_mm_per_s=300, stroke_s=0.1)
    plan = plan_piece(box(), slow)
    assert np.min(np.diff(plan.cuts_mm)) >= 30
    assert plan.yield_share == pytest.approx(1)


def test_counts_are_kept() -> None:
    for count in (2, 3, 5):
        rules = CutRules(by="mass", target=25, tolerance=30, fewest=count, most=count)
        assert len(plan_piece(box(), rules).portions) == count
    impossible = plan_piece(box(), CutRules(by="mass", target=25, tolerance=1, fewest=9))
    assert not impossible.met


def test_u_of_a_portion_grows_by_where_the_cuts_fall() -> None:
    """1.05 g/mm and cuts uncertain by 0.5 mm each: 0.525 g at an end, √2 of it between two cuts."""
    rules = CutRules(by="length", target=40, tolerance=0.1, u_cut_mm=0.5)
    plan = plan_piece(box(), rules)
    assert [portion.u_mass_g for portion in plan.portions] == pytest.approx(
        [0.525, 0.525 * math.sqrt(2)]
    )


def test_a_length_plan_needs_no_density() -> None:
    profile = slice_profile(
        weigh(piece_of(np.full((200, 80), 25.0)), density_g_mm3=None), angle_deg=0
    )
    plan = plan_piece(profile, CutRules(by="length", target=30, tolerance=0.1))
    assert plan.yield_share == pytest.approx(0.9)
    assert math.isnan(plan.portions[0].mass_g)
    assert plan.portions[0].volume_cm3 == pytest.approx(30)
    with pytest.raises(InputError, match="a target mass needs a density"):
        plan_piece(profile, CutRules(by="mass", target=30))


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"target": 0}, "target: expected more than 0"),
        ({"target": 20, "tolerance": -1}, "tolerance: expected 0 or more"),
        ({"target": 20, "smallest": 25, "largest": 30}, "smallest and largest"),
        ({"target": 20, "fewest": 3, "most": 2}, "fewest <= most"),
        ({"target": 20, "remainder": "up"}, "remainder: expected one of"),
        ({"target": 20, "kerf_mm": math.inf}, "kerf_mm"),
    ],
)
def test_rules_that_contradict_themselves_are_refused(options: dict[str, Any], text: str) -> None:
    with pytest.raises(InputError, match=text):
        CutRules(by="mass", **options)


def test_predicted_portions_weigh_what_they_weigh() -> None:
    """Lobed pieces at 0° and 30°, planned on a 0.5 mm map, weighed on a finer one: 0.5 % rms."""
    rng = np.random.default_rng(2)
    errors = []
    for angle in (0.0, 30.0):
        solid = Lobed.drawn(rng, n_around=60, n_rings=20)
        low, high = solid.outline_mm.min(axis=0), solid.outline_mm.max(axis=0)
        ranges = {
            "x_range_mm": (float(low[0]), float(high[0])),
            "y_range_mm": (float(low[1]), float(high[1])),
        }
        coarse = sampled(solid.height, cell_mm=0.5, **ranges)  # type: ignore[arg-type]
        fine = sampled(solid.height, cell_mm=0.2, samples=2, **ranges)  # type: ignore[arg-type]
        rules = CutRules(by="mass", target=30, tolerance=3, kerf_mm=1)
        plan = plan_piece(slice_profile(weigh(coarse), angle_deg=angle), rules)
        truth = slice_profile(weigh(fine), angle_deg=angle, step_mm=0.25)
        for portion in plan.portions:
            place = [portion.from_mm, portion.to_mm]
            weighed = np.diff(np.interp(place, truth.s_mm, truth.cumulative_g))[0]
            errors.append(portion.mass_g / weighed - 1)
    assert len(errors) > 10
    assert np.sqrt(np.mean(np.square(errors))) < 0.005


def test_two_hundred_pieces_a_second() -> None:
    """At 1 mm; the median of 20, a fifth of the time allowed is usual."""
    profile = slice_profile(weigh(half_ellipsoid(90, 50, 25)), angle_deg=45)
    rules = CutRules(by="mass", target=24, tolerance=2, remainder="both", resolution_mm=1)
    plan_piece(profile, rules)
    times = []
    for _ in range(20):
        start = time.perf_counter()
        plan_piece(profile, rules)
        times.append(time.perf_counter() - start)
    assert np.median(times) < 1 / 200
