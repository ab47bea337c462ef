"""Indexing faults: a bar that is turned while the tip is down amid cuts at a side, and programs that just don't.

Expected lines are derived: the line that was edited.
"""

from __future__ import annotations

from faults.proof_bench import JOURNAL, edited, proved, told
from newel.core.dialect import ReadTraits

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


# The same with a clamp: M10 clamps, M11 releases.
CLAMPED = """G21 G17 G40 G49 G80 G90 G94
G53 G0 Z110
T1 M6
S10000 M3
M11
G0 X15 Y-8 A0
M10
G43 H1 Z20
G1 Z4.5 F300
G1 Y8 F300
G0 Z20
M11
G0 A90
M10
G1 Z4.5 F300
G1 Y-8 F300
G0 Z20
M5
G53 G0 Z110
M30
"""
WITH_CLAMP = ReadTraits(clamp_m=10, unclamp_m=11)


def of_the_clamp(text: str) -> set[tuple[str, int]]:
    return set(told(proved(text, model=None, reads=WITH_CLAMP)))


def test_sides_clamped_and_released_in_turn_are_clean():
    assert of_the_clamp(CLAMPED) == set()
    assert of_the_clamp(edited(CLAMPED, L5="(nothing told yet)")) == set()
    assert of_the_clamp(edited(CLAMPED, L12="(on one line)", L13="G0 A90 M11", L14="G4 P0 M10")) == set()


def test_a_turn_against_the_clamp_is_found_on_its_line():
    assert of_the_clamp(edited(CLAMPED, L12="(not released)")) == {("turn-clamped", 13)}


def test_cutting_released_is_found_on_its_line():
    assert of_the_clamp(edited(CLAMPED, L14="(not clamped)")) == {("cut-released", 16)}
    never = edited(CLAMPED, L5="(no)", L7="(clamp)", L12="(word)", L14="(at all)")
    assert of_the_clamp(never) == {("cut-released", 10), ("cut-released", 16)}


def test_cutting_around_wants_the_clamp_released():
    assert of_the_clamp(JOURNAL) == set()
    clamped = edited(JOURNAL, L5="G0 X12 Y0 A0\nM10")
    assert {code for code, _ in of_the_clamp(clamped)} == {"turn-clamped"}


def test_without_a_clamp_its_words_are_not_in_the_language():
    assert ("unknown-code", 5) in told(proved(CLAMPED, model=None))
