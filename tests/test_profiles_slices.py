"""Slices against closed forms, plane cuts of triangle meshes, and their own invariants."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from profiles_pieces import Floats, Lobed, half_ellipsoid, piece_of, sampled, weigh

from geomscan.errors import InputError
from geomscan.mass.mass_map import MassMap
from geomscan.profiles.inverse import at_knots
from geomscan.profiles.slices import SliceProfile, slice_profile, slice_profiles

ANGLES = (0.0, 15.0, -15.0, 30.0, -30.0, 45.0, -45.0)


def running_cm3(profile: SliceProfile, s_mm: Floats) -> Floats:
    return at_knots(profile, profile.cumulative_cm3, s_mm)


@pytest.mark.parametrize("angle_deg", [*ANGLES, 0.3])
def test_box(angle_deg: float) -> None:
    """A box 100 × 60 × 25 mm: width × height × place of the cut at mid height."""
    profile = slice_profile(weigh(piece_of(np.full((200, 120), 25.0))), angle_deg=angle_deg)
    lean = 25 * math.tan(math.radians(angle_deg))
    s = profile.s_mm
    through = (s >= max(0, -lean)) & (s <= 100 - max(0, lean))
    assert profile.cumulative_cm3[through] == pytest.approx(
        60 * 25 * (s[through] + lean / 2) / 1000, rel=1e-12
    )
    assert s[0] == pytest.approx(min(0, -lean), abs=1e-12)
    assert s[-1] == pytest.approx(max(100, 100 - lean), rel=1e-12)


def test_ungula() -> None:
    """Height h·x/r over a half disc: (2h/3r)·(r³ − (r² − x²)^1.5) up to x (integrated by hand)."""
    r, h = 40.0, 30.0
    piece = sampled(
        lambda x, y: np.where(x**2 + y**2 < r**2, h * x / r, np.nan),
        x_range_mm=(0, r),
        y_range_mm=(-r, r),
    )
    profile = slice_profile(weigh(piece), angle_deg=0)
    s = profile.s_mm
    exact = 2 * h / (3 * r) * (r**3 - (r**2 - s**2) ** 1.5) / 1000
    assert exact[-1] == pytest.approx(32.0)  # the published total: 2 r² h / 3
    assert np.max(np.abs(profile.cumulative_cm3 - exact)) < 1e-4 * 32


@pytest.mark.parametrize("plan_deg", [0.0, 30.0, -20.0])
def test_half_ellipsoid_upright(plan_deg: float) -> None:
    """F(u) = (2 + 3u − u³)/4 with u = distance from the middle / half width along the normal."""
    a, b, height = 80.0, 50.0, 25.0
    profile = slice_profile(
        weigh(half_ellipsoid(a, b, height)), angle_deg=0, plan_angle_deg=plan_deg
    )
    tangent = math.tan(math.radians(plan_deg))
    u = np.clip((profile.s_mm - a) / math.hypot(a, b * tangent), -1, 1)
    volume = 2 * math.pi * a * b * height / 3 / 1000
    assert volume == pytest.approx(209.4395102)  # table value
    assert np.max(np.abs(profile.cumulative_cm3 - volume * (2 + 3 * u - u**3) / 4)) < 1e-4 * volume


@pytest.mark.parametrize("angle_deg", ANGLES)
def test_half_ellipsoid_slanted_through_the_middle(angle_deg: float) -> None:
    """A plane through the centre of a half ball cuts off a wedge: share (π/2 + angle)/π.

    Stretching the ball to the ellipsoid turns tan(angle) into tan(angle)·height/a.
    """
    a, b, height = 80.0, 50.0, 25.0
    profile = slice_profile(weigh(half_ellipsoid(a, b, height)), angle_deg=angle_deg)
    wedge = math.atan(math.tan(math.radians(angle_deg)) * height / a)
    share = 0.5 + wedge / math.pi
    volume = 2 * math.pi * a * b * height / 3 / 1000
    assert running_cm3(profile, np.array(a)) == pytest.approx(share * volume, abs=1e-4 * volume)


@pytest.mark.parametrize("plan_deg", [0.0, 30.0])
def test_paraboloid_upright(plan_deg: float) -> None:
    """F(u) = 1/2 + [u(1−u²)^1.5/4 + 3/8·(u√(1−u²) + asin u)] / (3π/8)."""
    a, b, height = 80.0, 50.0, 25.0
    piece = sampled(
        lambda x, y: height * (1 - ((x - a) / a) ** 2 - (y / b) ** 2),
        x_range_mm=(0, 2 * a),
        y_range_mm=(-b, b),
    )
    profile = slice_profile(weigh(piece), angle_deg=0, plan_angle_deg=plan_deg)
    u = (profile.s_mm - a) / math.hypot(a, b * math.tan(math.radians(plan_deg)))
    u = np.clip(u, -1, 1)
    root = np.sqrt(1 - u**2)
    share = 0.5 + (u * root**3 / 4 + 3 / 8 * (u * root + np.arcsin(u))) / (3 * math.pi / 8)
    volume = math.pi * a * b * height / 2 / 1000
    assert volume == pytest.approx(157.0796327)  # table value
    assert np.max(np.abs(profile.cumulative_cm3 - share * volume)) < 1e-4 * volume


def _against_plane_cuts(solid: Lobed, angles: tuple[float, ...], plan_deg: float = 0.0) -> float:
    """Largest error of the running volume at five places, as a share of the piece."""
    import trimesh

    vertices, faces = solid.triangles()
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    piece = sampled(
        solid.height,
        x_range_mm=(float(low[0]), float(high[0])),
        y_range_mm=(float(low[1]), float(high[1])),
    )
    worst = 0.0
    for profile in slice_profiles(weigh(piece), angles_deg=angles, plan_angle_deg=plan_deg):
        slope = math.tan(math.radians(profile.angle_deg))
        plan = math.tan(math.radians(plan_deg))
        s = profile.s_mm[0] + np.array([0.15, 0.3, 0.5, 0.7, 0.9]) * np.ptp(profile.s_mm)
        for place, mine in zip(s, running_cm3(profile, s), strict=True):
            part = trimesh.intersections.slice_mesh_plane(
                mesh,
                plane_normal=[-1.0, plan, slope],
                plane_origin=[low[0] + place, 0.0, 0.0],
                cap=True,
            )
            worst = max(worst, abs(mine - part.volume / 1000) / (mesh.volume / 1000))
    return worst


@pytest.mark.parametrize("seed", [1, 2])
def test_lobed_solids_against_plane_cuts_of_their_mesh(seed: int) -> None:
    solid = Lobed.drawn(np.random.default_rng(seed), n_around=60, n_rings=20)
    # the outline runs through cells: 1e-3 is allowed there, far less is reached
    assert _against_plane_cuts(solid, (0.0, 30.0, -45.0)) < 1e-4
    assert _against_plane_cuts(solid, (15.0,), plan_deg=25.0) < 1e-4


@pytest.mark.slow
def test_fifty_lobed_solids_against_plane_cuts() -> None:
    rng = np.random.default_rng(8)
    worst = [_against_plane_cuts(Lobed.drawn(rng), ANGLES) for _ in range(50)]
    assert max(worst) < 1e-4


# ------------------------------------------------------------------ invariants

_heights = arrays(
    np.float64,
    st.tuples(st.integers(1, 14), st.integers(1, 9)),
    elements=st.one_of(st.just(np.nan), st.floats(0.01, 40)),
).filter(lambda z: bool(np.isfinite(z).any()))
_angles = st.one_of(st.sampled_from(ANGLES), st.floats(-45, 45))


def _random_piece(z: Floats, seed: int = 0) -> MassMap:
    rng = np.random.default_rng(seed)
    cover = np.where(np.isfinite(z), rng.uniform(0.05, 1, z.shape), 0.0)
    density = rng.uniform(0.9e-3, 1.1e-3, z.shape)
    return weigh(
        piece_of(z, cover=cover), density_g_mm3=density, fat_share=rng.uniform(0, 1, z.shape)
    )


@settings(deadline=None, max_examples=60)
@given(_heights, _angles, st.sampled_from([0.0, 0.0, 20.0, -45.0]), st.floats(0.3, 7))
def test_slices_add_up_to_the_piece(z: Floats, angle: float, plan: float, step: float) -> None:
    mass_map = _random_piece(z)
    profile = slice_profile(mass_map, angle_deg=angle, plan_angle_deg=plan, step_mm=step)
    width = np.diff(profile.s_mm)
    assert np.all(width > 0)
    for per_mm, whole in (
        (profile.volume_cm3_per_mm, np.sum(mass_map.volume_mm3) / 1000),
        (profile.mass_g_per_mm, np.sum(mass_map.mass_g)),
        (profile.fat_g_per_mm, np.sum(mass_map.fat_g)),
    ):
        assert np.sum(per_mm[:-1] * width) == pytest.approx(whole, rel=1e-12, abs=1e-300)
        assert np.all(per_mm >= -1e-9 * whole)
    assert profile.cumulative_g[0] == 0
    assert profile.cumulative_g[-1] == pytest.approx(np.sum(mass_map.mass_g), rel=1e-12)


@settings(deadline=None, max_examples=40)
@given(_heights, _angles, st.sampled_from([0.0, 30.0]))
def test_a_mirrored_piece_has_the_mirrored_profile(z: Floats, angle: float, plan: float) -> None:
    """Turned end for end along x, with the blade leaning the other way.

    The piece is a whole number of steps long, so that the knots mirror onto each other.
    """
    there = _random_piece(z)
    back = weigh(
        piece_of(z[::-1], cover=there.piece.cover[::-1]), density_g_mm3=there.density_g_mm3[::-1]
    )
    length = there.piece.length_mm
    one = slice_profile(there, angle_deg=angle, plan_angle_deg=plan, step_mm=0.5)
    other = slice_profile(back, angle_deg=-angle, plan_angle_deg=-plan, step_mm=0.5)
    whole = one.cumulative_g[-1]
    assert one.s_mm == pytest.approx(length - other.s_mm[::-1], abs=1e-6)
    assert one.cumulative_g == pytest.approx(whole - other.cumulative_g[::-1], abs=1e-8 * whole)
    assert one.width_mm[:-1] == pytest.approx(other.width_mm[-2::-1], abs=1e-9)
    assert one.thickness_max_mm[:-1] == pytest.approx(other.thickness_max_mm[-2::-1], abs=1e-5)


@settings(deadline=None, max_examples=40)
@given(_heights, _angles, st.sampled_from([0.0, 20.0]))
def test_a_finer_step_changes_nothing_but_resolution(z: Floats, angle: float, plan: float) -> None:
    mass_map = _random_piece(z)
    coarse = slice_profile(mass_map, angle_deg=angle, plan_angle_deg=plan, step_mm=1.0)
    fine = slice_profile(mass_map, angle_deg=angle, plan_angle_deg=plan, step_mm=0.25)
    shared = np.isin(np.round(coarse.s_mm, 6), np.round(fine.s_mm, 6))
    assert shared.all()
    whole = coarse.cumulative_g[-1]
    assert at_knots(fine, fine.cumulative_g, coarse.s_mm) == pytest.approx(
        coarse.cumulative_g, abs=1e-9 * whole
    )


@settings(deadline=None, max_examples=25)
@given(_heights, _angles)
def test_quick_and_direct_sums_agree(z: Floats, angle: float) -> None:
    """Two ways to the same sums: tops and feet alone, and every column cut one by one.

    A plan angle of a billionth of a degree takes the second way and moves nothing.
    """
    mass_map = _random_piece(z)
    quick = slice_profile(mass_map, angle_deg=angle)
    direct = slice_profile(mass_map, angle_deg=angle, plan_angle_deg=1e-9)
    whole = quick.cumulative_g[-1]
    s = quick.s_mm[1:-1]
    assert at_knots(direct, direct.cumulative_g, s) == pytest.approx(
        quick.cumulative_g[1:-1], abs=1e-8 * whole
    )
    assert direct.thickness_max_mm.max() == pytest.approx(quick.thickness_max_mm.max(), rel=1e-6)


def test_plus_and_minus_zero_degrees_agree() -> None:
    mass_map = _random_piece(np.random.default_rng(1).uniform(1, 30, (30, 20)))
    plus, minus, near = (slice_profile(mass_map, angle_deg=a) for a in (0.0, -0.0, 1e-7))
    assert np.array_equal(plus.cumulative_g, minus.cumulative_g)
    assert near.cumulative_g[1:-1] == pytest.approx(plus.cumulative_g[1:-1], rel=1e-6)


def test_columns_against_points_thrown_into_them() -> None:
    """Independent: half a million points drawn in the columns and counted before each blade."""
    rng = np.random.default_rng(5)
    z = rng.uniform(3, 30, (12, 8))
    piece = piece_of(z, y_first_mm=-2.0, lane_middle_mm=0.5)
    profile = slice_profile(weigh(piece), angle_deg=-35, plan_angle_deg=28)
    i, j = np.unravel_index(rng.choice(z.size, 500_000, p=(z / z.sum()).ravel()), z.shape)
    x = 0.5 * (i + rng.uniform(0, 1, i.size))
    y = -2.25 + 0.5 * (j + rng.uniform(0, 1, i.size))
    height = z[i, j] * rng.uniform(0, 1, i.size)
    s = x - height * math.tan(math.radians(-35)) - (y - 0.5) * math.tan(math.radians(28))
    counted = np.searchsorted(np.sort(s), profile.s_mm) / s.size
    # five standard deviations of a share counted from half a million points
    assert profile.cumulative_g / profile.cumulative_g[-1] == pytest.approx(
        counted, abs=5 * 0.5 / math.sqrt(s.size)
    )
    assert profile.s_mm[0] <= s.min()
    assert s.max() <= profile.s_mm[-1]


def test_width_and_height_of_slices() -> None:
    """Two plateaus, 4 mm high and 10 mm wide, then 20 mm high and 4 mm wide in the middle."""
    z = np.full((40, 20), np.nan)
    z[:20] = 4.0
    z[20:, 6:14] = 20.0
    mass_map = weigh(piece_of(z))
    upright = slice_profile(mass_map, angle_deg=0)
    assert upright.width_mm[:10] == pytest.approx(10)
    assert upright.width_mm[10:20] == pytest.approx(4)
    assert upright.thickness_max_mm[9:11] == pytest.approx([4, 20])
    slanted = slice_profile(mass_map, angle_deg=45)
    # at 45° the slice from s = 5 to 6 holds x − z in that range: 4 mm high ground up to x = 10,
    # then the narrow block from z = 10 − 6 up to 20 − 5
    k = int(np.flatnonzero(np.isclose(slanted.s_mm, 5))[0])
    assert slanted.width_mm[k] == pytest.approx(10)
    assert slanted.thickness_max_mm[k] == pytest.approx(15)
    assert slanted.width_mm[0] == pytest.approx(4)
    assert slanted.thickness_max_mm[0] == pytest.approx(20)


def test_without_density_mass_is_unknown_and_volume_known() -> None:
    profile = slice_profile(weigh(piece_of(np.full((8, 6), 9.0)), density_g_mm3=None), angle_deg=20)
    assert not profile.has_mass
    assert np.isnan(profile.cumulative_g).all()
    assert np.isnan(profile.u_cumulative_g).all()
    assert profile.cumulative_cm3[-1] == pytest.approx(4 * 3 * 9 / 1000)
    assert np.isfinite(profile.u_cumulative_cm3).all()


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"angle_deg": 46}, "angle_deg: expected −45 to 45 degrees, got 46"),
        ({"angle_deg": math.nan}, "angle_deg"),
        ({"angle_deg": 0, "plan_angle_deg": -60}, "plan_angle_deg"),
        ({"angle_deg": 0, "step_mm": 0}, "step_mm: expected a distance above 0"),
    ],
)
def test_wrong_calls_are_refused(options: dict[str, float], text: str) -> None:
    with pytest.raises(InputError, match=text):
        slice_profile(weigh(piece_of(np.full((4, 4), 5.0))), **options)


def test_an_empty_map_is_refused() -> None:
    with pytest.raises(InputError, match=r"piece 1: no covered cell in a map of shape \(3, 4\)"):
        slice_profile(weigh(piece_of(np.full((3, 4), np.nan))), angle_deg=0)


def test_without_a_lane_a_plan_angle_turns_about_the_middle_of_the_belt() -> None:
    z = np.random.default_rng(9).uniform(5, 20, (20, 10))
    known, unknown = (
        slice_profile(weigh(piece_of(z, lane_middle_mm=y)), angle_deg=10, plan_angle_deg=20)
        for y in (0.0, math.nan)
    )
    assert np.array_equal(known.cumulative_g, unknown.cumulative_g)
