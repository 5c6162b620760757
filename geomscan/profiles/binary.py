"""The planner's document in a fixed binary layout, for controllers that parse no text.

Why this one: a controller's program can lay a C struct (or a PLC structure) over the bytes and use
them where they lie. Little-endian throughout; every number at a multiple of its own size; float32
columns (PLC type REAL, 7 digits) one after the other; a checksum against transfers cut short. No
library is needed to read it, and its size is known from its header.

Layout of version 1
- 256 bytes header, `HEADER` below; texts are UTF-8 filled up with zero bytes.
- For each profile 16 bytes (`PROFILE`: angle, plan angle, step as float32, n knots as uint32), then
  n float32 for each of the columns of `geomscan.profiles.document.COLUMNS`, in that order, then n
  int32 encoder counts at the blade, from the leading edge's (0 where there is no blade), then
  n float32 for each term.
- For each term 32 bytes: scope (1 piece, 2 run; uint32) and 28 bytes of name.
- 4 bytes: CRC-32 (as in zip, ISO 3309) of all bytes before.

Not known is NaN. A reader checks magic, version and checksum, and refuses any other version: as
with the text form, a version never changes.
"""

import struct
import zlib
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.files import NEWEST
from geomscan.profiles.document import COLUMNS

__all__ = ["MAGIC", "decode_binary", "encode_binary"]

MAGIC: Final = b"GSPIECE\0"

#: name -> struct format, in order; little-endian, no gaps
HEADER: Final = {
    "magic": "8s",
    "version": "I",
    "n_bytes": "I",
    "sequence": "I",
    "piece": "I",
    "lane": "I",
    "n_profiles": "I",
    "n_columns": "I",
    "n_terms": "I",
    "encoder": "d",
    "mm_per_count": "d",
    "blade_x_mm": "d",
    "u_blade_x_mm": "d",
    "x0_mm": "d",
    "u_x0_mm": "d",
    "length_mm": "f",
    "width_mm": "f",
    "volume_cm3": "f",
    "u_volume_cm3": "f",
    "mass_g": "f",
    "u_mass_g": "f",
    "flags": "144s",
}
_HEADER = struct.Struct("<" + "".join(HEADER.values()))
_PROFILE = struct.Struct("<fffI")
_TERM = struct.Struct("<I28s")
_SCOPES = {"piece": 1, "run": 2}


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _text(text: str, size: int) -> bytes:
    """Fit UTF-8 into a field, cut between letters."""
    return text.encode()[:size].decode(errors="ignore").encode()


def encode_binary(document: Mapping[str, Any]) -> bytes:
    """Give the document of `piece_document` in the binary form."""
    profiles, terms = document["profiles"], document["terms"]
    body: list[bytes] = []
    blade = document["blade"]
    for profile in profiles:
        n = len(profile["s_mm"])
        body.append(
            _PROFILE.pack(profile["angle_deg"], profile["plan_angle_deg"], profile["step_mm"], n)
        )
        body += [np.asarray(profile[name], dtype="<f4").tobytes() for name in COLUMNS]
        counts = profile["encoder_at_blade"]
        if counts is None:
            counts = np.full(n, _number(document["encoder"]))
        body.append(_from_edge(np.asarray(counts, dtype=np.float64), document["encoder"]).tobytes())
        body.append(np.asarray(profile["term_cumulative_g"], dtype="<f4").tobytes())
    body += [_TERM.pack(_SCOPES[term["scope"]], _text(term["name"], 28)) for term in terms]
    size = _HEADER.size + sum(len(part) for part in body) + 4
    values = {
        "magic": MAGIC,
        "version": NEWEST["piece"],
        "n_bytes": size,
        "n_profiles": len(profiles),
        "n_columns": len(COLUMNS),
        "n_terms": len(terms),
        "mm_per_count": _number(document["belt"]["mm_per_count"]),
        "blade_x_mm": _number(None if blade is None else blade["x_mm"]),
        "u_blade_x_mm": _number(None if blade is None else blade["u_x_mm"]),
        "flags": _text(";".join(document["flags"]), 144),
    }
    for name, kind in HEADER.items():
        if name not in values:
            values[name] = int(document[name]) if kind == "I" else _number(document[name])
    whole = _HEADER.pack(*(values[name] for name in HEADER)) + b"".join(body)
    return whole + struct.pack("<I", zlib.crc32(whole))


def _from_edge(counts: npt.NDArray[np.float64], encoder: float | None) -> npt.NDArray[np.int32]:
    """Whole counts from the leading edge's: float32 would not hold an unwrapped count."""
    start = _number(encoder)
    if np.isnan(start):
        return np.zeros(counts.shape, dtype="<i4")
    return np.asarray(np.rint(counts - start), dtype="<i4")


def decode_binary(data: bytes) -> dict[str, Any]:
    """Read the binary form back: header fields, `profiles` with arrays, and `terms`.

    Raises
    ------
    InputError
        If the bytes are cut short, damaged, of another kind or of another version.
    """
    if len(data) < _HEADER.size + 4 or data[:8] != MAGIC:
        msg = f"piece: expected at least {_HEADER.size + 4} bytes that begin with {MAGIC!r}"
        raise InputError(msg)
    header = dict(zip(HEADER, _HEADER.unpack_from(data), strict=True))
    if header["version"] != NEWEST["piece"]:
        msg = f"piece: version {header['version']}, this release reads {NEWEST['piece']}"
        raise InputError(msg)
    if len(data) != header["n_bytes"] or zlib.crc32(data[:-4]) != struct.unpack("<I", data[-4:])[0]:
        msg = f"piece: damaged or cut short ({len(data)} of {header['n_bytes']} bytes)"
        raise InputError(msg)
    place = _HEADER.size
    profiles = []
    for _ in range(header["n_profiles"]):
        angle, plan, step, n = _PROFILE.unpack_from(data, place)
        place += _PROFILE.size
        n_rows = header["n_columns"] + 1 + header["n_terms"]
        rows = np.frombuffer(data, dtype="<f4", count=n_rows * n, offset=place).reshape(n_rows, n)
        counts = np.frombuffer(
            data, dtype="<i4", count=n, offset=place + 4 * n * header["n_columns"]
        )
        place += 4 * n_rows * n
        profiles.append(
            {
                "angle_deg": angle,
                "plan_angle_deg": plan,
                "step_mm": step,
                **dict(zip(COLUMNS, rows, strict=False)),
                "counts_from_edge": counts,
                "term_cumulative_g": rows[header["n_columns"] + 1 :],
            }
        )
    terms = []
    for _ in range(header["n_terms"]):
        scope, name = _TERM.unpack_from(data, place)
        place += _TERM.size
        terms.append({"name": name.rstrip(b"\0").decode(), "scope": {1: "piece", 2: "run"}[scope]})
    return {
        **{name: value for name, value in header.items() if name != "magic"},
        "flags": [flag for flag in header["flags"].rstrip(b"\0").decode().split(";") if flag],
        "profiles": profiles,
        "terms": terms,
    }
