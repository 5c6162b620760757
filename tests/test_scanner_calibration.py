"""The calibration file, its common modes and its region."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from geomscan.errors import InputError
from geomscan.scanner import (
    HeadModel,
    Region,
    Response,
    ScannerCalibration,
    Sheet,
    common_modes,
    in_region,
    read_calibration,
    reflectance_factor,
    to_belt,
    u_plane,
    write_calibration,
)
from geomscan.scanner.modes import plane_jacobian

OTHER_SHEET = {"tilt_deg": 0, "skew_deg": 0, "u_tilt_deg": 0, "u_skew_deg": 0}
REFERENCES = Path(__file__).parent / "references"


def calibration() -> ScannerCalibration:
    """Make a small one, with a full covariance."""
    plane = np.array([[-290.0, 1.0, 5.0], [10.0, 510.0, 26.0], [0.015, 0.42, 1.0]])
    head = HeadModel(
        name="a", laser="main", sensor_size=(1280, 1024), homography=plane,
        distortion=np.array([0.004, -0.001, 1e-4, -2e-4, 0.0]), centre_mm=(510.0, -9.0, 720.0),
    )  # fmt: skip
    names = [f"head.a.h{i}{j}" for i in range(3) for j in range(3)][:8]
    names += [f"head.a.{k}" for k in ("k1", "k2", "p1", "p2")]
    names += ["belt.mm_per_count", "sheet.main.tilt_deg", "sheet.main.skew_deg", "pass.p.x_mm"]
    rng = np.random.default_rng(8)
    scale = np.array([0.01] * 6 + [1e-4] * 2 + [1e-4] * 4 + [4e-6, 0.01, 0.005, 0.02])
    root = rng.normal(size=(16, 16)) * scale[:, None]
    return ScannerCalibration(
        heads={"a": head},
        sheets={
            "main": Sheet(
                laser="main", tilt_deg=0.9, skew_deg=-0.4, u_tilt_deg=0.01, u_skew_deg=0.01
            )
        },
        mm_per_count=0.05,
        u_mm_per_count=4e-6,
        parameter_names=tuple(names),
        parameters=np.arange(16.0),
        covariance=root @ root.T,
        regions={
            "a": Region(
                y_mm=np.array([-200.0, 0.0, 200.0]),
                low_mm=np.full(3, -3.0),
                high_mm=np.array([1.0, 50.0, 1.0]),
            )
        },
        responses={
            "a": Response(
                sensor_columns=1280, column_terms=np.array([0.0, -0.1]), height_per_mm=0.001
            )
        },
        origin={"block": {"name": "steps"}},
        observations={"kind": [0, 1]},
        blade_x_mm=812.0,
        u_blade_x_mm=0.3,
    )  # fmt: skip


def test_a_file_reads_back_as_it_was(tmp_path: Path) -> None:
    one = calibration()
    write_calibration(one, tmp_path / "scanner.json")
    two = read_calibration(tmp_path / "scanner.json")
    assert two.parameter_names == one.parameter_names
    assert two.covariance == pytest.approx(one.covariance, rel=0, abs=0)
    assert two.sheets["main"].tilt_deg == one.tilt_deg
    assert np.isnan(two.fan_y_mm)
    assert (two.blade_x_mm, two.u_blade_x_mm) == (812.0, 0.3)
    assert two.heads["a"].centre_mm == one.heads["a"].centre_mm
    rows = np.linspace(450, 560, 1280)
    for first, second in zip(
        one.heads["a"].to_plane(np.arange(1280), rows),
        two.heads["a"].to_plane(np.arange(1280), rows), strict=True,
    ):  # fmt: skip
        assert (first == second).all()


def test_the_file_of_the_first_version_still_reads_recorded() -> None:
    """A copy of a file that the first version wrote: its own numbers, a regression guard."""
    old = read_calibration(REFERENCES / "scanner-1.json")
    stated = json.loads((REFERENCES / "scanner-1.json").read_text())
    assert old.mm_per_count == stated["mm_per_count"]
    assert set(old.heads) == set(stated["heads"])
    assert old.covariance.shape == (len(old.parameters),) * 2
    assert np.linalg.eigvalsh(old.covariance).min() > -1e-9


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"format": "geomscan.scanner/9"}, "newer than this release reads"),
        ({"format": "geomscan.block/1"}, "expected a scanner file"),
        ({"colour": "red"}, "unknown key"),
        ({"covariance": [[1.0]]}, "expected a lower triangle for 16 parameters"),
        ({"sheets": {"other": OTHER_SHEET}}, "none of sheets"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_one_line(tmp_path: Path, change: dict[str, object], message: str) -> None:
    path = tmp_path / "scanner.json"
    write_calibration(calibration(), path)
    path.write_text(json.dumps(json.loads(path.read_text()) | change))
    with pytest.raises(InputError, match=message) as caught:
        read_calibration(path)
    assert "\n" not in str(caught.value)


def test_other_heads_are_refused() -> None:
    with pytest.raises(InputError, match="expected the calibration's own heads, a"):
        calibration().check_recording({"a": (1280, 1024), "b": (1280, 1024)}, where="scan")
    with pytest.raises(
        InputError, match=r"sensor of 2048 × 1024 pixels .*calibrated was one of 1280"
    ):
        calibration().check_recording({"a": (2048, 1024)}, where="scan")
    calibration().check_recording({"a": (1280, 1024)}, where="scan")


def test_lit_points_lean_with_the_sheet() -> None:
    """Reference: x = e + z tan(tilt) + y tan(skew), by hand."""
    x, y, z = to_belt(calibration(), "a", 100.0, 700.0, 520.0)
    by_hand = 100 + z * np.tan(np.radians(0.9)) + y * np.tan(np.radians(-0.4))
    assert x == pytest.approx(by_hand, abs=1e-12)


def test_modes_carry_the_whole_covariance() -> None:
    """The squares of all modes add up to J C Jᵀ, to the share that is kept."""
    own = calibration()
    y, z = np.array([-150.0, 0.0, 90.0]), np.array([5.0, 40.0, 20.0])
    modes = common_modes(own, "a", y, z, x_mm=30.0)
    jacobian = plane_jacobian(own, "a", y, z, x_mm=30.0)
    part = own.covariance[np.ix_(own.scanner_parameters, own.scanner_parameters)]
    full = np.einsum("iak,ij,jak->ak", jacobian, part, jacobian)
    assert np.sum(modes**2, axis=0) == pytest.approx(full, rel=0.02)
    assert u_plane(own, "a", y, z)[1] == pytest.approx(np.sqrt(full[2]), rel=0.01)


def test_derivatives_of_measured_points() -> None:
    """Reference: central differences of to_plane at fixed pixels."""
    own = calibration()
    head = own.heads["a"]
    y, z = 80.0, 30.0
    pixel = head.from_plane(y, z)
    jacobian = plane_jacobian(own, "a", y, z)
    for i, index in enumerate(own.scanner_parameters[:12]):
        name = own.parameter_names[index].split(".")[-1]
        step = 1e-6

        def moved(sign: float, name: str = name, step: float = step) -> np.ndarray:
            plane, lens = head.homography.copy(), head.distortion.copy()
            if name.startswith("h"):
                plane[int(name[1]), int(name[2])] += sign * step
            else:
                lens[("k1", "k2", "p1", "p2").index(name)] += sign * step
            other = replace(head, homography=plane, distortion=lens)
            return np.array(other.to_plane(*pixel))

        change = (moved(1) - moved(-1)) / (2 * step)
        assert jacobian[i, 1:] == pytest.approx(change, rel=1e-5, abs=1e-6)


def test_outside_the_region_u_grows_and_a_flag_says_so() -> None:
    own = calibration()
    assert in_region(own, "a", [0.0, 0.0, 150.0, np.nan], [20.0, 60.0, 40.0, 0.0]).tolist() == [
        True, False, False, False,
    ]  # fmt: skip
    inside = u_plane(own, "a", 0.0, 50.0)[1]
    jacobian = plane_jacobian(own, "a", 0.0, 70.0)
    part = own.covariance[np.ix_(own.scanner_parameters, own.scanner_parameters)]
    plain = np.sqrt(jacobian[:, 2] @ part @ jacobian[:, 2])
    # 20 mm outside: three times what the covariance alone says
    assert u_plane(own, "a", 0.0, 70.0)[1] == pytest.approx(3 * plain, rel=0.01)
    assert inside < u_plane(own, "a", 0.0, 70.0)[1]


def test_reflectance_is_made_alike() -> None:
    """Reference: the response's formula, by hand; light grows with exposure and laser power."""
    own = calibration()
    factor = reflectance_factor(own, "a", 1279.5, 10.0)  # u = 1
    assert factor == pytest.approx(np.exp(0.1 - 0.01))
    lit = replace(
        own,
        responses={
            "a": Response(
                sensor_columns=1280, column_terms=np.zeros(2), height_per_mm=0.0, exposure_us=100.0,
                laser_power=50.0,
            )
        },
    )  # fmt: skip
    assert reflectance_factor(
        lit, "a", 640, 0.0, exposure_us=200.0, laser_power=25.0
    ) == pytest.approx(1)
    assert reflectance_factor(replace(own, responses={}), "a", np.arange(3), 0.0).tolist() == [
        1,
        1,
        1,
    ]
