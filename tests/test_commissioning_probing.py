"""Probing errors on balls and cylinders whose size and form are known by construction."""

from pathlib import Path

import numpy as np
import pytest

from geomscan.commissioning.probing import Cloud, Probing, probe
from geomscan.errors import CalibrationError, InputError
from geomscan.recording.block import (
    ReferenceBlock,
    RoundReference,
    RoundShape,
    read_block,
    read_reference,
)

RADIUS_MM, HEIGHT_MM = 50.0, 20.0


def reference(kind: str, **more: float) -> RoundReference:
    shape = RoundShape.model_validate(
        {"kind": kind, "radius_mm": RADIUS_MM, "u_radius_mm": 0.001, "height_mm": HEIGHT_MM}
    )
    return RoundReference.model_validate({"name": "round", "shape": shape, **more})


def ball(wave_mm: float = 0.0, radius: float = RADIUS_MM) -> Cloud:
    """Points of a cap seen from above, with waves of known height along the normal."""
    x, y = (v.ravel() for v in np.meshgrid(*2 * [np.linspace(-34, 34, 120)]))
    up = np.sqrt(radius**2 - x**2 - y**2)
    points = np.stack([x, y, up], axis=1)
    waves = wave_mm * np.cos(2.1 * x) * np.cos(2.1 * y)
    points = points * (1 + waves / radius)[:, None] + [7.0, -30.0, HEIGHT_MM - RADIUS_MM]
    points = points[points[:, 2] > 1.0]
    return Cloud(points_mm=points, modes_mm=np.zeros((0, 3, len(points))))


def lying(yaw_deg: float, radius: float = RADIUS_MM) -> Cloud:
    """Points of a lying cylinder of 120 mm, its axis turned and off to a side."""
    along, angle = (
        v.ravel()
        for v in np.meshgrid(np.linspace(-60, 60, 150), np.radians(np.linspace(-45, 45, 90)))
    )
    across, up = radius * np.sin(angle), radius * np.cos(angle) + HEIGHT_MM - RADIUS_MM
    c, s = np.cos(np.radians(yaw_deg)), np.sin(np.radians(yaw_deg))
    points = np.stack([c * along - s * across + 200, s * along + c * across - 40, up], axis=1)
    points = points[points[:, 2] > 1.0]
    return Cloud(points_mm=points, modes_mm=np.zeros((0, 3, len(points))))


def measure(cloud: Cloud, kind: str = "sphere", temperature_c: float | None = None) -> Probing:
    return probe(cloud, reference(kind), temperature_c=temperature_c, recording="r", head="a")


def test_a_perfect_ball_has_no_errors() -> None:
    """Reference: the ball itself."""
    found = measure(ball())
    assert found.radius_mm == pytest.approx(RADIUS_MM, abs=1e-4)
    assert found.form_mm < 1e-6


def test_size_and_form_are_those_put_in() -> None:
    """Reference: radius 0.03 mm too large; waves of ±0.05 mm: closed form for size and range.

    The range of waves is twice their amplitude.
    """
    assert measure(ball(radius=RADIUS_MM + 0.03)).size_error_mm == pytest.approx(0.06, abs=1e-3)
    found = measure(ball(wave_mm=0.05))
    assert found.size_error_mm == pytest.approx(0.0, abs=0.004)
    assert found.form_mm == pytest.approx(0.1, rel=0.04)
    assert found.form95_mm < found.form_mm


@pytest.mark.parametrize("yaw_deg", [0.0, 25.0, 90.0, -70.0])
def test_a_lying_cylinder_whichever_way_it_lies(yaw_deg: float) -> None:
    """Reference: the cylinder itself, 0.02 mm larger than its certificate."""
    found = measure(lying(yaw_deg, RADIUS_MM + 0.02), "cylinder")
    assert found.size_error_mm == pytest.approx(0.04, abs=1e-3)
    assert found.form_mm < 1e-3


def test_common_errors_reach_the_radius() -> None:
    """Reference: a scale wrong by 1 in 1000 everywhere makes the radius wrong by 1 in 1000."""
    plain = ball()
    about = plain.points_mm - [7.0, -30.0, HEIGHT_MM - RADIUS_MM]
    scaled = Cloud(points_mm=plain.points_mm, modes_mm=1e-3 * about.T[None])
    assert measure(scaled).u_radius_mm == pytest.approx(1e-3 * RADIUS_MM, rel=1e-3)


def test_single_wild_points_do_no_harm() -> None:
    cloud = ball()
    points = cloud.points_mm.copy()
    points[::400, 2] += 3.0
    assert measure(Cloud(points_mm=points, modes_mm=cloud.modes_mm)).size_error_mm == pytest.approx(
        0.0, abs=1e-3
    )


def test_warm_balls_are_larger() -> None:
    """Reference: ISO 1's 20 °C and the expansion told."""
    warm = reference("sphere", expansion_per_k=1e-4)
    assert warm.radius_at(30.0) == pytest.approx(RADIUS_MM * 1.001)
    assert warm.radius_at(None) == RADIUS_MM


def test_nothing_there_or_something_else() -> None:
    few = Cloud(points_mm=np.zeros((5, 3)), modes_mm=np.zeros((0, 3, 5)))
    with pytest.raises(CalibrationError, match="r, head a: no sphere found"):
        measure(few)
    x, y = (v.ravel() for v in np.meshgrid(np.linspace(0, 80, 60), np.linspace(0, 60, 60)))
    stairs = np.stack([x, y, 5.0 + 12 * np.floor(y / 15)], axis=1)
    with pytest.raises(CalibrationError, match="no sphere of radius 50 mm"):
        measure(Cloud(points_mm=stairs, modes_mm=np.zeros((0, 3, len(stairs)))))


FILE = """format = "geomscan.block/1"
name = "ball"
[shape]
kind = "sphere"
radius_mm = 50.0
u_radius_mm = 0.002
height_mm = 20.0
"""


def test_its_file(tmp_path: Path) -> None:
    path = tmp_path / "ball.toml"
    path.write_text(FILE)
    assert isinstance(read_reference(path), RoundReference)
    with pytest.raises(InputError, match=r"ball.toml: shape: a sphere serves to verify"):
        read_block(path)
    path.write_text(FILE.replace("height_mm = 20.0", "height_mm = 101.0"))
    with pytest.raises(InputError, match="height_mm: expected at most the diameter, got 101"):
        read_reference(path)
    steps = Path(__file__).parents[1] / "calibration" / "staircase.toml"
    assert isinstance(read_reference(steps), ReferenceBlock)
