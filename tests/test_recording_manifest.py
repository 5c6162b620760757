"""recording.toml: what is taken, what is refused, and with which words."""

import tomllib
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.recording.manifest import RecordingManifest, read_manifest
from geomscan.recording.writer import toml_text, write_manifest

SMALLEST = """format = "geomscan.recording/1"
[belt]
nominal_mm_per_count = 0.05
[[heads]]
name = "a"
payload_is = "frames"
payload = "a.tif"
sensor_size = [1280, 1024]
"""


def read(folder: Path, text: str) -> RecordingManifest:
    (folder / "recording.toml").write_text(text, encoding="utf-8")
    return read_manifest(folder)


def test_smallest_manifest_and_its_defaults(tmp_path: Path) -> None:
    manifest = read(tmp_path, SMALLEST)
    assert manifest.product == ""
    assert manifest.recorded is None
    assert manifest.block is None
    assert manifest.belt.lanes == ((-np.inf, np.inf),)
    head = manifest.heads[0]
    assert (head.bit_depth, head.saturation_grey, head.roi_origin) == (8, 255, (0, 0))
    assert head.rows_are_height


def test_every_key(tmp_path: Path) -> None:
    """Reference: the example of the file's description, key by key."""
    text = """format = "geomscan.recording/1"
product = "free text"
recorded = 2026-03-02T09:14:00Z
temperature_c = 6.0
[belt]
lanes = [[-200.0, -3.0], [3.0, 200.0]]
nominal_mm_per_count = -0.05
[block]
across_mm = -190.0
u_across_mm = 0.5
reversed = true
[lasers.main]
wavelength_nm = 450
[[heads]]
name = "a"
laser = "main"
payload_is = "frames"
payload = "head-a.tif"
rows_are_height = false
sensor_size = [1280, 1024]
roi_origin = [20, 462]
bit_depth = 12
electrons_per_grey = 40.0
read_noise_grey = 0.4
black_level_grey = 4.0
pixel_um = 5.5
focal_mm = 12.0
f_number = 4.0
[[heads]]
name = "b"
payload_is = "range"
payload = "b.npy"
sensor_size = [1280, 1024]
counts_per_row = 64
reflectance = "b-reflectance.npy"
line_width = "b-width.npy"
[[heads]]
name = "c"
payload_is = "height"
payload = "c.tif"
height_step_mm = 0.01
height_zero_mm = -5.0
y_start_mm = 200.0
y_step_mm = -0.4
[notes]
anything = { goes = ["here"] }
"""
    manifest = read(tmp_path, text)
    assert manifest.recorded is not None
    assert manifest.recorded.isoformat() == "2026-03-02T09:14:00+00:00"
    assert manifest.block is not None
    assert manifest.block.reversed
    assert [head.laser for head in manifest.heads] == ["main"] * 3
    a = manifest.heads[0]
    assert a.saturation_grey == 4095
    assert a.line_axes() == (1024, 1280, 462, 20)  # turned: the sensor's rows run along the line
    assert manifest.heads[1].line_axes() == (1280, 1024, 0, 0)


def test_heads_that_name_no_laser_share_the_one_there_is(tmp_path: Path) -> None:
    text = SMALLEST.replace("[[heads]]", "[lasers.blue]\n[[heads]]")
    assert read(tmp_path, text).heads[0].laser == "blue"


def changed(old: str, new: str) -> str:
    assert old in SMALLEST
    return SMALLEST.replace(old, new)


FRAMES = 'payload_is = "frames"'
LAST = "sensor_size = [1280, 1024]\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", 'expected format = "geomscan.recording/1"'),
        (changed("recording/1", "recording/2"), "newer than this release reads"),
        (changed("recording/1", "block/1"), "expected a recording file"),
        (changed("[belt]", "speed = 3\n[belt]"), "speed: unknown key"),
        (
            changed("nominal_mm_per_count = 0.05\n", ""),
            "nominal_mm_per_count: required but missing",
        ),
        (changed("= 0.05", "= 0"), "nominal_mm_per_count: expected mm of belt travel per count"),
        (changed("= 0.05", "= nan"), "belt.nominal_mm_per_count: input should be a finite number"),
        (changed("= 0.05", "= 1\nlanes = []"), "belt.lanes: expected one [low, high] or more"),
        (changed("= 0.05", "= 1\nlanes = [[3, 1]]"), "lane 1: expected low < high, got [3, 1]"),
        (changed("= 0.05", "= 1\nlanes = [[0, 2], [1, 3]]"), "lanes 1 and 2: expected to lie in"),
        (changed("= 0.05", "= 1\nlanes = [[2, 3], [0, 1]]"), "growing order without overlap"),
        (changed('name = "a"\n', ""), "heads.0.name: required but missing"),
        (changed('"a"', '"../a"'), "heads.0.name: string should match pattern"),
        (changed(FRAMES, 'payload_is = "video"'), "heads.0.payload_is: input should be 'frames'"),
        (changed(LAST, ""), 'head "a": sensor_size is required for a frames payload'),
        (changed(LAST, "sensor_size = [0, 5]"), "heads.0.sensor_size.0: input should be greater"),
        (changed(LAST, LAST + "bit_depth = 7"), "heads.0.bit_depth: input should be greater"),
        (changed(LAST, LAST + "bit_depth = 17"), "heads.0.bit_depth: input should be less"),
        (changed(LAST, LAST + "roi_origin = [0, 1024]"), "roi_origin row 1024 lies outside"),
        (changed(LAST, LAST + "roi_origin = [-1, 0]"), "heads.0.roi_origin.0: input should be"),
        (changed(LAST, LAST + "counts_per_row = 4"), "counts_per_row has no meaning for a frames"),
        (changed(FRAMES, 'payload_is = "range"'), "counts_per_row is required for a range"),
        (changed(FRAMES, 'payload_is = "height"'), "y_start_mm is required for a height"),
        (changed(LAST, LAST + 'laser = "x"\n[lasers.y]'), 'laser "x" is none of [lasers]: y'),
        (SMALLEST + SMALLEST[SMALLEST.index("[[heads]]") :], 'heads: two are named "a"'),
        (changed("[[heads]]", "heads = 3\n[x]"), "heads"),
        (SMALLEST[: SMALLEST.index("[[heads]]")], "heads: required but missing"),
        ("heads = [", "not valid TOML"),
    ],
)
def test_wrong_manifest_is_refused_in_one_line(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert words in str(caught.value)
    assert "recording.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("y_step_mm = 0", "y_step_mm must not be 0"),
        ("y_step_mm = 1\nheight_step_mm = 0.1", "height_step_mm and height_zero_mm go together"),
        ("y_step_mm = 1\nbit_depth = 8", "bit_depth has no meaning for a height payload"),
        ("y_step_mm = 1\nsensor_size = [9, 9]", "sensor_size has no meaning for a height payload"),
    ],
)
def test_wrong_height_head_is_refused(tmp_path: Path, keys: str, words: str) -> None:
    text = changed(LAST, f"y_start_mm = 0\n{keys}\n").replace(FRAMES, 'payload_is = "height"')
    with pytest.raises(InputError, match=words):
        read(tmp_path, text)


def test_written_manifest_reads_back(tmp_path: Path) -> None:
    """Reference: the content put in, with text that TOML must escape."""
    content: dict[str, Any] = {
        "product": 'quote " back \\ slash\nnew line \x7f tab\t é',
        "temperature_c": np.float64(-1.5),
        "belt": {"nominal_mm_per_count": 5e-2, "lanes": [[-1.0, 2.0], (2, 3)]},
        "lasers": {"main": {"wavelength_nm": 450}},
        "block": {"across_mm": -190.0, "reversed": True, "u_across_mm": None},
        "heads": [
            {"name": "a", "payload_is": "frames", "payload": "a.tif", "sensor_size": [9, 9]},
            {
                "name": "b",
                "payload_is": "frames",
                "payload": "b.tif",
                "sensor_size": np.array([9, 9]),
            },
        ],
        "notes": {"a b": {"c": [{"d": 1}, {"d": 2}]}},
    }
    write_manifest(tmp_path, content)
    manifest = read_manifest(tmp_path)
    assert manifest.product == content["product"]
    assert manifest.temperature_c == -1.5
    assert list(manifest.belt.lanes) == [(-1, 2), (2, 3)]
    assert manifest.block is not None
    assert manifest.block.u_across_mm == 1.0
    assert manifest.heads[1].sensor_size == (9, 9)


values = st.recursive(
    st.one_of(
        st.text(),
        st.integers(-(2**63), 2**63 - 1),
        st.floats(allow_nan=False),
        st.booleans(),
        st.datetimes(timezones=st.just(UTC)),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(st.dictionaries(st.text(), values, max_size=4))
def test_any_text_and_numbers_survive_toml(data: dict[str, Any]) -> None:
    """Reference: Python's own TOML reader."""
    assert tomllib.loads(toml_text(data)) == data


def test_what_toml_cannot_hold_is_refused() -> None:
    with pytest.raises(InputError, match="expected text, a number"):
        toml_text({"a": object()})
