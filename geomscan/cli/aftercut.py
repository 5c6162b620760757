"""geomscan aftercut."""

from pathlib import Path
from typing import Any

import click

from geomscan.cli.output import finish, json_option, say, whole_command

__all__ = ["command"]


@click.command(
    "aftercut",
    help="Compare the portions scanned behind the blade, OUT_AFTER, with the slices planned by "
    "`geomscan cuts` in OUT. Writes aftercut.json and aftercut.html into OUT_AFTER.",
)
@click.argument("out_after", type=click.Path(path_type=Path))
@click.option(
    "--planned",
    required=True,
    type=click.Path(path_type=Path),
    help="Results folder with its cuts.json.",
)
@click.option(
    "--least-angle-deg",
    default=0.3,
    show_default=True,
    type=click.FloatRange(min=0),
    help="Smaller errors of a face are not named.",
)
@click.option(
    "--least-place-mm",
    default=0.3,
    show_default=True,
    type=click.FloatRange(min=0),
    help="Smaller errors of a cut's place are not named.",
)
@click.option("--to", type=click.Path(path_type=Path), help="Folder for the result; OUT_AFTER.")
@json_option
@whole_command
def command(
    out_after: Path,
    planned: Path,
    least_angle_deg: float,
    least_place_mm: float,
    to: Path | None,
    as_json: bool,
) -> int:
    """Compare after the cut."""
    from geomscan.cuts.after_files import aftercut_document, planned_pieces, scanned_portions
    from geomscan.cuts.aftercut import compare_after_cut
    from geomscan.files import write_json, write_whole
    from geomscan.report.aftercut import aftercut_page
    from geomscan.report.cuts import crop_of, read_maps

    maps_before, maps_after = read_maps(planned), read_maps(out_after)
    pieces = planned_pieces(planned, lambda piece: crop_of(maps_before, piece))
    portions = scanned_portions(out_after, lambda piece: crop_of(maps_after, piece))
    compared = compare_after_cut(
        pieces,
        portions,
        u_tilt_deg=_u_tilt_deg(out_after),
        least_angle_deg=least_angle_deg,
        least_place_mm=least_place_mm,
    )
    result: dict[str, Any] = aftercut_document(compared)
    folder = to or out_after
    write_json(folder / "aftercut.json", "aftercut", result)
    write_whole(folder / "aftercut.html", aftercut_page(compared, pieces).encode())
    n_named = sum(bool(cut.named) for cut in compared.cuts)
    n_matched = sum(portion.found is not None for portion in compared.portions)
    finish(
        result,
        as_json=as_json,
        text=f"{n_matched} of {len(compared.portions)} slices found, {n_named} of "
        f"{len(compared.cuts)} cuts with an error; see {folder / 'aftercut.html'}",
    )
    if compared.extra:
        say(f"warning: {len(compared.extra)} portions belong to no planned slice")
    return 0


def _u_tilt_deg(out_after: Path) -> float:
    """Find how well the tilt of the light sheet is known, if the calibration is at hand."""
    import math

    from geomscan.files import read_json, sha256_file
    from geomscan.scanner.calibration import read_calibration

    if not (out_after / "run.json").exists():
        return 0.0
    used = read_json(out_after / "run.json", "run").get("calibration") or {}
    path = Path(str(used.get("path") or ""))
    if not path.is_file() or sha256_file(path) != used.get("sha256"):
        say("warning: the scanner calibration is not at hand: u of the angles leaves its tilt out")
        return 0.0
    calibration = read_calibration(path)
    variances = [
        float(calibration.covariance[place, place])
        for place, name in enumerate(calibration.parameter_names)
        if name.startswith("sheet.") and name.endswith(".tilt_deg")
    ]
    return math.sqrt(max(variances, default=0.0))
