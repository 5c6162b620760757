"""What every command shares: where text goes, how results and errors leave."""

import functools
import json
import sys
import warnings
from collections.abc import Callable, Mapping
from typing import Any, ParamSpec

import click

from geomscan.errors import CalibrationError, GeomscanError
from geomscan.files import plain

__all__ = ["finish", "json_option", "say", "whole_command"]

P = ParamSpec("P")

json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one machine-readable object on standard output."
)


def say(text: str) -> None:
    """Text for people: on standard error, so that --json stays alone on standard output."""
    click.echo(text, err=True)


def finish(result: Mapping[str, Any], *, as_json: bool, text: str = "") -> None:
    """Print the command's result: one JSON object on stdout, or its text."""
    if as_json:
        click.echo(json.dumps(plain(result), allow_nan=False, ensure_ascii=False))
    elif text:
        say(text)


def whole_command(function: Callable[P, int | None]) -> Callable[P, None]:
    """Turn the errors a command may meet into one line and the documented exit status.

    The wrapped function returns its exit status: None or 0 done, 1 a check was not met.
    """

    @functools.wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        def show(message: Warning | str, *_: object, **__: object) -> None:
            say(f"warning: {' '.join(str(message).split())}")

        warnings.showwarning = show
        try:
            status = function(*args, **kwargs)
        except CalibrationError as error:
            say(f"geomscan: {' '.join(str(error).split())}")
            sys.exit(1)
        except GeomscanError as error:
            say(f"geomscan: {' '.join(str(error).split())}")
            sys.exit(2)
        sys.exit(status or 0)

    return run
