"""Each rule of the language: a clean program, the same with exactly one fault planted, and one just inside the rule."""

from __future__ import annotations

from dataclasses import replace

import pytest

from newel.program.interpreter import MachineFacts, interpret
from newel.program.rules import RULES
from program_samples import STRICT, TRADE, obstacles_at

pytestmark = pytest.mark.uncompiled

CLEAN = """(a bracket, side 1)
G21 G17 G40 G49 G80 G90 G94
G54
T1 M6
G43 H1
G0 Z50.
S9000 M3
G0 X10. Y0. A0.
G1 Z5. F200.
X20. F400.
G2 X30. Y10. I0. J10.
G3 X20. Y20. R10.
G93 G1 X10. A90. F4.
G94
G98 G81 X12. Y12. Z2. R6. F100.
X14.
G80
G4 P0.5
G0 Z50.
M5
M30
"""

# code, line to change (from 1), what stands there instead, what stands just inside the rule
FAULTS = [
    ("letter-twice", 10, "X20. X21. F400.", "X20. Y0. F400."),
    ("two-of-one-group", 9, "G0 G1 Z5. F200.", "G1 G90 Z5. F200."),
    ("unknown-word", 10, "X20. U2. F400.", "X20. (U2.) F400."),
    ("unknown-code", 10, "G7 X20. F400.", "G1 X20. F400."),
    ("unknown-character", 10, "X20. F400. !", "X20. F400. (!)"),
    ("number-form", 10, "X. F400.", "X20. F400."),
    ("line-number", 10, "X20. N5 F400.", "N5 X20. F400."),
    ("comment", 10, "X20. F400. (to the edge", "X20. F400. (to the edge)"),
    ("expression", 10, "F400. X[20.", "F400. X[20.]"),
    ("unknown-operation", 10, "Xsinus[20.] F400.", "Xsin[20.] F400."),
    ("parameter-number", 10, "#5400=1 X20. F400.", "#5399=1 X20. F400."),
    ("parameter-form", 10, "#1 X20. F400.", "#1=1 X20. F400."),
    ("parameter-not-known", 10, "X#1 F400.", "#1=20. F400."),
    ("axis-words-claimed-twice", 10, "G92 X0. G1", "G92 X10."),
    ("axis-words-not-allowed", 18, "X5.", "G0 X5."),
    ("arc-words", 11, "G2 X30. Y10. K10.", "G2 X30. Y10. J10."),
    ("arc-radius", 11, "G2 X30.003 Y10. I0. J10.", "G2 X30.001 Y10. I0. J10."),
    ("arc-no-solution", 12, "G3 X20. Y20. R7.", "G3 X20. Y20. R7.08"),
    ("dwell", 18, "G4 P-0.5", "G4 P0"),
    ("offset-setting", 18, "G10 L2 P0 X0.", "G10 L2 P2 X0."),
    ("length-offset", 5, "G43 H21", "G43 H20"),
    ("cutter-number", 4, "T21 M6", "T20 M6"),
    ("spindle-speed", 7, "S-9000 M3", "S0 M3"),
    ("feed-value", 9, "G1 Z5. F-200.", "G1 Z5. F0.1"),
    ("feed-missing", 13, "G93 G1 X10. A90.", "G93 G1 X10. A90. F0.1"),
    ("cycle", 15, "G98 G81 X12. Y12. Z7. R6. F100.", "G98 G81 X12. Y12. Z6. R6. F100."),
    ("cycle-not-proved", 16, "G88 X14. Z2. R6. P1.", "G89 X14. Z2. R6. P1."),
    ("machine-coordinates", 18, "G53 X0.", "G80"),
    ("coordinate-setting", 18, "G92", "G92.2"),
    ("probe", 18, "G38.2 Z6.1", "G38.2 Z5."),
    ("compensation", 18, "G18 G41 D1", "G40"),
    ("compensation-not-proved", 18, "G41 D1", "G40"),
    ("word-not-used", 10, "X20. F400. P1.", "G4 P1."),
    ("place-unknown", 18, "G28", "G0 Z50."),
    ("axis-not-on-machine", 10, "X20. B5. F400.", "X20. A0. F400."),
    ("too-many-m-words", 7, "S9000 M3 M8 M48 M0 M6", "S9000 M3 M8 M48 M1"),
    ("units-other-standard", 2, "G71", "G21"),
    ("not-in-this-dialect", 18, "G95", "G94"),
    ("percent", 18, "%", "(%)"),
    ("o-word", 18, "o1 call", "o1"),
    ("endless-loop", 18, "M99", "M9"),
]
KNOWN = MachineFacts(slots=20, lengths_mm={1: 40.0, 20: 50.0})


def text_with(line: int, words: str) -> str:
    lines = CLEAN.splitlines()
    lines[line - 1] = words
    return "\n".join(lines) + "\n"


def test_the_clean_program_has_no_finding():
    for traits in (STRICT, TRADE, replace(STRICT, percent_optional=False)):
        assert interpret(CLEAN, traits, machine=KNOWN).findings == ()


@pytest.mark.parametrize(("code", "line", "fault", "inside"), FAULTS, ids=[fault[0] for fault in FAULTS])
def test_one_fault_one_finding_at_its_line(code, line, fault, inside):
    result = interpret(text_with(line, fault), TRADE, machine=KNOWN)
    found = obstacles_at(result)
    assert found[0] == (code, line), result.findings
    assert {at for _, at in found if _ == code} == {line}
    assert len(found) == 1 or code in ("length-offset", "cutter-number", "spindle-speed"), found
    near = interpret(text_with(line, inside), TRADE, machine=KNOWN)
    assert code not in [finding.code for finding in near.findings], near.findings


OTHERS = {
    "line-too-long": "G0 X1" + " " * 252,
    "motion-word-missing": "X1",
    "axis-word-missing": "G0",  # where the dialect forbids it
    "system-number": "",
    "no-program-end": "G0 X1",
    "turn-way-unclear": "G0 A0\nA180",
    "too-many-rows": "G0 X1\nX2\nX3",
    "block-delete": "/G0 X1\nM2",
    "feed-unit-unclear": "G20 F1\nM2",
    "home-names-some-axes": "G28 X1\nM2",
    "spindle-speed-missing": "M3\nM2",
    "too-many-findings": "G7\n" * 300,
    "too-many-refused-lines": "G7\n" * 20_001,
}


@pytest.mark.parametrize("code", OTHERS)
def test_the_other_rules(code):
    traits = STRICT
    known: dict[str, object] = {"start": (0, 0, 0, 0), "machine_from_offset_mm": (0, 0, 0, 0)}
    facts = MachineFacts(home_mm=(0, 0, 0, 0), parameters={5220: 12.0} if code == "system-number" else None)
    if code == "no-program-end":
        traits = replace(traits, percent_optional=False)
    if code == "turn-way-unclear":
        traits = replace(traits, a_wrapped_shortest=True)
    if code == "too-many-rows":
        traits = replace(traits, max_rows=2)
    result = interpret(OTHERS[code] + "\n", traits, machine=facts, **known)
    assert code in [finding.code for finding in result.findings]


def test_every_rule_has_a_fault():
    """A rule that no program here can break would be no rule."""
    assert set(RULES) == {fault[0] for fault in FAULTS} | set(OTHERS)
