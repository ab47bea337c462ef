"""The seal: the same for the same, another for any change, and it names what changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faults.proof_bench import CUTTERS, MACHINE, SETUP
from newel.core.errors import BadInput
from newel.proof.seal import FORMAT, seal_of, what_changed

PARTS = {
    "programs": (("a", "G21\n"),),
    "setup": SETUP,
    "machine": MACHINE,
    "model": (np.zeros((3, 3)), np.array([[0, 1, 2]])),
    "nothing": None,
}


def test_the_same_parts_have_the_same_seal_whatever_their_order_or_number_format() -> None:
    again = {name: PARTS[name] for name in reversed(PARTS)}
    again["model"] = (np.zeros((3, 3), np.float32), np.array([[0, 1, 2]], np.int32))
    assert seal_of(PARTS) == seal_of(again)
    assert seal_of(PARTS).startswith(FORMAT + " ")


@pytest.mark.parametrize(
    "name, value",
    [
        ("programs", (("a", "G20\n"),)),
        ("programs", (("b", "G21\n"),)),
        ("setup", replace(SETUP, a_sense=-1)),
        ("setup", replace(SETUP, cutters=CUTTERS[1:])),
        ("machine", replace(MACHINE, table_below_axis_mm=25.0000001)),
        ("model", (np.full((3, 3), 1e-9), np.array([[0, 1, 2]]))),
        ("model", (np.zeros((3, 3)), np.array([[0, 2, 1]]))),
        ("nothing", 0),
    ],
)
def test_any_change_breaks_the_seal_and_is_named(name: str, value: object) -> None:
    changed = {**PARTS, name: value}
    assert what_changed(seal_of(PARTS), seal_of(changed)) == (name,)


def test_parts_that_come_or_go_are_named() -> None:
    less = {name: value for name, value in PARTS.items() if name != "model"}
    assert what_changed(seal_of(PARTS), seal_of(less)) == ("model",)


def test_texts_and_numbers_do_not_run_into_one_another() -> None:
    assert seal_of({"x": ("ab", "c")}) != seal_of({"x": ("a", "bc")})
    assert seal_of({"x": (1, 23)}) != seal_of({"x": (12, 3)})
    assert seal_of({"x": 1}) != seal_of({"x": 1.0})
    assert seal_of({"x": -0.0}) == seal_of({"x": 0.0})


def test_what_is_no_seal_is_refused() -> None:
    for text in ("", "hello", "newel-seal-1", "other 123 a=b"):
        with pytest.raises(BadInput):
            what_changed(text, seal_of(PARTS))
    with pytest.raises(TypeError):
        seal_of({"x": object()})
