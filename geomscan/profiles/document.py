"""The document a cut planner reads: one piece with its profiles, as JSON that opens anywhere.

`piece.schema.json` beside this module describes it (JSON Schema 2020-12); `reading/` holds readers
in Python, C and structured text; `binary` writes the same in a form for controllers.

What a planner's programmer can rely on
- A version never changes: `geomscan.piece/1` has these keys with these meanings for ever, and no
  others. What is new goes into `extra`, which readers ignore where they do not know it; if that is
  not enough there will be a `geomscan.piece/2`.
- Numbers are in the unit of their name; a number that is not known is null.
- Arrays of one profile have one length; index k means the knot `s_mm[k]`. `cumulative_*` is what
  lies before the blade there (0 first, the whole piece last), `*_per_mm`, `width_mm` and
  `thickness_max_mm` belong to the slice from knot k to k + 1.
- `term_cumulative_g[i][k]` is what one standard uncertainty of `terms[i]` does to
  `cumulative_g[k]`. For the mass between cuts a and b subtract both columns and add the differences
  in quadrature, with u_cumulative_independent_g[b]² − u_cumulative_independent_g[a]².
- `encoder_at_blade[k]` is the unwrapped encoder count at which the foot of cut k passes the blade:
  encoder + (s + blade.x_mm) / belt.mm_per_count. Its u comes from the blade's place and the belt's
  scale; the u of the leading edge is in the running mass already (term "leading edge").
"""

import json
import math
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
import numpy.typing as npt
from numba import njit
from pydantic import Field, model_validator

from geomscan.errors import InputError
from geomscan.files import NEWEST, FileModel, parse_model, plain, read_json, write_whole
from geomscan.profiles.slices import SliceProfile, SliceTerm, turning_line_mm
from geomscan.shape.piece_map import PieceMap

__all__ = [
    "COLUMNS",
    "PieceDocument",
    "document_schema",
    "encode_document",
    "piece_document",
    "profiles_of",
    "read_document",
    "write_document",
]

Floats = npt.NDArray[np.float64]
Number = float | None
Column = list[Number]

#: Columns of a profile in the order of every form of the document: decimals kept, meaning.
COLUMNS = {
    "s_mm": (4, "place of the cut, 0 at the leading edge on the belt"),
    "volume_cm3_per_mm": (6, "mean from this knot to the next"),
    "cumulative_cm3": (5, "volume before the blade"),
    "mass_g_per_mm": (6, "mean from this knot to the next"),
    "cumulative_g": (5, "mass before the blade"),
    "u_cumulative_g": (5, "standard uncertainty of cumulative_g"),
    "u_cumulative_common_g": (5, "part of it common to the piece or the run"),
    "u_cumulative_independent_g": (6, "part of it independent from cell to cell"),
    "fat_g_per_mm": (6, "fat, mean from this knot to the next"),
    "width_mm": (3, "extent across of the slice from this knot to the next"),
    "thickness_max_mm": (3, "greatest height in that slice"),
}


class TermEntry(FileModel):
    """One common error of the running mass."""

    name: str
    scope: Literal["piece", "run"] = Field(description="drawn anew for each piece, or once a run")


class Belt(FileModel):
    """Scale of the encoder."""

    mm_per_count: float = Field(description="negative where counts fall in forward running")
    u_mm_per_count: Number = None


class Blade(FileModel):
    """Where the blade stands: distance from the light sheet along the belt, at belt height."""

    x_mm: float
    u_x_mm: Number = None


class ProfileEntry(FileModel):
    """Slices at one blade angle; all arrays have one length."""

    angle_deg: Annotated[
        float, Field(ge=-45, le=45, description="above 0: the cut's top leans to the trailing edge")
    ]
    plan_angle_deg: Annotated[float, Field(ge=-45, le=45)]
    step_mm: Annotated[float, Field(gt=0, description="distance of the knots between the ends")]
    s_mm: list[float] = Field(description=COLUMNS["s_mm"][1], min_length=2)
    volume_cm3_per_mm: Column = Field(description=COLUMNS["volume_cm3_per_mm"][1])
    cumulative_cm3: Column = Field(description=COLUMNS["cumulative_cm3"][1])
    mass_g_per_mm: Column = Field(description=COLUMNS["mass_g_per_mm"][1])
    cumulative_g: Column = Field(description=COLUMNS["cumulative_g"][1])
    u_cumulative_g: Column = Field(description=COLUMNS["u_cumulative_g"][1])
    u_cumulative_common_g: Column = Field(description=COLUMNS["u_cumulative_common_g"][1])
    u_cumulative_independent_g: Column = Field(description=COLUMNS["u_cumulative_independent_g"][1])
    fat_g_per_mm: Column = Field(description=COLUMNS["fat_g_per_mm"][1])
    width_mm: Column = Field(description=COLUMNS["width_mm"][1])
    thickness_max_mm: Column = Field(description=COLUMNS["thickness_max_mm"][1])
    encoder_at_blade: list[float] | None = Field(
        description="count at which the foot of the cut passes the blade; null without blade"
    )
    u_encoder_at_blade: Number = Field(
        description="standard uncertainty of encoder_at_blade, counts"
    )
    term_cumulative_g: list[Column] = Field(
        description="change of cumulative_g per standard uncertainty of each term"
    )

    @model_validator(mode="after")
    def _one_length(self) -> Self:
        n = len(self.s_mm)
        for name in (*COLUMNS, "encoder_at_blade"):
            values = getattr(self, name)
            if values is not None and len(values) != n:
                msg = f"{name}: expected {n} values like s_mm, got {len(values)}"
                raise ValueError(msg)
        if any(len(row) != n for row in self.term_cumulative_g):
            msg = f"term_cumulative_g: expected rows of {n} values like s_mm"
            raise ValueError(msg)
        if any(b <= a for a, b in zip(self.s_mm, self.s_mm[1:], strict=False)):
            msg = "s_mm: expected growing values"
            raise ValueError(msg)
        return self


class PieceDocument(FileModel):
    """One piece for a cut planner; the `format` line stands before these keys."""

    sequence: Annotated[int, Field(ge=0, description="counts the documents of a run, in order")]
    piece: Annotated[int, Field(ge=0)]
    lane: Annotated[int, Field(ge=0, description="1 and up; 0 = none")]
    encoder: Number = Field(description="unwrapped count when s = 0 passes the light sheet")
    x0_mm: float = Field(description="belt x of s = 0, the leading edge on the belt")
    u_x0_mm: Number
    length_mm: float = Field(description="extent along the belt")
    width_mm: float = Field(description="extent across")
    lane_middle_mm: float = Field(description="y about which a plan angle turns")
    volume_cm3: Number
    u_volume_cm3: Number
    mass_g: Number = Field(description="predicted; null without a stated density; not a weighing")
    u_mass_g: Number
    flags: list[str]
    belt: Belt
    blade: Blade | None
    terms: list[TermEntry]
    profiles: list[ProfileEntry]
    provenance: dict[str, Any] = Field(
        description="hashes, versions and methods behind the numbers"
    )
    extra: dict[str, Any] = Field(default_factory=dict, description="ignore what you do not know")

    @model_validator(mode="after")
    def _terms_fit(self) -> Self:
        for profile in self.profiles:
            if len(profile.term_cumulative_g) != len(self.terms):
                msg = f"term_cumulative_g: expected {len(self.terms)} rows, one a term"
                raise ValueError(msg)
        return self


@cache
def document_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of the document, as shipped in piece.schema.json."""
    version = NEWEST["piece"]
    body = PieceDocument.model_json_schema()
    format_key = {"const": f"geomscan.piece/{version}", "description": "kind and version"}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:geomscan:schema:piece:{version}",
        **body,
        "properties": {"format": format_key, **body["properties"]},
        "required": ["format", *body["required"]],
    }


def piece_document(
    profiles: Sequence[SliceProfile],
    piece: PieceMap,
    *,
    sequence: int,
    mm_per_count: float,
    u_mm_per_count: float = math.nan,
    blade_x_mm: float | None = None,
    u_blade_x_mm: float = math.nan,
    provenance: Mapping[str, Any] | None = None,
    extra: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Collect one piece for the planner.

    Parameters
    ----------
    profiles
        Slices of the piece at one or more blade angles.
    piece
        Its map.
    sequence
        Number of the document within the run, from 1.
    mm_per_count, u_mm_per_count
        Scale of the encoder.
    blade_x_mm, u_blade_x_mm
        Distance from the light sheet to the blade along the belt; None where it is not known.
    provenance, extra
        Whatever JSON can hold; extra is for figures beyond this version of the document.

    Returns
    -------
    dict
        The document with arrays of numpy, for `write_document`, `encode_document` and the binary
        twin.

    Raises
    ------
    InputError
        If there is no profile, or one belongs to another piece.
    """
    if not profiles:
        msg = f"piece {piece.piece}: expected at least one profile"
        raise InputError(msg)
    for profile in profiles:
        if profile.piece != piece.piece:
            msg = f"piece {piece.piece}: got a profile of piece {profile.piece}"
            raise InputError(msg)
    whole = profiles[0]
    blade = None if blade_x_mm is None else {"x_mm": blade_x_mm, "u_x_mm": u_blade_x_mm}
    return {
        "format": f"geomscan.piece/{NEWEST['piece']}",
        "sequence": sequence,
        "piece": piece.piece,
        "lane": piece.lane,
        "encoder": piece.encoder,
        "x0_mm": piece.x0_mm,
        "u_x0_mm": piece.u_x0_mm,
        "length_mm": piece.length_mm,
        "width_mm": piece.width_mm,
        "lane_middle_mm": turning_line_mm(piece),
        "volume_cm3": float(whole.cumulative_cm3[-1]),
        "u_volume_cm3": float(whole.u_cumulative_cm3[-1]),
        "mass_g": float(whole.cumulative_g[-1]),
        "u_mass_g": float(whole.u_cumulative_g[-1]),
        "flags": sorted(piece.flags),
        "belt": {"mm_per_count": mm_per_count, "u_mm_per_count": u_mm_per_count},
        "blade": blade,
        "terms": [{"name": term.name, "scope": term.scope} for term in whole.terms],
        "profiles": [
            {
                "angle_deg": profile.angle_deg,
                "plan_angle_deg": profile.plan_angle_deg,
                "step_mm": profile.step_mm,
                **{name: getattr(profile, name) for name in COLUMNS},
                **_at_blade(
                    profile,
                    piece.encoder,
                    (mm_per_count, u_mm_per_count),
                    None if blade_x_mm is None else (blade_x_mm, u_blade_x_mm),
                ),
                "term_cumulative_g": profile.term_cumulative_g,
            }
            for profile in profiles
        ],
        "provenance": dict(provenance or {}),
        "extra": dict(extra or {}),
    }


def _at_blade(
    profile: SliceProfile,
    encoder: float,
    scale: tuple[float, float],
    blade: tuple[float, float] | None,
) -> dict[str, Any]:
    if blade is None or not math.isfinite(encoder) or not math.isfinite(scale[0]):
        return {"encoder_at_blade": None, "u_encoder_at_blade": None}
    mm_per_count, u_mm_per_count = scale
    x_mm, u_x_mm = blade
    travel = profile.s_mm + x_mm
    farthest = float(np.max(np.abs(travel)))
    u_scale = 0.0 if math.isnan(u_mm_per_count) else farthest * u_mm_per_count / abs(mm_per_count)
    return {
        "encoder_at_blade": encoder + travel / mm_per_count,
        "u_encoder_at_blade": math.hypot(u_x_mm, u_scale) / abs(mm_per_count),
    }


def encode_document(document: Mapping[str, Any]) -> bytes:
    """Give the document as JSON text: one array a line, rounded to the decimals of COLUMNS."""
    return b"".join(_encode(document, "")) + b"\n"


def write_document(path: Path, document: Mapping[str, Any]) -> None:
    """Write the document; it appears whole or not at all.

    Raises
    ------
    InputError
        If the place cannot be written.
    """
    write_whole(path, encode_document(document))


_OTHER_DECIMALS = {"encoder_at_blade": 2, "term_cumulative_g": 6}


def _encode(value: Any, key: str) -> list[bytes]:
    """Encode a value: arrays by the compiled writer, all else by the standard one."""
    if isinstance(value, Mapping) and any(
        isinstance(item, np.ndarray | list) for item in value.values()
    ):
        parts: list[bytes] = []
        for name, item in value.items():
            parts += [
                b",\n" if parts else b"{",
                json.dumps(name).encode(),
                b":",
                *_encode(item, name),
            ]
        return [*parts, b"}"]
    if isinstance(value, list) and value and isinstance(value[0], Mapping):
        rows = [b"".join(_encode(item, key)) for item in value]
        return [b"[", b",\n".join(rows), b"]"]
    if isinstance(value, np.ndarray) and value.ndim > 1:
        return [b"[", b",\n".join(b"".join(_encode(row, key)) for row in value), b"]"]
    if isinstance(value, np.ndarray):
        decimals = COLUMNS[key][0] if key in COLUMNS else _OTHER_DECIMALS.get(key, 6)
        text = np.empty(value.size * 24 + 2, dtype=np.uint8)
        n = _write_numbers(np.ascontiguousarray(value, dtype=np.float64), decimals, text)
        if n > 0:
            return [text[:n].tobytes()]
    return [json.dumps(plain(value), allow_nan=False, ensure_ascii=False).encode()]


@njit(nogil=True, cache=True)
def _write_numbers(values: Floats, decimals: int, text: npt.NDArray[np.uint8]) -> int:
    """Write a JSON array with fixed decimals, closing zeros cut; 0 if a number is too large."""
    scale = 10.0**decimals
    n = 1
    text[0] = 91  # [
    for k in range(values.size):
        if k:
            text[n] = 44  # ,
            n += 1
        value = values[k]
        if math.isnan(value):
            for letter in (110, 117, 108, 108):  # null
                text[n] = letter
                n += 1
            continue
        if not abs(value) * scale < 9e15:  # beyond what a double holds to the last place
            return 0
        whole = np.int64(math.floor(abs(value) * scale + 0.5))
        if value < 0 and whole > 0:
            text[n] = 45  # -
            n += 1
        left = decimals
        while left > 0 and whole % 10 == 0:
            whole //= 10
            left -= 1
        start = n
        place = 0
        while whole > 0 or place <= left:
            if place == left and left > 0:
                text[n] = 46  # .
                n += 1
            text[n] = 48 + whole % 10
            whole //= 10
            place += 1
            n += 1
        a, b = start, n - 1
        while a < b:
            text[a], text[b] = text[b], text[a]
            a += 1
            b -= 1
    text[n] = 93  # ]
    return n + 1


def read_document(path: Path) -> PieceDocument:
    """Read a document and check it.

    Raises
    ------
    InputError
        If it is absent, broken, newer than this release, or breaks the schema.
    """
    return parse_model(PieceDocument, read_json(path, "piece"), path)


def profiles_of(document: PieceDocument) -> tuple[SliceProfile, ...]:
    """Give the profiles of a document; volumes' uncertainties are not in it and come as NaN."""
    terms = tuple(SliceTerm(term.name, term.scope) for term in document.terms)
    return tuple(_profile(document, entry, terms) for entry in document.profiles)


def _profile(
    document: PieceDocument, entry: ProfileEntry, terms: tuple[SliceTerm, ...]
) -> SliceProfile:
    columns = {
        name: np.array(getattr(entry, name), dtype=np.float64)
        for name in COLUMNS
        if not name.startswith("u_")
    }
    n = columns["s_mm"].size
    effects = np.array(entry.term_cumulative_g, dtype=np.float64).reshape(len(terms), n)
    independent = np.array(entry.u_cumulative_independent_g, dtype=np.float64)
    return SliceProfile(
        piece=document.piece,
        lane=document.lane,
        angle_deg=entry.angle_deg,
        plan_angle_deg=entry.plan_angle_deg,
        step_mm=entry.step_mm,
        **columns,
        terms=terms,
        term_cumulative_g=effects,
        term_cumulative_cm3=np.full_like(effects, np.nan),
        independent_g2=independent**2,
        independent_cm6=np.full(n, np.nan),
    )
