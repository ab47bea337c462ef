"""What RS274/NGC forbids: the error list of NISTIR 6556 (Kramer, Proctor, Messina, 17 August 2000), sections in brackets.

Each line must be refused with a finding at that line that names the section, and must not move anything.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from newel.program.interpreter import MachineFacts
from program_samples import STRICT, obstacles_at, run

pytestmark = pytest.mark.uncompiled

LONG = "G0 X1" + " " * 252  # 257 characters

# id, lines before, the line, code
ERRORS = [
    ("E1", (), LONG, "line-too-long"),
    ("E2", (), "G1 X1 X2 F100", "letter-twice"),
    ("E3", (), "G0 G1 X1", "two-of-one-group"),
    ("E3", (), "G17 G18", "two-of-one-group"),
    ("E3", (), "M3 M5", "two-of-one-group"),
    ("E3", (), "M0 M2", "two-of-one-group"),
    ("E3", (), "M7 M8", "two-of-one-group"),
    ("E3", (), "G90 G1 X5 G91", "two-of-one-group"),
    ("E4", (), "M3 M8 M48 M6 M0", "too-many-m-words"),
    ("E5", (), "N123456 G0 X1", "line-number"),
    ("E5", (), "N-1", "line-number"),
    ("E5", (), "N000009", "line-number"),
    ("E5", (), "G0 N5 X1", "line-number"),
    ("E6", (), "G1 X1 (a (b) c)", "comment"),
    ("E6", (), "G1 X1 (open", "comment"),
    ("E7", (), "O100", "unknown-word"),
    ("E7", (), "G1 E5", "unknown-word"),
    ("E7", (), "U1", "unknown-word"),
    ("E7", (), "V1", "unknown-word"),
    ("E7", (), "W1", "unknown-word"),
    ("E8", (), "#0=1", "parameter-number"),
    ("E8", (), "#5400=1", "parameter-number"),
    ("E8", (), "#[1.5]=2", "parameter-number"),
    ("E9", (), "G1 X ASIM[0.5]", "unknown-operation"),
    ("E10", (), "G0", "axis-word-missing"),
    ("E10", (), "G1 F100", "axis-word-missing"),
    ("E11", (), "G28 G1 X1", "axis-words-claimed-twice"),
    ("E11", (), "G92 X0 G0 Y1", "axis-words-claimed-twice"),
    ("E11", (), "G10 L2 P1 X0 G1", "axis-words-claimed-twice"),
    ("E15", (), "G4 P-1", "dwell"),
    ("E15", (), "G4", "dwell"),
    ("E16", (), "G10 L2 P10 X0", "offset-setting"),
    ("E16", (), "G10 L2 P0", "offset-setting"),
    ("E16", (), "G10 L3 P1", "offset-setting"),
    ("E17", (), "G43 H-1", "length-offset"),
    ("E17", (), "G43 H21", "length-offset"),
    ("E17", (), "G43", "length-offset"),
    ("E17", (), "T-1", "cutter-number"),
    ("E17", (), "T21", "cutter-number"),
    ("E18", ("G2 X2 I1 F100",), "G53 X0", "machine-coordinates"),
    ("E18", ("G80",), "G53 X0", "machine-coordinates"),
    ("E18", ("F60", "G81 X0 Y0 Z-1 R1"), "G53 X0", "machine-coordinates"),
    ("E19", ("G80",), "X1", "axis-words-not-allowed"),
    ("E20", (), "G92", "coordinate-setting"),
    ("E21", ("G93",), "G1 X1", "feed-missing"),
    ("E21", ("G93 G1 X1 F1",), "X2", "feed-missing"),
    ("E22", ("F60",), "G81 R1", "cycle"),
    ("E22", ("F60",), "G81 X1 Y1 Z2 R1", "cycle"),
    ("E22", ("F60",), "G81 X1 Y1 R1", "cycle"),
    ("E22", ("F60",), "G81 X1 Y1 Z-1", "cycle"),
    ("E22", ("F60",), "G81 X1 Y1 Z-1 R1 L0", "cycle"),
    ("E22", ("F60",), "G81 X1 Y1 Z-1 R1 L-1", "cycle"),
    ("E22", ("F60",), "G81 X1 Y1 Z-1 R1 L1.5", "cycle"),
    ("E22", ("F60",), "G82 X1 Y1 Z-1 R1 P-1", "cycle"),
    ("E22", ("F60",), "G82 X1 Y1 Z-1 R1", "cycle"),
    ("E22", ("F60",), "G81 X1 Y1 Z-1 R1 A5", "cycle"),
    ("E22", ("G93",), "G81 X1 Y1 Z-1 R1 F1", "cycle"),
    ("E23", ("F60",), "G83 X1 Z-1 R1 Q0", "cycle"),
    ("E23", ("F60",), "G83 X1 Z-1 R1 Q-1", "cycle"),
    ("E23", ("F60",), "G84 X1 Z-1 R1", "cycle"),
    ("E23", ("F60", "S100 M4"), "G84 X1 Z-1 R1", "cycle"),
    ("E23", ("F60",), "G86 X1 Z-1 R1 P1", "cycle"),
    ("E24", (), "S-100", "spindle-speed"),
    ("E25", ("F60",), "G38.2 Z0.253", "probe"),
    ("E25", ("G93",), "G38.2 Z-10 F1", "probe"),
    ("E25", ("F60",), "G38.2 Z-10 A5", "probe"),
    ("E25", ("F60",), "G38.2", "probe"),
    ("E25", ("F60",), "G38.2 A5", "probe"),
    ("E26", ("G18",), "G41 D1", "compensation"),
    ("E26", (), "G0 X1 D1", "word-not-used"),
    ("-", (), "G1 X1 F-5", "feed-value"),
    ("-", (), "G1 X1 F0", "feed-value"),
    ("-", (), "G0 X1 P1", "word-not-used"),
    ("-", (), "G0 X1 R1", "word-not-used"),
    ("-", (), "G0 X1 I1", "word-not-used"),
    ("-", (), "G0 X1 H1", "word-not-used"),
    ("-", (), "G0 X1 L1", "word-not-used"),
    ("-", (), "G0 X1 Q1", "word-not-used"),
    ("-", (), "X1", "motion-word-missing"),
    ("-", (), "G12 X1", "unknown-code"),
    ("-", (), "G1.05 X1", "unknown-code"),
    ("-", (), "M66", "unknown-code"),
    ("-", (), "G70", "units-other-standard"),
    ("-", (), "G71", "units-other-standard"),
    ("-", (), "G0 X", "number-form"),
    ("-", (), "G0 X--1", "number-form"),
    ("-", (), "G0 X1.2.3", "unknown-character"),
    ("-", (), "G0 X[1", "expression"),
    ("-", (), "G0 X[1/0]", "expression"),
    ("-", (), "G0 Xsqrt[-1]", "expression"),
    ("-", (), "G0 Xln[0]", "expression"),
    ("-", (), "G0 X[[0-8]**0.5]", "expression"),
    ("-", (), "G0 X[1 gt 0]", "unknown-operation"),
    ("-", (), "#1", "parameter-form"),
    ("-", (), "G0 X#1", "parameter-not-known"),
    ("-", (), "G0 X1 ; no such comment", "unknown-character"),
    ("-", (), "G0 X\N{MINUS SIGN}1", "number-form"),
    ("-", (), "G0 X9999999999999", "number-form"),
    ("-", (), "M98 P1", "not-in-this-dialect"),
    ("-", (), "M6", "cutter-number"),
]


@pytest.mark.parametrize(("name", "before", "line", "code"), ERRORS, ids=[f"{e[0]} {e[2][:24]}" for e in ERRORS])
def test_the_line_is_refused(name, before, line, code):
    result = run("G21", *before, line, machine=MachineFacts(slots=20))
    assert obstacles_at(result) == [(code, len(before) + 2)], result.findings
    assert all(row != len(before) + 2 for row in result.motion.line.tolist())


@pytest.mark.parametrize(
    "line", ["G20", "G18", "G28", "G53 G0 X1", "G54", "G55", "G92 X1", "G38.2 Z-5", "G81 X1 Y1 Z-1 R1", "G42 D2"]
)
def test_with_compensation_on(line):
    """E26: none of these while G41 or G42 is in force [3.5.10, B.5]; each use of G41 is an obstacle of its own."""
    result = run("F60", "G41 D1", line)
    codes = obstacles_at(result)
    assert codes[0] == ("compensation-not-proved", 2)
    if line == "G54":
        assert codes[1:] == []
    else:
        assert codes[1][1] == 3
        assert codes[1][0] in ("compensation", "machine-coordinates", "cycle"), codes


def test_percent():
    """E27 [3.1]."""
    assert obstacles_at(run("%", "G0 X1", "M2")) == [("percent", 1)]
    assert run("%", "G0 X1", "M2", "%").findings == ()
    assert run("", "%", "G0 X1", "%").findings == ()
    assert obstacles_at(run("G0 X1", "%")) == [("percent", 2)]


def test_program_end():
    """3.1: without % the file needs M2 or M30."""
    strict = replace(STRICT, percent_optional=False)
    assert obstacles_at(run("G0 X1", traits=strict)) == [("no-program-end", 1)]
    assert run("G0 X1", "M2", traits=strict).findings == ()
    assert run("G0 X1", "M30", traits=strict).findings == ()


@pytest.mark.parametrize("value", [0, 10, 1.5, -1])
def test_stored_system_number(value):
    """E28 [3.2.2]."""
    result = run("G0 X1", machine=MachineFacts(parameters={5220: value}))
    assert obstacles_at(result) == [("system-number", 0)]


def test_just_inside():
    """The nearest texts that are allowed."""
    slots = MachineFacts(slots=20, lengths_mm={20: 10.0})
    for lines in (
        ("G0 X1" + " " * 251,),
        ("N12345 G0 X1",),
        ("#1=1", "#5399=1"),
        ("#[1.00005]=2",),
        ("G4 P0",),
        ("G10 L2 P9 X0",),
        ("G43 H20", "T20"),
        ("F60", "G38.2 Z0.2541"),
        ("F60", "G81 X1 Y1 Z1 R1"),
        ("S1 M3 M8 M48 M0",),
        ("G80 G92 X1",),
    ):
        assert run(*lines, machine=slots).findings == (), lines


def test_after_an_error_the_named_axes_are_unknown_and_told_once():
    result = run("G1 F60 Y1", "G1 X1 X2", "G91 X1", "G90 G2 X5 I1", "G0 X3 Y4")
    assert obstacles_at(result) == [("letter-twice", 2)]
    assert result.motion.xyza[-1, :2].tolist() == [3, 4]


def test_a_refused_motion_word_stays_unknown_without_more_findings():
    """What runs on under a motion word that was refused is lost until the next one, and told once."""
    result = run("G21 F60", "G81 X1 Y1 Z2 R1", "X2", "X3 Y3", "G0 X4 Y4 Z0", "X5")
    assert obstacles_at(result) == [("cycle", 2)]
    assert result.motion.line.tolist() == [5, 6]
    result = run("G21 F60", "G99.9 X1", "X2", "G1 X3")
    assert obstacles_at(result) == [("unknown-code", 2)]
    assert result.motion.line.tolist() == [4]
