"""Work done ahead of the one who needs it, in a thread of its own."""

from collections import deque
from collections.abc import Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

__all__ = ["ahead"]

T = TypeVar("T")


def ahead(items: Iterator[T], n: int) -> Generator[T]:
    """Let another thread make the next items while this one uses those that it has.

    Each item is handed on as soon as it is made; no more than `n` wait at a time, so that memory
    stays bounded where making is quicker than using.

    Parameters
    ----------
    items : iterator
        Used by the other thread alone from here on.
    n : int
        Items that are made ahead.

    Yields
    ------
    The items, in order. What making one raises is raised here.
    """
    end = object()
    with ThreadPoolExecutor(1) as maker:
        waiting = deque(maker.submit(next, items, end) for _ in range(n))
        while (item := waiting.popleft().result()) is not end:
            waiting.append(maker.submit(next, items, end))
            yield item  # type: ignore[misc]
