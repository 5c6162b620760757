"""Where the pages of a TIFF or BigTIFF lie, found without holding the pages.

tifffile keeps some kilobytes a page, too much for recordings of any length, and stops without a
word where a file is cut short; this walk keeps two numbers a strip and says where it ended.
"""

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError

__all__ = ["PageIndex", "index_pages"]

#: Tags that decide how a page is decoded: all pages must agree in them (TIFF 6.0, section 8).
DECISIVE = (256, 257, 258, 259, 262, 266, 277, 278, 284, 317, 322, 323, 339)
OFFSETS = (273, 324)
BYTE_COUNTS = (279, 325)

TYPE_SIZE = {
    1: 1,
    2: 1,
    3: 2,
    4: 4,
    5: 8,
    6: 1,
    7: 1,
    8: 2,
    9: 4,
    10: 8,
    11: 4,
    12: 8,
    13: 4,
    16: 8,
}
TYPE_CODE = {3: "H", 4: "I", 13: "I", 16: "Q"}

MOST_TAGS = 4096


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PageIndex:
    """Strips or tiles of every page, shape (n_pages, n_segments), and why the walk ended early."""

    offsets: npt.NDArray[np.int64]
    byte_counts: npt.NDArray[np.int64]
    fault: str

    @property
    def n_pages(self) -> int:
        """Pages that are whole."""
        return int(self.offsets.shape[0])


def index_pages(path: Path) -> PageIndex:
    """Walk the chain of pages of a TIFF file.

    Raises
    ------
    InputError
        If it is no TIFF, a page differs from the first, or the chain of pages runs in a ring.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        order, big, offset = _header(path, file)
        kept: list[tuple[tuple[int, ...], tuple[int, ...]]] = []
        seen: set[int] = set()
        first_page: dict[int, bytes] = {}
        fault = ""
        while offset:
            if offset in seen:
                msg = f"{path}: page {len(kept)}: its pages point back at each other"
                raise InputError(msg)
            seen.add(offset)
            tags, following = _read_tags(file, offset, order=order, big=big)
            segments = _segments(file, tags, order=order, big=big)
            if segments is None or following is None or not _inside(segments, size):
                fault = f"is cut short: {len(kept)} pages are whole, one more began"
                break
            decisive = {code: tags[code] for code in DECISIVE if code in tags}
            first_page = first_page or decisive
            if decisive != first_page or (kept and len(segments[0]) != len(kept[0][0])):
                msg = f"{path}: page {len(kept)} differs from page 0 in its size, type or packing"
                raise InputError(msg)
            kept.append(segments)
            offset = following
    if not kept:
        msg = f"{path}: {fault or 'holds no page'}"
        raise InputError(msg)
    return PageIndex(
        offsets=np.array([own[0] for own in kept], np.int64),
        byte_counts=np.array([own[1] for own in kept], np.int64),
        fault=fault,
    )


def _header(path: Path, file: BinaryIO) -> tuple[str, bool, int]:
    """Byte order, whether 64 bit, and the first page's place."""
    head = file.read(16)
    order = {b"II": "<", b"MM": ">"}.get(head[:2], "")
    kind = struct.unpack(f"{order}H", head[2:4])[0] if order and len(head) >= 8 else 0
    if kind == 42:
        return order, False, struct.unpack(f"{order}I", head[4:8])[0]
    if kind == 43 and len(head) == 16:
        return order, True, struct.unpack(f"{order}Q", head[8:16])[0]
    msg = f"{path}: not a readable TIFF file: its header is broken"
    raise InputError(msg)


def _read_tags(
    file: BinaryIO, offset: int, *, order: str, big: bool
) -> tuple[dict[int, bytes], int | None]:
    """Tags of one page as raw (type, count, value) and the next page's place; None = cut off."""
    count_code, entry, link = ("Q", 20, "Q") if big else ("H", 12, "I")
    file.seek(offset)
    raw = file.read(struct.calcsize(count_code))
    if len(raw) < struct.calcsize(count_code):
        return {}, None
    n_tags = struct.unpack(order + count_code, raw)[0]
    if n_tags > MOST_TAGS:
        return {}, None
    body = file.read(n_tags * entry)
    after = file.read(struct.calcsize(link))
    if len(body) < n_tags * entry or len(after) < struct.calcsize(link):
        return {}, None
    codes = struct.unpack_from
    tags = {
        codes(f"{order}H", body, at)[0]: body[at + 2 : at + entry]
        for at in range(0, len(body), entry)
    }
    return tags, struct.unpack(order + link, after)[0]


def _segments(
    file: BinaryIO, tags: dict[int, bytes], *, order: str, big: bool
) -> tuple[tuple[int, ...], tuple[int, ...]] | None:
    """Offsets and byte counts of a page's strips or tiles; None = not there."""
    found = []
    for codes in (OFFSETS, BYTE_COUNTS):
        raw = next((tags[code] for code in codes if code in tags), None)
        values = None if raw is None else _values(file, raw, order=order, big=big)
        if not values:
            return None
        found.append(values)
    return (found[0], found[1]) if len(found[0]) == len(found[1]) else None


def _values(file: BinaryIO, raw: bytes, *, order: str, big: bool) -> tuple[int, ...] | None:
    kind, count = struct.unpack_from(f"{order}H{'Q' if big else 'I'}", raw)
    place = raw[10:] if big else raw[6:]
    if kind not in TYPE_CODE or not 0 < count < 1 << 24:
        return None
    n_bytes = count * TYPE_SIZE[kind]
    if n_bytes > len(place):
        file.seek(struct.unpack(f"{order}{'Q' if big else 'I'}", place)[0])
        place = file.read(n_bytes)
    if len(place) < n_bytes:
        return None
    return struct.unpack(f"{order}{count}{TYPE_CODE[kind]}", place[:n_bytes])


def _inside(segments: tuple[tuple[int, ...], tuple[int, ...]], size: int) -> bool:
    return all(at > 0 and at + n <= size for at, n in zip(*segments, strict=True))
