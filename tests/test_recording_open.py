"""A recording as a whole: blocks of lines, payload kinds, parts that do not fit together."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import tifffile

from geomscan.errors import InputError
from geomscan.recording.line_file import write_line_file
from geomscan.recording.recording import HeightBlock, RangeBlock, Recording, open_recording
from geomscan.recording.writer import write_manifest, write_recording

MakeRecording = Callable[..., Path]


def frames_of(recording: Recording, **options: Any) -> npt.NDArray[Any]:
    parts: list[npt.NDArray[Any]] = []
    for first, block in recording.blocks("a", **options):
        assert isinstance(block, np.ndarray)
        assert block.flags.c_contiguous
        assert first == options.get("first", recording.first) + sum(map(len, parts))
        parts.append(block)
    return np.concatenate(parts)


@pytest.mark.parametrize("lines_per_block", [1, 5, 12, 64])
def test_frames_come_in_blocks(make_recording: MakeRecording, lines_per_block: int) -> None:
    frames = np.random.default_rng(2).integers(0, 255, (12, 16, 24)).astype(np.uint8)
    with open_recording(make_recording(frames=frames)) as recording:
        assert recording.n_lines == recording.lines.n_lines == 12
        assert recording.whole_lines == (0, 11)
        assert recording.frame_shape("a") == (16, 24)
        assert recording.dtype("a") == np.uint8
        assert np.array_equal(frames_of(recording, lines_per_block=lines_per_block), frames)
        assert np.array_equal(frames_of(recording, first=3, stop=7), frames[3:7])


def test_turned_camera_is_turned_back(make_recording: MakeRecording) -> None:
    """Reference: the frames with rows and columns exchanged, still 12 bit."""
    frames = np.random.default_rng(2).integers(0, 4096, (5, 16, 24)).astype(np.uint16)
    head = {"rows_are_height": False, "bit_depth": 12, "roi_origin": [30, 8]}
    with open_recording(make_recording(frames=frames, head=head)) as recording:
        assert recording.frame_shape("a") == (24, 16)
        assert recording.head("a").line_axes() == (48, 64, 8, 30)
        assert np.array_equal(frames_of(recording), frames.transpose(0, 2, 1))


def write_reduced(folder: Path, head: dict[str, Any], **maps: npt.NDArray[Any]) -> Path:
    """Write a recording of one head reduced to positions or heights, each payload a .npy."""
    folder.mkdir()
    n = len(next(iter(maps.values())))
    for name, values in maps.items():
        np.save(folder / f"{name}.npy", values)
    head = {"name": "a", **{name: f"{name}.npy" for name in maps}} | head
    write_manifest(folder, {"belt": {"nominal_mm_per_count": 0.05}, "heads": [head]})
    write_line_file(
        folder / "lines.csv", {"line": range(n), "encoder": range(n), "time_s": np.zeros(n)}
    )
    return folder


RANGE = {"payload_is": "range", "counts_per_row": 64, "sensor_size": [64, 1024]}
HEIGHT = {"payload_is": "height", "y_start_mm": -10.0, "y_step_mm": 0.5}


def only_block(folder: Path) -> Any:
    with open_recording(folder) as recording:
        ((_, block),) = recording.blocks("a")
        return block


def test_range(tmp_path: Path) -> None:
    """Reference: rows times counts_per_row, 0 = no line, counted from the sensor's row 0."""
    rows = np.array([[0, 1, 64], [6400, 0, 65535]], np.uint16)
    grey = np.array([[0, 10, 20], [30, 0, 255]], np.uint8)
    folder = write_reduced(tmp_path / "r", RANGE, payload=rows, reflectance=grey, line_width=rows)
    block = only_block(folder)
    assert isinstance(block, RangeBlock)
    assert block.row_px.dtype == np.float32
    expected = [[np.nan, 1 / 64, 1], [100, np.nan, 65535 / 64]]
    assert np.array_equal(block.row_px, np.array(expected, np.float32), equal_nan=True)
    assert block.reflectance is not None
    assert np.array_equal(block.reflectance, grey.astype(np.float32))
    assert block.line_width is not None


@pytest.mark.parametrize("dtype", [np.float32, np.float64, ">f4"])
def test_height_in_mm(tmp_path: Path, dtype: Any) -> None:
    heights = np.array([[1.5, np.nan, -0.25]], dtype)
    block = only_block(write_reduced(tmp_path / "h", HEIGHT, payload=heights))
    assert isinstance(block, HeightBlock)
    assert np.array_equal(block.height_mm, heights.astype(np.float32), equal_nan=True)
    assert block.reflectance is None


def test_height_in_steps(tmp_path: Path) -> None:
    """Reference: value times step plus zero; 0 = nothing seen."""
    head = HEIGHT | {"height_step_mm": 0.01, "height_zero_mm": -5.0}
    values = np.array([[0, 500, 3500]], np.uint16)
    block = only_block(write_reduced(tmp_path / "h", head, payload=values))
    assert block.height_mm[0] == pytest.approx([np.nan, 0.0, 30.0], abs=1e-5, nan_ok=True)


@pytest.mark.parametrize(
    ("head", "dtype", "words"),
    [
        (RANGE, np.float32, "expected a range payload of uint16, found float32"),
        (HEIGHT, np.uint16, "height_step_mm and height_zero_mm are required for a uint16"),
        (HEIGHT, np.int32, "expected heights of float32 or uint16, found int32"),
        (
            HEIGHT | {"height_step_mm": 1.0, "height_zero_mm": 0.0},
            np.float32,
            "height_step_mm has no meaning for float32 heights",
        ),
        (RANGE | {"sensor_size": [2, 9]}, np.uint16, "3 columns from 0 reach past the sensor's 2"),
    ],
)
def test_reduced_payload_of_the_wrong_type(
    tmp_path: Path, head: dict[str, Any], dtype: Any, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        open_recording(write_reduced(tmp_path / "r", head, payload=np.ones((2, 3), dtype)))


def test_reflectance_of_another_shape(tmp_path: Path) -> None:
    rows = np.ones((4, 3), np.uint16)
    wide = write_reduced(tmp_path / "w", RANGE, payload=rows, reflectance=np.ones((4, 5), np.uint8))
    with pytest.raises(InputError, match=r"reflectance: expected 3 columns .* found 5"):
        open_recording(wide)
    short = write_reduced(tmp_path / "s", RANGE, payload=rows, line_width=np.ones((3, 3), np.uint8))
    with pytest.raises(InputError, match=r"line_width holds 3 lines, lines\.csv has 4 rows"):
        open_recording(short)


def drop_last_row(folder: Path) -> None:
    text = (folder / "lines.csv").read_text()
    (folder / "lines.csv").write_text("\n".join(text.splitlines()[:-1]) + "\n")


def cut_payload(folder: Path) -> None:
    content = (folder / "a.tif").read_bytes()
    (folder / "a.tif").write_bytes(content[:-300])


def cut_row(folder: Path) -> None:
    text = (folder / "lines.csv").read_text().rstrip("\n")
    (folder / "lines.csv").write_text(text.rpartition(",")[0])


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (drop_last_row, "heads.a.payload holds 12 lines, lines.csv has 11 rows with a frame"),
        (
            cut_payload,
            "heads.a.payload holds 11 lines (a.tif is cut short: 11 pages are whole, one more "
            "began), lines.csv has 12 rows with a frame",
        ),
        (
            cut_row,
            "heads.a.payload holds 12 lines, lines.csv has 11 rows with a frame (lines.csv is cut "
            "short in row 12)",
        ),
    ],
)
class TestPartsThatDoNotFit:
    """A mismatch is an error with its numbers; the whole lines can still be selected."""

    def test_is_refused(
        self, make_recording: MakeRecording, damage: Callable[[Path], None], words: str
    ) -> None:
        """The message names both numbers and the way out."""
        folder = make_recording()
        damage(folder)
        with pytest.raises(InputError) as caught:
            open_recording(folder)
        assert words in str(caught.value)
        assert "whole are the lines 0:11" in str(caught.value)
        assert "\n" not in str(caught.value)

    def test_whole_lines_can_be_selected(
        self, make_recording: MakeRecording, damage: Callable[[Path], None], words: str
    ) -> None:
        """Reference: the same lines of the undamaged recording."""
        folder = make_recording()
        with open_recording(folder) as whole:
            expected = frames_of(whole)
        damage(folder)
        with open_recording(folder, lines=(2, None)) as recording:
            assert recording.whole_lines == (0, 10)
            assert (recording.first, recording.stop) == (2, 11)
            assert recording.lines.n_lines == recording.n_lines == 11
            assert any(words in fault for fault in recording.faults)
            assert np.array_equal(frames_of(recording), expected[2:11])
        with pytest.raises(InputError, match="expected some of the whole lines 0:11"):
            open_recording(folder, lines=(2, 12))


def test_page_that_only_began_is_no_fault_where_the_rest_agrees(
    make_recording: MakeRecording,
) -> None:
    """A writer killed in its 12th frame, whose 12th line was never acknowledged."""
    folder = make_recording()
    cut_payload(folder)
    drop_last_row(folder)
    with open_recording(folder) as recording:
        assert recording.n_lines == 11
        assert recording.faults == ()


def test_rows_without_a_frame(make_recording: MakeRecording) -> None:
    """12 frames, 14 triggers, two of them dropped."""
    n = 14
    dropped = np.isin(np.arange(n), [3, 9])
    lines = {
        "line": range(n),
        "encoder": 12 * np.arange(n),
        "time_s": np.zeros(n),
        "dropped": dropped,
    }
    with open_recording(make_recording(lines=lines)) as recording:
        assert recording.n_lines == 12
        assert recording.lines.dropped == (3, 9)
        assert np.array_equal(recording.lines.line, np.flatnonzero(~dropped))


def other_head(folder: Path, text: str) -> None:
    path = folder / "recording.toml"
    path.write_text(path.read_text().replace('"a.tif"', f'"{text}"'))


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("../a.tif", "leads outside its recording folder"),
        ("/etc/passwd", "leads outside its recording folder"),
        ("b.tif", "no such file or folder"),
        ("lines.csv", "expected TIFF, .npy"),
        (".", "leads outside its recording folder"),
        ("", "expected a file name"),
    ],
)
def test_payload_stays_inside_its_folder(
    make_recording: MakeRecording, name: str, words: str
) -> None:
    folder = make_recording()
    other_head(folder, name)
    with pytest.raises(InputError, match=words):
        open_recording(folder)


@pytest.mark.parametrize(
    ("head", "dtype", "words"),
    [
        ({}, np.uint16, "bit_depth is required for uint16 frames"),
        ({"bit_depth": 12}, np.uint8, "bit_depth = 12 but the frames are uint8"),
        ({}, np.float32, "expected frames of uint8 or uint16, found float32"),
        ({"sensor_size": [20, 48]}, np.uint8, "24 columns from 0 reach past the sensor's 20"),
        ({"roi_origin": [0, 40]}, np.uint8, "16 rows from 40 reach past the sensor's 48"),
    ],
)
def test_frames_at_odds_with_the_manifest(
    make_recording: MakeRecording, head: dict[str, Any], dtype: Any, words: str
) -> None:
    frames = np.ones((3, 16, 24), dtype)
    with pytest.raises(InputError, match=words):
        open_recording(make_recording(frames=frames, head=head))


def test_values_above_the_bit_depth_are_refused(make_recording: MakeRecording) -> None:
    """Left-aligned 10 bit in 16 would pass for a bright picture without saturation."""
    frames = np.full((3, 16, 24), 1023 << 6, np.uint16)
    folder = make_recording(frames=frames, head={"bit_depth": 10})
    with open_recording(folder) as recording, pytest.raises(InputError, match="at most 1023"):
        frames_of(recording)


def test_wrong_calls(make_recording: MakeRecording, tmp_path: Path) -> None:
    with open_recording(make_recording()) as recording:
        with pytest.raises(InputError, match='no head "b", expected one of: a'):
            recording.head("b")
        with pytest.raises(InputError, match="lines 0:13: expected to lie in 0:12"):
            list(recording.blocks("a", stop=13))
    with pytest.raises(InputError, match="no such recording"):
        open_recording(tmp_path / "nowhere")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"recording\.toml: cannot be read"):
        open_recording(tmp_path / "empty")


def test_line_table_must_be_one(make_recording: MakeRecording) -> None:
    folder = make_recording()
    (folder / "lines.parquet").write_bytes(b"PAR1")
    with pytest.raises(InputError, match="both are there, expected one"):
        open_recording(folder)
    (folder / "lines.parquet").unlink()
    (folder / "lines.csv").unlink()
    with pytest.raises(InputError, match="neither is there"):
        open_recording(folder)


def test_memory_does_not_grow_with_length(make_recording: MakeRecording) -> None:
    """A hundred blocks read one by one hold no more than a few of them."""
    import tracemalloc

    frames = np.zeros((800, 64, 256), np.uint8)
    with open_recording(
        make_recording(frames=frames, head={"sensor_size": [256, 64]})
    ) as recording:
        tracemalloc.start()
        for _ in recording.blocks("a", lines_per_block=8):
            pass
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert peak < 8 * frames[:8].nbytes


def test_two_heads_are_written_and_read(tmp_path: Path) -> None:
    """Frames from a generator, as a simulation makes them."""
    heads = [
        {"name": name, "payload_is": "frames", "payload": f"{name}.tif", "sensor_size": [8, 8]}
        for name in "ab"
    ]
    manifest = {"belt": {"nominal_mm_per_count": 0.05}, "heads": heads}

    def grey(base: int) -> Iterator[npt.NDArray[np.uint8]]:
        return (np.full((8, 8), base + k, np.uint8) for k in range(6))

    frames = {"a.tif": grey(0), "b.tif": grey(40)}
    lines = {"line": range(6), "encoder": range(6), "time_s": range(6)}
    write_recording(tmp_path / "r", manifest, frames, lines)
    with open_recording(tmp_path / "r") as recording:
        pairs = zip(recording.blocks("a"), recording.blocks("b"), strict=True)
        for (_, a), (_, b) in pairs:
            assert isinstance(a, np.ndarray)
            assert isinstance(b, np.ndarray)
            assert np.array_equal(a + 40, b)
    with tifffile.TiffFile(tmp_path / "r" / "a.tif") as file:
        assert file.is_bigtiff
        assert file.pages[0].compression == tifffile.COMPRESSION.ADOBE_DEFLATE


@pytest.mark.real_data
def test_recordings_by_another_program(raycast: Path) -> None:
    """Nine recordings of two heads open whole, without an event on their belt."""
    folders = sorted(path.parent for path in raycast.glob("*/recording.toml"))
    assert len(folders) >= 9
    for folder in folders:
        with open_recording(folder) as recording:
            assert [head.name for head in recording.manifest.heads] == ["a", "b"]
            assert recording.lines.events == ()
            for name in "ab":
                ((_, block),) = recording.blocks(name, first=100, stop=110)
                assert isinstance(block, np.ndarray)
                assert block.shape == (10, *recording.frame_shape(name))
                assert block.max() > 30
