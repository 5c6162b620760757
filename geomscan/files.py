"""Versioned files, hashes, shipped folders, and folders that appear whole or not at all."""

import hashlib
import json
import math
import os
import re
import shutil
import tempfile
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from pydantic import BaseModel, ConfigDict, ValidationError

from geomscan.errors import InputError

__all__ = [
    "FileModel",
    "new_folder",
    "parse_model",
    "path_inside",
    "plain",
    "read_json",
    "read_toml",
    "sha256_file",
    "sha256_folder",
    "shipped_folder",
    "write_json",
    "write_whole",
]

#: Newest version of each kind of file that this release reads and writes.
NEWEST = {
    "recording": 1,
    "block": 1,
    "scanner": 1,
    "settings": 1,
    "scene": 1,
    "density": 1,
    "run": 1,
    "piece": 1,
    "cuts": 1,
    "aftercut": 1,
    "marks": 1,
}

_FORMAT = re.compile(r"^geomscan\.([a-z]+)/([1-9][0-9]*)$")

Model = TypeVar("Model", bound=BaseModel)


class FileModel(BaseModel):
    """A table of a hand-written file: unknown keys and non-finite numbers are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def _check_format(data: Mapping[str, Any], kind: str, path: Path) -> dict[str, Any]:
    """Check the `format` line and hand back the rest, without `[notes]`."""
    found = data.get("format")
    wanted = f"geomscan.{kind}/{NEWEST[kind]}"
    match = _FORMAT.match(found) if isinstance(found, str) else None
    if match is None:
        msg = f'{path}: expected format = "{wanted}" as the first line, found {found!r}'
        raise InputError(msg)
    if match[1] != kind:
        msg = f'{path}: expected a {kind} file ("{wanted}"), found "{found}"'
        raise InputError(msg)
    if int(match[2]) > NEWEST[kind]:
        msg = f'{path}: "{found}" is newer than this release reads ("{wanted}"): update geomscan'
        raise InputError(msg)
    rest = {key: value for key, value in data.items() if key not in {"format", "notes"}}
    if not isinstance(data.get("notes", {}), dict):
        msg = f"{path}: notes: expected a table [notes]"
        raise InputError(msg)
    return rest


def read_toml(path: Path, kind: str) -> dict[str, Any]:
    """Read a hand-written file of one kind, without its `format` line and its `[notes]`.

    Raises
    ------
    InputError
        If the file is absent, not TOML, of another kind or of a newer version.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror or error})"
        raise InputError(msg) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        msg = f"{path}: not valid TOML: {_one_line(str(error))}"
        raise InputError(msg) from error
    return _check_format(data, kind, path)


def read_json(path: Path, kind: str) -> dict[str, Any]:
    """Read a machine-written file of one kind; the counterpart of `write_json`.

    Raises
    ------
    InputError
        If the file is absent, not JSON, of another kind or of a newer version.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror or error})"
        raise InputError(msg) from error
    except (json.JSONDecodeError, UnicodeDecodeError, RecursionError) as error:
        msg = f"{path}: not valid JSON: {_one_line(str(error))}"
        raise InputError(msg) from error
    if not isinstance(data, dict):
        msg = f"{path}: expected a JSON object, found {type(data).__name__}"
        raise InputError(msg)
    return _check_format(data, kind, path)


def parse_model(model: type[Model], data: Mapping[str, Any], path: Path) -> Model:
    """Validate file content; the first fault becomes one line: what, where, what was expected.

    Raises
    ------
    InputError
        If a key is unknown, missing or of the wrong type or range.
    """
    try:
        return model.model_validate(dict(data))
    except ValidationError as error:
        fault = error.errors()[0]
        where = ".".join(str(part) for part in fault["loc"]) or "file"
        got = fault.get("input")
        shown = (
            ""
            if isinstance(got, dict | list) or fault["type"] == "missing"
            else f", got {got!r:.80}"
        )
        what = {
            "extra_forbidden": "unknown key (free text belongs into [notes])",
            "missing": "required but missing",
        }.get(fault["type"], fault["msg"][0].lower() + fault["msg"][1:])
        msg = f"{path}: {where}: {_one_line(what)}{shown}"
        raise InputError(msg) from error


def plain(value: Any) -> Any:
    """Turn numpy, paths and numbers into what JSON holds; numbers not known become null."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Path):
        return str(value)
    return value


def write_json(path: Path, kind: str, data: Mapping[str, Any], *, indent: int | None = 1) -> None:
    """Write a machine-written file with its `format` line first; it appears whole or not at all."""
    content = {"format": f"geomscan.{kind}/{NEWEST[kind]}", **plain(data)}
    text = json.dumps(content, indent=indent, allow_nan=False, ensure_ascii=False)
    write_whole(path, (text + "\n").encode())


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside its place, then rename it into place.

    Raises
    ------
    InputError
        If the place cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.")
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
            Path(beside).chmod(0o644)
            Path(beside).replace(path)
        except BaseException:
            Path(beside).unlink(missing_ok=True)
            raise
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror or error})"
        raise InputError(msg) from error


@contextmanager
def new_folder(path: Path, *, replace: bool = False) -> Iterator[Path]:
    """Hand out a folder beside `path`: renamed to `path` when the block ends well, else removed.

    Raises
    ------
    InputError
        If `path` exists and `replace` is not set, or the place cannot be written.
    """
    if path.exists() and not replace:
        msg = f"{path}: already exists; name another folder or pass --replace"
        raise InputError(msg)
    if path.exists() and not path.is_dir():
        msg = f"{path}: is a file, expected a folder or nothing"
        raise InputError(msg)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(dir=path.parent, prefix=f".{path.name[:40]}."))
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror or error})"
        raise InputError(msg) from error
    try:
        beside.chmod(0o755)
        yield beside
        if path.exists():
            old = Path(tempfile.mkdtemp(dir=path.parent, prefix=f".{path.name[:40]}."))
            path.replace(old / "old")
            beside.replace(path)
            shutil.rmtree(old)
        else:
            beside.replace(path)
    except BaseException:
        shutil.rmtree(beside, ignore_errors=True)
        raise


def sha256_file(path: Path) -> str:
    """SHA-256 of one file, hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sha256_folder(path: Path) -> str:
    """SHA-256 over names and contents of all files below a folder, in the order of names."""
    digest = hashlib.sha256()
    for file in sorted(item for item in path.rglob("*") if item.is_file()):
        digest.update(f"{file.relative_to(path).as_posix()}\0{sha256_file(file)}\0".encode())
    return digest.hexdigest()


def path_inside(folder: Path, name: str, *, where: str) -> Path:
    """Resolve a payload's name, which must stay inside its folder.

    Raises
    ------
    InputError
        If the name leads outside or nothing is there.
    """
    if "\0" in name or not name.strip():
        msg = f"{where}: expected a file name, got {name!r}"
        raise InputError(msg)
    root = folder.resolve()
    path = (root / name).resolve()
    if not path.is_relative_to(root) or path == root:
        msg = f"{where}: {name!r} leads outside its recording folder"
        raise InputError(msg)
    if not path.exists():
        msg = f"{where}: {path}: no such file or folder"
        raise InputError(msg)
    return path


def shipped_folder(name: str) -> Path:
    """Find `calibration`, `models` or `sample_images`: installed, else in the checkout.

    Raises
    ------
    InputError
        If neither place holds it.
    """
    package = Path(__file__).parent
    for place in (package / "shipped" / name, package.parent / name):
        if place.is_dir():
            return place
    msg = f"{name}: not found beside the package {package} nor in its checkout: reinstall geomscan"
    raise InputError(msg)


def _one_line(text: str) -> str:
    return " ".join(text.split())
