"""Compiled code: kept on disk, renewed when its source changes, announced when it takes time."""

import hashlib
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from llvmlite.binding import get_host_cpu_features
from numba.core import config, event

__all__ = ["announced", "source_stamp"]

_LOG = logging.getLogger("geomscan")
_SAID: set[str] = set()


def _use_wide_vectors() -> None:
    """Let code compiled from here on use vectors of 512 bits where they cost no clock rate.

    LLVM keeps to 256 bits on many processors that have more, because the first of them ran slower
    with 512; those with VBMI2 came later. Ten percent of the extraction where it was measured. It
    holds for all that numba compiles later in the process; a choice made by its settings stays.
    """
    if config.CPU_NAME is None and config.CPU_FEATURES is None:
        features = get_host_cpu_features()
        if features.get("avx512vbmi2"):
            config.CPU_FEATURES = features.flatten() + ",-prefer-256-bit"


_use_wide_vectors()


def source_stamp() -> str:
    """Hash of all sources of this package.

    Numba keeps compiled code by the source of the called function alone and doesn't see that a
    function which it calls has changed, not even over an update; a closure over this stamp makes
    it part of the key.
    """
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()


class _Announcer(event.Listener):  # type: ignore[misc]
    """Says once in a process that a function is being compiled."""

    def __init__(self, what: str, function: str) -> None:
        self.what, self.function = what, function

    def on_start(self, event: Any) -> None:
        """Note the start of a compilation; loading from disk doesn't come here."""
        name = getattr(event.data.get("dispatcher"), "__name__", "")
        if name == self.function and self.what not in _SAID:
            _SAID.add(self.what)  # two heads may wait for the same code
            _LOG.warning("compiling %s; this happens once and takes some seconds", self.what)

    def on_end(self, event: Any) -> None:
        """Nothing is said at the end."""


@contextmanager
def announced(what: str, function: str) -> Iterator[None]:
    """Say on the log `geomscan` (standard error by default) when `function` has to be compiled."""
    with event.install_listener("numba:compile", _Announcer(what, function)):
        yield
