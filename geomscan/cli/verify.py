"""geomscan verify: a calibration checked on another block."""

from pathlib import Path
from typing import Any

import click

from geomscan.cli.output import finish, json_option, say, whole_command

__all__ = ["command"]


@click.command(name="verify", help="Check a calibration on another block.")
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--calibration", "calibration_path", required=True, type=click.Path(path_type=Path),
    help="The calibration to check.",
)  # fmt: skip
@click.option(
    "--block", "block_path", type=click.Path(path_type=Path),
    help="File of the other block, ball or cylinder; without one, only the bare belt is measured.",
)  # fmt: skip
@click.option(
    "--max-height-error-mm", type=click.FloatRange(min=0), help="Largest height error allowed."
)
@click.option(
    "--max-width-error-mm", type=click.FloatRange(min=0), help="Largest width error allowed."
)
@click.option(
    "--max-length-error-mm", type=click.FloatRange(min=0), help="Largest length error allowed."
)
@click.option(
    "--max-probing-error-mm", type=click.FloatRange(min=0),
    help="Largest error of a ball's or cylinder's diameter, and largest range of its form.",
)  # fmt: skip
@click.option(
    "--page", "page_path", type=click.Path(path_type=Path), help="Page to write, .html, to print."
)
@json_option
@whole_command
def command(
    recordings: tuple[Path, ...],
    calibration_path: Path,
    block_path: Path | None,
    max_height_error_mm: float | None,
    max_width_error_mm: float | None,
    max_length_error_mm: float | None,
    max_probing_error_mm: float | None,
    page_path: Path | None,
    as_json: bool,
) -> int:
    """Run the command."""
    from geomscan.commissioning.verify import Limits, verify
    from geomscan.files import write_whole
    from geomscan.recording.block import read_reference
    from geomscan.recording.recording import open_recording
    from geomscan.report.verification import verification_page
    from geomscan.scanner.calibration import read_calibration

    calibration = read_calibration(calibration_path)
    block = None if block_path is None else read_reference(block_path)
    found = verify(
        [open_recording(path) for path in recordings],
        calibration,
        block,
        limits=Limits(
            height_error_mm=max_height_error_mm,
            width_error_mm=max_width_error_mm,
            length_error_mm=max_length_error_mm,
            probing_error_mm=max_probing_error_mm,
        ),
    )
    for fault in found.failures:
        say(f"not met: {fault}")
    result = {
        "passed": found.passed,
        "steps": [
            {
                "recording": s.recording, "head": s.head, "across_mm": s.across_mm,
                "height_mm": s.height_mm, "u_height_mm": s.u_height_mm,
                "certified_mm": s.certified_mm, "error_mm": s.error_mm, "e_n": s.e_n,
            }
            for s in found.steps
        ],
        "widths": [
            {
                "recording": w.recording, "head": w.head, "at_mm": w.at_mm,
                "width_mm": w.width_mm, "u_width_mm": w.u_width_mm,
                "certified_mm": w.certified_mm, "error_mm": w.error_mm, "e_n": w.e_n,
            }
            for w in found.widths
        ],
        "length_mm": found.length_mm,
        "u_length_mm": found.u_length_mm,
        "certified_length_mm": found.certified_length_mm,
        "flatness": [
            {
                "recording": f.recording, "head": f.head, "mean_mm": f.mean_mm,
                "peak_to_peak_mm": f.peak_to_peak_mm, "rms_mm": f.rms_mm,
            }
            for f in found.flatness
        ],
        "probing": [
            {
                "recording": p.recording, "head": p.head, "kind": p.kind,
                "radius_mm": p.radius_mm, "u_radius_mm": p.u_radius_mm,
                "certified_radius_mm": p.certified_mm, "size_error_mm": p.size_error_mm,
                "form_mm": p.form_mm, "form95_mm": p.form95_mm, "e_n": p.e_n,
                "n_points": p.n_points,
            }
            for p in found.probing
        ],
        "failures": list(found.failures),
    }  # fmt: skip
    if page_path is not None:
        write_whole(page_path, verification_page(calibration, found, block).encode())
    finish(result, as_json=as_json, text=_text(result))
    return 0 if found.passed else 1


def _text(result: dict[str, Any]) -> str:
    """Make a short table for people."""
    lines = [
        f"  head {step['head']}  height {step['certified_mm']:8.3f} mm  "
        f"error {step['error_mm']:+.4f} ± {step['u_height_mm']:.4f}"
        for step in result["steps"]
    ]
    lines += [
        f"  head {width['head']}  width  {width['certified_mm']:8.3f} mm  "
        f"error {width['error_mm']:+.4f} ± {width['u_width_mm']:.4f}"
        for width in result["widths"]
    ]
    if result["length_mm"] is not None:
        error = result["length_mm"] - result["certified_length_mm"]
        lines.append(
            f"          length {result['certified_length_mm']:8.3f} mm  "
            f"error {error:+.4f} ± {result['u_length_mm']:.4f}"
        )
    lines += [
        f"  head {p['head']}  {p['kind']} of radius {p['certified_radius_mm']:.3f} mm  "
        f"diameter error {p['size_error_mm']:+.4f} ± {2 * p['u_radius_mm']:.4f}  "
        f"form {p['form_mm']:.3f} (95 % within {p['form95_mm']:.3f})"
        for p in result["probing"]
    ]
    lines += [
        f"  head {flat['head']}  bare belt {1e3 * flat['peak_to_peak_mm']:.1f} µm from peak to peak"
        for flat in result["flatness"]
    ]
    lines.append("passed" if result["passed"] else "not passed")
    return "\n".join(lines)
