"""geomscan demo."""

from pathlib import Path

import click

from geomscan.cli.output import finish, json_option, say, whole_command

__all__ = ["command"]


@click.command(
    "demo",
    help="Calibrate, verify and measure on the shipped, simulated recordings, and compare the "
    "results with the truth.",
)
@click.option(
    "--out",
    default=Path("geomscan-demo"),
    show_default=True,
    type=click.Path(path_type=Path),
    help="Folder to make.",
)
@json_option
@whole_command
def command(out: Path, as_json: bool) -> int:
    """Run the demo."""
    say("geomscan: compiling and measuring; the first run takes longer")
    from geomscan.runs.demo import run_demo

    summary = run_demo(out)
    figures = {"out": summary.out, **summary.figures}
    finish(figures, as_json=as_json, text="\n".join(summary.lines))
    return 0 if summary.figures["check_passed"] else 1
