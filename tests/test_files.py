"""Versioned files, and folders that appear whole or not at all. Reference: the contract itself."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.files import (
    FileModel,
    new_folder,
    parse_model,
    path_inside,
    plain,
    read_json,
    read_toml,
    sha256_folder,
    shipped_folder,
    write_json,
)


class _Part(FileModel):
    length_mm: float


class _Whole(FileModel):
    part: _Part
    name: str = "x"


def written(folder: Path, text: str) -> Path:
    path = folder / "file.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_notes_are_free_and_format_is_stripped(tmp_path: Path) -> None:
    path = written(tmp_path, 'format = "geomscan.settings/1"\na = 1\n[notes]\nany = "thing"\n')
    assert read_toml(path, "settings") == {"a": 1}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a = 1", r'expected format = "geomscan.settings/1"'),
        ('format = "geomscan.block/1"', r"expected a settings file"),
        ('format = "geomscan.settings/2"', r"newer than this release reads"),
        ("format = ", r"not valid TOML"),
        ('format = "geomscan.settings/1"\nnotes = 3', r"expected a table \[notes\]"),
    ],
)
def test_wrong_toml_is_named(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        read_toml(written(tmp_path, text), "settings")
    assert "\n" not in str(caught.value)


def test_absent_and_binary_files_are_input_errors(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_toml(tmp_path / "none.toml", "settings")
    path = tmp_path / "b.json"
    path.write_bytes(b"\xff\x00\x10")
    with pytest.raises(InputError, match="not valid JSON"):
        read_json(path, "run")
    path.write_text("[1]")
    with pytest.raises(InputError, match="expected a JSON object"):
        read_json(path, "run")
    path.write_text("[" * 100_000)
    with pytest.raises(InputError, match="not valid JSON"):
        read_json(path, "run")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ({}, "part: required but missing"),
        ({"part": {"length_mm": 1.0, "lenght": 2}}, r"part\.lenght: unknown key"),
        ({"part": {"length_mm": float("nan")}}, r"part\.length_mm: input should be a finite"),
        ({"part": {"length_mm": "long"}}, r"part\.length_mm: .*got 'long'"),
    ],
)
def test_a_fault_says_where_and_what(data: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_model(_Whole, data, Path("f.toml"))


def test_json_round_trip_keeps_format_first_and_writes_null(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "run.json"
    write_json(path, "run", {"b": np.float64(1.5), "a": math.nan, "c": np.arange(3)})
    assert path.read_text().startswith('{\n "format": "geomscan.run/1"')
    assert read_json(path, "run") == {"b": 1.5, "a": None, "c": [0, 1, 2]}


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        max_leaves=20,
    )
)
def test_plain_is_always_json(value: object) -> None:
    json.dumps(plain(value), allow_nan=False)


def test_a_folder_appears_whole_or_not_at_all(tmp_path: Path) -> None:
    place = tmp_path / "out"

    def fail() -> None:
        with new_folder(place) as folder:
            (folder / "half").write_text("x")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert list(tmp_path.iterdir()) == []
    with new_folder(place) as folder:
        (folder / "a").write_text("old")
    with pytest.raises(InputError, match="already exists"), new_folder(place):
        pass
    with new_folder(place, replace=True) as folder:
        (folder / "b").write_text("new")
    assert [item.name for item in place.iterdir()] == ["b"]
    assert [item.name for item in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("name", ["../x", "/etc/passwd", ".", "a/../../x", "", "a\0b"])
def test_payload_paths_stay_inside(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="payload"):
        path_inside(tmp_path, name, where="payload")


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    inner = tmp_path / "recording"
    inner.mkdir()
    (tmp_path / "secret").write_text("x")
    (inner / "link").symlink_to(tmp_path / "secret")
    with pytest.raises(InputError, match="leads outside"):
        path_inside(inner, "link", where="payload")


def test_folder_hash_sees_names_and_contents(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("1")
    first = sha256_folder(tmp_path)
    (tmp_path / "a").write_text("2")
    second = sha256_folder(tmp_path)
    (tmp_path / "a").rename(tmp_path / "b")
    assert len({first, second, sha256_folder(tmp_path)}) == 3


def test_shipped_folders_are_found() -> None:
    assert shipped_folder("calibration").is_dir()
    with pytest.raises(InputError, match="reinstall"):
        shipped_folder("no_such_folder")
