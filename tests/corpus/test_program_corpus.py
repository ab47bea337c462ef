"""Ugly but legal program text gives no finding and ends where it should, on both roads; ugly and illegal text never crashes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from corpus.ugly_programs import UGLY
from newel.core.findings import Finding
from newel.program.interpreter import interpret
from newel.program.rules import RULES
from program_samples import ORIGIN, STRICT, TRADE, run
from program_strategies import ugly_texts


@pytest.mark.parametrize(("why", "text", "end"), UGLY, ids=[ugly[0] for ugly in UGLY])
def test_ugly_but_legal(why, text, end):
    for all_full in (False, True):
        result = interpret(text, STRICT, start=ORIGIN, machine_from_offset_mm=ORIGIN, all_full=all_full)
        assert result.findings == (), result.findings
        assert result.motion.xyza[-1] == pytest.approx(end, abs=1e-12)


@settings(max_examples=300, deadline=None)
@given(text=ugly_texts, strict=st.booleans(), wrapped=st.booleans(), known=st.booleans())
def test_nothing_crashes_or_hangs(text, strict, wrapped, known):
    traits = replace(STRICT if strict else TRADE, a_wrapped_shortest=wrapped, max_loop_turns=500, max_rows=20_000)
    result = interpret(text, traits, start=ORIGIN if known else None)
    assert all(isinstance(finding, Finding) and finding.code in RULES for finding in result.findings)
    assert len(result.motion) <= 20_000
    assert not np.isinf(result.motion.xyza).any()
    assert (result.motion.line >= 1).all()


def test_hostile_texts_are_quick():
    """Deep brackets, long lines, long chains: each is refused without a stack overflow."""
    texts = [
        "G0 X" + "[" * 100_000,
        "G0 X" + "#" * 100_000 + "1",
        "G0 X" + "[-" * 100_000,
        "G0 X" + "1" * 1_000_000,
        "G0 X[" + "1+" * 50_000 + "1]",
        "(" * 100_000,
        "o1 if [1]\n" * 20_000,
        "N1" * 100_000,
        "/" * 100_000,
        "%\n" * 100_000,
    ]
    for text in texts:
        assert len(interpret(text, TRADE).motion) <= 1


@pytest.mark.parametrize("line", ["T99999999999 M6", "T99999999999\nM6\nG0 X1", "G43 H99999999999\nG0 Z1"])
def test_a_number_too_long_for_any_cutter_is_a_finding(line):
    """Found by benchmarks/fuzz_programs.py: it overflowed the column of cutter numbers."""
    read = run("G21", *line.split("\n"), traits=TRADE)
    assert read.findings[0].code in ("cutter-number", "length-offset") and read.findings[0].line == 2


def test_an_arc_of_more_chords_than_there_is_room_for_ends():
    """Found by benchmarks/fuzz_programs.py: a huge arc early in a short program asked for room for ever."""
    read = run("G21 F10", "G18 G2 X1 Z0 I0.5 K-99995", "G17 X3", traits=TRADE)
    assert len(read.motion) > 1000 and read.motion.line[-1] >= 2
