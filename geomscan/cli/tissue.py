"""geomscan tissue: can this light tell this fat from this lean; settings for it."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geomscan.cli.output import finish, json_option, whole_command

if TYPE_CHECKING:
    from geomscan.tissue.separability import Separability

__all__ = ["command"]


@click.command(
    name="tissue",
    help="Judge on patches you marked whether this light can tell this fat from this lean at all, "
    "and find settings for it. MARKS is a mask image of the maps' size (1 lean, 2 fat) or a TOML "
    "file with rectangles in mm. The claim is bulk fat (rind, seams, cover fat) at the surface, "
    "not fine marbling. Exit 1 where the light cannot tell them apart.",
)
@click.argument("outs", nargs=-1, required=True, metavar="OUT…", type=click.Path(path_type=Path))
@click.option(
    "--marks", "marks_path", required=True, metavar="MARKS", type=click.Path(path_type=Path)
)
@click.option(
    "--settings",
    "settings_path",
    type=click.Path(path_type=Path),
    help="Settings to start from (its [tissue] section).",
)
@click.option(
    "--settings-out",
    type=click.Path(path_type=Path),
    help="Settings file to write; its page goes beside it.",
)
@json_option
@whole_command
def command(
    outs: tuple[Path, ...],
    marks_path: Path,
    settings_path: Path | None,
    settings_out: Path | None,
    as_json: bool,
) -> int:
    """Run the command."""
    from geomscan.errors import InputError
    from geomscan.files import write_whole
    from geomscan.report.tissue import tissue_page
    from geomscan.results.reader import read_map, read_sight
    from geomscan.runs.settings import load_settings
    from geomscan.tissue.marks import MapGrid, read_marks
    from geomscan.tissue.separability import judge_marks, pieces_from_maps

    names = [out.resolve().name for out in outs]
    if len(set(names)) < len(names):
        msg = f"{outs[0]}: expected results folders of differing names, to tell their marks apart"
        raise InputError(msg)
    maps = {
        name: {kind: read_map(out, kind) for kind in ("thickness", "reflectance", "piece")}
        for name, out in zip(names, outs, strict=True)
    }
    grids = {
        name: MapGrid(
            n_x=found["piece"].values.shape[0],
            n_y=found["piece"].values.shape[1],
            x_first_mm=found["piece"].x_first_mm,
            y_first_mm=found["piece"].y_first_mm,
            cell_mm=found["piece"].cell_mm,
        )
        for name, found in maps.items()
    }
    marks = read_marks(marks_path, grids)
    sights = {name: read_sight(out) for name, out in zip(names, outs, strict=True)}
    pieces = [
        (piece, marks[name][part])
        for name, found in maps.items()
        for piece, part in pieces_from_maps(
            found["thickness"].values,
            found["reflectance"].values,
            found["piece"].values,
            grid=grids[name],
            sight=sights[name],
        )
    ]
    seen = judge_marks(pieces, load_settings(settings_path).settings.tissue)
    written = None
    if settings_out is not None:
        write_whole(settings_out.with_suffix(".html"), tissue_page(seen, names).encode())
        if seen.verdict != "no":
            write_whole(settings_out, _settings_text(seen, marks_path.name).encode())
            written = settings_out
    finish(_result(seen, written), as_json=as_json, text=_text(seen, written))
    return 1 if seen.verdict == "no" else 0


def _settings_text(seen: "Separability", marks: str) -> str:
    """Write a file with one section; strings, numbers and booleans of JSON are TOML's too."""
    section = seen.settings.model_dump(exclude_none=True)
    lines = [f"{key} = {json.dumps(value)}" for key, value in section.items()]
    note = f"adapted to {seen.n_fat} cells of fat and {seen.n_lean} of lean marked in {marks}"
    notes = ["", "[notes]", f"tissue = {json.dumps(note)}", ""]
    return "\n".join(['format = "geomscan.settings/1"', "", "[tissue]", *lines, *notes])


def _result(seen: "Separability", written: Path | None) -> dict[str, Any]:
    return {
        "verdict": seen.verdict,
        "can_tell": seen.verdict != "no",
        "reasons": seen.reasons,
        "auc": seen.auc,
        "auc_less_shading": seen.auc_shaded,
        "d_prime": seen.d_prime,
        "contrast": seen.contrast,
        "limit": seen.limit,
        "n_cells": {"lean": seen.n_lean, "fat": seen.n_fat},
        "n_patches": {"lean": seen.n_patches_lean, "fat": seen.n_patches_fat},
        "confusion": {
            method: {
                "lean": {"as_lean": table.lean_as_lean, "as_fat": table.lean_as_fat},
                "fat": {"as_lean": table.fat_as_lean, "as_fat": table.fat_as_fat},
                "balanced_accuracy": table.balanced_accuracy,
            }
            for method, table in seen.confusion.items()
        },
        "settings": seen.settings.model_dump(),
        "settings_out": written,
    }


def _text(seen: "Separability", written: Path | None) -> str:
    answer = {
        "yes": "yes, this light tells this fat from this lean",
        "with care": "with care: it tells them apart, but not safely",
        "no": "no, this light cannot tell this fat from this lean",
    }[seen.verdict]
    lines = [
        answer,
        f"contrast fat to lean {seen.contrast:.2f}, AUC {seen.auc:.3f} "
        f"({seen.auc_shaded:.3f} less shading), d' {seen.d_prime:.2f}, best limit {seen.limit:.4g}",
    ]
    for method, table in seen.confusion.items():
        lines.append(
            f"{method:>9}: lean {table.lean_as_lean} right, {table.lean_as_fat} as fat; "
            f"fat {table.fat_as_fat} right, {table.fat_as_lean} as lean; "
            f"balanced {100 * table.balanced_accuracy:.1f} %"
        )
    lines += [f"note: {reason}" for reason in seen.reasons]
    lines.append("bulk fat at the surface is the claim; fine marbling is not")
    if written is not None:
        lines.append(f"settings: {written}; page: {written.with_suffix('.html')}")
    return "\n".join(lines)
