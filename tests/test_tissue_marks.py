"""Marked patches: read from masks and rectangles, judged, and carried into settings."""

import json
import tomllib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from geomscan.errors import InputError
from geomscan.files import write_json
from geomscan.results.maps import MapStore
from geomscan.results.reader import read_sight
from geomscan.runs.settings import load_settings
from geomscan.shape.piece_map import PieceMap, Sight
from geomscan.tissue.marks import FAT, LEAN, MapGrid, read_marks
from geomscan.tissue.separability import judge_marks, pieces_from_maps
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.tissue_map import TissueMap

GRID = MapGrid(n_x=100, n_y=80, x_first_mm=10.0, y_first_mm=-40.0, cell_mm=1.0)
RECTANGLES = """format = "geomscan.marks/1"
[[fat]]
x_mm = [30.0, 45.0]
y_mm = [-20.0, -5.0]
[[fat]]
x_mm = [60.0, 75.0]
y_mm = [5.0, 20.0]
[[fat]]
x_mm = [80.0, 92.0]
y_mm = [-20.0, -8.0]
[[lean]]
x_mm = [30.0, 45.0]
y_mm = [5.0, 20.0]
[[lean]]
x_mm = [60.0, 75.0]
y_mm = [-20.0, -5.0]
[[lean]]
x_mm = [80.0, 92.0]
y_mm = [8.0, 20.0]
[notes]
who = "anybody"
"""


def slab(contrast: float, *, grain: float = 0.06, seed: int = 4) -> PieceMap:
    """Make a flat slab of 92 × 70 mm that holds the fat of RECTANGLES."""
    inside = np.zeros((GRID.n_x, GRID.n_y), bool)
    inside[4:96, 5:75] = True
    fat = np.zeros_like(inside)
    for x, y in (((20, 36), (20, 36)), ((50, 66), (45, 61)), ((70, 83), (20, 33))):
        fat[slice(*x), slice(*y)] = True
    noise = np.random.default_rng(seed).normal(0, grain, inside.shape)
    nothing = np.where(inside, 0.0, np.nan)
    return PieceMap(
        piece=1,
        lane=1,
        x_first_mm=GRID.x_first_mm,
        y_first_mm=GRID.y_first_mm,
        cell_mm=1.0,
        thickness_mm=20.0 + nothing,
        cover=inside.astype(float),
        u_independent_mm=nothing,
        x0_mm=GRID.x_first_mm,
        u_x0_mm=0.1,
        length_mm=92.0,
        width_mm=70.0,
        reflectance=50 * np.where(fat, contrast, 1.0) * np.exp(noise) + nothing,
    )


def results_folder(path: Path, piece: PieceMap) -> Path:
    """Write what `measure` leaves of one piece: its maps."""
    path.mkdir()
    nothing = np.where(piece.cover > 0, 0.0, np.nan)
    store = MapStore(path / "maps", cell_mm=piece.cell_mm)
    store.add(
        piece,
        TissueMap(
            fat_probability=nothing,
            fat_area_fraction=0.0,
            u_fat_area_fraction=0.0,
            method="none",
        ),
    )
    store.finish()
    write_json(path / "run.json", "run", {})
    return path


def run(*arguments: object) -> Result:
    from geomscan.cli.tissue import command

    return CliRunner().invoke(command, [str(argument) for argument in arguments])


@pytest.fixture
def marks(tmp_path: Path) -> Path:
    path = tmp_path / "marks.toml"
    path.write_text(RECTANGLES)
    return path


def test_rectangles_hold_the_cells_whose_centre_they_hold(marks: Path) -> None:
    """Reference: by hand. x 30 to 45 mm are cells 20 to 35 of a grid that starts at 10 mm."""
    found = read_marks(marks, {"out": GRID})["out"]

    assert np.count_nonzero(found == FAT) == 16 * 16 * 2 + 13 * 13
    assert (found[20:36, 20:36] == FAT).all()
    assert found[19, 25] == found[36, 25] == 0
    assert (found[20:36, 45:61] == LEAN).all()


def test_a_mask_image_is_the_same_marks(marks: Path, tmp_path: Path) -> None:
    found = read_marks(marks, {"out": GRID})["out"]
    for name in ("mask.png", "mask.tif"):
        assert cv2.imwrite(str(tmp_path / name), found)
        assert np.array_equal(read_marks(tmp_path / name, {"out": GRID})["out"], found)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("[30.0, 45.0]", "[45.0, 30.0]"), r"fat\.0: .*expected \[smaller, larger\]"),
        (("[30.0, 45.0]", "[900.0, 950.0]"), "fat 1: covers no cell of the map"),
        (("[30.0, 45.0]", "[1e300, 2e300]"), "fat 1: covers no cell of the map"),
        (("y_mm = [-20.0, -5.0]", "y_mm = [-20.0, 9.0]"), "overlaps a rectangle of the other"),
        (("[notes]", "[bone]\n[notes]"), "bone: unknown key"),
        (("marks/1", "marks/2"), "newer than this release"),
        (("x_mm = [30.0, 45.0]", "x_mm = [30.0, nan]"), "fat.0.x_mm"),
        (("x_mm = [30.0, 45.0]", 'recording = "b"\nx_mm = [30.0, 45.0]'), "expected one of out"),
    ],
)
def test_wrong_rectangles_are_refused(marks: Path, change: tuple[str, str], message: str) -> None:
    marks.write_text(RECTANGLES.replace(*change, 1))
    with pytest.raises(InputError, match=message) as caught:
        read_marks(marks, {"out": GRID})
    assert "\n" not in str(caught.value)


def test_several_folders_need_names(marks: Path) -> None:
    with pytest.raises(InputError, match="recording: required with several results folders"):
        read_marks(marks, {"a": GRID, "b": GRID})


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (np.zeros((80, 100), np.uint8), "found 80 × 100"),
        (np.full((100, 80), 255, np.uint8), "found 255"),
        (np.full((100, 80), LEAN, np.uint8), "marked fat"),
        (np.dstack([np.full((100, 80), k, np.uint8) for k in (0, 1, 2)]), "found colours"),
    ],
)
def test_wrong_masks_are_refused(tmp_path: Path, values: np.ndarray, message: str) -> None:
    path = tmp_path / "mask.png"
    assert cv2.imwrite(str(path), values)
    with pytest.raises(InputError, match=message):
        read_marks(path, {"out": GRID})


@pytest.mark.parametrize("content", [b"", b"no image", b"\x89PNG\r\n\x1a\n"])
def test_what_is_no_image_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "mask.png"
    path.write_bytes(content)
    with pytest.raises(InputError, match="expected a marks file"):
        read_marks(path, {"out": GRID})


def judged(contrast: float, marks: Path, **options: Any) -> Any:
    piece = slab(contrast, **options)
    return judge_marks([(piece, read_marks(marks, {"out": GRID})["out"])], TissueSettings())


def test_good_light_is_told_and_measured(marks: Path) -> None:
    """Reference: the contrast and scatter drawn; d' of logs is ln(contrast) over the scatter."""
    seen = judged(1.6, marks)

    assert seen.verdict == "yes"
    # medians of 700 and 600 cells with 6 % scatter: 4 standard errors are 1.6 %
    assert seen.contrast == pytest.approx(1.6, rel=0.016)
    assert seen.d_prime == pytest.approx(np.log(1.6) / 0.06, rel=0.12)
    assert 50 < seen.limit < 80
    assert seen.confusion[seen.settings.method].balanced_accuracy > 0.97
    assert seen.n_patches_fat == seen.n_patches_lean == 3


def test_no_difference_is_told_as_no(marks: Path) -> None:
    seen = judged(1.0, marks)

    assert seen.verdict == "no"
    # 4 standard errors of the area under the curve for 700 and 600 equal cells (Hanley & McNeil)
    assert seen.auc == pytest.approx(0.5, abs=0.064)


def test_small_difference_is_told_with_care(marks: Path) -> None:
    seen = judged(1.25, marks)

    assert seen.verdict == "with care"
    assert any("contrast 1.2" in reason for reason in seen.reasons)


def test_darker_fat_turns_the_settings(marks: Path) -> None:
    seen = judged(0.6, marks)

    assert seen.settings.fat_is == "darker"
    assert seen.verdict == "yes"


def test_marks_off_the_piece_are_refused() -> None:
    mask = np.zeros((GRID.n_x, GRID.n_y), np.uint8)
    mask[:3] = LEAN
    mask[30:50, 20:30] = FAT
    with pytest.raises(InputError, match=r"at least 50 cells of lean .* found 0"):
        judge_marks([(slab(1.6), mask)], TissueSettings())


def test_pieces_come_out_of_maps_as_they_went_in() -> None:
    number = np.full((30, 20), np.nan)
    number[2:10, 3:9], number[15:28, 5:18] = 1, 2
    thickness = np.where(np.isnan(number), np.nan, 10 * number)
    grid = MapGrid(n_x=30, n_y=20, x_first_mm=100.0, y_first_mm=-40.0, cell_mm=0.5)
    sight = Sight(viewpoints_mm=((600.0, 0.0, 800.0),), fan_mm=(0.0, 900.0))
    pieces = pieces_from_maps(thickness, thickness + 1, number, grid=grid, sight=sight)

    assert [piece.piece for piece, _ in pieces] == [1, 2]
    assert [(piece.x_first_mm, piece.y_first_mm) for piece, _ in pieces] == [
        (101.0, -38.5),
        (107.5, -37.5),
    ]
    assert all(piece.sight == sight for piece, _ in pieces)
    assert [piece.thickness_mm.shape for piece, _ in pieces] == [(8, 6), (13, 13)]
    assert float(np.nanmax(pieces[1][0].thickness_mm)) == 20


def test_sight_is_read_from_a_run(tmp_path: Path) -> None:
    """Reference: the JSON as typed here."""
    seen = {"viewpoints_mm": [[600.0, 1.5, 800.0], [-590.0, 0.0, 810.0]], "fan_mm": [5.0, 900.0]}
    write_json(tmp_path / "run.json", "run", {"sight": seen})

    assert read_sight(tmp_path) == Sight(
        viewpoints_mm=((600.0, 1.5, 800.0), (-590.0, 0.0, 810.0)), fan_mm=(5.0, 900.0)
    )


@pytest.mark.parametrize("run", [{}, {"sight": None}], ids=["older folder", "not known"])
def test_no_sight_is_none(run: dict[str, Any], tmp_path: Path) -> None:
    write_json(tmp_path / "run.json", "run", run)

    assert read_sight(tmp_path) is None


@pytest.mark.parametrize("seen", [3, {}, {"viewpoints_mm": [[600.0, 1.5]], "fan_mm": [5.0, 900.0]}])
def test_a_broken_sight_is_refused(seen: Any, tmp_path: Path) -> None:
    write_json(tmp_path / "run.json", "run", {"sight": seen})

    with pytest.raises(InputError, match=r"run\.json: sight"):
        read_sight(tmp_path)


def test_command_writes_settings_that_measure_reads(marks: Path, tmp_path: Path) -> None:
    out = results_folder(tmp_path / "out", slab(1.6))
    written = tmp_path / "new.toml"
    result = run(out, "--marks", marks, "--settings-out", written, "--json")

    assert result.exit_code == 0, result.stderr
    seen = json.loads(result.stdout)
    assert seen["verdict"] == "yes"
    assert seen["confusion"]["network"]["fat"]["as_fat"] > 600
    settings = load_settings(written).settings.tissue
    assert settings.limit == pytest.approx(seen["limit"], rel=1e-3)
    assert "marked in marks.toml" in tomllib.loads(written.read_text())["notes"]["tissue"]
    page = written.with_suffix(".html").read_text()
    assert "Yes: on these marks" in page
    assert "Fine marbling is not" in page
    assert "http" not in page.replace("http-equiv", "")


def test_command_says_no_and_writes_no_settings(marks: Path, tmp_path: Path) -> None:
    out = results_folder(tmp_path / "out", slab(1.0))
    written = tmp_path / "new.toml"
    result = run(out, "--marks", marks, "--settings-out", written)

    assert result.exit_code == 1
    assert "no, this light cannot tell" in result.stderr
    assert not written.exists()
    assert written.with_suffix(".html").exists()


def test_command_on_two_folders(tmp_path: Path) -> None:
    one = results_folder(tmp_path / "one", slab(1.6))
    two = results_folder(tmp_path / "two", slab(1.6, seed=5))
    marks = tmp_path / "marks.toml"
    where = RECTANGLES.replace("x_mm =", 'recording = "two"\nx_mm =')
    marks.write_text(where)
    result = run(one, two, "--marks", marks, "--json")

    assert result.exit_code == 0, result.stderr
    assert json.loads(result.stdout)["n_patches"] == {"lean": 3, "fat": 3}


@pytest.mark.parametrize("what", ["no folder", "no maps", "no marks", "same name"])
def test_command_refuses_in_one_line(what: str, marks: Path, tmp_path: Path) -> None:
    out = results_folder(tmp_path / "out", slab(1.6))
    arguments: list[object] = [out, "--marks", marks]
    if what == "no folder":
        arguments[0] = tmp_path / "nowhere"
    elif what == "no maps":
        (out / "maps" / "reflectance.tif").unlink()
    elif what == "no marks":
        marks.unlink()
    else:
        arguments.insert(0, out)
    result = run(*arguments)

    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1
    assert result.stdout == ""
