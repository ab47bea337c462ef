"""Things done side by side: results in order, errors raised, the number of threads kept."""

from __future__ import annotations

import threading

import numba
import pytest

from newel.geometry.parallel import kernel_threads, side_by_side


@pytest.fixture(params=[1, 2])
def threads(request):
    if request.param > numba.config.NUMBA_NUM_THREADS:
        pytest.skip("one core")
    before = kernel_threads()
    numba.set_num_threads(request.param)
    yield request.param
    numba.set_num_threads(before)


def test_results_come_in_order_whichever_ends_first(threads):
    later = threading.Event()

    def first() -> str:
        if threads > 1:
            assert later.wait(10.0)  # the other one runs meanwhile
        return "first"

    def second() -> str:
        later.set()
        return "second"

    assert side_by_side([first, second]) == ["first", "second"]
    assert side_by_side([]) == []


def test_each_thread_may_use_as_many_as_the_caller(threads):
    assert side_by_side([kernel_threads] * 4) == [threads] * 4


def test_an_error_is_raised(threads):
    def fails() -> int:
        raise ValueError("no picture")

    with pytest.raises(ValueError, match="no picture"):
        side_by_side([lambda: 1, fails])
