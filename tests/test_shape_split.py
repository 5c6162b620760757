"""Touching pieces parted, single ones left whole, on heights given in closed form."""

import numpy as np
import numpy.typing as npt
import pytest
from test_shape_scenes import ELLIPSOID, Scanner, Solid, belt_lines, scan, truth_of

from geomscan.shape.finder import PieceFinder
from geomscan.shape.settings import ShapeSettings
from geomscan.shape.split import Parts, part_pieces

Floats = npt.NDArray[np.float64]
CELL = 0.5


def dome(
    rng: np.random.Generator, shape: tuple[int, int], at: tuple[float, float], *,
    half_axes: tuple[float, float] = (55.0, 36.0), yaw: float | None = None,
    side: tuple[float, float] | None = None, rim: float = 0.0, lobes: float = 0.08,
) -> Floats:  # fmt: skip
    """Lobed, domed piece; side: direction and distance of a side that lies flat to a neighbour."""
    x = (np.arange(shape[0]) * CELL - at[0])[:, None]
    y = (np.arange(shape[1]) * CELL - at[1])[None, :]
    turn = rng.uniform(0, np.pi) if yaw is None else yaw
    angle = np.arctan2(y, x) - turn
    a, b = half_axes
    radius = a * b / np.hypot(b * np.cos(angle), a * np.sin(angle))
    for order in (2, 3):
        radius = radius * (
            1 + rng.uniform(0, lobes) * np.cos(order * angle + rng.uniform(0, 2 * np.pi))
        )
    if side is not None:
        facing = np.cos(np.arctan2(y, x) - side[0])
        radius = np.minimum(
            radius, np.where(facing > 1e-6, side[1] / np.maximum(facing, 1e-6), 1e9)
        )
    q = 1 - (np.hypot(x, y) / radius) ** 2
    high = rng.uniform(20, 34)
    return np.where(q > 0, rim + (high - rim) * np.maximum(q, 0) ** rng.uniform(0.6, 1.0), 0.0)


def parts_of(height: Floats) -> Parts:
    return part_pieces(height.astype(np.float32), height > 0.3, cell_mm=CELL)


def errors_of(told: Parts, bodies: list[Floats]) -> list[float]:
    """Volume of each part against the body it holds most of."""
    assert told.labels is not None
    height = np.max(bodies, axis=0)
    errors = []
    for body in bodies:
        names = np.bincount(told.labels[(body > 0.3) & (body >= height)])
        own = told.labels == int(np.argmax(names[1:])) + 1
        errors.append(float(height[own].sum() / body.sum() - 1))
    return errors


def lying_side_by_side(rng: np.random.Generator) -> list[Floats]:
    """Two pieces flattened against each other along up to a third of the shorter outline."""
    facing = rng.uniform(0, 2 * np.pi)
    bodies = []
    for turn in (0.0, np.pi):
        distance = rng.uniform(24.0, 34.0)
        away = facing + turn
        at = (95.0 - distance * np.cos(away), 95.0 - distance * np.sin(away))
        bodies.append(
            dome(
                rng, (380, 380), at, yaw=away + np.pi / 2, side=(away, distance),
                rim=float(rng.choice([0.0, 4.0])),
            )
        )  # fmt: skip
    return bodies


def test_pieces_side_by_side_are_parted() -> None:
    # truth: the bodies themselves, drawn one by one
    rng = np.random.default_rng(41)
    for _ in range(12):
        bodies = lying_side_by_side(rng)
        told = parts_of(np.max(bodies, axis=0))
        assert told.labels is not None
        assert told.labels.max() == 2
        assert max(map(abs, errors_of(told, bodies))) < 0.01


@pytest.mark.slow
def test_of_two_hundred_pairs_nearly_all_are_parted_and_no_lobed_piece_is() -> None:
    # truth: the bodies themselves; at least 98 %, volumes of each within 1 %
    rng = np.random.default_rng(51)
    right = 0
    for _ in range(200):
        bodies = lying_side_by_side(rng)
        told = parts_of(np.max(bodies, axis=0))
        if told.labels is not None and told.labels.max() == 2:
            right += max(map(abs, errors_of(told, bodies))) < 0.01
        assert parts_of(dome(rng, (280, 280), (70.0, 70.0), lobes=0.15)).labels is None
    assert right >= 196


def test_a_narrow_gap_counts_as_a_seam() -> None:
    # cells within two of each other are one region: the pieces in it are two all the same
    rng = np.random.default_rng(42)
    one = dome(rng, (300, 200), (40.0, 50.0), half_axes=(35.0, 35.0), lobes=0.0)
    other = dome(rng, (300, 200), (110.8, 50.0), half_axes=(35.0, 35.0), lobes=0.0)
    told = parts_of(one + other)
    assert told.labels is not None
    assert told.labels.max() == 2
    assert max(map(abs, errors_of(told, [one, other]))) < 0.005


def test_three_in_a_row_are_three() -> None:
    rng = np.random.default_rng(43)
    bodies = [
        dome(rng, (460, 200), (40.0 + 73.0 * k, 50.0), half_axes=(36.0, 36.0), lobes=0.0)
        for k in range(3)
    ]
    told = parts_of(np.max(bodies, axis=0))
    assert told.labels is not None
    assert told.labels.max() == 3
    assert max(map(abs, errors_of(told, bodies))) < 0.01


def test_lobed_pieces_stay_whole() -> None:
    rng = np.random.default_rng(44)
    for _ in range(30):
        told = parts_of(dome(rng, (280, 280), (70.0, 70.0), lobes=0.15))
        assert told.labels is None
        assert not told.doubtful


def waisted(neck: float, thin: float) -> Floats:
    """One piece with a smooth waist: share of its width and of its thickness left there."""
    x = (np.arange(280) * CELL - 70.0)[:, None]
    y = (np.arange(180) * CELL - 45.0)[None, :]
    narrow = np.exp(-((x / 18.0) ** 2))
    half = 38.0 * (1 - (1 - neck) * narrow) * np.sqrt(np.maximum(1 - (x / 66.0) ** 4, 0))
    q = np.maximum(1 - (y / np.maximum(half, 1e-6)) ** 2, 0)
    end = np.maximum(1 - (x / 66.0) ** 6, 0)
    return np.asarray(26.0 * (1 - (1 - thin) * narrow) * q**0.8 * end)


@pytest.mark.parametrize(("neck", "thin"), [(0.7, 0.9), (0.5, 0.8), (0.45, 0.7)])
def test_a_waist_does_not_part_a_piece(neck: float, thin: float) -> None:
    assert parts_of(waisted(neck, thin)).labels is None


def test_a_groove_does_not_part_a_piece() -> None:
    # over its whole width, 35 % of the thickness deep: a cleft, no gap
    rng = np.random.default_rng(45)
    height = dome(rng, (280, 280), (70.0, 70.0), yaw=0.0)
    x = (np.arange(280) * CELL - 70.0)[:, None]
    assert parts_of(height * (1 - 0.35 * np.exp(-((x / 6.0) ** 2)))).labels is None


def test_walls_that_meet_flush_are_doubted_or_parted() -> None:
    # upright walls leave no valley: by the outline alone, and only where little is shared
    for shared, parted in ((12.0, True), (20.0, False)):
        both = np.zeros((320, 240))
        both[30:150, 20:110] = 25.0
        first = 150 - int(shared / CELL)
        both[first : first + 120, 110:210] = 22.0
        told = parts_of(both)
        assert (told.labels is not None) == parted
        assert parted or told.doubtful


@pytest.mark.parametrize("heads", ["ab", "a", "b"])
def test_a_neighbours_hidden_flank_is_not_taken(heads: str) -> None:
    # one behind the other along the belt: a single head sees only one side of the valley between;
    # truth: solids integrated in the scenes' own module
    scanner = Scanner(half_mm=60.0)
    solids = [
        Solid(ELLIPSOID, 50.0, 0.0, (34.0, 30.0, 22.0)),
        Solid(ELLIPSOID, 118.5, 6.0, (34.0, 30.0, 24.0)),
    ]
    e = np.arange(0.0, 175.0, 0.8)
    lines = scan(solids, e, scanner=scanner, heads=heads, seed=3, rays_per_column=2)
    finder = PieceFinder(scanner.geometry(heads), ShapeSettings())
    pieces = []
    for i in range(0, len(e), 64):
        part = slice(i, i + 64)
        pieces += finder.push(belt_lines(e[part]), {n: h.part(part) for n, h in lines.items()})
    pieces = sorted(pieces + finder.finish(), key=lambda p: p.x0_mm)
    assert len(pieces) == 2
    for piece, solid in zip(pieces, solids, strict=True):
        measured = float(piece.cell_volume_mm3.sum())
        assert measured == pytest.approx(truth_of(solid, 0.1).volume, rel=0.01)
