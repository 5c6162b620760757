"""A recording's payloads, whatever their kind, as lines in millimetres for the shape."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.laser_line.extract import extract_lines
from geomscan.laser_line.lines import LaserLines, Quality
from geomscan.laser_line.noise import NoiseModel, noise_of_head
from geomscan.laser_line.settings import LineSettings
from geomscan.laser_line.terms import grain_px, speckle_u_px, with_term
from geomscan.recording.manifest import HeadManifest
from geomscan.recording.recording import HeightBlock, RangeBlock, Recording
from geomscan.runs.ahead import ahead
from geomscan.scanner.calibration import ScannerCalibration
from geomscan.shape.from_scanner import belt_lines, rows_to_mm, shape_geometry
from geomscan.shape.geometry import BeltLines, HeadGeometry, HeadLines, ShapeGeometry

__all__ = ["BLOCKS_AHEAD", "Scan", "open_scan", "scan_geometry"]

Singles = npt.NDArray[np.float32]

LINES_PER_BLOCK = 64
BLOCKS_AHEAD = 3  #: blocks that each head may be ahead of the search for pieces
U_DOUBTFUL_PX = np.float32(1.0)  # where a rival peak is left; common practice, no source


@dataclass(frozen=True, kw_only=True, slots=True)
class Scan:
    """A recording with what is needed to read it in millimetres."""

    recording: Recording
    heads: tuple[str, ...]
    calibration: ScannerCalibration | None
    noise: Mapping[str, NoiseModel]
    line: LineSettings
    mm_per_count: float

    def blocks(self, *, n_threads: int = 1) -> Iterator[tuple[BeltLines, dict[str, HeadLines]]]:
        """Read the selected lines block by block, each head a few blocks ahead.

        Memory holds these blocks, however long the recording.
        """
        first, stop = self.recording.first, self.recording.stop
        per_head = max(1, n_threads // len(self.heads))
        with ExitStack() as stack:
            heads = {
                name: stack.enter_context(
                    closing(ahead(self._head_blocks(name, per_head), BLOCKS_AHEAD))
                )
                for name in self.heads
            }
            for start in range(first, stop, LINES_PER_BLOCK):
                end = min(start + LINES_PER_BLOCK, stop)
                belt = belt_lines(self.recording.lines, start, end, mm_per_count=self.mm_per_count)
                yield belt, {name: next(blocks) for name, blocks in heads.items()}

    def _head_blocks(self, name: str, n_threads: int) -> Iterator[HeadLines]:
        """One head's lines block after block: the choice of peaks looks back at the one before."""
        last: LaserLines | None = None
        for start, block in self.recording.blocks(name, lines_per_block=LINES_PER_BLOCK):
            if isinstance(block, HeightBlock):
                yield _from_height(block, self.recording.head(name))
            elif isinstance(block, RangeBlock):
                yield self._in_mm(
                    name, start, block.row_px, u_row_px=_scatter(block.row_px),
                    reflectance=block.reflectance, line_width_px=block.line_width,
                )  # fmt: skip
            else:
                last = extract_lines(
                    block, noise=self.noise[name], settings=self.line,
                    bit_depth=self.recording.head(name).bit_depth, n_threads=n_threads, before=last,
                )  # fmt: skip
                yield self._from_laser_lines(name, start, last)

    def _from_laser_lines(self, name: str, start: int, lines: LaserLines) -> HeadLines:
        doubtful = (lines.quality & Quality.SECOND_PEAK) != 0
        row_px = lines.row_px + np.float32(self.recording.head(name).line_axes().row0)
        lines = self._with_speckle(name, lines)
        # kept, as on steep flanks two heights share a column; another head counts for more there
        u_row_px = np.where(doubtful, np.maximum(lines.u_row_px, U_DOUBTFUL_PX), lines.u_row_px)
        return self._in_mm(
            name, start, row_px, u_row_px=u_row_px, reflectance=lines.reflectance,
            line_width_px=lines.width_px, glare=(lines.quality & Quality.CLIPPED) != 0,
        )  # fmt: skip

    def _with_speckle(self, name: str, lines: LaserLines) -> LaserLines:
        """Add what speckle does to the rows, where the manifest tells wavelength and aperture."""
        head = self.recording.head(name)
        laser = self.recording.manifest.lasers.get(head.laser)
        wavelength_nm = None if laser is None else laser.wavelength_nm
        if wavelength_nm is None or head.f_number is None or head.pixel_um is None:
            return lines
        grain = grain_px(
            wavelength_nm=wavelength_nm, f_number=head.f_number, pixel_um=head.pixel_um
        )
        contrast = self.line.speckle_contrast
        return with_term(lines, speckle_u_px(lines.width_px, grain_px=grain, contrast=contrast))

    def _in_mm(
        self,
        name: str,
        start: int,
        row_px: Singles,
        *,
        u_row_px: Singles,
        reflectance: Singles | None,
        line_width_px: Singles | None,
        glare: npt.NDArray[np.bool_] | None = None,
    ) -> HeadLines:
        """Rows of the whole sensor to millimetres in the sheet."""
        assert self.calibration is not None
        chosen = slice(start, start + len(row_px))
        return rows_to_mm(
            self.calibration,
            name,
            row_px,
            first_column=self.recording.head(name).line_axes().column0,
            u_row_px=u_row_px,
            reflectance=reflectance,
            line_width_px=line_width_px,
            glare=glare,
            exposure_us=self.recording.lines.exposure_us[chosen],
            laser_power=self.recording.lines.laser_power[chosen],
        )


def _from_height(block: HeightBlock, manifest: HeadManifest) -> HeadLines:
    assert manifest.y_start_mm is not None
    assert manifest.y_step_mm is not None
    n_columns = block.height_mm.shape[1]
    y_mm = manifest.y_start_mm + manifest.y_step_mm * np.arange(n_columns)
    seen = np.isfinite(block.height_mm)
    return HeadLines(
        y_mm=np.where(seen, y_mm, np.nan).astype(np.float32),
        z_mm=block.height_mm,
        u_z_mm=_scatter(block.height_mm),
        reflectance=block.reflectance,
        line_width_px=block.line_width,
    )


def _scatter(values: Singles) -> Singles:
    """Noise of values that came without one: robust spread of second differences along columns.

    A second difference of independent values has √6 times their standard deviation.
    """
    second = values[:, 2:] - 2 * values[:, 1:-1] + values[:, :-2]
    second = second[np.isfinite(second)]
    sigma = np.median(np.abs(second)) / 0.6745 / np.sqrt(6) if second.size else np.nan
    return np.full(values.shape, sigma, dtype=np.float32)


def open_scan(
    recording: Recording,
    calibration: ScannerCalibration | None,
    *,
    line: LineSettings,
    heads: Sequence[str] = (),
) -> Scan:
    """Check that calibration and recording belong together, and measure the noise where not known.

    Raises
    ------
    InputError
        If heads or sensor sizes are not the calibration's own, or a calibration is missing.
    """
    kinds = {head.payload_is for head in recording.manifest.heads}
    chosen = tuple(heads) or tuple(head.name for head in recording.manifest.heads)
    for name in chosen:
        recording.head(name)
    if "height" in kinds:
        if kinds != {"height"}:
            msg = f"{recording.path}: expected height payloads for all heads or for none"
            raise InputError(msg)
        calibration = None
        mm_per_count = recording.manifest.belt.nominal_mm_per_count
    else:
        if calibration is None:
            msg = (
                f"{recording.path}: expected --calibration for {', '.join(sorted(kinds))} payloads"
            )
            raise InputError(msg)
        sizes = {}
        for head in recording.manifest.heads:
            assert head.sensor_size is not None
            columns, rows = head.sensor_size
            sizes[head.name] = (columns, rows) if head.rows_are_height else (rows, columns)
        calibration.check_recording(sizes, where=str(recording.path))
        mm_per_count = calibration.mm_per_count
    return Scan(
        recording=recording,
        heads=chosen,
        calibration=calibration,
        noise={
            name: noise_of_head(recording, name)
            for name in chosen
            if recording.head(name).payload_is == "frames"
        },
        line=line,
        mm_per_count=mm_per_count,
    )


def scan_geometry(scan: Scan) -> ShapeGeometry:
    """Give the shape what it needs to know of the scanner."""
    first_count = float(scan.recording.lines.count[0])
    if scan.calibration is not None:
        return shape_geometry(scan.calibration, scan.heads, first_count=first_count)
    ends = [end for name in scan.heads for end in _across(scan.recording, name)]
    return ShapeGeometry(
        heads={name: HeadGeometry() for name in scan.heads},  # where they look from is not known
        y_first_mm=min(ends),
        y_last_mm=max(ends),
        mm_per_count=scan.mm_per_count,
        first_count=first_count,
    )


def _across(recording: Recording, name: str) -> tuple[float, float]:
    """First and last y of a height payload."""
    head = recording.head(name)
    assert head.y_start_mm is not None
    assert head.y_step_mm is not None
    width_mm = head.y_step_mm * (recording.frame_shape(name)[1] - 1)
    return head.y_start_mm, head.y_start_mm + width_mm
