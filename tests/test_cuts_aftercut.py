"""Portions behind the blade, made by another way than the one that judges them."""

import json
import math
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cuts_folders import fillet, scanned, write_results
from hypothesis import given, settings
from hypothesis import strategies as st
from profiles_pieces import Floats

from geomscan.cli import main
from geomscan.cuts.matching import Found, Planned, match_in_order
from geomscan.cuts.seen import PieceSurface, see_portion
from geomscan.mass.mass_map import MassMap

U_TYPICAL_DEG, U_TYPICAL_MM = 0.1, 0.2


def upper_side(
    bounds: tuple[float, float], angles: tuple[float, float], x: Floats, y: Floats
) -> Floats:
    """Highest point of a slice over (x, y): each blade allows the heights with a·z <= b."""
    low, high = 0.0 * (x + y), fillet(x, y)
    lead, trail = (math.tan(math.radians(angle)) for angle in angles)
    for a, b in ((lead, x - bounds[0]), (-trail, bounds[1] - x)):
        if a > 0:
            high = np.minimum(high, b / a)
        elif a < 0:
            low = np.maximum(low, b / a)
        else:
            high = np.where(b >= 0, high, np.nan)
    return np.where(high > low, high, np.nan)


def call(*arguments: object) -> int:
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    return int(left.value.code or 0)


def cut_and_scan(
    folder: Path,
    angle_deg: float,
    *,
    turned: dict[int, float],
    dragged: dict[int, float],
    missing: Sequence[int] = (),
    stretch: float = 0.0,
    seed: int = 1,
    gap_mm: float = 25.0,
) -> tuple[dict[str, Any], list[float]]:
    """Scan, plan, cut with the errors given by cut number, scan the portions, compare."""
    rng = np.random.default_rng(seed)
    whole = scanned(
        fillet, x_range_mm=(0, 180), y_range_mm=(-52, 52), shift_mm=300.2, number=1, rng=rng
    )
    before = write_results(folder / "before", [whole], angles_deg=[angle_deg])
    assert call(
        "cuts", before, "--target-g", 45, "--tolerance-g", 4, "--angle", angle_deg,
        "--remainder", "both",
    ) == 0  # fmt: skip
    cuts = json.loads((before / "cuts.json").read_text(encoding="utf-8"))["pieces"][0]["cuts_mm"]
    true = [cut * (1 + stretch) + dragged.get(k, 0.0) for k, cut in enumerate(cuts, 1)]
    angles = [angle_deg + turned.get(k, 0.0) for k in range(1, len(cuts) + 1)]
    bounds = list(pairwise([-math.inf, *true, math.inf]))
    leans = list(pairwise([0.0, *angles, 0.0]))
    portions: list[MassMap] = []
    at = 300.0
    for k, (bound, lean) in enumerate(zip(bounds, leans, strict=True)):
        reach = (max(bound[0] - 30, 0), min(bound[1] + 30, 180))
        if k not in missing:
            portions.append(
                scanned(
                    lambda x, y, b=bound, a=lean: upper_side(b, a, x, y),  # type: ignore[misc]
                    x_range_mm=reach,
                    y_range_mm=(-52, 52),
                    shift_mm=at,
                    number=len(portions) + 1,
                    rng=rng,
                )
            )
        # the plan's own spacing plus the gap to the next portion
        at += gap_mm + 30 * abs(math.tan(math.radians(angle_deg)))
    after = write_results(folder / "after", portions, angles_deg=[angle_deg])
    assert call("aftercut", after, "--planned", before) == 0
    result: dict[str, Any] = json.loads((after / "aftercut.json").read_text(encoding="utf-8"))
    assert "<svg" not in (after / "aftercut.html").read_text(encoding="utf-8")[:200]
    return result, true


@pytest.mark.parametrize("angle_deg", [30.0, -45.0])
def test_a_turned_face_and_a_dragged_cut_are_found_and_named(
    tmp_path: Path, angle_deg: float
) -> None:
    """2° on cut 1 and 1 mm on cut 3; all others stay unnamed. Truth: how the portions were made."""
    result, _ = cut_and_scan(tmp_path, angle_deg, turned={1: 2.0}, dragged={3: 1.0})
    assert [portion["found_piece"] for portion in result["portions"]] == [1, 2, 3, 4, 5, 6]
    for cut in result["cuts"]:
        turned = 2.0 if cut["cut"] == 1 else 0.0
        dragged = 1.0 if cut["cut"] == 3 else 0.0
        assert cut["angle"] == "measured"
        assert cut["angle_error_deg"] == pytest.approx(turned, abs=4 * cut["u_angle_deg"] + 0.05)
        assert cut["u_angle_deg"] < U_TYPICAL_DEG
        assert cut["place_error_mm"] == pytest.approx(dragged, abs=4 * cut["u_place_error_mm"])
        assert cut["u_place_error_mm"] < U_TYPICAL_MM
        expected = {1: ["face_angle"], 3: ["place"]}.get(cut["cut"], [])
        assert cut["named"] == expected
        up, down = ("leading", "trailing") if angle_deg > 0 else ("trailing", "leading")
        assert cut["face"].startswith(up)
        assert cut["hidden_face"]["face"].startswith(down)
        assert cut["hidden_face"]["angle"] == "not_observable"
    assert result["run"]["named"] == []


def test_masses_and_lengths_of_portions(tmp_path: Path) -> None:
    """1 mm of drag on cut 3 makes slice 3 longer and slice 4 shorter, by the section there."""
    result, _ = cut_and_scan(tmp_path, 30.0, turned={}, dragged={3: 1.0}, seed=3)
    third, fourth = result["portions"][2], result["portions"][3]
    assert third["length_error_mm"] == pytest.approx(1, abs=4 * third["u_length_error_mm"])
    assert fourth["length_error_mm"] == pytest.approx(-1, abs=4 * fourth["u_length_error_mm"])
    # the piece is 100 mm wide and about 25 mm high in the middle: π/4 of that, times 1.05 g/cm³
    section_g = math.pi / 4 * 100 * 25 * 1.05e-3
    assert third["mass_error_g"] == pytest.approx(section_g, abs=4 * third["u_mass_error_g"])
    assert fourth["mass_error_g"] == pytest.approx(-section_g, abs=4 * fourth["u_mass_error_g"])


def test_upright_faces_are_not_observable_but_places_are(tmp_path: Path) -> None:
    result, _ = cut_and_scan(tmp_path, 0.0, turned={}, dragged={3: 1.0}, seed=5)
    for cut in result["cuts"]:
        assert cut["angle"] == "not_observable"
        assert "so near upright" in cut["why_not"]
        assert cut["angle_deg"] is None
        dragged = 1.0 if cut["cut"] == 3 else 0.0
        assert cut["place_error_mm"] == pytest.approx(dragged, abs=4 * cut["u_place_error_mm"])
        assert cut["named"] == (["place"] if dragged else [])


def test_a_portion_that_is_missing_hides_its_face(tmp_path: Path) -> None:
    result, _ = cut_and_scan(tmp_path, 30.0, turned={}, dragged={}, missing=[2])
    assert [portion["found_piece"] for portion in result["portions"]] == [1, 2, None, 3, 4, 5]
    faces = [cut["angle"] for cut in result["cuts"]]
    assert faces == ["measured", "not_observable", *["measured"] * 3]
    assert "not found" in result["cuts"][1]["why_not"]
    assert not any(cut["named"] for cut in result["cuts"])


def test_what_all_cuts_have_in_common_is_named_for_the_run(tmp_path: Path) -> None:
    """All faces at 31.5° in place of 30°, 2 % of slip: blade and belt."""
    result, _ = cut_and_scan(
        tmp_path, 30.0, turned=dict.fromkeys(range(1, 9), 1.5), dragged={}, stretch=0.02
    )
    run = result["run"]
    assert run["angle_error_deg"] == pytest.approx(1.5, abs=4 * run["u_angle_error_deg"])
    assert run["slip_percent"] == pytest.approx(2, abs=4 * run["u_slip_percent"])
    assert {"blade_angle", "belt_slip"} <= set(run["named"])


@pytest.mark.slow
@pytest.mark.parametrize("angle_deg", [30.0, -30.0, 45.0])
def test_claims_over_repeated_scans(tmp_path: Path, angle_deg: float) -> None:
    """16 scans of five cuts each: errors in units of their u scatter by 1.

    4 standard errors of a root mean square from 80 draws: 32 %.
    """
    angles, places = [], []
    for seed in range(16):
        result, _ = cut_and_scan(
            tmp_path / str(seed), angle_deg, turned={1: 2.0}, dragged={3: 1.0}, seed=seed
        )
        for cut in result["cuts"]:
            turned = 2.0 if cut["cut"] == 1 else 0.0
            dragged = 1.0 if cut["cut"] == 3 else 0.0
            angles.append((cut["angle_error_deg"] - turned) / cut["u_angle_deg"])
            places.append((cut["place_error_mm"] - dragged) / cut["u_place_error_mm"])
    assert np.sqrt(np.mean(np.square(places))) < 1.32
    assert np.sqrt(np.mean(np.square(angles))) < 1.32


# ---------------------------------------------------------------- parts of it


def test_what_is_seen_of_a_box() -> None:
    """Box 100 × 40 × 20 mm cut at 30 and 70 mm under 45°: a parallelogram from the side.

    The leading face looks up: from above the slice reaches from 30 to 70 + 20 mm; the hollow under
    the trailing face counts: area from the side 40·20 (the slice) + 20·20/2 (the hollow).
    """
    box = PieceSurface(
        height_mm=np.full((200, 80), 20.0),
        x_mm=0.25 + 0.5 * np.arange(200, dtype=np.float64),
        y_mm=0.25 + 0.5 * np.arange(80, dtype=np.float64),
        cell_mm=0.5,
        length_mm=100.0,
        volume_mm3=100 * 40 * 20.0,
    )
    seen = see_portion(box, 30, 70, from_deg=45, to_deg=45)
    assert (seen.first_mm, seen.last_mm) == pytest.approx((30, 90), abs=1e-9)
    assert seen.volume_mm3 == pytest.approx((40 * 20 + 200) * 40, rel=1e-3)
    upright = see_portion(box, 30.2, 70.1, from_deg=0, to_deg=0)
    assert upright.volume_mm3 == pytest.approx(39.9 * 20 * 40, rel=1e-12)
    ends = see_portion(box, -math.inf, math.inf, from_deg=45, to_deg=45)
    assert (ends.first_mm, ends.last_mm) == (0, 100)
    assert ends.volume_mm3 == pytest.approx(80_000)
    assert see_portion(box, 150, 160, from_deg=0, to_deg=0).volume_mm3 == 0


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.floats(10, 60), st.floats(15, 60)), min_size=1, max_size=8), st.data())
def test_matching_finds_what_was_left_out(
    sizes: list[tuple[float, float]], data: st.DataObject
) -> None:
    """Any one slice may be missing; the others keep their partners if sizes tell them apart."""
    sizes = [(10 * 1.6 ** (k % 4) + size[0] / 100, size[1]) for k, size in enumerate(sizes)]
    missing = data.draw(st.integers(-1, len(sizes) - 1))
    planned = [
        Planned(piece=1, number=k + 1, is_trim=False, volume_cm3=volume, length_mm=length)
        for k, (volume, length) in enumerate(sizes)
    ]
    kept = [k for k in range(len(sizes)) if k != missing]
    found = [
        Found(piece=n + 1, volume_cm3=1.02 * sizes[k][0], length_mm=sizes[k][1] + 0.5)
        for n, k in enumerate(kept)
    ]
    pairs = match_in_order(planned, found)
    assert [a for a, _ in pairs if a is not None] == list(range(len(sizes)))
    assert [b for _, b in pairs if b is not None] == list(range(len(found)))
    assert [(a, b) for a, b in pairs if a is not None and b is not None] == [
        (k, n) for n, k in enumerate(kept)
    ]


def test_trim_may_be_missing_and_strangers_stay_alone() -> None:
    planned = [
        Planned(piece=1, number=1, is_trim=True, volume_cm3=3, length_mm=10),
        Planned(piece=1, number=2, is_trim=False, volume_cm3=30, length_mm=40),
    ]
    found = [
        Found(piece=1, volume_cm3=29, length_mm=40),
        Found(piece=2, volume_cm3=300, length_mm=90),
    ]
    assert match_in_order(planned, found) == [(0, None), (1, 0), (None, 1)]


def test_without_a_plan_there_is_nothing_to_compare(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = scanned(fillet, x_range_mm=(0, 180), y_range_mm=(-52, 52), shift_mm=0, number=1)
    folder = write_results(tmp_path / "run", [whole], angles_deg=[0])
    assert call("aftercut", folder, "--planned", folder) == 2
    assert "expected a plan made by `geomscan cuts`" in capsys.readouterr().err
