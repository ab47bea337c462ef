"""The language of RS274/NGC: lines, numbers, expressions, parameters, order of execution, offsets, and the report's Table 10
session and Appendix C expressions. Source: T. R. Kramer, F. M. Proctor, E. Messina, The NIST RS274/NGC Interpreter - Version
3, NISTIR 6556, 17 August 2000 (read in a transcription; sections in brackets). Expected numbers are *published* where the
report prints them, *derived* from its rules where marked so.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.dialect import ReadTraits
from newel.core.motion import RowKind
from newel.program.interpreter import MachineFacts, Run
from newel.program.rules import RefusedError
from newel.program.state import State
from newel.program.words import split_text
from program_samples import ORIGIN, STRICT, end_of, obstacles_at, rows, run, seconds

pytestmark = pytest.mark.uncompiled

FORGIVING = ReadTraits()


def value_of(expression: str, *before: str, traits: ReadTraits = STRICT) -> float:
    """Return what X reads for a text after the letter X."""
    result = run(*before, f"G0 X{expression}", traits=traits)
    assert result.findings == (), result.findings
    return float(end_of(result)[0])


# Appendix C.2, published to four decimals.
C2 = [
    ("[1+2]", 3),
    ("[1-2]", -1),
    ("[1 --3]", 4),
    ("[2/5]", 0.4),
    ("[3.0*5]", 15),
    ("[0 OR 0]", 0),
    ("[0 OR 1]", 1),
    ("[2 or 2]", 1),
    ("[0 AND 1]", 0),
    ("[2 and 2]", 1),
    ("[0 XOR 1]", 1),
    ("[2 xor 2]", 0),
    ("[15 MOD 4.0]", 3),
    ("[1 + 2 * 3 - 4 / 5]", 6.2),
    ("sin[30]", 0.5),
    ("cos[0]", 1),
    ("tan[60]", 1.7321),
    ("sqrt[3]", 1.7321),
    ("asin[1]", 90),
    ("acos[0.707107]", 45.0),
    ("abs[-1.23]", 1.23),
    ("round[-0.499]", 0),
    ("round[-0.5001]", -1),
    ("round[2.444]", 2),
    ("round[9.975]", 10),
    ("fix[-0.499]", -1),
    ("fix[-0.5001]", -1),
    ("fix[2.444]", 2),
    ("fix[9.975]", 9),
    ("fup[-0.499]", 0),
    ("fup[-0.5001]", 0),
    ("fup[2.444]", 3),
    ("fup[9.975]", 10),
    ("exp[2.3026]", 10.0),
    ("ln[10.0]", 2.3026),
    ("[2 ** 3.0]", 8),
    ("sqrt[3**2 + 4**2]", 5),
    ("[2.0 / 3 * 1.5 - 5.5 / 11.0]", 0.5),  # N6
    ("fix[-2.8]", -3),
    ("fup[-2.8]", -2),
]


@pytest.mark.parametrize(("expression", "printed"), C2)
def test_expressions_of_appendix_c2(expression, printed):
    assert value_of(expression) == pytest.approx(printed, abs=2.5e-4)


def test_arc_tangent_of_appendix_c2():
    """Printed as 60.0 for a tangent given to four decimals: half the last printed digit."""
    assert value_of("atan[1.7321]/[1.0]") == pytest.approx(60.0, abs=0.05)


def test_the_long_expression():
    """Appendix C.2 prints no answer; derived by the rules: 2.000545077939."""
    text = "[2 + asin[1/2.1+-0.345] / [atan[fix[4.4] * 2.1 * sqrt[16.8]] /[-18]]**2]"
    assert value_of(text) == pytest.approx(2.000545077939, abs=1e-11)


def test_powers_run_from_left_to_right():
    """3.3.2.3, derived: 2**3**2 is (2**3)**2 = 64; operations of one group have no rank among themselves."""
    assert value_of("[2**3**2]") == pytest.approx(64)
    assert value_of("[1 - 1 and 0]") == pytest.approx(0)  # (1 - 1) and 0
    assert value_of("[8 / 4 * 2]") == pytest.approx(4)


def test_parameters():
    """C.2 and 3.3.3, published: ##1 sets #2; #3=5.0 x#3 with #3=7 goes to X7; #1+2 means (#1)+2."""
    assert value_of("#2", "#1=2.0", "##1=0.375") == pytest.approx(0.375)
    assert end_of(run("#3=7", "G0 #3=5.0 X#3"))[0] == pytest.approx(7)
    after = run("#3=15", "#3=6 G1 X#3 F100", "G0 Y#3")  # N8
    assert (after.motion.xyza[0, 0], after.motion.xyza[1, 1]) == pytest.approx((15, 6))
    assert value_of("[#1+2]", "#1=10") == pytest.approx(12)
    assert value_of("#[1+2]", "#3=4.5") == pytest.approx(4.5)
    assert value_of("#3", "#3=15 #3=6") == pytest.approx(6)  # last wins, no error


def test_spaces_and_case_mean_nothing():
    """3.3, published: `g0x +0. 12 34y 7` = `g0 x+0.1234 y7`."""
    assert end_of(run("g0x +0. 12 34y 7"))[:2] == pytest.approx([0.1234, 7])
    assert end_of(run("G0 X+0.1234 Y7"))[:2] == pytest.approx([0.1234, 7])


def test_line_numbers_and_numbers():
    assert run("N99999 G0 X1", "N1 X2", "n00001 x3").findings == ()
    assert end_of(run("G0 X.5 Y-.25 Z3."))[:3] == pytest.approx([0.5, -0.25, 3.0])
    assert obstacles_at(run("G0 X1e3")) == [("unknown-word", 1)]  # no exponents: E is a letter, and not one of these


def test_not_errors():
    """1.2's closing list: each of these is fine [R]."""
    for lines in (
        ("(one) G0 X1 (two)",),
        ("S0 M3",),
        ("M5", "M5"),
        ("G40",),
        ("T1", "T1 M6", "M6"),
        ("G54", "G54"),
        ("", "   ", "\t"),
        ("F100",),
    ):
        assert run(*lines).findings == (), lines


# ------------------------------------------------------------------------------------------ order of execution, Table 8


def test_f_s_and_spindle_come_before_the_move():
    motion = run("G1 X10 F100 M3 S8000").motion
    assert motion.spindle_rpm.tolist() == [8000.0]
    assert motion.minutes[0] == pytest.approx(0.1)


def test_m5_stops_the_spindle_before_the_move():
    motion = run("M3 S8000", "G1 X10 M5 F100").motion
    assert motion.spindle_rpm.tolist() == [0.0]


def test_coolant_goes_off_before_the_move():
    motion = run("M8", "G0 X1", "G0 Z50 M9").motion
    assert motion.coolant.tolist() == [2, 0]
    motion = run("M7", "M8", "G0 X1").motion
    assert motion.coolant.tolist() == [3]


def test_stop_comes_after_the_move():
    result = run("G0 X1", "X10 M0", "X20")
    assert result.motion.exact_stop.tolist() == [0, 1, 0]
    assert result.facts.stops == (2,)


def test_spindle_on_before_the_dwell():
    motion = run("G4 P2 M3 S1000").motion
    assert motion.kind.tolist() == [RowKind.DWELL]
    assert motion.spindle_rpm.tolist() == [1000.0]
    assert motion.minutes[0] == pytest.approx(2 / 60)


def test_select_change_offset_move_on_one_line():
    motion = run("M3 S5000", "T3 M6 G43 H3 G0 Z10", machine=MachineFacts(lengths_mm={3: 0.0})).motion
    assert motion.kind.tolist() == [RowKind.CHANGE, RowKind.RAPID]
    assert motion.cutter.tolist() == [3, 3]
    assert motion.spindle_rpm.tolist() == [0.0, 0.0]  # M6 ends with the spindle standing
    assert motion.length_offset.tolist() == [0, 3]


def test_distance_mode_before_home():
    """`G91 G28 Z0`: the in-between point is where the tip is, then home (here machine 0 0 100 0)."""
    home = MachineFacts(home_mm=(0.0, 0.0, 100.0, 0.0))
    motion = run("G0 X5 Z7", "G91 G28 Z0", machine=home, machine_from_offset_mm=ORIGIN).motion
    assert motion.xyza[1].tolist() == [5, 0, 7, 0]
    assert motion.xyza[2].tolist() == [0, 0, 100, 0]


def test_new_system_before_the_move():
    result = run("G10 L2 P1 X10 Y0 Z0 A0", "G10 L2 P2 X50 Y0 Z0 A0", "G55 G0 X0")
    assert result.findings == ()
    assert end_of(result)[0] == pytest.approx(40.0)  # told in G54


# ------------------------------------------------------------------------------------------ offsets


def session(**known) -> Run:
    """Return a session that lines are given to one by one, with nothing offset."""
    facts = MachineFacts(parameters={5221 + 20 * s + axis: 0.0 for s in range(9) for axis in range(4)}, **known)
    state = State(STRICT, "session", 1, facts)
    state.machine_from_offset[:] = 0.0
    run_ = Run(split_text("", STRICT), state)
    run_.begin_at(np.zeros(6))
    return run_


def test_g92_of_the_report():
    """N4, published: at X4, G92 X7 makes #5211 -3; then G92 X9 makes it -5."""
    run_ = session()
    for line in ("g0 x4", "g92 x7"):
        run_.carry_out(line, 0)
    assert (run_.parameters.get(5211), run_.state.here[0]) == pytest.approx((-3, 7))
    run_.carry_out("g92 x9", 0)
    assert (run_.parameters.get(5211), run_.state.here[0]) == pytest.approx((-5, 9))


def test_g10_of_the_report():
    """N5, published: G10 L2 P1 X3.5 Y17.2 sets #5221 and #5222; the others stay."""
    run_ = session()
    run_.carry_out("G10 L2 P1 X3.5 Y17.2", 0)
    assert [run_.parameters.get(n) for n in (5221, 5222, 5223, 5224)] == pytest.approx([3.5, 17.2, 0, 0])


def test_the_offsets_story():
    """Derived from 3.5.5, 3.5.12, 3.5.13, 3.5.18: G54 at X10, G55 at X50 (absolute); the tip at absolute X15."""
    run_ = session()
    for line in ("g10 l2 p1 x10", "g10 l2 p2 x50", "g0 x5"):
        run_.carry_out(line, 0)
    here = run_.state.here
    assert here[0] == pytest.approx(5)
    run_.carry_out("g92 x0", 0)
    assert (run_.parameters.get(5211), here[0]) == pytest.approx((5, 0))
    run_.carry_out("g55", 0)
    assert here[0] == pytest.approx(-40)
    assert run_.parameters.get(5220) == 2
    run_.carry_out("g53 g0 x0", 0)
    assert here[0] == pytest.approx(-55)  # absolute 0
    assert run_.state.place()[0] == pytest.approx(0)  # the job's G54 as the operator set it: at absolute 0
    run_.carry_out("g53 g0 x15", 0)
    run_.carry_out("g54", 0)
    run_.carry_out("g92.2", 0)
    assert (run_.parameters.get(5211), here[0]) == pytest.approx((5, 5))
    run_.carry_out("g92.3", 0)
    assert here[0] == pytest.approx(0)
    run_.carry_out("g92.1", 0)
    assert (run_.parameters.get(5211), here[0]) == pytest.approx((0, 5))


def test_table_10_session():
    """Table 10, published to 0.0001: one session in mm from 0 0 0; cutter 2 is 1.0 long."""
    run_ = session(lengths_mm={2: 1.0})
    state = run_.state
    here = state.here
    run_.carry_out("g1 x3 y1 f20.0", 0)
    assert here[:3] == pytest.approx([3, 1, 0])
    before = state.rows.n
    run_.carry_out("g2 x[6-[4*3/2]] r 7.01 z0.5", 0)
    assert here[:3] == pytest.approx([0, 1, 0.5])
    # Derived: sweep 24.7113894 deg, helix 3.0644443 mm along itself at F20: 9.193333 s; centre (1.5, 7.8476).
    assert state.rows.minutes[before : state.rows.n].sum() * 60 == pytest.approx(9.193333, abs=1e-6)
    off = state.rows.xyza[before : state.rows.n, :2] - np.array([1.5, 7.8476])
    assert np.hypot(off[:, 0], off[:, 1]) == pytest.approx(np.full(len(off), 7.01), abs=1e-4)
    run_.carry_out("t2", 0)
    run_.carry_out("m6 g43 h2", 0)
    assert (state.cutter, int(state.ints[6])) == (2, 2)
    run_.carry_out("m2", 0)
    assert (state.notes.ended, state.spindle) == ("M2", 0)
    state.notes.ended = ""
    with pytest.raises(RefusedError, match="asim"):
        run_.carry_out("g1 x asim[0.5]", 0)
    run_.carry_out("g1 x asin[0.5]", 0)
    assert here[:3] == pytest.approx([30, 1, -0.5])
    before = state.rows.n
    run_.carry_out("g91 g81 x3 y2 z-0.8 r1.5 l2", 0)
    seen = [tuple(np.round(row, 6)) for row in state.rows.xyza[before : state.rows.n, :3]]
    assert seen == [
        (30, 1, 1.0),
        (33, 3, 1.0),
        (33, 3, 0.2),
        (33, 3, 1.0),
        (36, 5, 1.0),
        (36, 5, 0.2),
        (36, 5, 1.0),
    ]


def test_m2_puts_back_what_3_6_1_lists():
    run_ = session(lengths_mm={1: 5.0})
    for line in ("g91 g18 g93 g55 g43 h1 m3 s100", "m8", "g1 x1 f2", "m30"):
        run_.carry_out(line, 0)
    ints = run_.state.ints.tolist()
    assert ints[:6] == [10, 170, 900, 940, 210, 540]
    assert ints[6] == 1  # the length offset stays
    assert (run_.state.spindle, run_.state.coolant) == (0, 0)


# ------------------------------------------------------------------------------------------ canned cycles


def test_g81_of_the_report_absolute():
    """N1, published (3.5.16.2)."""
    motion = run("F100", "G90 G81 G98 X4 Y5 Z1.5 R2.8", start=(1, 2, 3, 0)).motion
    assert rows(motion) == [
        ("rapid", (4, 5, 3)),
        ("rapid", (4, 5, 2.8)),
        ("feed", (4, 5, 1.5)),
        ("rapid", (4, 5, 3)),
    ]


def test_g81_of_the_report_incremental():
    """N2, published (3.5.16.2)."""
    motion = run("F100", "G91 G81 G98 X4 Y5 Z-0.6 R1.8 L3", start=(1, 2, 3, 0)).motion
    expected = [("rapid", (1, 2, 4.8))]
    for x, y in ((5, 7), (9, 12), (13, 17)):
        expected += [("rapid", (x, y, 4.8)), ("feed", (x, y, 4.2)), ("rapid", (x, y, 4.8))]
    assert rows(motion) == expected


def test_holes_of_appendix_c3():
    """Rule published (3.5.16), places derived for the words of Appendix C.3: holes are where the tip is fed downward."""
    result = run(
        "F100",
        "g90 g81 x3 y4 r0.2 z-1.1",
        "x1 y0 r0 g91 l3",
        "y-2 r0.1",
        "g90 g82 x4 y5 r0.2 z-1.1 p0.1",
        "x2",
        "g91 x-2 y2 r0 l4",
        "g90 g83 x5 y5 r0.2 z-1.1 q0.21",
        start=(0, 0, 3, 0),
    )
    assert result.findings == ()
    motion = result.motion
    fed = motion.xyza[motion.kind == RowKind.FEED]
    holes = [tuple(np.round(row[:2], 6)) for row in fed]
    expected = [(3, 4), (4, 4), (5, 4), (6, 4), (6, 2), (4, 5), (2, 5), (0, 7), (-2, 9), (-4, 11), (-6, 13)]
    assert holes[:11] == expected
    assert fed[11:, 2] == pytest.approx([-0.01, -0.22, -0.43, -0.64, -0.85, -1.06, -1.1])


def test_other_cycles():
    """3.5.16.3 to .9: what happens at the bottom and on the way out. Derived row by row from the rules."""
    base = ("F60", "S600 M3")
    at = (0, 0, 5, 0)
    dwell = run(*base, "G82 X0 Y0 Z-1 R1 P2", start=at)
    assert [r[0] for r in rows(dwell.motion)] == ["rapid", "rapid", "feed", "dwell", "rapid"]
    assert seconds(dwell) == pytest.approx(2 + 2)
    tap = run(*base, "G84 X0 Y0 Z-1 R1", start=at)
    assert [r[0] for r in rows(tap.motion)] == ["rapid", "rapid", "feed", "feed", "rapid"]
    assert tap.motion.spindle_rpm.tolist() == [600, 600, 600, -600, 600]
    boring = run(*base, "G85 X0 Y0 Z-1 R1 G99", start=at)
    assert [r[0] for r in rows(boring.motion)] == ["rapid", "rapid", "feed", "feed"]
    stop = run(*base, "G86 X0 Y0 Z-1 R1 P0.5", start=at)
    assert [r[0] for r in rows(stop.motion)] == ["rapid", "rapid", "feed", "dwell", "rapid"]
    assert stop.motion.spindle_rpm.tolist() == [600, 600, 600, 600, 0]
    feed_out = run(*base, "G89 X0 Y0 Z-1 R1 P1", start=at)
    assert [r[0] for r in rows(feed_out.motion)] == ["rapid", "rapid", "feed", "dwell", "feed", "rapid"]
    assert obstacles_at(run(*base, "G87 X0 Y0 Z-1 R-2 I1 J0 K-1", start=at)) == [("cycle-not-proved", 3)]
    assert obstacles_at(run(*base, "G88 X0 Y0 Z-1 R1 P1", start=at)) == [("cycle-not-proved", 3)]


def test_cycles_in_other_planes():
    """3.5.16: plane-relative; in G18 the hole runs along Y, in G19 along X."""
    y_hole = run("F60", "G18 G81 X2 Z3 Y-1 R1", start=(0, 5, 0, 0))
    assert rows(y_hole.motion) == [("rapid", (2, 5, 3)), ("rapid", (2, 1, 3)), ("feed", (2, -1, 3)), ("rapid", (2, 5, 3))]
    x_hole = run("F60", "G19 G81 Y2 Z3 X-1 R1 G99", start=(5, 0, 0, 0))
    assert rows(x_hole.motion) == [("rapid", (5, 2, 3)), ("rapid", (1, 2, 3)), ("feed", (-1, 2, 3)), ("rapid", (1, 2, 3))]


# ------------------------------------------------------------------------------------------ probing, stops, files


def test_probing_leaves_the_place_unknown():
    result = run("G38.2 Z-10 F60", "G0 Z5", "X1", start=(0, 0, 5, 0))
    assert result.findings == ()
    assert result.motion.kind.tolist() == [RowKind.PROBE, RowKind.RAPID, RowKind.RAPID]
    result = run("G38.2 Z-10 F60", "G0 X5", start=(0, 0, 5, 0))
    assert obstacles_at(result) == [("place-unknown", 2)]
    assert math.isnan(end_of(result)[2])
    assert obstacles_at(run("G38.2 Z-10 F60", "#1=#5063", start=(0, 0, 5, 0))) == [("parameter-not-known", 2)]


def test_nothing_after_the_end_is_run():
    result = run("G0 X1", "M2", "G0 X99", "G99999")
    assert result.findings == ()
    assert (end_of(result)[0], result.facts.ended, result.facts.ended_line) == (1.0, "M2", 2)
    between = run("%", "G0 X1", "%", "X2")
    assert between.findings == ()
    assert (end_of(between)[0], between.facts.ended) == (1.0, "%")


def test_messages():
    """3.3.4-5: (MSG, ...) displays; of several comments only the last is used."""
    result = run("(MSG, mind your hands)", "G0 X1 (msg,two)", "G0 X2 (MSG, lost) (plain)")
    assert result.facts.messages == ((1, "mind your hands"), (2, "two"))
