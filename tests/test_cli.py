"""The command line as a stranger meets it: exit status, one line, nothing left behind.

Reference: the contract of the commands (exit 0 done, 1 check not met, 2 bad input or usage).
"""

import csv
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geomscan.cli import COMMANDS, main
from geomscan.files import shipped_folder


@dataclass(frozen=True)
class Answer:
    """What a command gave back."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> Any:  # the object alone on stdout
        return json.loads(self.out)


@dataclass(frozen=True)
class Shell:
    """Runs commands in this process."""

    capsys: pytest.CaptureFixture[str]

    def __call__(self, *arguments: str | Path) -> Answer:
        self.capsys.readouterr()
        status: Any = 0
        try:
            main([str(argument) for argument in arguments])
        except SystemExit as stop:
            status = stop.code
        said = self.capsys.readouterr()
        return Answer(status=int(status or 0), out=said.out, err=said.err)


@pytest.fixture
def shell(capsys: pytest.CaptureFixture[str]) -> Shell:
    return Shell(capsys)


@pytest.fixture(scope="session")
def scanner(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Calibrate on the shipped passes."""
    from geomscan.commissioning.calibrate import calibrate
    from geomscan.recording.block import read_block
    from geomscan.recording.recording import open_recording
    from geomscan.scanner.calibration import write_calibration

    samples = shipped_folder("sample_images")
    passes = [open_recording(samples / f"pass-{number}") for number in (1, 2, 3)]
    block = read_block(shipped_folder("calibration") / "staircase.toml")
    path = tmp_path_factory.mktemp("calibration") / "scanner.json"
    write_calibration(calibrate(passes, block)[0], path)
    return path


@pytest.fixture(scope="session")
def measured(scanner: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Results of the shipped pieces."""
    from geomscan.runs.measure import MeasureOptions, measure

    samples = shipped_folder("sample_images")
    out = tmp_path_factory.mktemp("results") / "pieces"
    measure(
        samples / "pieces",
        out,
        calibration=scanner,
        settings=samples / "settings.toml",
        options=MeasureOptions(angles_deg=(0.0, 45.0)),
    )
    return out


def read_pieces(out: Path) -> list[dict[str, str]]:
    with (out / "pieces.csv").open(newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_says_what_it_does(shell: Shell, name: str) -> None:
    answer = shell(name, "--help")
    assert answer.status == 0
    assert "Usage: geomscan" in answer.out


@pytest.mark.parametrize(
    "arguments",
    [
        ("mesure",),
        ("measure",),
        ("measure", "x"),
        ("measure", "x", "--out", "y", "--lines", "a:b"),
        ("measure", "x", "--out", "y", "--angle", "60"),
        ("inspect", "/nowhere"),
        ("measure", "/nowhere", "--out", "/nowhere/out", "--calibration", "/nowhere/c.json"),
    ],
)
def test_a_wrong_call_is_one_line_and_exit_2(shell: Shell, arguments: tuple[str, ...]) -> None:
    answer = shell(*arguments)
    assert answer.status == 2
    assert answer.out == ""
    assert len(answer.err.strip().splitlines()) == 1
    assert "Traceback" not in answer.err


@pytest.mark.parametrize("name", ["pass-1", "pass-2", "pass-3", "check", "pieces"])
def test_inspect_says_what_is_in_each_shipped_recording(shell: Shell, name: str) -> None:
    answer = shell("inspect", shipped_folder("sample_images") / name, "--json")
    assert answer.status == 0
    (found,) = answer.json["recordings"]
    assert found["whole_lines"] == [0, found["n_lines"] - 1]
    assert len(found["heads"]) == 2


def broken(kind: str, folder: Path, scanner: Path) -> tuple[Path, Path]:
    """Copy the shipped pieces and calibration, then break one of them."""
    recording, calibration = folder / "recording", folder / "scanner.json"
    shutil.copytree(shipped_folder("sample_images") / "pieces", recording)
    shutil.copy(scanner, calibration)
    manifest, payload = recording / "recording.toml", recording / "head-a.tif"
    if kind == "manifest key":
        manifest.write_text(manifest.read_text() + "\nsurprise = 1\n")
    elif kind == "manifest syntax":
        manifest.write_text("format = ")
    elif kind == "payload cut":
        payload.write_bytes(payload.read_bytes()[: payload.stat().st_size // 2])
    elif kind == "payload noise":
        payload.write_bytes(np.random.default_rng(1).bytes(10_000))
    elif kind == "payload gone":
        payload.unlink()
    elif kind == "line table short":
        table = recording / "lines.csv"
        table.write_text("\n".join(table.read_text().splitlines()[:100]) + "\n")
    elif kind == "line table words":
        (recording / "lines.csv").write_text("line,encoder,time_s\n0,a,b\n")
    elif kind == "calibration cut":
        calibration.write_text(calibration.read_text()[:5000])
    elif kind == "calibration newer":
        calibration.write_text(calibration.read_text().replace("scanner/1", "scanner/9", 1))
    elif kind == "calibration foreign head":
        calibration.write_text(calibration.read_text().replace('"a"', '"z"'))
    return recording, calibration


@pytest.mark.parametrize(
    "kind",
    [
        "manifest key",
        "manifest syntax",
        "payload cut",
        "payload noise",
        "payload gone",
        "line table short",
        "line table words",
        "calibration cut",
        "calibration newer",
        "calibration foreign head",
    ],
)
def test_broken_input_is_one_line_and_leaves_nothing(
    shell: Shell, tmp_path: Path, scanner: Path, kind: str
) -> None:
    recording, calibration = broken(kind, tmp_path, scanner)
    answer = shell("measure", recording, "--calibration", calibration, "--out", tmp_path / "out")
    assert answer.status == 2, answer.err
    assert len(answer.err.strip().splitlines()) == 1
    assert sorted(item.name for item in tmp_path.iterdir()) == ["recording", "scanner.json"]


def test_shipped_pieces_against_simulated_truth(measured: Path) -> None:
    """Reference: truth.json beside the recording, closed forms of the simulated solids.

    1 % of volume is the goal of the first version for two heads.
    """
    truth = json.loads((shipped_folder("sample_images") / "pieces" / "truth.json").read_text())
    rows = read_pieces(measured)
    assert len(rows) == len(truth["pieces"])
    for row, true in zip(rows, truth["pieces"], strict=True):
        assert float(row["volume_cm3"]) == pytest.approx(true["volume_cm3"], rel=0.01)
        assert float(row["x0_mm"]) == pytest.approx(true["x0_belt_mm"], abs=1.5)
        assert row["lane"] == ("1" if true["y_mm"] < 0 else "2")


@pytest.mark.parametrize("angle", [0, 45])
def test_running_volume_against_simulated_truth(measured: Path, angle: int) -> None:
    """Reference: running volumes in truth.json; 1 % of the piece, two heads."""
    from geomscan.results.reader import read_profiles

    truth = json.loads((shipped_folder("sample_images") / "pieces" / "truth.json").read_text())
    table = read_profiles(measured)
    for row, true in zip(read_pieces(measured), truth["pieces"], strict=True):
        chosen = (table["piece"] == int(row["piece"])) & (table["angle_deg"] == angle)
        running = true[f"cum_{angle}"]
        s_mm = np.array(running["s_mm"]) + true["x0_belt_mm"] - float(row["x0_mm"])
        found = np.interp(s_mm, table["s_mm"][chosen], table["cumulative_cm3"][chosen])
        assert np.abs(found - running["cm3"]).max() < 0.01 * true["volume_cm3"]


def test_results_folder_is_complete_and_readable(measured: Path) -> None:
    """Reference: independent readers (csv, json, tifffile, jsonschema, DuckDB)."""
    import duckdb
    import jsonschema
    import tifffile

    from geomscan.profiles.document import document_schema

    run = json.loads((measured / "run.json").read_text())
    assert run["format"] == "geomscan.run/1"
    rows = read_pieces(measured)
    assert run["n_pieces"] == len(rows)
    for path in sorted((measured / "pieces").iterdir()):
        if path.suffix == ".json":
            jsonschema.validate(json.loads(path.read_text()), document_schema())
    with duckdb.connect() as connection:
        volume = connection.sql(
            f"SELECT sum(volume_cm3) FROM '{measured / 'pieces.parquet'}'"
        ).fetchall()
    assert volume[0][0] == pytest.approx(sum(float(row["volume_cm3"]) for row in rows))
    numbers = tifffile.imread(measured / "maps" / "piece.tif")
    thickness = tifffile.imread(measured / "maps" / "thickness.tif")
    assert set(np.unique(numbers[np.isfinite(numbers)])) == {float(row["piece"]) for row in rows}
    np.testing.assert_array_equal(np.isfinite(numbers), np.isfinite(thickness))
    page = (measured / "report.html").read_text()
    assert "http://" not in page
    assert "https://" not in page


def test_pieces_out_of_a_results_folder_send_back_the_same_light(
    measured: Path, scanner: Path
) -> None:
    """Reference: the measured piece itself, measured again without a folder in between.

    Compared further than 3.5 mm within its wholly covered cells: heights smoothed over 1 mm and
    slopes over 2 mm more stay clear of the rim there, of which the maps don't hold the cover.
    """
    import cv2

    from geomscan.recording.recording import open_recording
    from geomscan.results.reader import read_map, read_sight
    from geomscan.runs.chain import measure_pieces
    from geomscan.runs.scan import open_scan
    from geomscan.runs.settings import load_settings
    from geomscan.scanner.calibration import read_calibration
    from geomscan.tissue.marks import MapGrid
    from geomscan.tissue.separability import pieces_from_maps
    from geomscan.tissue.surface import read_surface

    samples = shipped_folder("sample_images")
    settings = load_settings(samples / "settings.toml").settings
    with open_recording(samples / "pieces") as recording:
        scan = open_scan(recording, read_calibration(scanner), line=settings.line)
        pieces = {m.piece.piece: m.piece for m in measure_pieces(scan, settings, None)}
    maps = [read_map(measured, name) for name in ("thickness", "reflectance", "piece")]
    n_x, n_y = maps[0].values.shape
    grid = MapGrid(
        n_x=n_x, n_y=n_y, cell_mm=maps[0].cell_mm,
        x_first_mm=maps[0].x_first_mm, y_first_mm=maps[0].y_first_mm,
    )  # fmt: skip
    rebuilt = pieces_from_maps(*(m.values for m in maps), grid=grid, sight=read_sight(measured))
    assert len(rebuilt) == len(pieces)
    for again, _ in rebuilt:
        piece = pieces[again.piece]
        assert piece.sight is not None
        assert again.sight == piece.sight
        x = round((again.x_first_mm - piece.x_first_mm) / piece.cell_mm)
        y = round((again.y_first_mm - piece.y_first_mm) / piece.cell_mm)
        cut = slice(x, x + again.cover.shape[0]), slice(y, y + again.cover.shape[1])
        whole = np.pad((piece.cover[cut] == 1).astype(np.uint8), 1)
        inner = cv2.distanceTransform(whole, cv2.DIST_L2, 5)[1:-1, 1:-1] * piece.cell_mm > 3.5
        first = read_surface(piece, settings.tissue)
        second = read_surface(again, settings.tissue)
        assert np.count_nonzero(inner) > 15_000
        assert second.sight_known
        # rounding of y and of the light to single precision
        np.testing.assert_allclose(second.log_shade[inner], first.log_shade[cut][inner], atol=1e-5)
        both = inner & first.usable[cut] & second.usable
        np.testing.assert_allclose(second.log_light[both], first.log_light[cut][both], atol=1e-5)
        # the maps don't hold glare: nothing else tells usable cells apart
        assert piece.glare is not None
        apart = inner & (first.usable[cut] != second.usable)
        assert not np.any(
            apart & (cv2.dilate(piece.glare[cut].astype(np.uint8), np.ones((3, 3))) == 0)
        )


def test_height_payloads_have_no_sight(tmp_path: Path) -> None:
    """Reference: a height payload doesn't say where its camera was."""
    from geomscan.recording.writer import write_recording
    from geomscan.results.reader import read_sight
    from geomscan.runs.measure import measure

    heights = np.random.default_rng(1).normal(0, 0.02, (80, 60)).astype(np.float32)
    heights[20:60, 15:45] += 12
    head = {
        "name": "a", "payload_is": "height", "payload": "a.tif",
        "y_start_mm": -15.0, "y_step_mm": 0.5,
    }  # fmt: skip
    count = np.arange(80)
    write_recording(
        tmp_path / "recording",
        {"belt": {"nominal_mm_per_count": 0.05}, "heads": [head]},
        {"a.tif": [heights]},
        {"line": count, "encoder": 12 * count, "time_s": count / 800},
    )
    result = measure(tmp_path / "recording", tmp_path / "out", calibration=None)

    assert result.n_pieces == 1
    assert json.loads((tmp_path / "out" / "run.json").read_text())["sight"] is None
    assert read_sight(tmp_path / "out") is None


def test_same_inputs_are_skipped_and_other_results_are_kept(
    shell: Shell, tmp_path: Path, scanner: Path
) -> None:
    samples = shipped_folder("sample_images")
    call = ("measure", samples / "pieces", "--calibration", scanner, "--out", tmp_path / "out")
    short = (*call, "--lines", "0:260", "--json")
    first = shell(*short)
    assert first.status == 0
    assert "no density stated" in first.err
    assert [result["skipped"] for result in first.json["results"]] == [False]
    assert read_pieces(tmp_path / "out")[0]["mass_g"] == ""
    assert [result["skipped"] for result in shell(*short).json["results"]] == [True]
    other = shell(*call, "--lines", "0:200")
    assert other.status == 2
    assert "--replace" in other.err
    assert shell(*call, "--lines", "0:200", "--replace").status == 0


def readme_blocks(kind: str) -> list[str]:
    text = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    return [part.split("```")[0] for part in text.split(f"```{kind}\n")[1:]]


def test_readme_first_block_is_two_commands() -> None:
    """Reference: what a stranger is told to type, and nothing else in the block."""
    lines = readme_blocks("sh")[0].strip().splitlines()
    assert len(lines) == 2
    assert lines[0].endswith("geomscan demo")
    assert "pytest" in lines[1]


def test_readme_python_runs_as_printed(
    scanner: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Reference: the README itself, on the shipped pieces."""
    (tmp_path / "monday-1").symlink_to(shipped_folder("sample_images") / "pieces")
    (tmp_path / "scanner.json").symlink_to(scanner)
    monkeypatch.chdir(tmp_path)
    (code,) = readme_blocks("python")
    exec(compile(code, "README.md", "exec"), {})  # the README itself
    assert len(capsys.readouterr().out.strip().splitlines()) == 5


def test_readme_files_are_valid(tmp_path: Path) -> None:
    """Reference: the readers of the two kinds of file that the README prints."""
    from geomscan.recording.manifest import read_manifest
    from geomscan.runs.settings import load_settings

    manifest, settings = readme_blocks("toml")
    (tmp_path / "recording.toml").write_text(manifest, encoding="utf-8")
    (tmp_path / "settings.toml").write_text(settings, encoding="utf-8")
    assert read_manifest(tmp_path).heads[0].name == "a"
    assert load_settings(tmp_path / "settings.toml").settings.density.lean_kg_m3 == 1060.0


def test_every_flag_is_documented() -> None:
    """Reference: the list in DEVELOPERS.md that pieces.csv points to."""
    from geomscan.shape.flags import FLAGS

    text = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert [name for name in FLAGS if f"| `{name}` |" not in text] == []
