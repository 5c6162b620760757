"""The reference-block file."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.recording.block import ReferenceBlock, read_block

STAIRS = ((0, 0), (0, 10), (24, 10), (24, 20), (48, 20), (48, 0))


def block(points: tuple[tuple[float, float], ...] = STAIRS, **rest: float) -> ReferenceBlock:
    return ReferenceBlock(
        name="stairs",
        length_mm=80.0,
        u_length_mm=0.005,
        points=points,
        u_across_mm=0.005,
        u_height_mm=0.003,
        **rest,
    )


def test_treads_and_faces() -> None:
    stairs = block()
    assert [(t.left_mm, t.right_mm, t.height_mm) for t in stairs.treads] == [
        (0, 24, 10),
        (24, 48, 20),
    ]
    assert [(f.across_mm, f.from_mm, f.to_mm) for f in stairs.faces] == [
        (0, 0, 10),
        (24, 10, 20),
        (48, 20, 0),
    ]
    assert stairs.ridges == ()
    assert (stairs.width_mm, stairs.height_mm) == (48, 20)
    assert [stairs.points[t.first] for t in stairs.treads] == [(0, 10), (24, 20)]


def test_ridge_and_gap_between_two_treads() -> None:
    """A roof between two steps; belt seen between them is no tread."""
    shape = block(((0, 0), (0, 5), (10, 5), (10, 0), (20, 0), (30, 8), (40, 0)))
    assert [(t.left_mm, t.right_mm) for t in shape.treads] == [(0, 10)]
    assert [(r.from_mm, r.to_mm) for r in shape.ridges] == [((20, 0), (30, 8)), ((30, 8), (40, 0))]


def test_temperature() -> None:
    """Reference: a 30 mm aluminium step (23.6e-6 /K) at 4 °C is 11.3 µm low (ISO 1 and table)."""
    tall = block(((0, 0), (0, 30), (24, 30), (24, 0)), expansion_per_k=23.6e-6)
    cold = tall.at_temperature(4.0)
    assert cold.height_mm - 30 == pytest.approx(-0.0113, abs=5e-5)
    assert cold.length_mm == pytest.approx(80 * (1 - 16 * 23.6e-6), rel=1e-12)
    assert cold.points[2][0] == pytest.approx(24 * (1 - 16 * 23.6e-6), rel=1e-12)
    assert tall.at_temperature(20.0) == tall
    back = cold.at_temperature(20.0)
    assert back.height_mm == pytest.approx(30, abs=1e-5)  # second order: (16·23.6e-6)²·30


def test_turned_end_for_end() -> None:
    turned = block().turned_end_for_end()
    assert list(turned.points) == [(0, 0), (0, 20), (24, 20), (24, 10), (48, 10), (48, 0)]
    assert turned.turned_end_for_end() == block()


def test_mirror_image() -> None:
    """Reference: the definition; a staircase is not its own mirror image, a plateau is."""
    plateau = ((5, 0), (5, 10), (15, 20), (25, 20), (35, 10), (35, 0))
    assert block(plateau).is_own_mirror_image()
    assert not block().is_own_mirror_image()
    nearly = ((5, 0), (5, 10), (15, 20), (25.01, 20), (35, 10), (35, 0))
    assert block(nearly).is_own_mirror_image()
    shifted = ((5, 0), (5, 10), (15, 20), (27, 20), (35, 10), (35, 0))
    assert not block(shifted).is_own_mirror_image()


@given(
    st.lists(st.tuples(st.floats(0.5, 30), st.floats(1, 50)), min_size=1, max_size=8),
    st.floats(-300, 300),
)
def test_any_staircase(steps: list[tuple[float, float]], start: float) -> None:
    """Reference: the widths and heights it was built from."""
    points: list[tuple[float, float]] = [(start, 0.0)]
    across = start
    for width, height in steps:
        points.append((across, height))
        across += width
        points.append((across, height))
    points.append((across, 0.0))
    kept = [p for p, q in zip(points, [None, *points], strict=False) if p != q]
    stairs = block(tuple(kept))
    area = sum((t.right_mm - t.left_mm) * t.height_mm for t in stairs.treads)
    assert area == pytest.approx(sum(width * height for width, height in steps), rel=1e-9)
    turned = stairs.turned_end_for_end()
    heights = [tread.height_mm for tread in stairs.treads]
    assert [tread.height_mm for tread in turned.treads] == heights[::-1]


TEXT = """format = "geomscan.block/1"
name = "stairs"
serial = "7"
certificate = "invented"
expansion_per_k = 23.6e-6
length_mm = 80.0
u_length_mm = 0.005
u_square_mm = 0.002
points = [[0, 0], [0, 10], [24, 10], [24, 20], [48, 20], [48, 0]]
u_across_mm = 0.005
u_height_mm = 0.003
u_common_height_mm = 0.002
reflectance = 0.6
"""


def read(folder: Path, text: str) -> ReferenceBlock:
    (folder / "block.toml").write_text(text, encoding="utf-8")
    return read_block(folder / "block.toml")


def test_file(tmp_path: Path) -> None:
    stairs = read(tmp_path, TEXT)
    assert stairs.reference_temperature_c == 20  # ISO 1
    assert stairs.profile_mm.shape == (6, 2)
    assert stairs.reflectance == 0.6


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[[0, 0], [0, 10]", "[[0, 10]", "start and end on the belt at height 0, got 10 and 0"),
        ("[48, 20], [48, 0]]", "[48, 20]]", "start and end on the belt at height 0, got 0 and 20"),
        ("[24, 20]", "[24, -1]", "point 4: expected height >= 0, got -1"),
        ("[24, 20]", "[23, 20]", "point 4: across must not fall"),
        ("[24, 20]", "[24, 10]", "points 3 and 4 are the same"),
        ("[24, 20]", "[24, nan]", "points.3.1: input should be a finite number"),
        ("length_mm = 80.0", "length_mm = 0", "length_mm: input should be greater than 0"),
        ("u_height_mm = 0.003", "u_height_mm = -1", "u_height_mm: input should be greater"),
        ("u_height_mm = 0.003\n", "", "u_height_mm: required but missing"),
        (
            "reflectance = 0.6",
            "reflectance = 60",
            "reflectance: input should be less than or equal",
        ),
        ('serial = "7"', "weight_g = 7", "weight_g: unknown key"),
        ("block/1", "recording/1", "expected a block file"),
    ],
)
def test_wrong_block_is_refused_in_one_line(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in TEXT
    with pytest.raises(InputError) as caught:
        read(tmp_path, TEXT.replace(old, new, 1))
    assert words in str(caught.value)
    assert "block.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_flat_profile_is_refused(tmp_path: Path) -> None:
    flat = "points = [[0, 0], [1, 0], [2, 0], [3, 0]]\n"
    text = "\n".join(flat.strip() if "points" in line else line for line in TEXT.splitlines())
    with pytest.raises(InputError, match="with width and height"):
        read(tmp_path, text)


def test_profile_is_a_copy() -> None:
    stairs = block()
    stairs.profile_mm[:] = 0
    assert np.array_equal(stairs.profile_mm, STAIRS)
