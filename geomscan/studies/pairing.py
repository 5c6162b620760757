"""Which weighing belongs to which piece: by number, by time, or by belt order."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from geomscan.errors import InputError
from geomscan.studies.alignment import Alignment, align
from geomscan.studies.fit import USUAL_SCATTER, robust_start
from geomscan.studies.table import StudyPieces
from geomscan.studies.weighings import Weighing

__all__ = ["Finding", "Pairing", "SetAside", "pair_weighings"]

Floats = npt.NDArray[np.float64]

#: Gain in log likelihood from which an alignment is believed over the labels as they stand: odds
#: of 160 000 to 1 for it, against slips of a few in a thousand.
SHIFT_GAIN = 12.0

#: A piece that no row names is certainly missing, but it harms nothing: ranked above what the data
#: do not show and below whatever moves weights.
MISSING_ODDS = 3.0


@dataclass(frozen=True, kw_only=True, slots=True)
class SetAside:
    """A row that is kept out of the fit, and why."""

    recording: str
    piece: int | None
    why: str
    row: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """Something wrong with rows, with the natural log of its odds."""

    cause: str
    log_odds: float
    detail: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Pairing:
    """Pairs (index of piece, index of weighing) with all that was left out, and why."""

    how: str
    pairs: tuple[tuple[int, int], ...]
    set_aside: tuple[SetAside, ...] = ()
    findings: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass
class _Book:
    """Collects what a pairing finds."""

    pieces: StudyPieces
    weighings: Sequence[Weighing]
    set_aside: list[SetAside] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def leave_out(self, weighing: int, why: str, piece: int | None = None) -> None:
        row = self.weighings[weighing]
        self.set_aside.append(
            SetAside(
                recording=row.recording if piece is None else str(self.pieces.recording[piece]),
                piece=row.piece if piece is None else int(self.pieces.piece[piece]),
                why=why,
                row=row.row,
            )
        )

    def unweighed(self, piece: int, why: str) -> None:
        self.set_aside.append(
            SetAside(
                recording=str(self.pieces.recording[piece]),
                piece=int(self.pieces.piece[piece]),
                why=why,
            )
        )

    def close(self, how: str, pairs: Sequence[tuple[int, int]]) -> Pairing:
        if not pairs:
            msg = f"weights: paired {how}, but no row fits a measured piece: " + (
                self.set_aside[0].why if self.set_aside else "nothing to pair"
            )
            raise InputError(msg)
        return Pairing(
            how=how,
            pairs=tuple(sorted(pairs)),
            set_aside=tuple(self.set_aside),
            findings=tuple(self.findings),
            notes=tuple(self.notes),
        )


def pair_weighings(pieces: StudyPieces, weighings: Sequence[Weighing]) -> Pairing:
    """Pair weighings with measured pieces.

    By number where the rows name their piece; else by time, with a constant delay between scan and
    scale that is fitted; else in belt order, lane by lane. What does not fit is named and left out,
    never repaired.

    Raises
    ------
    InputError
        If a row names no recording among several, or no row can be paired.
    """
    book = _Book(pieces=pieces, weighings=weighings)
    rows = [index for index, row in enumerate(weighings) if not row.is_check]
    if any(weighings[index].piece is not None for index in rows):
        return _by_number(book, rows)
    if len(set(zip(pieces.recording.tolist(), pieces.head.tolist(), strict=True))) > len(
        set(pieces.recording.tolist())
    ):
        msg = (
            "weights: expected recording and piece in every row, for there are results of several "
            "heads of one recording"
        )
        raise InputError(msg)
    if all(math.isfinite(weighings[index].time_s) for index in rows) and (
        np.isfinite(pieces.time_s).all()
    ):
        return _by_time(book, rows)
    return _by_order(book, rows)


def _by_number(book: _Book, rows: list[int]) -> Pairing:
    pieces, weighings = book.pieces, book.weighings
    recordings = sorted(set(pieces.recording.tolist()))
    # one recording measured with each head alone holds every piece once a head
    index_of: dict[tuple[str, int], list[int]] = {}
    for index in range(len(pieces)):
        key = (str(pieces.recording[index]), int(pieces.piece[index]))
        index_of.setdefault(key, []).append(index)
    claims: dict[int, list[int]] = {}
    for index in rows:
        row = weighings[index]
        if row.piece is None:
            book.leave_out(index, "names no piece, as the other rows do")
            continue
        if not row.recording and len(recordings) > 1:
            msg = (
                f"weights: row {row.row}: expected a recording beside the piece number, for "
                f"there are results of {len(recordings)}"
            )
            raise InputError(msg)
        named = index_of.get((row.recording or recordings[0], row.piece), [])
        if not named:
            book.leave_out(index, "no such piece in the results given")
        for piece in named:
            claims.setdefault(piece, []).append(index)
    pairs = []
    for piece, claiming in claims.items():
        if len(claiming) > 1:
            for index in claiming:
                book.leave_out(index, f"{len(claiming)} rows name this piece: double row", piece)
            book.findings.append(
                Finding(
                    cause="double row",
                    log_odds=SHIFT_GAIN,
                    detail=f"{pieces.name(piece)} has {len(claiming)} weights",
                )
            )
        else:
            pairs.append((piece, claiming[0]))
    pairs.sort()
    _name_unweighed(book, set(claims))
    return book.close("by number", _unshifted(book, pairs))


def _name_unweighed(book: _Book, claimed: set[int]) -> None:
    """Name pieces without weighing, unless a sample only was weighed."""
    unweighed = sorted(set(range(len(book.pieces))) - claimed)
    if not unweighed:
        return
    if len(unweighed) > 0.2 * len(book.pieces):
        book.notes.append(
            f"{len(unweighed)} of {len(book.pieces)} measured pieces were not weighed"
        )
        return
    for piece in unweighed:
        book.unweighed(piece, "missing row: no weighing is of this piece")
    names = ", ".join(book.pieces.name(piece) for piece in unweighed[:5])
    book.findings.append(
        Finding(cause="missing row", log_odds=MISSING_ODDS, detail=f"no weighing is of {names}")
    )


def _unshifted(book: _Book, pairs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Find rows whose numbers are shifted because one weighing is missing or doubled.

    They are used for the pieces that they fit, and that is said aloud: where it happens early,
    hardly a row would be left otherwise.
    """
    if len(pairs) < 6:
        return pairs
    pieces = book.pieces
    claimed = np.array([piece for piece, _ in pairs])
    weight_g = np.array([book.weighings[index].weight_g for _, index in pairs])
    # a few pieces past the last one named, where shifted rows may belong
    between = np.arange(claimed[0], min(claimed[-1] + 4, len(pieces)))
    if claimed.size < 0.8 * (claimed[-1] - claimed[0] + 1):
        return pairs  # a sample was weighed: then a shift can't be told from chance
    as_named_g, share = _expected(pieces, claimed, weight_g)
    rest = (weight_g - as_named_g[claimed]) / np.hypot(share * as_named_g[claimed], 0.5)
    if np.sum(np.abs(rest) > 4) < 2:
        return pairs
    places = claimed - claimed[0]
    found, predicted_g, u_g = _align_by_mass(pieces.take(between), weight_g)
    chi2 = np.minimum(((weight_g[:, None] - predicted_g) / u_g) ** 2, 36.0)
    rows = np.arange(len(pairs))
    if np.sum(chi2[rows, places] > 16) < 2:
        return pairs
    aligned = places.copy()
    for piece, row in found.pairs:
        aligned[row] = piece
    crosswise = {row for pair in found.swapped for row in pair}
    shifted = [row for row in np.flatnonzero(aligned != places).tolist() if row not in crosswise]
    gain = float(np.sum(chi2[shifted, places[shifted]] - chi2[shifted, aligned[shifted]])) / 2
    cured = (chi2[shifted, places[shifted]] > 9) & (chi2[shifted, aligned[shifted]] < 9)
    if len(shifted) < 3 or gain < SHIFT_GAIN or np.mean(cured) < 0.75:
        return pairs
    missing = [piece for piece in found.skipped if piece < max(aligned)]
    names = ", ".join(pieces.name(int(between[piece])) for piece in missing[:3])
    text = f"{len(shifted)} weights fit the piece beside the one they name" + (
        f"; the weighing of {names} seems to be missing" if missing else ""
    )
    book.findings.append(
        Finding(cause="missing row" if missing else "double row", log_odds=gain, detail=text)
    )
    first, last = (book.weighings[pairs[row][1]].row for row in (shifted[0], shifted[-1]))
    book.notes.append(
        f"NUMBERS LOOK SHIFTED: {text}. Rows {first} to {last} of the weights file were used for "
        "the pieces that they fit; correct the file and run again"
    )
    repaired = set(claimed[shifted].tolist())
    taken = {int(between[aligned[row]]) for row in shifted}
    for index in sorted(repaired - taken):
        book.unweighed(index, "missing row: no weight in the file fits this piece")
    book.set_aside[:] = [
        item
        for item in book.set_aside
        if not (item.row is None and _is_one_of(pieces, taken, item))
    ]
    return [
        (int(between[aligned[row]]) if row in set(shifted) else piece, weighing)
        for row, (piece, weighing) in enumerate(pairs)
    ]


def _is_one_of(pieces: StudyPieces, indices: set[int], item: SetAside) -> bool:
    return any(
        pieces.piece[index] == item.piece and pieces.recording[index] == item.recording
        for index in indices
    )


def _align_by_mass(pieces: StudyPieces, weight_g: Floats) -> tuple[Alignment, Floats, Floats]:
    """Align weights with pieces in order; density and scatter are found on the way."""
    volume_cm3 = pieces.volume_cm3
    density = float(np.median(weight_g) / np.median(volume_cm3))
    if len(pieces) == weight_g.size:
        density = float(weight_g.sum() / volume_cm3.sum())
    share = 0.04
    predicted_g = density * volume_cm3
    for _ in range(5):
        u_g = np.hypot(share * predicted_g, 0.5)
        found = align(predicted_g, u_g, weight_g)
        chosen = np.array([piece for piece, _ in found.pairs])
        weights = weight_g[[weighing for _, weighing in found.pairs]]
        predicted_g, new = _expected(pieces, chosen, weights)
        if abs(new - share) < 1e-4:
            break
        share = new
    u_g = np.hypot(share * predicted_g, 0.5)
    return align(predicted_g, u_g, weight_g), predicted_g, u_g


def _expected(
    pieces: StudyPieces, chosen: npt.NDArray[np.int64], weight_g: Floats
) -> tuple[Floats, float]:
    """Weights that the paired rows make likely for all pieces, and their relative scatter."""
    columns = pieces.volume_cm3[:, None]
    if chosen.size >= 8:
        columns = np.stack([pieces.volume_cm3, -pieces.area_cm2], axis=1)
    beta, scale = robust_start(columns[chosen], weight_g, weight_g)
    predicted_g = np.maximum(columns @ beta, 1e-3)
    return predicted_g, float(np.clip(scale, 0.6 * USUAL_SCATTER, 0.1))


def _by_order(book: _Book, rows: list[int]) -> Pairing:
    """Belt order, lane by lane where the rows name their lane."""
    pieces, weighings = book.pieces, book.weighings
    lanes = {weighings[index].lane for index in rows}
    if None in lanes and len(lanes) > 1:
        msg = "weights: expected a lane in every row or in none"
        raise InputError(msg)
    names = {weighings[index].recording for index in rows}
    groups: list[tuple[str, npt.NDArray[np.int64], list[int]]] = []
    for name in sorted(names):
        for lane in sorted(lanes, key=lambda value: -1 if value is None else value):
            chosen = np.ones(len(pieces), dtype=bool)
            if name:
                chosen &= pieces.recording == name
            if lane is not None:
                chosen &= pieces.lane == lane
            mine = [
                index
                for index in rows
                if weighings[index].lane == lane and weighings[index].recording == name
            ]
            order = [weighings[index].order for index in mine]
            if all(math.isfinite(value) for value in order):
                mine = [mine[place] for place in np.argsort(order, kind="stable")]
            label = " ".join(filter(None, [name, "" if lane is None else f"lane {lane}"]))
            if mine:
                groups.append((label, np.flatnonzero(chosen), mine))
    pairs: list[tuple[int, int]] = []
    for label, indices, mine in groups:
        if indices.size == 0:
            for index in mine:
                book.leave_out(index, f"no piece was measured in {label or 'these results'}")
            continue
        pairs += _ordered_pairs(book, label, indices, mine)
    return book.close("in belt order", pairs)


def _ordered_pairs(
    book: _Book, label: str, indices: npt.NDArray[np.int64], mine: list[int]
) -> list[tuple[int, int]]:
    pieces = book.pieces
    weight_g = np.array([book.weighings[index].weight_g for index in mine])
    found, _, _ = _align_by_mass(pieces.take(indices), weight_g)
    where = f" in {label}" if label else ""
    left: set[int] = set()
    for piece in found.skipped:
        name = pieces.name(int(indices[piece]))
        book.unweighed(int(indices[piece]), "missing row: no weight in the file fits this piece")
        book.findings.append(
            Finding(cause="missing row", log_odds=SHIFT_GAIN, detail=f"{name}{where} has no weight")
        )
    for weighing, piece in found.doubled:
        name = pieces.name(int(indices[piece]))
        left.update({weighing, weighing - 1})
        for row in (weighing - 1, weighing):
            book.leave_out(mine[row], f"double row: two weights fit {name}", int(indices[piece]))
        book.findings.append(
            Finding(
                cause="double row", log_odds=SHIFT_GAIN, detail=f"two weights fit {name}{where}"
            )
        )
    for weighing in found.odd:
        left.add(weighing)
        book.leave_out(mine[weighing], "weight fits no piece at this place in the order")
    partner = {weighing: piece for piece, weighing in found.pairs}
    for first, second in found.swapped:
        left.update({first, second})
        names = " and ".join(pieces.name(int(indices[partner[row]])) for row in (first, second))
        for row in (first, second):
            book.leave_out(
                mine[row],
                f"swapped rows: the weights of {names} lie crosswise",
                int(indices[partner[row]]),
            )
        book.findings.append(
            Finding(cause="swapped labels", log_odds=SHIFT_GAIN, detail=f"{names}{where}")
        )
    return [
        (int(indices[piece]), mine[weighing])
        for piece, weighing in found.pairs
        if weighing not in left
    ]


def _by_time(book: _Book, rows: list[int]) -> Pairing:
    """Time of the scan plus a constant delay that fits most rows, told apart by mass."""
    pieces = book.pieces
    scan_s = pieces.time_s
    scale_s = np.array([book.weighings[index].time_s for index in rows])
    weight_g = np.array([book.weighings[index].weight_g for index in rows])
    steps_s = np.diff(np.unique(scan_s))
    near_s = 0.45 * float(np.median(steps_s)) if steps_s.size else 30.0
    delays = np.sort((scale_s[None, :] - scan_s[:, None]).ravel())
    counts = np.searchsorted(delays, delays + near_s, side="right") - np.arange(delays.size)
    best: tuple[float, float, npt.NDArray[np.int64]] | None = None
    tried: list[float] = []
    for start in np.argsort(-counts, kind="stable"):
        delay_s = float(np.median(delays[start : start + counts[start]]))
        if any(abs(delay_s - other) < near_s / 2 for other in tried):
            continue
        tried.append(delay_s)
        nearest = _nearest(scan_s + delay_s, scale_s, near_s)
        score = _time_score(pieces, nearest, weight_g)
        if best is None or score > best[0]:
            best = (score, delay_s, nearest)
        if len(tried) >= 80:
            break
    assert best is not None  # there is at least one row and one piece
    _, delay_s, nearest = best
    matched = nearest >= 0
    delay_s = (
        float(np.median(scale_s[matched] - scan_s[nearest[matched]])) if matched.any() else delay_s
    )
    nearest = _nearest(scan_s + delay_s, scale_s, near_s)
    pairs = []
    for place, index in enumerate(rows):
        if nearest[place] < 0:
            book.leave_out(index, f"no piece passed {delay_s:.0f} s before this weighing")
        else:
            pairs.append((int(nearest[place]), index))
    _name_unweighed(book, {piece for piece, _ in pairs})
    book.notes.append(f"delay from scan to scale: {delay_s:.1f} s, fitted")
    return book.close(f"by time with a delay of {delay_s:.1f} s", pairs)


def _nearest(expected_s: Floats, scale_s: Floats, near_s: float) -> npt.NDArray[np.int64]:
    """For each weighing the piece next to it in time, if they choose each other; else -1."""
    away = np.abs(scale_s[:, None] - expected_s[None, :])
    piece = np.argmin(away, axis=1)
    mutual = np.argmin(away, axis=0)[piece] == np.arange(scale_s.size)
    close = away[np.arange(scale_s.size), piece] <= near_s
    return np.where(mutual & close, piece, -1)


def _time_score(pieces: StudyPieces, nearest: npt.NDArray[np.int64], weight_g: Floats) -> float:
    """Log likelihood of the weights at the pieces that a delay gives them."""
    matched = nearest >= 0
    if matched.sum() < 3:
        return float(matched.sum()) - 1e6
    ratio = weight_g[matched] / pieces.volume_cm3[nearest[matched]]
    rest = (ratio / np.median(ratio) - 1) / 0.03
    return float(np.sum(3.0 - 0.5 * np.minimum(rest**2, 9.0)))
