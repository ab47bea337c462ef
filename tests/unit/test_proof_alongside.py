"""Two stages of a proof at once: both results, errors of either, and no kernel of numba's own threads on the second thread."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from typing import Any

import numba
import pytest

from faults.proof_bench import JOURNAL, journal_model, proved
from newel.proof.alongside import alongside
from newel.shop.catalogue import load_shop, shipped_texts


@pytest.fixture(params=[1, 2])
def threads(request: pytest.FixtureRequest) -> Iterator[int]:
    """So many threads may be used."""
    if request.param > numba.config.NUMBA_NUM_THREADS:
        pytest.skip("this machine has one core")
    before = numba.get_num_threads()
    numba.set_num_threads(request.param)
    yield request.param
    numba.set_num_threads(before)


def test_both_are_done_and_told_how_many_threads(threads: int) -> None:
    seen = alongside(
        lambda: (threading.get_ident(), numba.get_num_threads()), lambda: (threading.get_ident(), numba.get_num_threads())
    )
    assert [count for _, count in seen] == [threads, max(1, threads // 2)]
    assert (seen[0][0] == seen[1][0]) == (threads == 1)


def failing() -> int:
    raise ValueError("no")


@pytest.mark.parametrize("pair", [(failing, int), (int, failing)])
def test_an_error_of_either_is_raised(pair: tuple[Callable[[], int], Callable[[], int]], threads: int) -> None:
    with pytest.raises(ValueError, match="no"):
        alongside(*pair)


@pytest.mark.skipif(numba.config.DISABLE_JIT, reason="nothing is compiled, and so nothing is spread over threads")
def test_loads_call_no_kernel_that_numba_spreads_over_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    material = load_shop(shipped_texts()).material("medium tooling board", where="test")
    asks = {"model": journal_model(), "material": material, "resolution_mm": 0.4}
    before = proved(JOURNAL, **asks)
    main, called = threading.get_ident(), []

    def watched(name: str, kernel: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any) -> Any:
            called.append((name, threading.get_ident()))
            return kernel(*arguments)

        return call

    for module in [module for name, module in sys.modules.items() if name.startswith("newel.")]:
        for name, kernel in list(vars(module).items()):
            if getattr(kernel, "targetoptions", {}).get("parallel"):
                monkeypatch.setattr(module, name, watched(name, kernel))
    proof = proved(JOURNAL, **asks)
    assert proof.load == before.load and proof.load.force_max_N > 0.0
    assert called and {thread for _, thread in called} == {main}
