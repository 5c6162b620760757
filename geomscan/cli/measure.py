"""geomscan measure."""

from pathlib import Path

import click

from geomscan.cli.output import finish, json_option, say, whole_command

__all__ = ["command"]


def _lines(
    context: click.Context,  # noqa: ARG001 - click's signature
    parameter: click.Parameter,  # noqa: ARG001
    value: str | None,
) -> tuple[int | None, int | None] | None:
    if value is None:
        return None
    parts = value.split(":")
    if len(parts) == 2 and all(part.isdecimal() or not part for part in parts):
        first, stop = (int(part) if part else None for part in parts)
        return first, stop
    msg = f"expected A:B, lines A to B - 1, got {value!r}"
    raise click.BadParameter(msg)


@click.command(
    "measure",
    help="Measure the pieces of RECORDING…: thickness, volume, fat and lean, mass, profiles. "
    "One recording's results go straight into OUT, several into OUT/<recording's folder name>.",
)
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--calibration",
    type=click.Path(path_type=Path),
    help="Scanner calibration made by `geomscan calibrate`; height payloads need none.",
)
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Results folder to make."
)
@click.option(
    "--settings", type=click.Path(path_type=Path), help="Settings of the product (TOML), density."
)
@click.option(
    "--angle",
    "angles",
    multiple=True,
    type=click.FloatRange(-45, 45),
    help="Blade angle in degrees, above 0: the cut's top leans to the trailing edge; repeatable.",
)
@click.option("--lines", callback=_lines, help="Only lines A to B − 1, as A:B.")
@click.option("--head", "heads", multiple=True, help="Only this head; repeatable.")
@click.option(
    "--monte-carlo",
    default=0,
    type=click.IntRange(min=0),
    help="Check the uncertainties by drawing every error so many times.",
)
@click.option("--no-maps", is_flag=True, help="Leave out the map files.")
@click.option(
    "--jobs",
    default=1,
    show_default=True,
    type=click.IntRange(min=1),
    help="Recordings measured at once.",
)
@click.option("--replace", is_flag=True, help="Replace a results folder made of other inputs.")
@json_option
@whole_command
def command(
    recordings: tuple[Path, ...],
    calibration: Path | None,
    out: Path,
    settings: Path | None,
    angles: tuple[float, ...],
    lines: tuple[int | None, int | None] | None,
    heads: tuple[str, ...],
    monte_carlo: int,
    no_maps: bool,
    jobs: int,
    replace: bool,
    as_json: bool,
) -> int:
    """Measure recordings."""
    from geomscan.runs.measure import MeasureOptions, measure_all

    done = measure_all(
        recordings,
        out,
        calibration=calibration,
        settings=settings,
        options=MeasureOptions(
            angles_deg=angles,
            lines=lines,
            heads=heads,
            monte_carlo=monte_carlo,
            maps=not no_maps,
        ),
        replace=replace,
        n_jobs=jobs,
    )
    for note in (note for result in done for note in result.warnings):
        say(f"warning: {note}")
    text = "\n".join(
        f"{result.recording}: {result.n_pieces} pieces -> {result.out}"
        + (" (up to date, left as it was)" if result.skipped else "")
        + "".join(f"\n  {number} × {name}" for name, number in sorted(result.flags.items()))
        for result in done
    )
    results = [
        {
            "recording": result.recording,
            "out": result.out,
            "n_pieces": result.n_pieces,
            "flags": dict(result.flags),
            "skipped": result.skipped,
        }
        for result in done
    ]
    finish({"results": results}, as_json=as_json, text=text)
    return 0
