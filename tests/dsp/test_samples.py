"""Spans are read a little ahead of the work on them, never far, and nothing is lost on the way."""

import threading
from collections.abc import Iterator

import pytest

from spatial.dsp.samples import while_reading


def test_results_come_in_order_from_another_thread():
    threads = set()

    def square(number: int) -> int:
        threads.add(threading.get_ident())
        return number * number

    assert list(while_reading(square, range(50))) == [n * n for n in range(50)]
    assert threads
    assert threading.get_ident() not in threads


def test_only_a_few_items_are_read_ahead():
    read = 0

    def items() -> Iterator[int]:
        nonlocal read
        for number in range(1000):
            read += 1
            yield number

    results = while_reading(lambda n: n, items())
    next(results)
    assert read < 20
    results.close()
    assert read < 20


@pytest.mark.parametrize("at", [0, 5, 99])
def test_a_failure_in_the_work_reaches_the_caller(at):
    def work(number: int) -> int:
        if number == at:
            raise ValueError(f"item {number}")
        return number

    with pytest.raises(ValueError, match=f"item {at}"):
        list(while_reading(work, range(100)))
