"""The command line: parsing and printing only; each command's module is imported when it runs."""

import importlib
import os
import sys
from collections.abc import Sequence

import click

from geomscan import __version__

__all__ = ["main"]

#: command name -> one line for the list; each lives in geomscan/cli/<name>.py as `command`
COMMANDS = {
    "demo": "The main job on the shipped recordings.",
    "inspect": "What is in a recording, and what is wrong with it.",
    "calibrate": "Calibrate a scanner on passes of a reference block.",
    "verify": "Check a calibration on another block.",
    "measure": "Thickness, volume, tissue, mass and profiles of every piece.",
    "tissue": "Can this light tell this fat from this lean; settings for it.",
    "density": "A density study on weighed pieces.",
    "cuts": "A preview of the cuts.",
    "aftercut": "Portions behind the blade against the planned slices.",
    "simulate": "A recording with known truth from a scene file.",
    "benchmark": "Does this machine keep up?",
}


class _Commands(click.Group):
    """Commands by name; a module is imported only when its command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(f"geomscan.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.command(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="geomscan")
def geomscan() -> None:
    """Make a portioning line's laser scanner true, and turn its scans into mass profiles."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line; a wrong call is one line and exit 2."""
    # threads are shared out over heads and lines: more of them inside small sums get in the way
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # one that comes out of compiled code waits this long for the interpreter; a block takes 10 ms
    sys.setswitchinterval(0.0005)
    try:
        geomscan.main(args=arguments, prog_name="geomscan", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
    except click.ClickException as error:
        context = getattr(error, "ctx", None)
        where = f"{context.command_path}: " if context else "geomscan: "
        click.echo(f"{where}{' '.join(error.format_message().split())} (see --help)", err=True)
        sys.exit(2)
    except click.Abort:
        click.echo("geomscan: interrupted", err=True)
        sys.exit(130)
