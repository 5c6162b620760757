"""geomscan calibrate: a scanner calibration with its certificate page."""

from pathlib import Path

import click

from geomscan.cli.output import finish, json_option, whole_command

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
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="Calibration to write; its page goes beside it.",
)
@click.option("--blade-x-mm", type=float, help="Distance from sheet to blade along the belt.")
@click.option("--u-blade-x-mm", type=float, help="Its standard uncertainty.")
@json_option
@whole_command
def command(
    recordings: tuple[Path, ...],
    block_path: Path,
    out: Path,
    blade_x_mm: float | None,
    u_blade_x_mm: float | None,
    as_json: bool,
) -> int:
    """Run the command."""
    from geomscan.commissioning.calibrate import calibrate
    from geomscan.recording.block import read_block
    from geomscan.recording.recording import open_recording
    from geomscan.scanner.calibration import write_calibration

    block = read_block(block_path)
    opened = [open_recording(path) for path in recordings]
    calibration, _ = calibrate(opened, block, blade_x_mm=blade_x_mm, u_blade_x_mm=u_blade_x_mm)
    write_calibration(calibration, out)
    figures = calibration.figures
    heads = {
        name: {
            "tilt_deg": calibration.sheet(name).tilt_deg,
            "u_tilt_deg": calibration.sheet(name).u_tilt_deg,
            "skew_deg": calibration.sheet(name).skew_deg,
            "u_skew_deg": calibration.sheet(name).u_skew_deg,
            "row_rms_px": figures["heads"][name]["row_rms_px"],
            "row_noise_px": figures["heads"][name]["row_noise_px"],
        }
        for name in calibration.heads
    }
    finish(
        {
            "out": out,
            "mm_per_count": calibration.mm_per_count,
            "u_mm_per_count": calibration.u_mm_per_count,
            "height_rms_mm": figures["height_rms_mm"],
            "across_rms_mm": figures["across_rms_mm"],
            "heads": heads,
            "warnings": calibration.origin.get("warnings", []),
        },
        as_json=as_json,
        text=f"{out}: calibrated on {len(opened)} passes of {block.name}",
    )
    return 0
