"""Pieces from lines: volumes of known solids, streaming, events, numbering, flags."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pytest
from test_shape_scenes import (
    BOX,
    CAP,
    PARABOLOID,
    Scanner,
    Solid,
    belt_lines,
    scan,
    truth_of,
)

from geomscan.errors import InputError
from geomscan.shape.budget import CalibrationErrors, thickness_effect
from geomscan.shape.finder import PieceFinder
from geomscan.shape.flags import FLAGS
from geomscan.shape.geometry import BeltLines, CommonModes, HeadGeometry, HeadLines, ShapeGeometry
from geomscan.shape.piece_map import PieceMap
from geomscan.shape.settings import EdgeSettings, GridSettings, ShapeSettings

Floats = npt.NDArray[np.float64]


def find(
    lines: dict[str, HeadLines], e: Floats, *, block: int = 64,
    missing: npt.NDArray[np.int64] | None = None, settings: ShapeSettings | None = None,
    lanes: Sequence[tuple[float, float]] = ((-200.0, -3.0), (3.0, 200.0)),
) -> list[PieceMap]:  # fmt: skip
    finder = PieceFinder(Scanner().geometry("".join(lines)), settings or ShapeSettings(), lanes)
    pieces = []
    for first in range(0, len(e), block):
        part = slice(first, first + block)
        belt = BeltLines(e_mm=e[part], n_missing_before=None if missing is None else missing[part])
        pieces += finder.push(belt, {name: head.part(part) for name, head in lines.items()})
    return pieces + finder.finish()


def volume(piece: PieceMap) -> float:
    return float(piece.cell_volume_mm3.sum())


def u_volume(piece: PieceMap) -> float:
    return float(
        np.sqrt(sum((t.delta_mm * piece.cover).sum() ** 2 for t in piece.terms)) * piece.cell_mm**2
    )


# one line a 1.2 mm keeps the scene quick; the solids stand in two lanes
SOLIDS = [
    Solid(PARABOLOID, 55.0, -70.0, (32.0, 24.0, 16.0)),
    Solid(BOX, 75.0, 65.0, (50.0, 30.0, 18.0), yaw=8.0),
    Solid(CAP, 150.0, -70.0, (28.0, 14.0)),
]


@pytest.fixture(scope="module")
def scene() -> tuple[dict[str, HeadLines], Floats]:
    e = np.arange(0.0, 215.0, 0.8)
    scanner = Scanner(half_mm=120.0)
    return scan(SOLIDS, e, scanner=scanner, seed=1, rays_per_column=2), e


@pytest.mark.parametrize(
    ("heads", "limits"), [("ab", (0.001, 0.004, 0.001)), ("a", (0.006, 0.015, 0.006))]
)
def test_volumes_of_known_solids(
    scene: tuple[dict[str, HeadLines], Floats], heads: str, limits: tuple[float, ...]
) -> None:
    # closed forms, integrated numerically in the scenes' own test
    lines, e = scene
    pieces = find({h: lines[h] for h in heads}, e)
    assert [p.piece for p in sorted(pieces, key=lambda p: (p.x0_mm, p.extra["y_mm"]))] == [1, 2, 3]
    for piece, solid, limit in zip(
        sorted(pieces, key=lambda p: p.piece), SOLIDS, limits, strict=True
    ):
        truth = truth_of(solid, 0.1)
        assert volume(piece) == pytest.approx(truth.volume, rel=limit)
        assert piece.lane == (1 if solid.y < 0 else 2)
        if heads == "ab":
            assert piece.x0_mm == pytest.approx(truth.x0, abs=0.5)
            assert piece.length_mm == pytest.approx(truth.length, abs=0.9)
            assert piece.width_mm == pytest.approx(truth.width, abs=0.9)
        assert piece.flags <= set(FLAGS)
        # leading edge and encoder: count = travel / mm per count, from 0
        assert piece.encoder == pytest.approx(piece.x0_mm / 0.05)


def test_shadows_are_reported_by_kind(scene: tuple[dict[str, HeadLines], Floats]) -> None:
    lines, e = scene
    box = next(p for p in find(lines, e) if p.lane == 2)
    assert "shadowed" in box.flags
    assert "steep_rim" in box.flags
    assert box.extra["shadow_fan_fraction"] > 0.01
    alone = next(p for p in find({"b": lines["b"]}, e) if p.lane == 2)
    assert u_volume(alone) > u_volume(box)


def test_results_do_not_depend_on_the_blocks(scene: tuple[dict[str, HeadLines], Floats]) -> None:
    lines, e = scene
    first = [volume(p) for p in find(lines, e, block=64)]
    second = [volume(p) for p in find(lines, e, block=17)]
    assert second == pytest.approx(first, rel=1e-4)  # the belt seen until then differs


def test_a_piece_comes_out_as_soon_as_it_has_passed(
    scene: tuple[dict[str, HeadLines], Floats],
) -> None:
    lines, e = scene
    finder = PieceFinder(Scanner().geometry("ab"), ShapeSettings())
    out: list[float] = []
    for i in range(len(e)):
        part = slice(i, i + 1)
        pieces = finder.push(
            belt_lines(e[part]), {name: head.part(part) for name, head in lines.items()}
        )
        out += [float(e[i]) - (p.x0_mm + p.length_mm) for p in pieces]
    assert len(out) >= 2
    # margin of 4 mm, lean of the sheet and skew over the belt
    assert max(out) < 20.0


def test_events_are_named_and_leave_the_volume(scene: tuple[dict[str, HeadLines], Floats]) -> None:
    lines, e = scene
    truth = volume(find(lines, e)[0])
    index = np.arange(len(e))
    # stop for 5 lines, 5 mm back and over the same ground again, lines lost
    at = int(np.searchsorted(e, 50.0))
    back = int(5.0 / 0.8)
    order = np.concatenate([index[:at], np.full(5, at), index[at - back : at], index[at:]])
    rng = np.random.default_rng(4)
    lost = np.sort(rng.choice(np.arange(40, 110), 3, replace=False))
    kept = np.delete(np.arange(len(order)), lost)
    missing = np.diff(kept, prepend=-1) - 1
    order = order[kept]
    pieces = find(
        {name: HeadLines(
            y_mm=h.y_mm[order], z_mm=h.z_mm[order], u_z_mm=h.u_z_mm[order],
            reflectance=None if h.reflectance is None else h.reflectance[order],
        ) for name, h in lines.items()},
        e[order], missing=missing,
    )  # fmt: skip
    first = next(p for p in pieces if p.lane == 1 and p.x0_mm < 60)
    assert volume(first) == pytest.approx(truth, rel=0.005)
    assert {"belt_stopped", "belt_reversed", "lines_missing"} <= first.flags


def test_pieces_cut_by_the_recording_are_flagged(
    scene: tuple[dict[str, HeadLines], Floats],
) -> None:
    lines, e = scene
    part = (e > 55.0) & (e < 150.0)
    pieces = find({n: h.part(np.flatnonzero(part)) for n, h in lines.items()}, e[part] - e[part][0])  # type: ignore[arg-type]
    flags = [p.flags for p in sorted(pieces, key=lambda p: p.x0_mm)]
    assert "cut_by_start" in flags[0]
    assert "cut_by_end" in flags[-1]


def test_a_lane_border_through_a_piece_is_flagged(
    scene: tuple[dict[str, HeadLines], Floats],
) -> None:
    lines, e = scene
    pieces = find(lines, e, lanes=((-200.0, -75.0), (-75.0, 200.0)))
    assert all("crosses_lane_border" in p.flags for p in pieces if p.extra["y_mm"] < 0)


def test_belt_zero_follows_a_sagging_drifting_belt(
    scene: tuple[dict[str, HeadLines], Floats],
) -> None:
    lines, e = scene
    plain = [volume(p) for p in sorted(find(lines, e), key=lambda p: p.piece)]
    moved = {}
    for name, head in lines.items():
        y = np.nan_to_num(head.y_mm)
        sag = 0.4 + 0.3 * (y / 100.0) ** 2 + 0.1 * np.sin(e / 60.0)[:, None]
        moved[name] = HeadLines(
            y_mm=head.y_mm, z_mm=(head.z_mm + sag).astype(np.float32), u_z_mm=head.u_z_mm,
            reflectance=head.reflectance,
        )  # fmt: skip
    pieces = sorted(find(moved, e), key=lambda p: p.piece)
    assert [volume(p) for p in pieces] == pytest.approx(plain, rel=0.004)
    assert all(p.extra["u_belt_zero_mm"] > 0 for p in pieces)


def test_a_head_that_reads_high_is_noticed(scene: tuple[dict[str, HeadLines], Floats]) -> None:
    lines, e = scene
    head = lines["b"]
    wrong = HeadLines(
        y_mm=head.y_mm, z_mm=(head.z_mm * 1.02).astype(np.float32), u_z_mm=head.u_z_mm,
        reflectance=head.reflectance,
    )  # fmt: skip
    assert not any("heads_disagree" in p.flags for p in find(lines, e))
    assert all("heads_disagree" in p.flags for p in find({"a": lines["a"], "b": wrong}, e))


def test_edge_correction_takes_a_triangle_off_steep_rims(
    scene: tuple[dict[str, HeadLines], Floats],
) -> None:
    lines, e = scene
    plain = next(p for p in find(lines, e) if p.lane == 2)
    edge = EdgeSettings(undercut_mm=2.0, u_undercut_mm=0.5)
    piece = next(p for p in find(lines, e, settings=ShapeSettings(edge=edge)) if p.lane == 2)
    # perimeter 160 mm, 18 mm high, triangle 2 mm deep: 160 · 18 · 2 / 2 mm³ (corners counted twice)
    assert volume(plain) - volume(piece) == pytest.approx(160 * 18 * 2 / 2, rel=0.15)
    term = next(t for t in piece.terms if t.name == "edge correction")
    taken = (term.delta_mm * piece.cover).sum() * piece.cell_mm**2
    assert taken == pytest.approx(160 * 18 * 0.5 / 2, rel=0.15)


def test_wrong_calls_say_what_was_expected(scene: tuple[dict[str, HeadLines], Floats]) -> None:
    lines, e = scene
    finder = PieceFinder(Scanner().geometry("ab"), ShapeSettings(grid=GridSettings(cell_mm=1.0)))
    with pytest.raises(InputError, match="expected heads"):
        finder.push(belt_lines(e), {"a": lines["a"]})
    with pytest.raises(InputError, match="expected 10 lines"):
        finder.push(belt_lines(e[:10]), lines)
    with pytest.raises(InputError, match="at least one head"):
        ShapeGeometry(heads={}, y_first_mm=0.0, y_last_mm=1.0)


def test_calibration_errors_equal_the_volume_of_a_displaced_body() -> None:
    # a prism of 40 x 30 mm ground and 20 mm height, its surface displaced point by point and its
    # volume taken by the divergence theorem on the displaced box (independent of the package)
    y, z = np.linspace(-100, 100, 81), np.linspace(0, 40, 41)
    yy, zz = np.meshgrid(y, z, indexing="ij")
    dy, dz = 1e-4 * yy * zz + 2e-4 * yy, 3e-4 * zz + 1e-3 + 1e-6 * yy * zz
    delta = np.stack([np.zeros_like(dy), dy, dz])[None]
    modes = CommonModes(y_mm=y, z_mm=z, delta_mm=delta, stretch=np.array([5e-4]))
    effect = thickness_effect(modes)[0]
    at = np.searchsorted(z, 20.0)
    inside = (y >= 10.0) & (y <= 40.0)
    change = np.trapezoid(effect[inside, at], y[inside]) * 40.0
    # moved faces: top up by dz(20) - dz(0), sides out by dy at each height, length by the stretch
    top = np.trapezoid((dz[inside, at] - dz[inside, 0]), y[inside]) * 40.0
    low, high = np.searchsorted(y, 10.0), np.searchsorted(y, 40.0)
    sides = np.trapezoid(dy[high, : at + 1] - dy[low, : at + 1], z[: at + 1]) * 40.0
    assert change == pytest.approx(top + sides + 40.0 * 30.0 * 20.0 * 5e-4, rel=1e-3)
    heads = {"a": HeadGeometry(modes=modes)}
    errors = CalibrationErrors(heads)
    assert errors.u_mm(25.0, 20.0) == pytest.approx(
        abs(effect[np.searchsorted(y, 25.0), at]), rel=0.02
    )
