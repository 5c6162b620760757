"""Frames come back exactly from every container, whole or broken."""

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.recording.payload import Payload, natural_order, open_payload
from geomscan.recording.writer import FrameWriter

Array = npt.NDArray[Any]

cv2 = pytest.importorskip("cv2")


def stack(dtype: Any = np.uint8, n: int = 11) -> Array:
    top = 255 if np.dtype(dtype) == np.uint8 else 4095
    return np.random.default_rng(7).integers(0, top, (n, 16, 24)).astype(dtype)


def as_pages(path: Path, frames: Array) -> Path:
    with FrameWriter(path / "pages.tif") as writer:
        for frame in frames:
            writer.write(frame)
    return path / "pages.tif"


def as_foreign_tiff(path: Path, frames: Array) -> Path:
    tifffile.imwrite(path / "a.tif", frames, photometric="minisblack", rowsperstrip=5)
    return path / "a.tif"


def as_big_endian_tiff(path: Path, frames: Array) -> Path:
    with tifffile.TiffWriter(path / "a.tif", byteorder=">") as writer:
        for frame in frames:
            writer.write(frame, compression="lzw", predictor=True, metadata=None, rowsperstrip=7)
    return path / "a.tif"


def as_tiles(path: Path, frames: Array) -> Path:
    with tifffile.TiffWriter(path / "a.tif", bigtiff=True) as writer:
        for frame in frames:
            writer.write(frame, tile=(16, 16), compression="zstd", metadata=None)
    return path / "a.tif"


def as_hyperstack(path: Path, frames: Array) -> Path:
    """Write one page entry for the whole stack, as scientific image viewers do past 4 GB."""
    tifffile.imwrite(path / "a.tif", frames, photometric="minisblack", truncate=True)
    with tifffile.TiffFile(path / "a.tif") as file:
        assert len(file.pages) == 1
    return path / "a.tif"


def as_npy(path: Path, frames: Array) -> Path:
    np.save(path / "a.npy", frames)
    return path / "a.npy"


def as_big_endian_npy(path: Path, frames: Array) -> Path:
    np.save(path / "a.npy", frames.astype(frames.dtype.newbyteorder(">")))
    return path / "a.npy"


def as_png_folder(path: Path, frames: Array) -> Path:
    folder = path / "images"
    folder.mkdir()
    for number, frame in enumerate(frames):
        assert cv2.imwrite(str(folder / f"frame {number}.png"), frame)
    (folder / "notes.txt").write_text("not an image")
    return folder


def as_tiff_folder(path: Path, frames: Array) -> Path:
    folder = path / "images"
    folder.mkdir()
    for number, frame in enumerate(frames):
        tifffile.imwrite(folder / f"f{number}.TIFF", frame)
    return folder


def as_video(path: Path, frames: Array) -> Path:
    file = path / "a.mkv"
    options = [cv2.VIDEOWRITER_PROP_IS_COLOR, 0]
    if frames.dtype == np.uint16:
        options += [cv2.VIDEOWRITER_PROP_DEPTH, cv2.CV_16U]
    code = cv2.VideoWriter.fourcc(*"FFV1")
    size = (frames.shape[2], frames.shape[1])
    video = cv2.VideoWriter(str(file), cv2.CAP_FFMPEG, code, 1000.0, size, options)
    for frame in frames:
        video.write(frame)
    video.release()
    return file


def as_zarr(path: Path, frames: Array) -> Path:
    zarr = pytest.importorskip("zarr")
    array = zarr.create_array(
        str(path / "a.zarr"), shape=frames.shape, chunks=(4, 16, 24), dtype=frames.dtype
    )
    array[:] = frames
    return path / "a.zarr"


CONTAINERS: list[Callable[[Path, Array], Path]] = [
    as_pages,
    as_foreign_tiff,
    as_big_endian_tiff,
    as_tiles,
    as_hyperstack,
    as_npy,
    as_big_endian_npy,
    as_png_folder,
    as_tiff_folder,
    as_video,
    as_zarr,
]


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("container", CONTAINERS)
class TestEveryContainer:
    """Reference: the frames that were put in."""

    def test_frames_come_back_in_any_blocks(
        self, tmp_path: Path, container: Callable[[Path, Array], Path], dtype: Any
    ) -> None:
        """Forward, backward and overlapping reads give the same."""
        frames = stack(dtype)
        payload = open_payload(container(tmp_path, frames), as_map=False)
        assert (payload.n_pages, payload.page_shape) == (11, (16, 24))
        assert payload.dtype == dtype
        assert payload.fault == ""
        for first, stop in [(0, 11), (3, 8), (0, 1), (10, 11), (2, 5)]:
            read = payload.read(first, stop)
            assert read.dtype == dtype
            assert np.array_equal(read, frames[first:stop])
        payload.close()

    def test_ending_does_not_matter(
        self, tmp_path: Path, container: Callable[[Path, Array], Path], dtype: Any
    ) -> None:
        """Reference: the content of the file."""
        path = container(tmp_path, stack(dtype))
        other = path.rename(path.with_name("payload.bin"))
        payload = open_payload(other, as_map=False)
        assert np.array_equal(payload.read(0, 11), stack(dtype))
        payload.close()


def test_natural_order() -> None:
    names = ["f10", "f9", "f09b", "f1", "g1", "10", "9"]
    assert sorted(names, key=natural_order) == ["9", "10", "f1", "f09b", "f9", "f10", "g1"]


def lines_of(payload: Payload, first: int, stop: int) -> Array:
    from geomscan.recording.recording import read_lines

    return read_lines(payload, first, stop)


def map_as_page(path: Path, values: Array) -> Path:
    tifffile.imwrite(path / "m.tif", values, compression="zlib", rowsperstrip=8)
    return path / "m.tif"


def map_as_plain_page(path: Path, values: Array) -> Path:
    tifffile.imwrite(path / "m.tif", values)
    return path / "m.tif"


def map_as_tiles(path: Path, values: Array) -> Path:
    tifffile.imwrite(path / "m.tif", values, tile=(16, 16), compression="zlib", predictor=True)
    return path / "m.tif"


def map_as_pages(path: Path, values: Array) -> Path:
    with FrameWriter(path / "m.tif") as writer:
        for first in range(0, len(values), 2):
            writer.write(values[first : first + 2])
    return path / "m.tif"


def map_as_lines(path: Path, values: Array) -> Path:
    return as_npy(path, values[:, None, :])


def map_as_png(path: Path, values: Array) -> Path:
    (path / "m.png").write_bytes(imagecodecs.png_encode(values))
    return path / "m.png"


def map_as_zarr(path: Path, values: Array) -> Path:
    zarr = pytest.importorskip("zarr")
    array = zarr.create_array(
        str(path / "m.zarr"), shape=values.shape, chunks=(7, 24), dtype=values.dtype
    )
    array[:] = values
    return path / "m.zarr"


@pytest.mark.parametrize(
    "container",
    [
        map_as_page,
        map_as_plain_page,
        map_as_tiles,
        map_as_pages,
        map_as_lines,
        as_npy,
        map_as_png,
        map_as_zarr,
    ],
)
def test_lines_of_a_map_come_back(tmp_path: Path, container: Callable[[Path, Array], Path]) -> None:
    """Reference: the lines that were put in, in blocks that cross strips and pages."""
    values = np.random.default_rng(3).integers(0, 65536, (30, 24)).astype(np.uint16)
    payload = open_payload(container(tmp_path, values), as_map=True)
    assert payload.n_pages * payload.page_shape[0] == 30
    for first, stop in [(0, 30), (0, 7), (7, 14), (5, 6), (19, 30), (9, 25)]:
        assert np.array_equal(lines_of(payload, first, stop), values[first:stop])
    payload.close()


class TestCutShort:
    """What is whole is known and reads; what is not is said."""

    @pytest.mark.parametrize(
        "container", [as_pages, as_big_endian_tiff, as_tiles, as_hyperstack, as_npy]
    )
    @pytest.mark.parametrize("share", [0.3, 0.5, 0.77, 0.999])
    def test_whole_pages_read(
        self, tmp_path: Path, container: Callable[[Path, Array], Path], share: float
    ) -> None:
        """Reference: the pages whose bytes all lie before the cut."""
        frames = stack(np.uint16)
        path = container(tmp_path, frames)
        content = path.read_bytes()
        path.write_bytes(content[: int(share * len(content))])
        payload = open_payload(path, as_map=False)
        assert 0 < payload.n_pages < 11
        assert abs(payload.n_pages - 11 * share) <= 2
        assert payload.fault.startswith("is cut short")
        whole = payload.read(0, payload.n_pages)
        assert np.array_equal(whole, frames[: payload.n_pages])
        payload.close()

    def test_one_page_of_strips(self, tmp_path: Path) -> None:
        """Strips are written in their order, 8 lines each."""
        values = np.random.default_rng(3).integers(0, 65536, (64, 24)).astype(np.uint16)
        path = map_as_page(tmp_path, values)
        path.write_bytes(path.read_bytes()[:-700])
        payload = open_payload(path, as_map=True)
        assert payload.n_pages in {40, 48}
        assert payload.fault.startswith("is cut short")
        assert np.array_equal(payload.read(0, payload.n_pages)[:, 0], values[: payload.n_pages])
        payload.close()

    def test_video(self, tmp_path: Path) -> None:
        """Half a file holds about half the frames, whatever its header promises."""
        frames = stack(n=60)
        path = as_video(tmp_path, frames)
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
        payload = open_payload(path, as_map=False)
        assert 20 <= payload.n_pages <= 30
        assert payload.fault == f"is cut short: {payload.n_pages} of 60 frames are whole"
        assert np.array_equal(payload.read(0, payload.n_pages), frames[: payload.n_pages])
        payload.close()

    def test_video_of_a_recorder_that_was_killed(self, tmp_path: Path) -> None:
        """A copy taken while writing: no length in its header, the last frames not there yet."""
        frames = np.random.default_rng(0).integers(0, 255, (300, 64, 256)).astype(np.uint8)
        path = tmp_path / "a.mkv"
        code = cv2.VideoWriter.fourcc(*"FFV1")
        grey = [cv2.VIDEOWRITER_PROP_IS_COLOR, 0]
        video = cv2.VideoWriter(str(path), cv2.CAP_FFMPEG, code, 1000.0, (256, 64), grey)
        for frame in frames:
            video.write(frame)
        copy = tmp_path / "copy"
        copy.write_bytes(path.read_bytes())
        video.release()
        payload = open_payload(copy, as_map=False)
        assert 250 <= payload.n_pages < 300
        assert np.array_equal(payload.read(0, payload.n_pages), frames[: payload.n_pages])
        payload.close()

    def test_zarr_chunk_that_is_damaged(self, tmp_path: Path) -> None:
        """The lines of another chunk still read."""
        path = as_zarr(tmp_path, stack())
        (chunk,) = path.glob("c/1/0/0")
        chunk.write_bytes(chunk.read_bytes()[:40])
        payload = open_payload(path, as_map=False)
        with pytest.raises(InputError, match=r"a\.zarr: lines 3 to 4 cannot be decoded"):
            payload.read(3, 5)
        assert np.array_equal(payload.read(0, 4), stack()[:4])

    def test_zarr_chunks_never_written(self, tmp_path: Path) -> None:
        """They read back as zeros without any error: they must not count."""
        zarr = pytest.importorskip("zarr")
        flat = {"name": "default", "separator": "."}
        kinds: tuple[dict[str, Any], ...] = (
            {},
            {"shards": (8, 16, 24)},
            {"zarr_format": 2},
            {"chunk_key_encoding": flat},
        )
        for name, kind in zip("abcd", kinds, strict=True):
            array = zarr.create_array(
                str(tmp_path / name), shape=(32, 16, 24), chunks=(4, 16, 24), dtype="u1", **kind
            )
            array[:16] = stack(n=16)
            payload = open_payload(tmp_path / name, as_map=False)
            assert payload.n_pages == 16
            assert payload.fault == "is cut short: 16 of 32 lines were written"

    def test_damaged_page_is_named(self, tmp_path: Path) -> None:
        """Bytes turned over inside page 5: the pages beside it still read."""
        path = as_pages(tmp_path, stack())
        with tifffile.TiffFile(path) as file:
            at = file.pages[5].dataoffsets[0]
        content = bytearray(path.read_bytes())
        for place in range(at + 40, at + 80):
            content[place] ^= 0xFF
        path.write_bytes(content)
        payload = open_payload(path, as_map=False)
        with pytest.raises(InputError, match=r"pages\.tif: page 5 cannot be decoded"):
            payload.read(0, 11)
        assert np.array_equal(payload.read(6, 11), stack()[6:])
        payload.close()

    def test_damaged_image_is_named(self, tmp_path: Path) -> None:
        """A PNG cut in half."""
        folder = as_png_folder(tmp_path, stack())
        image = folder / "frame 4.png"
        image.write_bytes(image.read_bytes()[:200])
        with pytest.raises(InputError, match=r"frame 4\.png: not a readable PNG"):
            open_payload(folder, as_map=False).read(0, 11)


def test_killed_while_writing(tmp_path: Path) -> None:
    """Reference: the count that the killed process had acknowledged on its output."""
    path = tmp_path / "killed.tif"
    program = f"""
import numpy as np
from pathlib import Path
from geomscan.recording.writer import FrameWriter
rng = np.random.default_rng(0)
writer = FrameWriter(Path({str(path)!r}))
while True:
    frame = rng.integers(0, 40, (64, 256)).astype(np.uint8)
    frame[0, :4] = np.frombuffer(np.uint32(writer.n_lines).tobytes(), np.uint8)
    writer.write(frame)
    print(writer.n_lines, flush=True)
"""
    command = [sys.executable, "-c", program]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        for _ in range(50):
            process.stdout.readline()
        time.sleep(0.05)
        process.kill()
        rest = process.stdout.read().split()
    acknowledged = int(rest[-2]) if len(rest) > 1 else 50  # the last number may be cut

    payload = open_payload(path, as_map=False)
    assert payload.n_pages >= acknowledged >= 50
    pages = payload.read(0, payload.n_pages)
    numbers = np.ascontiguousarray(pages[:, 0, :4]).view(np.uint32)[:, 0]
    assert np.array_equal(numbers, np.arange(payload.n_pages))
    payload.close()


def test_frame_that_does_not_fit_is_not_written(tmp_path: Path) -> None:
    with FrameWriter(tmp_path / "a.tif") as writer:
        with pytest.raises(InputError, match=r"expected a frame of \(n_rows, n_columns\) numbers"):
            writer.write(np.zeros((2, 3, 4), np.uint8))
        writer.write(np.zeros((3, 4), np.uint8))
        with pytest.raises(InputError, match=r"of \(3, 4\) uint8 as before, got \(3, 4\) uint16"):
            writer.write(np.zeros((3, 4), np.uint16))
        assert writer.n_lines == 1
    with pytest.raises(InputError, match="cannot be written"):
        FrameWriter(tmp_path / "nowhere" / "a.tif")


@pytest.mark.parametrize(
    ("package", "container", "words"),
    [
        ("cv2", as_video, "install opencv-python-headless, or the system's libGL and libxcb"),
        ("zarr", as_zarr, r"install geomscan\[zarr\]"),
    ],
)
def test_missing_package_is_named(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    package: str,
    container: Callable[[Path, Array], Path],
    words: str,
) -> None:
    path = container(tmp_path, stack())
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(InputError, match=words):
        open_payload(path, as_map=False)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_damage_gets_past_input_error(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Bytes changed or cut anywhere: frames or InputError, nothing else."""
    path = tmp_path_factory.mktemp("damage")
    make = data.draw(
        st.sampled_from([as_pages, as_foreign_tiff, as_hyperstack, as_npy, map_as_pages])
    )
    as_map = make is map_as_pages
    file = make(path, stack(n=4)[0] if as_map else stack(n=4))
    content = bytearray(file.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(len(content) // 2, len(content)))
    file.write_bytes(content[:cut])
    try:
        payload = open_payload(file, as_map=as_map)
        payload.read(0, payload.n_pages)
        payload.close()
    except InputError:
        pass
