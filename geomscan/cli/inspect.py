"""geomscan inspect: what is in a recording, and what is wrong with it."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geomscan.cli.output import finish, json_option, say, whole_command

if TYPE_CHECKING:
    from geomscan.recording.inspection import HeadFigures, Inspection

__all__ = ["command"]

#: Problems listed for people; a broken table can have thousands.
MOST_PROBLEMS = 20


@click.command(name="inspect", help="Say what is in a recording, and what is wrong with it.")
@click.argument(
    "recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING..."
)
@json_option
@whole_command
def command(recordings: tuple[Path, ...], as_json: bool) -> None:
    """Inspect each recording; one that cannot be read at all ends the command."""
    from geomscan.recording.inspection import inspect_recording

    found = []
    for path in recordings:
        inspection = inspect_recording(path)
        found.append(_as_json(inspection))
        if not as_json:
            say(_as_text(inspection))
    finish({"recordings": found}, as_json=as_json)


def _as_json(inspection: "Inspection") -> dict[str, Any]:
    manifest, travel = inspection.manifest, inspection.travel
    return {
        "path": str(inspection.path),
        "product": manifest.product,
        "recorded": manifest.recorded.isoformat() if manifest.recorded else None,
        "temperature_c": manifest.temperature_c,
        "n_lines": inspection.n_lines,
        "whole_lines": list(inspection.whole_lines),
        "heads": {head.name: _head_as_json(head) for head in inspection.heads},
        "lanes": manifest.belt.lanes,
        "has_block": manifest.block is not None,
        "nominal_mm_per_count": manifest.belt.nominal_mm_per_count,
        "duration_s": travel.duration_s,
        "length_mm": travel.length_mm,
        "mm_per_line": travel.mm_per_line,
        "lines_per_s": travel.lines_per_s,
        "speed_mm_s": travel.speed_mm_s,
        "events": [
            {"what": event.what, "lines": [event.line, event.last_line], "text": event.text}
            for event in inspection.events
        ],
        "problems": [{"what": p.what, "where": p.where} for p in inspection.problems],
    }


def _head_as_json(head: "HeadFigures") -> dict[str, Any]:
    return {
        "payload_is": head.payload_is,
        "payload": head.payload,
        "n_lines": head.n_lines,
        "n_rows": head.n_rows,
        "n_columns": head.n_columns,
        "bit_depth": head.bit_depth if head.payload_is == "frames" else None,
        "peak_median_grey": head.peak_median,
        "peak_max_grey": head.peak_max,
        "clipped_share": head.clipped_share,
        "dark_zero_share": head.dark_zero_share,
        "dark_clipped": head.is_dark_clipped,
        "lit_share": head.lit_share,
    }


def _as_text(inspection: "Inspection") -> str:
    manifest = inspection.manifest
    about = [manifest.product or "product not named"]
    if manifest.recorded:
        about.append(manifest.recorded.isoformat())
    if manifest.temperature_c is not None:
        about.append(f"{manifest.temperature_c:g} °C")
    if manifest.block is not None:
        about.append("reference block, turned" if manifest.block.reversed else "reference block")
    first, last = inspection.whole_lines
    which = "all whole" if inspection.is_whole else f"whole with --lines {first}:{last + 1}"
    lines = [
        str(inspection.path),
        f"  {', '.join(about)}",
        f"  {inspection.n_lines} lines, {which}; {_travel_text(inspection)}",
        f"  lanes: {_lanes_text(manifest.belt.lanes)}",
    ]
    lines += [f"  {_head_text(head)}" for head in inspection.heads]
    if inspection.problems:
        lines.append(f"  problems: {len(inspection.problems)}")
        shown = inspection.problems[:MOST_PROBLEMS]
        lines += [f"    {problem.where}: {problem.what}" for problem in shown]
        if len(inspection.problems) > len(shown):
            lines.append(f"    and {len(inspection.problems) - len(shown)} more: see --json")
    else:
        lines.append("  no problems found")
    return "\n".join(lines)


def _travel_text(inspection: "Inspection") -> str:
    travel = inspection.travel
    text = f"{travel.length_mm:.0f} mm of belt, {travel.mm_per_line:.3f} mm a line (nominal)"
    if math.isfinite(travel.speed_mm_s):
        text += f", {travel.duration_s:.2f} s at {travel.speed_mm_s:.0f} mm/s"
        text += f" and {travel.lines_per_s:.0f} lines/s"
    return text


def _lanes_text(lanes: tuple[tuple[float, float], ...]) -> str:
    if len(lanes) == 1 and math.isinf(lanes[0][0]):
        return "one over all"
    return ", ".join(f"{low:g} to {high:g} mm" for low, high in lanes)


def _head_text(head: "HeadFigures") -> str:
    text = f"head {head.name}: {head.payload_is} ({head.payload}), {head.n_columns} columns"
    if head.payload_is != "frames":
        return f"{text}, {100 * head.lit_share:.0f} % of them seen"
    text += f" × {head.n_rows} rows, {head.bit_depth} bit"
    text += f", peaks {head.peak_median:.0f} (median) to {head.peak_max:.0f}"
    text += f", {100 * head.clipped_share:.1f} % clipped"
    if head.is_dark_clipped:
        text += ", dark pixels read 0 (black level below the noise)"
    return text
