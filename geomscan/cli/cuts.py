"""geomscan cuts."""

from pathlib import Path
from typing import Any

import click

from geomscan.cli.output import finish, json_option, say, whole_command

__all__ = ["command"]

#: Targets of the what-if table, as shares of the wanted one.
WHAT_IF_SHARES = (0.8, 0.9, 1.0, 1.1, 1.25)


def _sizes(function: Any) -> Any:
    """Add the options that come in g for a target mass and in mm for a target length."""
    texts = {
        "tolerance": "Portions within target ± this count as good; a twentieth where not given.",
        "min": "Smallest portion to make; target − tolerance where not given.",
        "max": "Largest portion to make; target + tolerance where not given.",
    }
    for name, text in texts.items():
        for unit in ("mm", "g"):
            option = click.option(
                f"--{name}-{unit}", type=click.FloatRange(min=0), help=text if unit == "g" else None
            )
            function = option(function)
    return function


@click.command(
    "cuts",
    help="Preview the cuts of the pieces in OUT: the best portions by target mass or length, what "
    "they yield, and what other targets and angles would. Writes cuts.json and cuts.html.",
)
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--target-g", type=click.FloatRange(min=0, min_open=True), help="Wanted mass, g.")
@click.option("--target-mm", type=click.FloatRange(min=0, min_open=True), help="Wanted length, mm.")
@click.option("--angle", default=0.0, show_default=True, type=click.FloatRange(-45, 45))
@click.option(
    "--lane",
    "lanes",
    multiple=True,
    metavar="LANE:TARGET[@ANGLE]",
    help="Own target (and angle) of a lane, in the unit of --target; repeatable.",
)
@_sizes
@click.option(
    "--min-pieces", default=0, type=click.IntRange(min=0), help="Fewest portions a piece."
)
@click.option("--max-pieces", type=click.IntRange(min=0), help="Most portions a piece.")
@click.option(
    "--kerf-mm", default=0.0, type=click.FloatRange(min=0), help="Width a cut takes away."
)
@click.option(
    "--trim-front-mm", default=0.0, type=click.FloatRange(min=0), help="Cut off in front."
)
@click.option("--trim-back-mm", default=0.0, type=click.FloatRange(min=0), help="Cut off behind.")
@click.option(
    "--remainder",
    default="back",
    show_default=True,
    type=click.Choice(["back", "front", "both", "none", "portion"]),
    help="Where what is left goes: trim at an end, nowhere (the portions share the whole piece), "
    "or one more portion.",
)
@click.option("--belt-speed-mm-s", default=0.0, type=click.FloatRange(min=0), help="Belt speed.")
@click.option("--stroke-s", default=0.0, type=click.FloatRange(min=0), help="Time of one stroke.")
@click.option(
    "--u-cut-mm",
    default=0.0,
    type=click.FloatRange(min=0),
    help="Standard uncertainty of where a cut falls.",
)
@click.option(
    "--resolution-mm",
    default=0.25,
    show_default=True,
    type=click.FloatRange(min=0, min_open=True),
    help="Cuts fall on multiples of it.",
)
@click.option(
    "--what-if", "other_targets", multiple=True, type=float, help="Target to try as well."
)
@click.option(
    "--to", type=click.Path(path_type=Path), help="Folder for cuts.json; OUT if not given."
)
@json_option
@whole_command
def command(
    out: Path,
    target_g: float | None,
    target_mm: float | None,
    angle: float,
    lanes: tuple[str, ...],
    other_targets: tuple[float, ...],
    to: Path | None,
    as_json: bool,
    **sizes: Any,
) -> int:
    """Preview cuts."""
    from geomscan.cuts.preview import (
        LaneRules,
        cuts_document,
        plan_all,
        read_pieces,
        summarise,
        what_if,
    )
    from geomscan.files import write_json, write_whole
    from geomscan.report.cuts import cuts_page

    usual = LaneRules(rules=_rules(target_g, target_mm, sizes), angle_deg=angle)
    own = _lane_rules(lanes, usual)
    pieces = read_pieces(out)
    plans = plan_all(pieces, usual, own)
    target = usual.rules.target
    targets = sorted(
        {*other_targets, target} if other_targets else {target * share for share in WHAT_IF_SHARES}
    )
    angles = sorted({profile.angle_deg for piece in pieces for profile in piece.profiles})
    table = what_if(pieces, usual, targets=targets, angles_deg=angles)
    result = cuts_document(pieces, plans, table)
    summary = summarise(plans)
    folder = to or out
    write_json(folder / "cuts.json", "cuts", result)
    page = cuts_page(pieces, plans, summary, table, _maps(out))
    write_whole(folder / "cuts.html", page.encode())
    finish(
        result,
        as_json=as_json,
        text=f"{summary.n_portions} portions from {summary.n_pieces} pieces, yield "
        f"{100 * summary.yield_share:.1f} %; see {folder / 'cuts.html'}",
    )
    if summary.n_unmet:
        say(f"warning: {summary.n_unmet} pieces could not be cut by the rules")
    return 0


def _rules(target_g: float | None, target_mm: float | None, sizes: dict[str, Any]) -> Any:
    from geomscan.cuts.rules import CutRules
    from geomscan.errors import InputError

    if (target_g is None) == (target_mm is None):
        msg = "expected either --target-g or --target-mm"
        raise InputError(msg)
    unit, other = ("g", "mm") if target_g is not None else ("mm", "g")
    for name in ("tolerance", "min", "max"):
        if sizes[f"{name}_{other}"] is not None:
            msg = f"--{name}-{other}: expected --{name}-{unit} with --target-{unit}"
            raise InputError(msg)
    return CutRules(
        by="mass" if unit == "g" else "length",
        target=target_g or target_mm or 0.0,
        tolerance=sizes[f"tolerance_{unit}"],
        smallest=sizes[f"min_{unit}"],
        largest=sizes[f"max_{unit}"],
        fewest=sizes["min_pieces"],
        most=sizes["max_pieces"],
        kerf_mm=sizes["kerf_mm"],
        trim_front_mm=sizes["trim_front_mm"],
        trim_back_mm=sizes["trim_back_mm"],
        remainder=sizes["remainder"],
        belt_mm_per_s=sizes["belt_speed_mm_s"],
        stroke_s=sizes["stroke_s"],
        u_cut_mm=sizes["u_cut_mm"],
        resolution_mm=sizes["resolution_mm"],
    )


def _lane_rules(lanes: tuple[str, ...], usual: Any) -> dict[int, Any]:
    """Read LANE:TARGET[@ANGLE]; sizes about the target shift or scale with it."""
    from geomscan.cuts.preview import LaneRules, scaled
    from geomscan.errors import InputError

    own = {}
    for text in lanes:
        lane, _, rest = text.partition(":")
        target, _, angle = rest.partition("@")
        try:
            number, wanted = int(lane), float(target)
            angle_deg = float(angle) if angle else usual.angle_deg
        except ValueError as error:
            msg = f"--lane: expected LANE:TARGET or LANE:TARGET@ANGLE, got {text!r}"
            raise InputError(msg) from error
        rules = scaled(usual.rules, wanted / usual.rules.target)
        own[number] = LaneRules(rules=rules, angle_deg=angle_deg)
    return own


def _maps(out: Path) -> Any:
    """Read the maps for the pictures, where the results folder has them."""
    from geomscan.report.cuts import read_maps

    if not (out / "maps" / "thickness.tif").exists() or not (out / "maps" / "piece.tif").exists():
        return None
    return read_maps(out)
