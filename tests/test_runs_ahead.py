"""Work done ahead: order, bounds and errors, against the plain iterator."""

import threading
from collections.abc import Iterator

import pytest

from geomscan.runs.ahead import ahead


@pytest.mark.parametrize("n", [1, 3, 20])
def test_items_come_in_order_and_from_another_thread(n: int) -> None:
    makers = set()

    def items() -> Iterator[int]:
        for k in range(10):
            makers.add(threading.get_ident())
            yield k

    assert list(ahead(items(), n)) == list(range(10))
    assert len(makers) == 1
    assert threading.get_ident() not in makers


def test_no_more_than_n_items_wait() -> None:
    n_made = 0

    def items() -> Iterator[int]:
        nonlocal n_made
        for k in range(50):
            n_made += 1
            yield k

    for k in ahead(items(), 4):
        assert n_made <= k + 1 + 4
    assert n_made == 50


def test_an_error_arrives_after_the_items_before_it() -> None:
    def items() -> Iterator[int]:
        yield 1
        msg = "third line"
        raise ValueError(msg)

    made = ahead(items(), 3)
    assert next(made) == 1
    with pytest.raises(ValueError, match="third line"):
        next(made)


def test_one_who_stops_early_leaves_no_thread_behind() -> None:
    made = ahead(iter(range(1000)), 2)
    assert next(made) == 0
    before = threading.active_count()
    made.close()
    assert threading.active_count() == before - 1
