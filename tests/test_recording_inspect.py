"""Inspecting recordings, through the command as people and programs call it."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import tifffile

from geomscan.cli import main
from geomscan.recording.inspection import inspect_recording

MakeRecording = Callable[..., Path]


def lit_frames(
    n: int = 40, *, peak: float = 120.0, black: float = 4.0, noise: float = 0.8, clip: int = 255
) -> npt.NDArray[Any]:
    """Frames of 32 rows with a Gaussian line of sigma 2 px in row 15."""
    rng = np.random.default_rng(11)
    line = peak * np.exp(-0.5 * ((np.arange(32) - 15) / 2) ** 2)
    frames = line[:, None] + black + rng.normal(0, noise, (n, 32, 24))
    return np.clip(np.round(frames), 0, clip).astype(np.uint8 if clip == 255 else np.uint16)


def call(*arguments: str | Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Exit status, standard output and standard error of `geomscan inspect`."""
    with pytest.raises(SystemExit) as caught:
        main(["inspect", *map(str, arguments)])
    out, err = capsys.readouterr()
    return int(caught.value.code or 0), out, err


def found(folder: Path, *, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    status, out, _ = call("--json", folder, capsys=capsys)
    assert status == 0
    (one,) = json.loads(out)["recordings"]
    assert isinstance(one, dict)
    return one


def test_sound_recording(make_recording: MakeRecording, capsys: pytest.CaptureFixture[str]) -> None:
    folder = make_recording(
        frames=lit_frames(),
        product="cap",
        temperature_c=4.0,
        belt={"lanes": [[-100.0, 0.0], [0.0, 100.0]]},
    )
    one = found(folder, capsys=capsys)
    assert one["path"] == str(folder)
    assert one["n_lines"] == 40
    assert one["whole_lines"] == [0, 39]
    assert one["problems"] == []
    assert one["mm_per_line"] == pytest.approx(0.6)
    assert one["length_mm"] == pytest.approx(39 * 0.6)
    assert one["lines_per_s"] == pytest.approx(800)
    assert one["speed_mm_s"] == pytest.approx(480)
    head = one["heads"]["a"]
    assert (head["n_rows"], head["n_columns"], head["bit_depth"]) == (32, 24, 8)
    assert head["peak_median_grey"] == pytest.approx(125, abs=2)
    assert head["clipped_share"] == 0
    assert head["lit_share"] == 1
    assert not head["dark_clipped"]

    status, out, err = call(folder, capsys=capsys)
    assert (status, out) == (0, "")
    for word in ("cap", "4 °C", "40 lines, all whole", "-100 to 0 mm", "8 bit", "no problems"):
        assert word in err


def test_one_lane_over_all_is_valid_json(
    make_recording: MakeRecording, capsys: pytest.CaptureFixture[str]
) -> None:
    assert found(make_recording(frames=lit_frames()), capsys=capsys)["lanes"] == [[None, None]]


def test_saturation(make_recording: MakeRecording, capsys: pytest.CaptureFixture[str]) -> None:
    """Reference: every column clipped by construction."""
    one = found(make_recording(frames=lit_frames(peak=600)), capsys=capsys)
    assert one["heads"]["a"]["clipped_share"] == 1
    assert one["problems"][0]["where"] == "head a"
    assert "100 % of columns are clipped" in one["problems"][0]["what"]


@pytest.mark.parametrize(("black", "clipped"), [(0.0, True), (4.0, False)])
def test_dark_pixels_that_read_0(
    make_recording: MakeRecording,
    capsys: pytest.CaptureFixture[str],
    *,
    black: float,
    clipped: bool,
) -> None:
    """With black at 0 and noise of 0.8 grey, 73 % of dark pixels round to 0 (normal integral)."""
    one = found(make_recording(frames=lit_frames(black=black)), capsys=capsys)
    assert one["heads"]["a"]["dark_clipped"] is clipped
    expected = 0.734 if clipped else 0.0  # rows more than 10 px off the peak
    assert one["heads"]["a"]["dark_zero_share"] == pytest.approx(expected, abs=0.03)


def test_line_that_is_not_there(
    make_recording: MakeRecording, capsys: pytest.CaptureFixture[str]
) -> None:
    one = found(make_recording(frames=lit_frames(peak=0)), capsys=capsys)
    assert "only 0 % of columns show a laser line" in one["problems"][0]["what"]


def test_wrong_bit_depth(make_recording: MakeRecording, capsys: pytest.CaptureFixture[str]) -> None:
    """10 bit data said to be 16 bit."""
    frames = lit_frames(peak=800, clip=1023)
    one = found(make_recording(frames=frames, head={"bit_depth": 16}), capsys=capsys)
    assert any("is bit_depth = 16 right" in problem["what"] for problem in one["problems"])


def test_range_recording(make_recording: MakeRecording, capsys: pytest.CaptureFixture[str]) -> None:
    """A quarter of the columns without a line."""
    rows = np.full((20, 1, 24), 6400, np.uint16)
    rows[:, :, :6] = 0
    head = {"payload_is": "range", "counts_per_row": 64}
    one = found(make_recording(frames=rows, head=head), capsys=capsys)
    assert one["heads"]["a"]["lit_share"] == 0.75
    assert one["heads"]["a"]["peak_max_grey"] is None
    _, _, err = call(make_recording(name="again", frames=rows, head=head), capsys=capsys)
    assert "range (a.tif), 24 columns, 75 % of them seen" in err


def test_events_are_named_with_their_lines(
    make_recording: MakeRecording, capsys: pytest.CaptureFixture[str]
) -> None:
    encoder = (65536 - 100 + 12 * np.arange(40)) % 65536
    encoder[30:] -= 240
    one = found(make_recording(frames=lit_frames(), lines={"encoder": encoder}), capsys=capsys)
    assert [(event["what"], event["lines"]) for event in one["events"]] == [
        ("rollover", [9, 9]),
        ("backwards", [29, 30]),
    ]
    assert [problem["where"] for problem in one["problems"]] == ["line 9", "lines 29 to 30"]


def test_a_broken_table_does_not_flood_the_screen(
    make_recording: MakeRecording, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = {"line": 3 * np.arange(40)}
    folder = make_recording(frames=lit_frames(), lines=lines)
    assert len(found(folder, capsys=capsys)["problems"]) == 39
    _, _, err = call(folder, capsys=capsys)
    assert "and 19 more: see --json" in err
    assert len(err.splitlines()) < 30


def test_counts_against_the_manifests_sign(
    make_recording: MakeRecording, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = make_recording(frames=lit_frames(), belt={"nominal_mm_per_count": -0.05})
    one = found(folder, capsys=capsys)
    assert "ran 468 counts against nominal_mm_per_count's sign" in one["problems"][0]["what"]


def test_damaged_page_splits_the_whole_lines(
    make_recording: MakeRecording, capsys: pytest.CaptureFixture[str]
) -> None:
    """Reference: page 12 of 40 is damaged, so 13 to 39 is the longest whole stretch."""
    folder = make_recording(frames=lit_frames())
    with tifffile.TiffFile(folder / "a.tif") as file:
        at, n = file.pages[12].dataoffsets[0], file.pages[12].databytecounts[0]
    content = bytearray((folder / "a.tif").read_bytes())
    content[at + n // 2 : at + n // 2 + 8] = b"\xff" * 8
    (folder / "a.tif").write_bytes(content)
    one = found(folder, capsys=capsys)
    assert one["n_lines"] == 40
    assert one["whole_lines"] == [13, 39]
    assert one["problems"][0]["what"].startswith("line 12 cannot be read")
    _, _, err = call(folder, capsys=capsys)
    assert "40 lines, whole with --lines 13:40" in err


def test_cut_payload_is_a_problem_not_an_end(
    make_recording: MakeRecording, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = make_recording(frames=lit_frames())
    (folder / "a.tif").write_bytes((folder / "a.tif").read_bytes()[:-200])
    one = found(folder, capsys=capsys)
    assert one["whole_lines"] == [0, 38]
    assert "holds 39 lines (a.tif is cut short: 39 pages are whole" in one["problems"][0]["what"]


def break_manifest(folder: Path) -> None:
    (folder / "recording.toml").write_text('format = "geomscan.recording/1"\nbelt = 3\n')


def break_payload(folder: Path) -> None:
    (folder / "a.tif").write_bytes(b"II+\0" + bytes(40))


def break_table(folder: Path) -> None:
    (folder / "lines.csv").write_text("line,encoder,time_s\n0,zero,0\n")


def remove_payload(folder: Path) -> None:
    (folder / "a.tif").unlink()


@pytest.mark.parametrize("damage", [break_manifest, break_payload, break_table, remove_payload])
def test_unreadable_recording_is_one_line_and_exit_2(
    make_recording: MakeRecording,
    capsys: pytest.CaptureFixture[str],
    damage: Callable[[Path], None],
) -> None:
    folder = make_recording()
    damage(folder)
    before = sorted(folder.rglob("*"))
    for arguments in ([folder], ["--json", folder]):
        status, out, err = call(*arguments, capsys=capsys)
        assert (status, out) == (2, "")
        assert err.count("\n") == 1
        assert str(folder) in err
        assert "Traceback" not in err
    assert sorted(folder.rglob("*")) == before


def test_no_recording_is_a_usage_error(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = call(capsys=capsys)
    assert (status, out) == (2, "")
    assert "RECORDING" in err


@pytest.mark.real_data
def test_recording_by_another_program(raycast: Path) -> None:
    """Two heads whose dark pixels read 0, as its description says."""
    inspection = inspect_recording(raycast / "bare")
    assert inspection.problems == ()
    assert inspection.whole_lines == (0, 233)
    assert all(head.is_dark_clipped for head in inspection.heads)
    assert inspection.travel.mm_per_line == pytest.approx(0.6, abs=0.01)
