"""Encoder counts and what happened on the belt."""

from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geomscan.errors import InputError
from geomscan.recording.encoder import LineTable, build_table, unwrap_counts
from geomscan.recording.line_file import read_line_file, write_line_file

Integers = npt.NDArray[np.int64]

steps = st.lists(st.integers(0, 2**14), min_size=1, max_size=60)
bits = st.sampled_from([16, 24, 32])


def wrapped(count: Integers, width: int, *, signed: bool) -> Integers:
    """Show what a counter of that many bits shows."""
    shown = count % (1 << width)
    return np.where(shown >= 1 << (width - 1), shown - (1 << width), shown) if signed else shown


def table(
    encoder: Any, *, forward: int = 1, seconds: Any = None, **columns: npt.NDArray[Any]
) -> LineTable:
    n = len(encoder)
    time_s = np.arange(n) * 1e-3 if seconds is None else np.asarray(seconds)
    both = {"line": np.arange(n), "encoder": np.asarray(encoder), "time_s": time_s}
    return build_table({**both, **columns}, forward=forward)


def happened(lines: LineTable) -> list[tuple[str, int, int]]:
    return [(event.what, event.line, event.last_line) for event in lines.events]


@given(
    run=steps,
    width=bits,
    start=st.integers(0, 2**32 - 1),
    signed=st.booleans(),
    falling=st.booleans(),
)
def test_any_one_way_run_comes_back(
    run: list[int], width: int, start: int, *, signed: bool, falling: bool
) -> None:
    """Reference: the counts before they were wrapped; any counter, either sign, either way."""
    count = start + np.cumsum([0, *run]) * (-1 if falling else 1)
    shown = wrapped(count, width, signed=signed)
    back, at, _ = unwrap_counts(shown)
    assert np.array_equal(back - back[0], count - count[0])
    assert back[0] == shown[0]
    assert np.array_equal(at, np.flatnonzero(np.abs(np.diff(shown)) > 2 ** (width - 1)) + 1)


@given(st.lists(st.integers(-200, 200), min_size=1, max_size=60), bits, st.integers(0, 2**32 - 1))
def test_to_and_fro_across_the_turn_comes_back(run: list[int], width: int, start: int) -> None:
    """Reference: as above, the belt moving both ways as it pleases."""
    count = start + np.cumsum([0, *run])
    back, _, _ = unwrap_counts(wrapped(count, width, signed=False))
    assert np.array_equal(np.diff(back), run)


@pytest.mark.parametrize("width", [16, 24, 32])
def test_roll_over_is_named_by_its_line(width: int) -> None:
    count = (1 << width) - 30 + 12 * np.arange(8)
    lines = table(wrapped(count, width, signed=False))
    assert np.array_equal(np.diff(lines.count), np.full(7, 12))
    assert happened(lines) == [("rollover", 3, 3)]
    assert f"2^{width}" in lines.events[0].text


def test_step_back_is_no_roll_over() -> None:
    """A real 5 mm back at 0.05 mm a count is 100 counts, also with a 16 bit counter."""
    encoder = np.concatenate([1000 + 12 * np.arange(20), 1128 + 12 * np.arange(20)])
    lines = table(encoder)
    assert np.array_equal(lines.count, encoder)
    assert happened(lines) == [("backwards", 19, 20)]
    assert "100 counts" in lines.events[0].text


def test_falling_counts_are_forward_where_the_manifest_says_so() -> None:
    encoder = 100_000 - 12 * np.arange(30)
    assert table(encoder, forward=-1).events == ()
    assert happened(table(encoder, forward=1)) == [("backwards", 0, 29)]


def test_stand_still() -> None:
    encoder = np.concatenate([12 * np.arange(10), np.full(5, 108), 108 + 12 * np.arange(1, 10)])
    lines = table(encoder)
    assert happened(lines) == [("standstill", 9, 14)]
    assert "for 6 lines" in lines.events[0].text


def test_vibration_is_no_running_backwards() -> None:
    rest = 108 + np.array([1, 0, 1, 0, -1, 0])
    encoder = np.concatenate([12 * np.arange(10), rest, 108 + 12 * np.arange(1, 10)])
    assert [what for what, _, _ in happened(table(encoder))] == ["standstill"]


def test_slow_belt_on_a_coarse_encoder_is_no_stand_still() -> None:
    """0.4 counts a line: most lines repeat the count before."""
    assert table(np.floor(0.4 * np.arange(100)).astype(int)).events == ()


def test_lines_that_never_arrived_show_in_the_encoder() -> None:
    trigger = np.delete(np.arange(60), [20, 41, 42, 43])
    jitter = np.random.default_rng(5).integers(-1, 2, trigger.size)
    lines = table(12 * trigger + jitter, seconds=trigger * 1e-3)
    assert happened(lines) == [("missing", 19, 20), ("missing", 39, 40)]
    assert "about 1 lines" in lines.events[0].text
    assert "about 3 lines" in lines.events[1].text


def test_lines_that_never_arrived_show_in_their_numbers() -> None:
    trigger = np.delete(np.arange(30), [10, 11])
    lines = table(12 * trigger, seconds=trigger * 1e-3, line=trigger)
    assert happened(lines) == [("missing", 9, 10)]
    assert "2 lines never arrived between triggers 9 and 12" in lines.events[0].text


def test_encoder_that_jumps_in_no_time_is_no_missing_line() -> None:
    encoder = 12 * np.arange(40) + np.where(np.arange(40) >= 25, 500, 0)
    assert happened(table(encoder)) == [("jump", 24, 25)]


def test_starting_and_stopping_belt_is_no_jump() -> None:
    """Time-triggered lines while the belt speeds up from rest and slows down again."""
    speed = np.concatenate([np.linspace(3, 12, 30), np.full(40, 12), np.linspace(12, 3, 30)])
    assert table(np.round(np.cumsum(speed)).astype(int)).events == ()


def test_clock_set_back() -> None:
    seconds = np.arange(20) * 1e-3 - np.where(np.arange(20) >= 8, 3600, 0)
    assert happened(table(12 * np.arange(20), seconds=seconds)) == [("clock", 7, 8)]


def test_rows_without_a_frame_are_left_out() -> None:
    dropped = np.zeros(10, bool)
    dropped[[0, 4, 5]] = True
    lines = table(12 * np.arange(10), dropped=dropped)
    assert lines.n_lines == 7
    assert lines.dropped == (0, 4, 5)
    assert np.array_equal(lines.count, 12 * np.array([1, 2, 3, 6, 7, 8, 9]))
    assert happened(lines) == [("dropped", 0, 0), ("dropped", 2, 2)]


def test_counts_of_rows_without_a_frame_do_not_matter() -> None:
    encoder = 50_000 + 12 * np.arange(10)
    encoder[4] = 0
    lines = table(encoder, dropped=np.arange(10) == 4)
    assert np.array_equal(lines.count, np.delete(encoder, 4))
    assert happened(lines) == [("dropped", 3, 3)]


def test_table_cannot_be_changed() -> None:
    with pytest.raises(ValueError, match="read-only"):
        table([0, 12, 24]).count[0] = 1


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


HEADER = "line,encoder,time_s\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty, expected the header line,encoder,time_s"),
        (HEADER, "has no rows"),
        ("line,encoder\n0,0\n", "column time_s is missing"),
        ("line,encoder,time_s,speed\n0,0,0,1\n", "unknown column 'speed'"),
        ("line,line,encoder,time_s\n0,0,0,0\n", "column 'line' is there twice"),
        (HEADER + "0,0,0\n1,12\n2,24,1\n", "row 2: expected 3 cells, found 2"),
        (HEADER + "0,0,0\n1,1x2,0\n", "row 2: encoder: expected a number, got '1x2'"),
        (HEADER + "0,0,0\n1,nan,0\n", "row 2: encoder: expected a whole number, got 'nan'"),
        (HEADER + "0,0,0\n1,,0\n", "row 2: encoder: expected a whole number, got ''"),
        (HEADER + "0,0,0\n1,1.5,0\n", "row 2: encoder: expected a whole number, got '1.5'"),
        (HEADER + "0,0,0\n1,1e300,0\n", "row 2: encoder: expected a whole number"),
        (HEADER + "0,0,0\n1,12,inf\n", "row 2: time_s: expected a finite number"),
        (HEADER + "0,0,0\n2,12,0\n2,24,0\n", "row 3: line must grow from row to row, got 2 then 2"),
        ("line,encoder,time_s,dropped\n0,0,0,2\n", "row 1: dropped: expected 0 or 1, got '2'"),
        ("line,encoder,time_s,dropped\n0,,0,1\n", "every row is without a frame"),
    ],
)
def test_broken_line_table_is_refused_in_one_line(tmp_path: Path, text: str, words: str) -> None:
    path = write(tmp_path / "lines.csv", text)
    with pytest.raises(InputError) as caught:
        read_line_file(path)
    assert words in str(caught.value)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_binary_garbage_is_refused(tmp_path: Path) -> None:
    for name in ("lines.csv", "lines.parquet"):
        (tmp_path / name).write_bytes(bytes(range(256)) * 8)
        with pytest.raises(InputError, match=f"{name}: not"):
            read_line_file(tmp_path / name)


def test_last_row_cut_off_is_a_fault(tmp_path: Path) -> None:
    read = read_line_file(write(tmp_path / "lines.csv", HEADER + "0,0,0\n1,12,0.1\n2,2"))
    assert read.columns["encoder"].tolist() == [0, 12]
    assert read.fault == "is cut short in row 3"


def test_table_from_a_spreadsheet(tmp_path: Path) -> None:
    """A byte-order mark, blanks, CRLF and whole numbers written with a point."""
    text = "\ufeffline, encoder ,time_s\r\n0,100.0,\r\n1,112.0,0.5\r\n"
    read = read_line_file(write(tmp_path / "lines.csv", text))
    assert read.columns["encoder"].tolist() == [100, 112]
    assert np.isnan(read.columns["time_s"][0])


def test_csv_and_parquet_hold_the_same(tmp_path: Path) -> None:
    """Reference: Parquet as DuckDB writes it."""
    columns: dict[str, npt.NDArray[Any]] = {
        "line": np.arange(5),
        "encoder": np.array([4294967290, 4294967295, 4, 9, 14]),
        "time_s": np.array([0.0, 0.00125, np.nan, 1772442840.00375, 1772442840.005]),
        "exposure_us": np.full(5, 120.5),
        "dropped": np.array([False, False, True, False, False]),
    }
    write_line_file(tmp_path / "lines.csv", columns)
    with duckdb.connect() as database:
        source, target = (str(tmp_path / f"lines.{kind}") for kind in ("csv", "parquet"))
        database.execute(f"copy (select * from read_csv('{source}')) to '{target}'")
    for name in ("lines.csv", "lines.parquet"):
        read = read_line_file(tmp_path / name).columns
        for key, values in columns.items():
            assert np.array_equal(read[key], values, equal_nan=key == "time_s"), (name, key)


def test_table_that_does_not_fit_is_not_written(tmp_path: Path) -> None:
    short: dict[str, Any] = {"line": [0, 1], "encoder": [0], "time_s": [0.0, 0.1]}
    with pytest.raises(InputError, match="of one length"):
        write_line_file(tmp_path / "lines.csv", short)
    assert not list(tmp_path.iterdir())
