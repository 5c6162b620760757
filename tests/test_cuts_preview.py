"""Plans of whole runs: lanes, worth, what-if, files and the command."""

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cuts_folders import fillet, scanned, write_results
from profiles_pieces import piece_of, weigh

from geomscan.cli import main
from geomscan.cuts.plan import Portion, plan_piece
from geomscan.cuts.preview import (
    LaneRules,
    pick_profile,
    plan_all,
    read_pieces,
    summarise,
    what_if,
)
from geomscan.cuts.rules import CutRules
from geomscan.errors import InputError
from geomscan.files import read_json
from geomscan.profiles.slices import slice_profile


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three pieces in two lanes, sliced at 0° and 45°."""
    pieces = [
        scanned(
            fillet,
            x_range_mm=(0, 180),
            y_range_mm=(-52, 52),
            shift_mm=250.3 * number,
            number=number,
            lane=1 + number % 2,
        )
        for number in (1, 2, 3)
    ]
    return write_results(tmp_path_factory.mktemp("run"), pieces, angles_deg=[0, 45])


def call(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, dict[str, Any], str]:
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), json.loads(out) if out else {}, err


def test_the_command(run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, result, _ = call(
        capsys, "cuts", run, "--target-g", 24, "--tolerance-g", 1.5, "--angle", 45, "--kerf-mm", 1,
        "--lane", "1:30@0", "--to", tmp_path, "--json",
    )  # fmt: skip
    assert status == 0
    assert [(piece["lane"], piece["angle_deg"]) for piece in result["pieces"]] == [
        (2, 45), (1, 0), (2, 45),
    ]  # fmt: skip
    for piece in result["pieces"]:
        target = 30 if piece["lane"] == 1 else 24
        assert {"piece", "cuts_mm", "portions", "trim_g", "yield"} <= piece.keys()
        total = piece["trim_g"] + piece["kerf_g"] + sum(p["mass_g"] for p in piece["portions"])
        assert total == pytest.approx(piece["mass_g"], rel=1e-9)
        # lanes' tolerances scale with their targets
        for portion in piece["portions"]:
            assert portion["mass_g"] == pytest.approx(target, abs=1.5 * target / 24 + 1e-6)
            assert 0 < portion["u_mass_g"] < 0.1 * target
        assert piece["yield"] > 0.8
        # a cut at s passes the blade when the belt has moved on by s plus the distance to it
        counts = np.diff(piece["encoder_at_blade"]) * 0.05
        assert counts == pytest.approx(np.diff(piece["cuts_mm"]))
    assert read_json(tmp_path / "cuts.json", "cuts")["pieces"] == result["pieces"]
    page = (tmp_path / "cuts.html").read_text(encoding="utf-8")
    assert page.count("<img") == 3
    assert {row["angle_deg"] for row in result["what_if"]} == {0, 45}


def test_pieces_without_maps_are_drawn_by_their_outline(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    piece = scanned(fillet, x_range_mm=(0, 180), y_range_mm=(-52, 52), shift_mm=0, number=1)
    folder = write_results(tmp_path / "run", [piece], angles_deg=[0], maps=False)
    status, _, err = call(capsys, "cuts", folder, "--target-mm", 25)
    assert status == 0
    assert "7 portions from 1 pieces" in err
    assert "<img" in (folder / "cuts.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--target-g", 24, "--target-mm", 60], "expected either --target-g or --target-mm"),
        ([], "expected either --target-g or --target-mm"),
        (["--target-g", 24, "--angle", 30], "no profile at 30°, only at 0, 45°"),
        (["--target-g", 24, "--min-mm", 3], "--min-mm: expected --min-g with --target-g"),
        (["--target-g", 24, "--lane", "one"], "--lane: expected LANE:TARGET"),
        (["--target-g", 24, "--lane", "1:-3"], "target"),
    ],
)
def test_wrong_calls_are_one_line_and_exit_2(
    run: Path, capsys: pytest.CaptureFixture[str], arguments: list[object], text: str
) -> None:
    status, _, err = call(capsys, "cuts", run, *arguments)
    assert status == 2
    assert text in err
    assert err.count("\n") == 1
    assert not (run / "cuts.json").exists()


def test_a_folder_without_documents_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, _, err = call(capsys, "cuts", tmp_path, "--target-g", 24)
    assert status == 2
    assert "expected piece documents" in err


def test_lanes_without_rules_are_left_out(run: Path) -> None:
    pieces = read_pieces(run)
    only = LaneRules(rules=CutRules(by="length", target=30, tolerance=1), angle_deg=0)
    assert [plan.piece for plan in plan_all(pieces, None, {2: only})] == [1, 3]
    assert pick_profile(pieces[0], 45).angle_deg == 45
    with pytest.raises(InputError, match="measure again with --angle 10"):
        pick_profile(pieces[0], 10)


def test_worth_of_plans_by_hand() -> None:
    """Two portions of 26.25 g ± 1 g at a target of 25 ± 2 g: shares from the normal distribution.

    P(23 < m < 27) = Φ(0.75) − Φ(−3.25) = 0.7734 − 0.0006 (tables); 5 % below a limit: 1.645 u.
    """
    profile = slice_profile(weigh(piece_of(np.full((100, 80), 25.0))), angle_deg=0)
    plan = plan_piece(profile, CutRules(by="mass", target=25, tolerance=2))
    portions = [replace(portion, u_mass_g=1.0) for portion in plan.portions]
    assert [portion.mass_g for portion in portions] == pytest.approx([26.25, 26.25])
    summary = summarise([replace(plan, portions=tuple(portions))])
    assert summary.give_away_g == pytest.approx(1.25)
    assert summary.expected_good_share == pytest.approx(0.7728, abs=2e-4)
    assert summary.guard_g == pytest.approx(1.645, abs=1e-3)
    assert summary.yield_share == pytest.approx(1)
    assert summary.deviation == pytest.approx(1.25)


def test_guard_band_keeps_its_promise() -> None:
    """Reference: 100,000 portions aimed at a limit plus the guard band; 5 % fall below the limit.

    Four standard deviations of a share of 5 % from that many: 0.28 %.
    """
    rng = np.random.default_rng(6)
    u = 0.8
    portion = Portion(from_mm=0, to_mm=20, mass_g=25, u_mass_g=u, volume_cm3=24, good=True)
    profile = slice_profile(weigh(piece_of(np.full((100, 80), 25.0))), angle_deg=0)
    plan = replace(plan_piece(profile, CutRules(by="mass", target=25)), portions=(portion,))
    aim = 24 + summarise([plan]).guard_g
    assert np.mean(rng.normal(aim, u, 100_000) < 24) == pytest.approx(0.05, abs=0.0028)


def test_what_if_scales_tolerances_and_covers_all_pairs(run: Path) -> None:
    usual = LaneRules(rules=CutRules(by="mass", target=24, tolerance=2.4), angle_deg=0)
    pieces = read_pieces(run)
    table = what_if(pieces, usual, targets=[20, 40], angles_deg=[0, 45])
    assert [(target, angle) for target, angle, _ in table] == [(20, 0), (40, 0), (20, 45), (40, 45)]
    assert all(summary.n_pieces == 3 for *_, summary in table)
    assert table[0][2].n_portions > table[1][2].n_portions
    for target, _, summary in table:
        assert summary.deviation <= 0.1 * target


def test_nothing_planned_is_worth_nothing() -> None:
    summary = summarise([])
    assert summary.n_portions == 0
    assert math.isnan(summary.yield_share)
    assert math.isnan(summary.guard_g)
