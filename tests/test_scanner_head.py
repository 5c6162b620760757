"""The sensor model against ray-plane geometry worked out by hand and against OpenCV's lens."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.scanner.head import HeadModel, undistort


def upright_head(lens: tuple[float, ...] = (0.0,) * 5) -> HeadModel:
    """Make a pinhole at (500, 0, 700) mm, f = 2000 px, that looks at the origin of the sheet x = 0.

    By hand: with the optical axis w = (−5, 0, −7)/√74, the sensor's right r = (0, 1, 0) (facing
    downstream) and down d = w × r = (7, 0, −5)/√74, a point (0, y, z) has depth
    (√74·100) − 7z/√74, right y and down −5z/√74, in mm.
    """
    root = np.sqrt(74.0)
    image = np.array(
        [[2000.0, 0.0, 0.0], [0.0, -2000 * 5 / root, 0.0], [0.0, -7 / root, 100 * root]]
    )
    to_unit = np.array([[1 / 640, 0, 0], [0, 1 / 640, 0], [0, 0, 1.0]])  # px to half widths
    plane = np.linalg.inv(to_unit @ image)
    return HeadModel(
        name="a",
        laser="main",
        sensor_size=(1280, 1024),
        homography=plane / plane[2, 2],
        distortion=np.array(lens),
    )


@pytest.mark.parametrize(("y", "z"), [(0.0, 0.0), (150.0, 0.0), (-120.0, 40.0), (33.0, -5.0)])
def test_rays_meet_the_sheet_where_geometry_says(y: float, z: float) -> None:
    """Reference: similar triangles, as in `upright_head`."""
    root = np.sqrt(74.0)
    depth = 100 * root - 7 * z / root
    column = 639.5 + 2000 * y / depth
    row = 511.5 + 2000 * (-5 * z / root) / depth
    head = upright_head()
    assert np.array(head.to_plane(column, row)) == pytest.approx(np.array([y, z]), abs=1e-9)
    assert np.array(head.from_plane(y, z)) == pytest.approx(np.array([column, row]), abs=1e-8)


def test_lens_terms_are_those_of_opencv() -> None:
    """Reference: cv2.projectPoints, the same Brown-Conrady polynomial, k1 k2 p1 p2 k3."""
    cv2 = pytest.importorskip("cv2")
    lens = np.array([-0.12, 0.03, 0.001, -0.002, 0.004])
    rng = np.random.default_rng(1)
    u, v = rng.uniform(-1, 1, 50), rng.uniform(-0.8, 0.8, 50)
    points = np.stack([u, v, np.ones_like(u)], axis=1)
    expected, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), np.eye(3), lens)
    found = np.stack(undistort(u, v, lens), axis=1)
    assert found == pytest.approx(expected.reshape(-1, 2), abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(
    y=st.floats(-200, 200),
    z=st.floats(-10, 90),
    k1=st.floats(-0.15, 0.15),
    k2=st.floats(-0.05, 0.05),
    p1=st.floats(-0.003, 0.003),
    p2=st.floats(-0.003, 0.003),
)
def test_there_and_back(y: float, z: float, k1: float, k2: float, p1: float, p2: float) -> None:
    """from_plane and to_plane undo each other over the whole region, to 1e-7 mm."""
    head = upright_head((k1, k2, p1, p2, 0.0))
    back = head.to_plane(*head.from_plane(y, z))
    assert back[0] == pytest.approx(y, abs=1e-7)
    assert back[1] == pytest.approx(z, abs=1e-7)


def test_shapes_broadcast_and_no_line_stays_no_line() -> None:
    head = upright_head()
    rows = np.full((3, 1280), 500.0)
    rows[1, 7] = np.nan
    y, z = head.to_plane(np.arange(1280.0), rows)
    assert y.shape == z.shape == (3, 1280)
    assert np.isnan(y[1, 7])
    assert np.count_nonzero(np.isnan(z)) == 1


def test_derivatives_follow_small_steps() -> None:
    """Reference: to_plane itself, over 1e-4 px."""
    head = upright_head((-0.1, 0.02, 1e-3, -1e-3, 0.0))
    y_c, y_r, z_c, z_r = head.mm_per_px(700.0, 480.0)
    at = head.to_plane(700.0, 480.0)
    right, down = head.to_plane(700.0001, 480.0), head.to_plane(700.0, 480.0001)
    assert (right[0] - at[0]) / 1e-4 == pytest.approx(y_c, rel=1e-4)
    assert (down[0] - at[0]) / 1e-4 == pytest.approx(y_r, rel=1e-2, abs=1e-6)
    assert (right[1] - at[1]) / 1e-4 == pytest.approx(z_c, rel=1e-2, abs=1e-6)
    assert (down[1] - at[1]) / 1e-4 == pytest.approx(z_r, rel=1e-4)


def test_a_model_cannot_be_changed_nor_made_of_nonsense() -> None:
    with pytest.raises(ValueError, match="read-only"):
        upright_head().homography[0, 0] = 1.0
    with pytest.raises(InputError, match="homography: expected finite numbers of shape"):
        HeadModel(
            name="a",
            laser="main",
            sensor_size=(10, 10),
            homography=np.eye(2),
            distortion=np.zeros(5),
        )
