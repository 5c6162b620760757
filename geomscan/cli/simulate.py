"""geomscan simulate: a recording with known truth from a scene file."""

import sys
import time
from pathlib import Path

import click

from geomscan.cli.output import finish, json_option, whole_command

__all__ = ["command"]


@click.command(name="simulate", help="Make a recording with known truth from a scene file.")
@click.argument("scene", type=click.Path(path_type=Path))
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="The recording's folder."
)
@click.option("--replace", is_flag=True, help="Replace an existing folder.")
@click.option("--jobs", type=click.IntRange(1, 256), default=2, show_default=True, help="Threads.")
@json_option
@whole_command
def command(scene: Path, out: Path, replace: bool, jobs: int, as_json: bool) -> None:
    """Read the scene, write the recording and its truth."""
    from geomscan.simulation.recordings import TRUTH_NAME, simulate
    from geomscan.simulation.scene import read_scene

    started = time.perf_counter()
    content = read_scene(scene)

    def progress(done: int, total: int) -> None:
        if sys.stderr.isatty():
            click.echo(f"\r{done} of {total} frames", nl=False, err=True)

    simulate(content, out, files=scene.parent, replace=replace, n_threads=jobs, progress=progress)
    if sys.stderr.isatty():
        click.echo("", err=True)
    seconds = time.perf_counter() - started
    size_mb = sum(file.stat().st_size for file in out.iterdir()) / 1e6
    result = {
        "recording": out,
        "truth": out / TRUTH_NAME,
        "n_lines": content.n_lines,
        "heads": [head.name for head in content.heads],
        "n_pieces": len(content.pieces),
        "n_blocks": len(content.blocks),
        "size_mb": size_mb,
        "seconds": seconds,
    }
    text = (
        f"{out}: simulated, {content.n_lines} lines, heads {', '.join(result['heads'])}, "  # type: ignore[arg-type]
        f"{len(content.pieces)} pieces, {len(content.blocks)} block passes, {size_mb:.1f} MB "
        f"in {seconds:.0f} s; truth in {TRUTH_NAME}"
    )
    finish(result, as_json=as_json, text=text)
