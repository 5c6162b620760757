"""The planner's document: schema, readers in three languages, binary twin."""

import json
import math
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from profiles_pieces import half_ellipsoid, piece_of, weigh

from geomscan import profiles as profiles_package
from geomscan.errors import InputError
from geomscan.mass.mass_map import MassTerm
from geomscan.profiles.binary import HEADER, decode_binary, encode_binary
from geomscan.profiles.document import (
    COLUMNS,
    document_schema,
    encode_document,
    piece_document,
    profiles_of,
    read_document,
    write_document,
)
from geomscan.profiles.inverse import between, s_at_mass
from geomscan.profiles.slices import SliceProfile, slice_profiles

HERE = Path(profiles_package.__file__).parent


def _made(
    *, density: float | None = 1.05e-3, blade: float | None = 1500.0
) -> tuple[dict[str, Any], tuple[SliceProfile, ...]]:
    piece = half_ellipsoid(60, 35, 25, number=7, lane=2, x0_mm=0.0, u_x0_mm=0.1, encoder=123456.25)
    area = piece.cover * piece.cell_mm**2
    term = MassTerm(
        name="belt zero",
        scope="piece",
        delta_g=0.1 * area * 1.05e-3,
        delta_mm3=0.1 * area,
        at_surface=True,
    )
    mass_map = weigh(piece, density_g_mm3=density, terms=[term], u_cell_mm=0.2, fat_share=0.3)
    slices = slice_profiles(mass_map, angles_deg=[0, 45, -30])
    document = piece_document(
        slices,
        piece,
        sequence=3,
        mm_per_count=0.05,
        u_mm_per_count=1e-5,
        blade_x_mm=blade,
        u_blade_x_mm=0.2,
        provenance={"recording_sha256": "0" * 64},
    )
    return document, slices


def test_shipped_schema_is_the_one_of_the_code() -> None:
    shipped = json.loads((HERE / "piece.schema.json").read_text(encoding="utf-8"))
    assert shipped == document_schema()
    assert shipped["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert shipped["$id"] == "urn:geomscan:schema:piece:1"
    jsonschema.Draft202012Validator.check_schema(shipped)


@pytest.mark.parametrize("density", [1.05e-3, None])
@pytest.mark.parametrize("blade", [1500.0, None])
def test_documents_are_valid_and_read_back(
    tmp_path: Path, density: float | None, blade: float | None
) -> None:
    document, slices = _made(density=density, blade=blade)
    path = tmp_path / "0001.json"
    write_document(path, document)
    text = path.read_text(encoding="utf-8")
    assert text.startswith('{"format":"geomscan.piece/1"')
    assert "NaN" not in text
    jsonschema.validate(json.loads(text), document_schema())
    back = read_document(path)
    assert (back.piece, back.lane, back.sequence) == (7, 2, 3)
    for mine, theirs in zip(slices, profiles_of(back), strict=True):
        for name, (decimals, _) in COLUMNS.items():
            assert np.allclose(
                getattr(mine, name),
                getattr(theirs, name),
                atol=0.6 * 10.0**-decimals,
                equal_nan=True,
            ), name
        if density is not None:
            assert between(theirs, 20.0, 60.0)[1] == pytest.approx(
                between(mine, 20.0, 60.0)[1], rel=1e-3
            )


def test_counts_at_the_blade() -> None:
    """Count of the leading edge plus (s + distance) / mm per count; u from both by hand."""
    document, slices = _made()
    written = json.loads(encode_document(document))["profiles"][0]
    s = np.array(written["s_mm"])
    assert written["encoder_at_blade"] == pytest.approx(123456.25 + (s + 1500) / 0.05, abs=0.006)
    u_scale = (1500 + slices[0].s_mm[-1]) * 1e-5 / 0.05
    assert written["u_encoder_at_blade"] == pytest.approx(math.hypot(0.2, u_scale) / 0.05)


@settings(deadline=None, max_examples=200)
@given(
    st.lists(st.one_of(st.floats(-1e9, 1e9), st.just(math.nan), st.floats(-1e-6, 1e-6)), max_size=8)
)
def test_the_number_writer_rounds_as_json_reads(values: list[float]) -> None:
    """Reference: the standard library's reader."""
    document = {"s_mm": np.array(values, dtype=np.float64)}
    back = json.loads(encode_document(document))["s_mm"]
    for value, read in zip(values, back, strict=True):
        assert (read is None) if math.isnan(value) else read == pytest.approx(value, abs=5.1e-5)


def test_numbers_too_large_for_the_writer_are_written_in_full() -> None:
    back = json.loads(encode_document({"s_mm": np.array([1e300, math.inf])}))
    assert back == {"s_mm": [1e300, None]}


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"format": "geomscan.piece/2"}, "newer than this release"),
        ({"format": "geomscan.run/1"}, "expected a piece file"),
        ({"surprise": 1}, "surprise: unknown key"),
        ({"piece": -1}, "piece: "),
        ({"terms": []}, "term_cumulative_g: expected 0 rows"),
    ],
)
def test_broken_documents_are_refused(tmp_path: Path, change: dict[str, Any], text: str) -> None:
    content = json.loads(encode_document(_made()[0])) | change
    path = tmp_path / "0001.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(InputError, match=text):
        read_document(path)


def test_arrays_of_unlike_length_and_falling_knots_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "0001.json"
    for name, text in (("width_mm", "width_mm: expected"), ("s_mm", "growing")):
        content = json.loads(encode_document(_made()[0]))
        column = content["profiles"][0][name]
        content["profiles"][0][name] = column[:-1] if name == "width_mm" else column[::-1]
        path.write_text(json.dumps(content), encoding="utf-8")
        with pytest.raises(InputError, match=text):
            read_document(path)


def test_a_profile_of_another_piece_is_refused() -> None:
    _, slices = _made()
    with pytest.raises(InputError, match="piece 1: got a profile of piece 7"):
        piece_document(slices, piece_of(np.full((4, 4), 9.0)), sequence=1, mm_per_count=0.05)


# ---------------------------------------------------------------- binary twin


def test_the_binary_twin_holds_the_same() -> None:
    document, slices = _made()
    twin = decode_binary(encode_binary(document))
    assert (twin["piece"], twin["lane"], twin["sequence"], twin["encoder"]) == (7, 2, 3, 123456.25)
    assert [term["name"] for term in twin["terms"]] == ["belt zero", "leading edge"]
    for mine, theirs in zip(slices, twin["profiles"], strict=True):
        assert theirs["angle_deg"] == mine.angle_deg
        for name in COLUMNS:
            assert theirs[name] == pytest.approx(getattr(mine, name), rel=1e-6, abs=1e-6)
        assert theirs["term_cumulative_g"] == pytest.approx(mine.term_cumulative_g, rel=1e-6)
        counts = (mine.s_mm + 1500) / 0.05
        assert theirs["counts_from_edge"] == pytest.approx(counts, abs=0.51)


def test_unknown_numbers_are_nan_in_the_binary_twin() -> None:
    twin = decode_binary(encode_binary(_made(density=None, blade=None)[0]))
    assert math.isnan(twin["mass_g"])
    assert math.isnan(twin["blade_x_mm"])
    assert np.isnan(twin["profiles"][0]["cumulative_g"]).all()
    assert not twin["profiles"][0]["counts_from_edge"].any()


def test_a_damaged_binary_is_refused() -> None:
    data = encode_binary(_made()[0])
    flipped = bytearray(data)
    flipped[5000] ^= 1
    for broken, text in (
        (data[:100], "expected at least"),
        (data[:-1], "damaged or cut short"),
        (bytes(flipped), "damaged or cut short"),
        (data[:8] + b"\x02" + data[9:], "version 2"),
        (b"x" + data[1:], "begin with"),
    ):
        with pytest.raises(InputError, match=text):
            decode_binary(broken)


# ------------------------------------------------------------- reading examples


def _expected(slices: tuple[SliceProfile, ...], target_g: float) -> tuple[float, float]:
    s = float(s_at_mass(slices[1], target_g)[0])
    return s, 123456.25 + (s + 1500) / 0.05


def test_the_python_reader(tmp_path: Path) -> None:
    document, slices = _made()
    path = tmp_path / "0001.json"
    write_document(path, document)
    reader = HERE / "reading" / "read_piece.py"
    done = subprocess.run(
        [sys.executable, str(reader), str(path), "24", "45"],
        capture_output=True,
        text=True,
        check=True,
    )
    s, _, count = (float(word) for word in done.stdout.split())
    assert (s, count) == pytest.approx(_expected(slices, 24.0), abs=1.0)
    assert s == pytest.approx(_expected(slices, 24.0)[0], abs=1e-3)


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
def test_the_c_reader(tmp_path: Path) -> None:
    document, slices = _made()
    path, program = tmp_path / "0001.bin", tmp_path / "read_piece"
    path.write_bytes(encode_binary(document))
    source = HERE / "reading" / "read_piece.c"
    flags = ["-std=c99", "-O1", "-Wall", "-Wextra", "-Werror"]
    subprocess.run(["cc", *flags, "-o", str(program), str(source), "-lm"], check=True)
    done = subprocess.run(
        [str(program), str(path), "24", "45"], capture_output=True, text=True, check=True
    )
    s, u, count = (float(word) for word in done.stdout.split())
    assert s == pytest.approx(_expected(slices, 24.0)[0], abs=2e-3)
    assert count == pytest.approx(_expected(slices, 24.0)[1], abs=1.0)
    assert 0 < u < 2
    too_much = subprocess.run([str(program), str(path), "1e6", "45"], check=False)
    assert too_much.returncode == 1
    path.write_bytes(encode_binary(document)[:-2])
    assert (
        subprocess.run(
            [str(program), str(path), "24", "45"], check=False, stderr=subprocess.DEVNULL
        ).returncode
        == 2
    )


def test_the_structured_text_has_the_header_s_layout() -> None:
    """Sizes of the IEC 61131-3 types, member by member, against the packed header."""
    text = (HERE / "reading" / "read_piece.st").read_text(encoding="utf-8")
    body = text[text.index("ST_PieceHeader") : text.index("END_STRUCT")]
    sizes = {"UDINT": "I", "LREAL": "d", "REAL": "f"}
    kinds = []
    for kind in re.findall(r":\s*(ARRAY\[0\.\.\d+\] OF BYTE|UDINT|LREAL|REAL);", body):
        length = re.search(r"\.\.(\d+)", kind)
        kinds.append(f"{int(length[1]) + 1}s" if length else sizes[kind])
    assert kinds == list(HEADER.values())
