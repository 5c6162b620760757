"""Payloads that geomscan does not read, and the words it says so with."""

from collections.abc import Callable
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile

from geomscan.errors import InputError
from geomscan.recording.payload import open_payload

cv2 = pytest.importorskip("cv2")


def make_colour_png(path: Path) -> Path:
    (path / "f").mkdir()
    (path / "f" / "0.png").write_bytes(imagecodecs.png_encode(np.zeros((8, 8, 3), np.uint8)))
    return path / "f"


def make_colour_tiff(path: Path) -> Path:
    tifffile.imwrite(path / "c.tif", np.zeros((4, 8, 8, 3), np.uint8), photometric="rgb")
    return path / "c.tif"


def make_colour_video(path: Path) -> Path:
    code = cv2.VideoWriter.fourcc(*"FFV1")
    video = cv2.VideoWriter(str(path / "c.mkv"), cv2.CAP_FFMPEG, code, 25.0, (32, 32))
    for _ in range(3):
        video.write(np.zeros((32, 32, 3), np.uint8))
    video.release()
    return path / "c.mkv"


def make_lossy_video(path: Path) -> Path:
    code = cv2.VideoWriter.fourcc(*"MJPG")
    video = cv2.VideoWriter(str(path / "l.mkv"), cv2.CAP_FFMPEG, code, 25.0, (32, 32))
    for _ in range(3):
        video.write(np.zeros((32, 32, 3), np.uint8))
    video.release()
    return path / "l.mkv"


def make_pages_that_differ(path: Path) -> Path:
    with tifffile.TiffWriter(path / "d.tif") as writer:
        writer.write(np.zeros((8, 8), np.uint8), metadata=None)
        writer.write(np.zeros((8, 9), np.uint8), metadata=None)
    return path / "d.tif"


def make_images_that_differ(path: Path) -> Path:
    folder = path / "f"
    folder.mkdir()
    for number, width in enumerate((8, 9)):
        page = np.zeros((8, width), np.uint8)
        (folder / f"{number}.png").write_bytes(imagecodecs.png_encode(page))
    return folder


def make_ring(path: Path) -> Path:
    tifffile.imwrite(path / "r.tif", np.zeros((2, 8, 8), np.uint8), photometric="minisblack")
    content = bytearray((path / "r.tif").read_bytes())
    with tifffile.TiffFile(path / "r.tif") as file:
        first, second = (page.offset for page in file.pages)
    n_tags = int.from_bytes(content[second : second + 2], "little")
    at = second + 2 + 12 * n_tags
    content[at : at + 4] = first.to_bytes(4, "little")
    (path / "r.tif").write_bytes(content)
    return path / "r.tif"


def make_binary(path: Path, content: bytes) -> Path:
    (path / "b").write_bytes(content)
    return path / "b"


def make_empty_folder(path: Path) -> Path:
    (path / "f").mkdir()
    return path / "f"


def make_objects(path: Path) -> Path:
    np.save(path / "o.npy", np.array([{}, {}], object), allow_pickle=True)
    return path / "o.npy"


def make_fortran(path: Path) -> Path:
    np.save(path / "o.npy", np.asfortranarray(np.zeros((4, 5, 6), np.uint8)))
    return path / "o.npy"


def make_four_axes(path: Path) -> Path:
    np.save(path / "o.npy", np.zeros((4, 5, 6, 7), np.uint8))
    return path / "o.npy"


def make_zarr_group(path: Path) -> Path:
    zarr = pytest.importorskip("zarr")
    zarr.open_group(str(path / "g"), mode="w")
    return path / "g"


def make_empty_zarr(path: Path) -> Path:
    zarr = pytest.importorskip("zarr")
    zarr.create_array(str(path / "z"), shape=(4, 8, 8), chunks=(1, 8, 8), dtype="u1")
    return path / "z"


def make_bilevel_tiff(path: Path) -> Path:
    tifffile.imwrite(path / "b.tif", np.zeros((8, 8), bool))
    return path / "b.tif"


def make_complex_tiff(path: Path) -> Path:
    tifffile.imwrite(path / "c.tif", np.zeros((8, 8), np.complex64))
    return path / "c.tif"


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (make_colour_png, "0.png: is a colour image (8, 8, 3)"),
        (make_colour_tiff, "c.tif: is a colour image"),
        (make_colour_video, "colour video"),
        (make_lossy_video, "expected lossless FFV1 video in grey, found MJPG"),
        (make_pages_that_differ, "page 1 differs from page 0"),
        (make_images_that_differ, "1.png: expected (8, 8) uint8 as in 0.png, found (8, 9) uint8"),
        (make_ring, "point back at each other"),
        (lambda p: make_binary(p, b""), "is empty; expected TIFF, .npy"),
        (lambda p: make_binary(p, b"hello world"), "begins with b'hello wo'; expected TIFF"),
        (lambda p: make_binary(p, b"II*\0"), "not a readable TIFF file"),
        (
            lambda p: make_binary(p, b"II*\0\xff\xff\xff\x7f" + bytes(99)),
            "not a readable TIFF",
        ),
        (lambda p: make_binary(p, b"\x93NUMPY\x01\x00\xff\xff{"), "not a readable .npy file"),
        (lambda p: make_binary(p, b"\x1aE\xdf\xa3" + bytes(99)), "expected lossless FFV1 video"),
        (make_zarr_group, "not a readable Zarr array"),
        (make_empty_zarr, "no line was written to it"),
        (make_bilevel_tiff, "holds 1 bit bool, expected whole bytes a pixel"),
        (make_complex_tiff, "holds 64 bit complex64"),
        (make_empty_folder, "holds no .png, .tif or .tiff image"),
        (make_objects, "holds object"),
        (make_fortran, "Fortran order"),
        (make_four_axes, "expected an array of shape (lines, rows, columns)"),
    ],
)
def test_unreadable_payload_is_refused_in_one_line(
    tmp_path: Path, make: Callable[[Path], Path], words: str
) -> None:
    path = make(tmp_path)
    with pytest.raises(InputError) as caught:
        open_payload(path, as_map=False).read(0, 2)
    assert words in str(caught.value)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
