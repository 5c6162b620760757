"""Weights files and how their rows find their pieces; truth is made by hand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_studies_simulated import Simulated, Truth, simulate

from geomscan.errors import InputError
from geomscan.studies.alignment import align, find_swaps
from geomscan.studies.pairing import pair_weighings
from geomscan.studies.study import study_density
from geomscan.studies.weighings import Weighing, guess_resolution, read_weights

Floats = npt.NDArray[np.float64]


def study_case(seed: int = 7, truth: Truth | None = None) -> Simulated:
    return simulate(truth or Truth(n=24), np.random.default_rng([20260401, seed]))


def nameless(simulated: Simulated) -> list[Weighing]:
    return [replace(row, piece=None, recording="") for row in simulated.weighings]


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_weights_file_is_read(tmp_path: Path) -> None:
    path = write(
        tmp_path / "weights.csv",
        "weight_g,recording,piece,time,certified_g,minutes_after_scan\n"
        "231.5,run,1,2026-03-02T09:14:00Z,,4\n"
        "\n"
        "200,,,,200,\n",
    )
    piece, check = read_weights(path)

    assert (piece.weight_g, piece.recording, piece.piece) == (231.5, "run", 1)
    # 2026-03-02T09:14Z by hand: 20514 days of 86400 s, and 9 h 14 min
    assert piece.time_s == 20514 * 86400 + 9 * 3600 + 14 * 60
    assert piece.minutes_after_scan == 4
    assert (check.is_check, piece.is_check, check.row) == (True, False, 4)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("grams\n1\n", "expected a column weight_g, found grams"),
        ("weight_g,piece\n231,one\n", "row 2: piece: expected a number or nothing, got 'one'"),
        ("weight_g,piece\n231,1.5\n", "row 2: piece: expected a whole number, got 1.5"),
        ("weight_g,piece\n,1\n", "row 2: weight_g: expected a weight in grams, got nothing"),
        ("weight_g\n-3\n", "row 2: weight_g: expected more than 0 g"),
        ("weight_g\n1e308\n", "row 2: weight_g: expected more than 0 g and less than 1 t"),
        ("weight_g\nnan\n", "row 2: weight_g: expected a number"),
        ("weight_g,piece\n231\n", "row 2: expected 2 cells"),
        ("weight_g,weight_g\n1,2\n", "expected each column once"),
        ("weight_g,time\n231,yesterday\n", "row 2: time: expected seconds or a date"),
        ("weight_g,certified_g\n200,200\n", "expected at least one row with the weight of a piece"),
        ("", "expected a column weight_g, found nothing"),
    ],
)
def test_bad_weights_files_are_refused(tmp_path: Path, text: str, what: str) -> None:
    with pytest.raises(InputError, match=what):
        read_weights(write(tmp_path / "weights.csv", text))


def test_unknown_columns_are_named(tmp_path: Path) -> None:
    path = write(tmp_path / "weights.csv", "weight_g,wieght_g\n231,1\n")
    with pytest.warns(UserWarning, match="columns not used: wieght_g"):
        read_weights(path)


@settings(deadline=None)  # the first call compiles or imports
@given(st.lists(st.integers(1, 2000), min_size=3, max_size=20))
def test_resolution_divides_all_readings(steps: list[int]) -> None:
    """Invariant: every reading is a whole multiple of the step that was found."""
    readings = [0.5 * step for step in steps]
    step_g = guess_resolution(readings)

    assert step_g >= 0.5
    assert np.allclose(np.array(readings) / step_g, np.round(np.array(readings) / step_g))


@settings(deadline=None)  # the first call compiles or imports
@given(gone=st.integers(0, 9))
def test_alignment_names_the_skipped_piece(gone: int) -> None:
    """Reference: by hand, ten masses far apart, one weighing taken out."""
    mass_g = np.array([300, 120, 410, 220, 510, 160, 360, 90, 450, 270.0])

    found = align(mass_g, 0.01 * mass_g, np.delete(mass_g, gone))

    assert found.skipped == (gone,)
    assert [piece for piece, _ in found.pairs] == [i for i in range(10) if i != gone]
    assert (found.doubled, found.odd, found.swapped) == ((), (), ())


def test_alignment_names_double_swapped_and_odd() -> None:
    """Reference: by hand, the same ten masses."""
    mass_g = np.array([300, 120, 410, 220, 510, 160, 360, 90, 450, 270.0])
    u_g = 0.01 * mass_g

    assert align(mass_g, u_g, np.insert(mass_g, 4, 221.0)).doubled == ((4, 3),)
    crossed = mass_g[[0, 1, 3, 2, 4, 5, 6, 7, 8, 9]]
    assert align(mass_g, u_g, crossed).swapped == ((2, 3),)
    assert align(mass_g, u_g, np.insert(mass_g, 6, 640.0)).odd == (6,)


@settings(deadline=None)  # the first call compiles or imports
@given(
    order=st.permutations(list(range(12))),
    noise=st.lists(st.floats(-1, 1), min_size=12, max_size=12),
)
def test_no_swap_is_found_where_labels_are_right(order: list[int], noise: list[float]) -> None:
    """Invariant: rows within 1 u of their pieces are never called swapped."""
    mass_g: Floats = np.asarray([30.0 * place + 100.0 for place in order])
    shift_g: Floats = np.asarray([2.0 * value for value in noise])
    weight_g: Floats = mass_g + shift_g

    assert find_swaps(mass_g, np.full(12, 2.0), weight_g) == []


def test_swapped_pair_and_ring_are_found() -> None:
    """Reference: by hand; rows 1 and 4 crosswise, rows 6, 8, 9 round in a ring."""
    mass_g: Floats = np.linspace(100.0, 540.0, 12)
    weight_g = mass_g.copy()
    weight_g[[1, 4]] = mass_g[[4, 1]]
    weight_g[[6, 8, 9]] = mass_g[[8, 9, 6]]

    found = find_swaps(mass_g, np.full(12, 2.0), weight_g)

    assert [sorted(rows) for rows, _ in found] == [[1, 4], [6, 8, 9]]
    ring = found[1][0]
    for place, row in enumerate(ring):
        assert weight_g[row] == mass_g[ring[(place + 1) % 3]]


def test_pairing_by_number_leaves_out_what_it_does_not_know() -> None:
    simulated = study_case()
    rows = list(simulated.weighings)
    rows[3] = replace(rows[3], piece=99)
    rows[5] = replace(rows[5], piece=None)
    rows[8] = replace(rows[8], piece=1)

    found = pair_weighings(simulated.pieces, rows)

    whys = {item.row: item.why for item in found.set_aside if item.row is not None}
    assert "no such piece" in whys[5]
    assert "names no piece" in whys[7]
    assert "double row" in whys[2]
    assert "double row" in whys[10]
    assert len(found.pairs) == 24 - 4


def test_several_recordings_want_their_name() -> None:
    simulated = study_case()
    pieces = replace(simulated.pieces, recording=np.array(["a", "b"] * 12))
    rows = [replace(row, recording="") for row in simulated.weighings]
    with pytest.raises(InputError, match="row 2: expected a recording beside the piece number"):
        pair_weighings(pieces, rows)


def test_shifted_numbers_are_said_aloud() -> None:
    """Reference: the weighing of piece 9 was taken out and all later ones moved up."""
    simulated = study_case(truth=Truth(n=30))
    weights = [row.weight_g for row in simulated.weighings]
    del weights[8]
    rows = [
        replace(row, weight_g=weight)
        for row, weight in zip(simulated.weighings, weights, strict=False)
    ]

    study = study_density(simulated.pieces, rows)

    assert study.causes[0].cause == "missing row"
    assert [item.piece for item in study.set_aside] == [9]
    assert any("NUMBERS LOOK SHIFTED" in note for note in study.notes)


@pytest.mark.parametrize("delay_s", [0.0, 47.3, 812.0])
def test_pairing_by_time_finds_the_delay(delay_s: float) -> None:
    """Reference: a delay that was put in, with half a second of scatter, one row missing."""
    simulated = study_case()
    random = np.random.default_rng(5)
    rows = [
        replace(row, time_s=float(simulated.pieces.time_s[i] + delay_s + random.normal(0, 0.3)))
        for i, row in enumerate(nameless(simulated))
    ]
    del rows[11]

    found = pair_weighings(simulated.pieces, rows)

    assert [(piece, rows[row].weight_g) for piece, row in found.pairs] == [
        (i, row.weight_g) for i, row in enumerate(simulated.weighings) if i != 11
    ]
    assert [item.piece for item in found.set_aside] == [12]
    assert f"{delay_s:.0f}"[:2] in found.how


def test_pairing_by_lane_and_order() -> None:
    """Reference: the rows shuffled, each with its lane and its place in it."""
    simulated = study_case()
    rows = nameless(simulated)
    for lane in (1, 2):
        here = np.flatnonzero(simulated.pieces.lane == lane)
        for place, index in enumerate(here):
            rows[index] = replace(rows[index], lane=lane, order=float(place))
    order = np.random.default_rng(6).permutation(24)

    found = pair_weighings(simulated.pieces, [rows[i] for i in order])

    assert sorted((piece, int(order[row])) for piece, row in found.pairs) == [
        (i, i) for i in range(24)
    ]


def test_half_named_lanes_are_refused() -> None:
    simulated = study_case()
    rows = nameless(simulated)
    rows[0] = replace(rows[0], lane=1)
    with pytest.raises(InputError, match="expected a lane in every row or in none"):
        pair_weighings(simulated.pieces, rows)


def test_nothing_to_pair_is_refused() -> None:
    simulated = study_case()
    rows = [replace(row, piece=500 + i) for i, row in enumerate(simulated.weighings)]
    with pytest.raises(InputError, match="no row fits a measured piece: no such piece"):
        pair_weighings(simulated.pieces, rows)
