"""geomscan calibrate: a scanner calibration with its certificate page."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from geomscan.cli.output import finish, json_option, whole_command

if TYPE_CHECKING:
    from geomscan.scanner.calibration import ScannerCalibration

__all__ = ["command"]


@click.command(name="calibrate", help="Calibrate a scanner on passes of a reference block.")
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--block",
    "block_path",
    required=True,
    type=click.Path(path_type=Path),
    help="The block's file.",
)
@click.option(
    "--out", required=True, type=click.Path(path_type=Path),
    help="Calibration to write; its certificate goes beside it as .html.",
)  # fmt: skip
@click.option(
    "--previous", type=click.Path(path_type=Path),
    help="The calibration in use: measured first (as found) and compared (as left).",
)  # fmt: skip
@click.option(
    "--max-height-rms-mm", type=click.FloatRange(min=0), help="Limit for height residuals."
)
@click.option(
    "--max-across-rms-mm", type=click.FloatRange(min=0), help="Limit for across residuals."
)
@click.option("--max-u-height-mm", type=click.FloatRange(min=0), help="Limit for u of height.")
@click.option("--blade-x-mm", type=float, help="Distance from sheet to blade along the belt.")
@click.option("--u-blade-x-mm", type=click.FloatRange(min=0), help="Its standard uncertainty.")
@json_option
@whole_command
def command(
    recordings: tuple[Path, ...],
    block_path: Path,
    out: Path,
    previous: Path | None,
    max_height_rms_mm: float | None,
    max_across_rms_mm: float | None,
    max_u_height_mm: float | None,
    blade_x_mm: float | None,
    u_blade_x_mm: float | None,
    as_json: bool,
) -> int:
    """Run the command."""
    from geomscan.commissioning.calibrate import calibrate
    from geomscan.commissioning.pictures import line_pictures
    from geomscan.commissioning.verify import verify
    from geomscan.errors import CalibrationError
    from geomscan.files import write_whole
    from geomscan.recording.block import read_block
    from geomscan.recording.recording import open_recording
    from geomscan.report.certificate import Check, certificate_page, refusal_page
    from geomscan.scanner.calibration import read_calibration, write_calibration
    from geomscan.scanner.modes import worst_u_height

    if u_blade_x_mm is not None and blade_x_mm is None:
        msg = "--u-blade-x-mm needs --blade-x-mm"
        raise click.UsageError(msg)
    page_path = out.with_suffix(".html")
    block = read_block(block_path)
    old = None if previous is None else read_calibration(previous)
    opened = [open_recording(path) for path in recordings]
    try:
        calibration, evidence = calibrate(
            opened, block, blade_x_mm=blade_x_mm, u_blade_x_mm=u_blade_x_mm
        )
    except CalibrationError as error:
        page = refusal_page(
            str(error),
            block=block,
            recordings=[str(path) for path in recordings],
            pictures=line_pictures(opened),
        )
        write_whole(page_path, page.encode())
        raise
    figures = calibration.figures
    checks = [
        Check(name=name, found=found, limit=limit)
        for name, found, limit in (
            ("height residual, rms mm", figures["height_rms_mm"], max_height_rms_mm),
            ("across residual, rms mm", figures["across_rms_mm"], max_across_rms_mm),
            ("largest u of height, mm", worst_u_height(calibration), max_u_height_mm),
        )
        if limit is not None
    ]
    found = None if old is None else verify(opened, old, block)
    left = None if old is None else verify(opened, calibration, block)
    page = certificate_page(
        calibration, evidence, checks=checks, previous=old, as_found=found, as_left=left
    )
    write_whole(page_path, page.encode())
    passed = all(check.met for check in checks)
    if passed:
        write_calibration(calibration, out)
    finish(
        {
            "out": out if passed else None,
            "page": page_path,
            "passed": passed,
            "checks": [
                {"name": c.name, "found": c.found, "limit": c.limit, "met": c.met} for c in checks
            ],
            "mm_per_count": calibration.mm_per_count,
            "u_mm_per_count": calibration.u_mm_per_count,
            "height_rms_mm": figures["height_rms_mm"],
            "across_rms_mm": figures["across_rms_mm"],
            "heads": {
                name: {
                    "tilt_deg": calibration.sheet(name).tilt_deg,
                    "u_tilt_deg": calibration.sheet(name).u_tilt_deg,
                    "skew_deg": calibration.sheet(name).skew_deg,
                    "u_skew_deg": calibration.sheet(name).u_skew_deg,
                    "row_rms_px": figures["heads"][name]["row_rms_px"],
                    "row_noise_px": figures["heads"][name]["row_noise_px"],
                }
                for name in calibration.heads
            },
            "warnings": calibration.origin["warnings"],
        },
        as_json=as_json,
        text=_text(calibration, passed=passed, out=out, page=page_path),
    )
    return 0 if passed else 1


def _text(calibration: "ScannerCalibration", *, passed: bool, out: Path, page: Path) -> str:
    """Make a few lines for people."""
    figures = calibration.figures
    lines = [
        f"  belt   {calibration.mm_per_count:.7g} ± {calibration.u_mm_per_count:.2g} mm per count"
    ]
    for name in calibration.heads:
        sheet, own = calibration.sheet(name), figures["heads"][name]
        lines.append(
            f"  head {name}  tilt {sheet.tilt_deg:+.3f} ± {sheet.u_tilt_deg:.3f}°  "
            f"skew {sheet.skew_deg:+.3f} ± {sheet.u_skew_deg:.3f}°  "
            f"rows {own['row_rms_px']:.3f} px (noise {own['row_noise_px']:.3f})"
        )
    lines.append(
        f"  residuals: height {figures['height_rms_mm']:.4f} mm, "
        f"across {figures['across_rms_mm']:.4f} mm"
    )
    lines += [f"  warning: {text}" for text in calibration.origin["warnings"]]
    lines.append(f"{out}: written, certificate {page}" if passed else f"not passed: see {page}")
    return "\n".join(lines)
