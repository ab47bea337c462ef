"""Indexing faults: a bar that is turned while the tip is down amid cuts at a side, and programs that just don't.

Expected lines are derived: the line that was edited.
"""

from __future__ import annotations

from faults.proof_bench import JOURNAL, edited, proved, told

# Two flats on the bench's bar of radius 5 mm, one at A0 and one at A90, each cut by two moves across it.
SIDES = """G21 G17 G40 G49 G80 G90 G94
G53 G0 Z110
T1 M6
S10000 M3
G0 X15 Y-8 A0
G43 H1 Z20
G1 Z4.5 F300
G1 Y8 F300
G0 Z20
G0 A90
G1 Z4.5 F300
G1 Y-8 F300
G0 Z20
M5
G53 G0 Z110
M30
"""


def codes(text: str) -> set[tuple[str, int]]:
    return {pair for pair in told(proved(text, model=None)) if pair[0] == "turn-low"}


def test_sides_turned_above_everything_are_clean():
    assert codes(SIDES) == set()


def test_a_turn_below_the_jaws_height_is_found_on_its_line():
    # the safe height of the bench is its tailstock's and jaws' 15 mm: at Z14 the tip is not above everything
    assert codes(edited(SIDES, L9="G0 Z14")) == {("turn-low", 10)}


def test_a_turn_just_above_the_jaws_is_not():
    assert codes(edited(SIDES, L9="G0 Z15.1")) == set()


def test_a_turn_while_feeding_down_is_found():
    bad = edited(SIDES, L9="G0 Z14", L10="G0 Y9", L11="G1 Z4.5 A90 F300")
    assert {code for code, _ in codes(bad)} == {"turn-low"}


def test_cutting_around_is_no_indexing():
    assert codes(JOURNAL) == set()
