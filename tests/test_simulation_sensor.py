"""Light and noise of the simulated sensor against closed forms and independent libraries."""

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import exponnorm, norm

from geomscan.simulation.lines import frames_of, simulate_lines
from geomscan.simulation.scene import BeltScene, Ghost, HeadScene, LaserScene, Piece, Scene
from geomscan.simulation.sensor import add_light
from geomscan.simulation.shapes import Box
from geomscan.simulation.stage import prepare, speckle_row_px

#: a quiet 16-bit camera: 0.0004 grey of rounding, no noise to speak of
QUIET = HeadScene(
    name="a",
    aim_mm=(0, 0),
    sensor_size=(320, 400),
    pixel_um=11.0,
    roi_heights_mm=(-6, 30),
    bit_depth=16,
    white_peak_grey=30000.0,
    electrons_per_grey=1e9,
    read_noise_grey=0.0,
    black_level_grey=0.0,
)
BELT = BeltScene(width_mm=240.0, reflectance=1.0)  # wider than what the camera sees


def frames(scene: Scene) -> npt.NDArray[np.float64]:
    return np.array(list(frames_of(prepare(scene), 0)), dtype=np.float64)


def centroid(image: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    rows = np.arange(image.shape[-2])[:, None]
    return np.asarray((rows * image).sum(axis=-2) / image.sum(axis=-2))


def test_line_is_a_pixel_integrated_gaussian() -> None:
    """Reference: differences of scipy's normal distribution at the pixels' borders."""
    image = np.zeros((40, 9), dtype=np.float32)
    stretch = np.array([[1.0, 20.37, 7.0, 20.37, 600.0, 1.7, 0, 0, 0]])
    add_light(image, stretch, 0.0, 1.0, 0.0, np.zeros(9), np.ones(9))
    borders = np.arange(41) - 0.5
    expected = 100 * np.diff(norm.cdf(borders, 20.37, 1.7))
    assert image[:, 4] == pytest.approx(expected, abs=2e-4)
    # the ends cover half of their columns
    assert image.sum(axis=0) == pytest.approx([0, 50, 100, 100, 100, 100, 100, 50, 0], rel=1e-5)


def test_light_from_below_is_an_exponentially_delayed_gaussian() -> None:
    """Reference: scipy's exponnorm, the same distribution written by others."""
    image = np.zeros((60, 3), dtype=np.float32)
    stretch = np.array([[0.5, 20.2, 1.5, 20.2, 100.0, 2.0, 0.3, 4.0, 0]])
    add_light(image, stretch, 0.0, 1.0, 0.0, np.zeros(3), np.ones(3))
    borders = np.arange(61) - 0.5
    expected = 70 * np.diff(norm.cdf(borders, 20.2, 2.0))
    expected += 30 * np.diff(exponnorm.cdf(borders, 2.0, loc=20.2, scale=2.0))
    assert image[:, 1] == pytest.approx(expected, abs=2e-4)


def test_slanted_line_keeps_light_place_and_width() -> None:
    """A line that climbs 4 rows a column keeps its light, middle and spread (sigma² + 4²/12)."""
    image = np.zeros((60, 12), dtype=np.float32)
    stretch = np.array([[1.0, 10.0, 11.0, 50.0, 1000.0, 1.0, 0, 0, 0]])
    add_light(image, stretch, 0.0, 1.0, 0.0, np.zeros(12), np.ones(12))
    column = image[:, 6].astype(float)
    rows = np.arange(60)
    middle = (rows * column).sum() / column.sum()
    spread = ((rows - middle) ** 2 * column).sum() / column.sum()
    assert column.sum() == pytest.approx(100.0, rel=1e-4)
    assert middle == pytest.approx(30.0, abs=2e-3)
    # pixels add 1/12, drawing in parts of 0.7 sigma and less leaves out up to 0.7²/12
    assert spread == pytest.approx(1 + 16 / 12 + 1 / 12, abs=0.05)


def test_frames_hold_the_rows_and_the_light_that_lines_state() -> None:
    scene = Scene(
        n_lines=30,
        pitch_mm=1.0,
        belt=BELT,
        lasers={"main": LaserScene(tilt_deg=1.0, thickness_mm=0.4)},
        heads=(QUIET,),
        pieces=(Piece(solid=Box(size_mm=(30, 50, 20)), at_mm=(20, 0), reflectance=0.7),),
    )
    stage = prepare(scene)
    lines = simulate_lines(stage, 0)
    image = frames(scene)[20]
    lit = image.sum(axis=0) > 0
    inner = np.convolve(lit, np.ones(9), "same") == 9
    on_top = lines.row_px[20] < np.nanmedian(lines.row_px[29])  # higher in the image
    edge = np.abs(np.diff(on_top.astype(int), prepend=0)) > 0
    inner &= np.convolve(edge, np.ones(9), "same") == 0
    rows = centroid(image[:, inner]) + stage.heads[0].height0
    assert inner.sum() > 100
    assert rows == pytest.approx(lines.row_px[20, inner], abs=2e-3)
    assert image.sum(axis=0)[inner] == pytest.approx(lines.reflectance[20, inner], rel=3e-3)


def test_white_belt_has_the_stated_peak() -> None:
    image = frames(Scene(n_lines=1, belt=BELT, heads=(QUIET,)))[0]
    middle = image[:, 150:170].max(axis=0)
    # the line crosses the sensor's middle, between two pixels: less than a pixel right on it by
    # exp(-0.5²/(2 sigma²)), pixel integration apart; sigma = hypot(0.5 px, 0.5 mm · 1.15 px/mm)
    assert middle == pytest.approx(30000 * math.exp(-0.125 / (0.25 + 0.573**2)), rel=0.03)


def test_photon_transfer() -> None:
    """Variance over mean is one over the gain; dark pixels show the read noise."""
    head = QUIET.model_copy(
        update={
            "bit_depth": 12,
            "white_peak_grey": 1500.0,
            "electrons_per_grey": 5.0,
            "read_noise_grey": 3.0,
            "black_level_grey": 64.0,
        }
    )
    many = frames(Scene(n_lines=400, pitch_mm=0.1, belt=BELT, heads=(head,)))
    mean, variance = many.mean(axis=0) - 64, many.var(axis=0, ddof=1)
    bright, dark = mean > 200, np.abs(mean) < 0.5
    gain = 1 / np.average((variance[bright] - 9 - 1 / 12) / mean[bright], weights=mean[bright])
    assert bright.sum() > 500
    assert gain == pytest.approx(5.0, rel=0.01)
    assert variance[dark].mean() == pytest.approx(9 + 1 / 12, rel=0.01)
    assert many[:, dark].mean() == pytest.approx(64, abs=0.02)


def test_pedestal_makes_dark_pixels_read_zero_and_bright_ones_clip() -> None:
    head = HeadScene(name="a", sensor_size=(320, 400), pixel_um=11.0, white_peak_grey=900.0)
    image = frames(Scene(n_lines=2, belt=BELT, heads=(head,)))[1]
    assert image.max() == 255
    assert (image == 0).mean() > 0.8
    lit = (image > 0).any(axis=0)
    top = np.argmax(image > 0, axis=0)[lit]
    bottom = image.shape[0] - 1 - np.argmax(image[::-1] > 0, axis=0)[lit]
    assert bottom.max() - top.min() < 16  # nothing but the line


def test_speckle_formula() -> None:
    """Reference: Dorsch, Häusler & Herrmann 1994; 660 nm, 5.5 µm, f/4, m = 0.1."""
    head = HeadScene(
        name="a", pixel_um=5.5, f_number=4.0, focal_mm=16, distance_mm=176, speckle_contrast=1.0
    )
    assert speckle_row_px(head, 660.0) == pytest.approx(0.17, abs=0.005)


def test_speckle_moves_rows_by_what_it_states() -> None:
    head = QUIET.model_copy(update={"speckle_row_px": 0.12, "speckle_brightness": 0.25})
    scene = Scene(n_lines=40, pitch_mm=0.1, belt=BELT, heads=(head,))
    stage = prepare(scene)
    quiet = simulate_lines(stage, 0)
    images = frames(scene)[:, :, 60:260]
    moved = centroid(images) + stage.heads[0].height0 - quiet.row_px[:, 60:260]
    bright = images.sum(axis=1) / quiet.reflectance[:, 60:260]
    # 8000 columns: four standard errors of a standard deviation are 3.2 %
    assert moved.std() == pytest.approx(0.12, rel=0.035)
    assert bright.std() == pytest.approx(0.25, rel=0.05)
    assert bright.mean() == pytest.approx(1.0, abs=0.02)


def test_light_below_the_surface_moves_the_centre_of_light() -> None:
    """Reference: 40 % of the light from 1.5 mm down moves the mean by 0.6 mm of height."""
    box = Box(size_mm=(30, 60, 20))
    common = {"solid": box, "at_mm": (15, 0), "reflectance": 1.0}
    plain = Scene(n_lines=16, pitch_mm=1.0, belt=BELT, heads=(QUIET,), pieces=(Piece(**common),))
    for kind in ("tail", "lobe"):
        piece = Piece(**common, below_share=0.4, below_mm=1.5, below=kind)
        deep = plain.model_copy(update={"pieces": (piece,)})
        moved = (centroid(frames(deep)[15]) - centroid(frames(plain)[15]))[150:170]
        # 16 mm lens, 11 µm pixels, 38°, 20 mm up: rows a millimetre, by similar triangles
        c, s = math.cos(math.radians(38)), math.sin(math.radians(38))
        per_mm = 16 / 0.011 * s * 1000 / (1000 - 20 * c) ** 2
        assert moved == pytest.approx(0.6 * per_mm, rel=0.005)


def test_second_peaks_and_ghosts_are_where_they_are_said_to_be() -> None:
    ghost = Ghost(columns=(100, 120), lines=(3, 5), offset_px=-9.5, strength=0.8)
    head = QUIET.model_copy(update={"ghosts": (ghost,)})
    images = frames(Scene(n_lines=8, pitch_mm=1.0, belt=BELT, heads=(head,)))
    light = images.sum(axis=1)
    assert light[4, 110] / light[1, 110] == pytest.approx(1.8, rel=1e-3)
    assert light[4, 130] == pytest.approx(light[1, 130], rel=1e-3)
    shifted = (centroid(images)[1, 110] * 1.0 + 0.8 * (centroid(images)[1, 110] - 9.5)) / 1.8
    assert centroid(images)[4, 110] == pytest.approx(shifted, abs=1e-2)

    head = QUIET.model_copy(update={"second_peak_share": 0.1})
    light = frames(Scene(n_lines=20, pitch_mm=1.0, belt=BELT, heads=(head,))).sum(axis=1)
    light = light[:, 60:260]
    doubled = light > 1.3 * np.median(light)
    # 4000 columns, some peaks left out where they would touch the line
    assert 0.05 < doubled.mean() < 0.115


def test_a_thick_sheet_lights_an_edge_in_part() -> None:
    """Reference: share of a Gaussian sheet that falls on the box, by its distribution."""
    laser = LaserScene(thickness_mm=0.5, layers=15)
    scene = Scene(
        n_lines=41,
        pitch_mm=0.1,
        belt=BeltScene(width_mm=240.0, reflectance=1.0),
        lasers={"main": laser},
        heads=(QUIET.model_copy(update={"angle_deg": -38.0}),),
        pieces=(Piece(solid=Box(size_mm=(40, 160, 20)), at_mm=(22, 0), reflectance=1.0),),
    )
    images = frames(scene)[:, :, 140:180].sum(axis=2)  # e from 0 to 4, the box from 2
    middle = (np.argmax(images[0]) + np.argmax(images[40])) // 2
    upper = images[:, :middle].sum(axis=1)
    share = upper / upper[40]
    e = np.arange(41) * 0.1
    # drawn as fifteen thin ones, the middle one with 13 % of the light: steps of half of that
    assert np.abs(share - norm.cdf(e, 2.0, 0.5)).max() < 0.075
    assert np.interp(0.5, share, e) == pytest.approx(2.0, abs=0.06)
    # on flat belt it is the Gaussian that a single sheet draws
    thin = scene.model_copy(update={"lasers": {"main": LaserScene(thickness_mm=0.5)}, "pieces": ()})
    thick = scene.model_copy(update={"pieces": ()})
    one, other = frames(thin)[3][:, 150], frames(thick)[3][:, 150]
    assert other == pytest.approx(one, abs=0.02 * one.max())  # cut off at 2.3 sigma
