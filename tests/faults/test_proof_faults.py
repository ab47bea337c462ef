"""Planted faults: for every code of the proof at least one program that raises exactly it at its line, one that just does not.

Every expected line is derived: it is the line that was edited (or the line whose motion the edit spoils, said beside it).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from faults.proof_bench import JOURNAL, MACHINE, SETUP, edited, flat, journal_model, lathe, proved, told
from newel.core.dialect import Dialect, ReadTraits, WriteTraits
from newel.core.findings import Severity
from newel.core.job import ProofAsk, Section
from newel.core.profile import CutterShape, outline
from newel.core.setup import KeepOut, SetUpBar, SetUpCutter
from newel.geometry.blank_surface import surface_points
from newel.proof.codes import CODES
from newel.proof.limits import limit_findings
from newel.proof.prove import Case, read_course
from newel.proof.results import Verdict
from newel.proof.seal import what_changed
from newel.shop.materials import Material


@dataclass(frozen=True)
class Fault:
    """A fault: its code and line, the program that has it, and the one just inside the limit.

    `lines`: further lines where the same code must be told, for the fault lasts. `also`: codes that follow from the fault by
    themselves (a body that ploughs leaves material that the next rapid hits).
    """

    what: str
    code: str
    line: int
    bad: str
    good: str
    lines: tuple[int, ...] = ()
    also: frozenset[str] = frozenset()
    bench: dict[str, Any] = field(default_factory=dict)
    good_bench: dict[str, Any] | None = None  # where the bench is the fault

    def __str__(self) -> str:
        return f"{self.code}: {self.what}"


def J(**lines: str) -> str:
    return edited(JOURNAL, **lines)


ONE_TURN_MACHINE = replace(MACHINE, a=replace(MACHINE.a, wind_up_deg=1440.0))
SHORT_X = replace(MACHINE, x=replace(MACHINE.x, to_mm=18.0))
LOW_Z = replace(MACHINE, z=replace(MACHINE.z, to_mm=109.0))
AIR = J(L7="G1 Z5.1 F100")
BOARD = Material(
    "board", "board", 700.0, 260.0, 650.0, (20.0, 80.0), 0.25, (100.0, 500.0), (0.01, 0.03), 0.8, 0.5, 0.004, (), ()
)
SOUND = {"material": BOARD}
WEAK_SPINDLE = replace(MACHINE, spindle=replace(MACHINE.spindle, power_W=1.0))
WEAK_AXIS = replace(MACHINE, a=replace(MACHINE.a, moving_torque_Nm=0.01))
THIN = SetUpCutter(
    7,
    "thin",
    CutterShape(outline((0, 0), (0.5, 0), (0.5, 10)), outline((0.5, 10), (0.5, 60), (6, 60), (6, 75))),
    True,
    10.0,
    None,
    75.0,
)
SLENDER = replace(SETUP, cutters=(*SETUP.cutters, THIN))
# derived: 10 mm out of its holder and 1.6 mm thick at its core (0.8 DC) it bears 1000 N/mm2 at 40 N, and gives 0.07 mm then
SHORT = SetUpCutter(
    8,
    "short and thin",
    CutterShape(outline((0, 0), (1.0, 0), (1.0, 3)), outline((1.0, 3), (1.0, 10), (6, 10), (6, 25), (15, 40), (15, 70))),
    True,
    3.0,
    None,
    40.0,
)
STUBBY = replace(SETUP, cutters=(*SETUP.cutters, SHORT))
HIGH_TABLE = replace(SETUP, table_below_axis_mm=6.0)

HOUSED = replace(SETUP, keep_out=(*SETUP.keep_out, KeepOut("rotary housing", -60.0, -20.0, 12.0, False)))

HARD_STEP = J(L9="G1 X14 F400")
TO_THE_END = tuple(range(8, 15))

FAULTS = [
    # where things are
    Fault("Y moves first", "start-unsafe", 2, J(L2="G0 Y10"), J(L2="G53 G0 Z101")),
    Fault(
        "Z raised, but the tip of a 40 mm cutter not clear of the jaws (radius 15)",
        "start-unsafe",
        2,
        J(L2="G53 G0 Z54.9"),
        J(L2="G53 G0 Z55.1"),
        also=frozenset({"length-offset-wrong", "change-low"}),
    ),
    Fault(
        "a fed move begins with A unknown",
        "position-unknown",
        7,
        J(L5="G0 X12 Y0", L8="G1 A360 F3600"),
        J(L8="G1 A360 F3600"),
        lines=(8,),
        also=frozenset({"feed-not-set"}),
    ),
    # cutters
    Fault(
        "cutter 9 is not in the set-up",
        "cutter-unknown",
        7,
        J(L3="T9 M6", L6="G43 H9 Z20"),
        JOURNAL,
        lines=(*TO_THE_END, 15),
        also=frozenset({"nothing-cut", "place-unknown", "start-unsafe", "end-low"}),
    ),
    Fault("no cutter called", "no-cutter", 7, J(L3=""), JOURNAL, lines=(*TO_THE_END, 15), also=frozenset({"nothing-cut"})),
    Fault("length offset of another cutter", "length-offset-wrong", 7, J(L6="G43 H4 Z20"), JOURNAL, lines=(*TO_THE_END, 15)),
    Fault("change beside the bar", "change-low", 16, J(L15="G0 Z14.9\nT1 M6\nG0 Z20"), J(L15="G0 Z15.1\nT1 M6\nG0 Z20")),
    Fault("plunge with a cutter blind at its centre", "plunge", 7, J(L3="T2 M6", L6="G43 H2 Z20"), J(L3="T1 M6")),
    # feeds and speeds
    Fault("A asked for more than 3600 deg/min", "feed-not-kept", 8, J(L8="G1 A360 F3700"), J(L8="G1 A360 F3600")),
    Fault("spindle over its range", "spindle-range", 7, J(L4="S20001 M3"), J(L4="S20000 M3"), lines=TO_THE_END),
    Fault("spindle under its range", "spindle-range", 7, J(L4="S1999 M3"), J(L4="S2000 M3"), lines=TO_THE_END),
    Fault(
        "cutter 4 over its own limit",
        "spindle-range",
        7,
        J(L3="T4 M6", L4="S8001 M3", L6="G43 H4 Z20"),
        J(L3="T4 M6", L4="S8000 M3", L6="G43 H4 Z20"),
        lines=TO_THE_END,
    ),
    Fault("spindle never started", "spindle-off", 7, J(L4="S10000"), JOURNAL, lines=TO_THE_END),
    Fault("spindle backward", "spindle-backward", 7, J(L4="S10000 M4"), JOURNAL, lines=TO_THE_END),
    # carving
    Fault("rapid down into the bar (radius 5)", "rapid-cuts", 7, J(L7="G0 Z4\nF100"), J(L7="G0 Z5.01\nG1 Z4 F100")),
    Fault("A turned at rapid while the cutter stands in the bar", "rapid-cuts", 8, J(L8="G0 A360"), J(L8="G1 A360 F3600")),
    Fault(
        "an edge of 0.5 mm, 1 mm deep",
        "body-strikes-blank",
        8,
        J(L3="T3 M6", L6="G43 H3 Z20"),
        J(L3="T3 M6", L6="G43 H3 Z20", L7="G1 Z4.52 F100"),
        lines=tuple(range(9, 15)),
        also=frozenset({"rapid-cuts"}),
    ),
    # strikes
    Fault(
        "over the jaws, too low", "strikes-keep-out", 16, J(L15="G0 Z14.9\nX-5\nZ20"), J(L15="G0 Z15.1\nX-5\nZ20"), lines=(17,)
    ),
    Fault(
        "the holder (radius 6) on the jaws, the edge well clear of them",
        "strikes-keep-out",
        16,
        J(L3="T5 M6", L6="G43 H5 Z20", L15="G0 Z5.5\nX5.99\nZ20"),
        J(L3="T5 M6", L6="G43 H5 Z20", L15="G0 Z5.5\nX6.01\nZ20"),
        lines=(17,),
    ),
    Fault(
        "down on the rotary housing behind the jaws",
        "strikes-keep-out",
        17,
        J(L15="G0 Z15.1\nX-30\nZ12\nZ20"),
        J(L15="G0 Z15.1\nX-30\nZ12.01\nZ20"),
        lines=(18,),  # derived: the cylinder's top stands at its radius
        bench={"setup": HOUSED},
    ),
    Fault(
        "down on the table beside the bar",
        "strikes-table",
        17,
        J(L15="G0 Z14\nY12\nZ-6\nZ20"),
        J(L15="G0 Z14\nY12\nZ-5.9\nZ20"),
        bench={"setup": HIGH_TABLE},
    ),
    # travel
    Fault(
        "X beyond its travel", "travel", 13, J(L13="G1 X18.01 F200"), JOURNAL, lines=(14, 15, 17), bench={"machine": SHORT_X}
    ),
    Fault(
        "Z beyond its travel",
        "travel",
        17,
        J(L2="G53 G0 Z109"),
        J(L2="G53 G0 Z109", L17="G53 G0 Z109"),
        bench={"machine": LOW_Z},
    ),
    Fault("A wound up", "wind-up", 14, J(L14="G1 A1440.1 F1800"), JOURNAL, lines=(15, 17), bench={"machine": ONE_TURN_MACHINE}),
    # the end
    Fault("ends over the bar, below the jaws", "end-low", 17, J(L15="G0 Z14.9", L17="X17"), J(L15="G0 Z15.1", L17="X17")),
    Fault("% ends it with the spindle on", "end-spindle-on", 19, f"%\n{J(L16='', L18='%')}", f"%\n{J(L18='%')}"),
    Fault("the text ends with the spindle on", "end-spindle-on", 18, J(L16="", L18=""), J(L16="", L18="M2")),
    Fault(
        "% ends it with the coolant on",
        "end-coolant-on",
        19,
        f"%\n{J(L16='M5 M8', L18='%')}",
        f"%\n{J(L16='M5 M8', L18='M30')}%\n",
    ),
    # the part
    Fault(
        "0.1 mm too deep over half a turn",
        "gouge",
        8,
        J(L8="G93 G1 Z3.9 A180 F10\nG1 Z4 A360 F10\nG94 F1800"),
        J(L8="G93 G1 Z3.985 A180 F10\nG1 Z4 A360 F10\nG94 F1800"),
        lines=(9,),
        also=frozenset({"left-over"}),  # more than 2 % of the surface is then out of tolerance, whichever way
        bench={"model": journal_model()},
    ),
    Fault(
        "0.06 mm left all over, 0.05 mm asked",
        "left-over",
        0,
        J(L7="G1 Z4.06 F100"),
        J(L7="G1 Z4.045 F100"),
        bench={"model": journal_model()},
    ),
    Fault(
        "a ridge 0.2 mm wide left between two passes",
        "left-over-some",
        0,
        J(L9="G1 X16.2 F200", L11="G1 X17"),
        J(L9="G1 X15.9 F200", L11="G1 X17"),
        bench={"model": journal_model()},
    ),
    Fault(
        "a turn 0.4 mm along into the bar beside the jaws",
        "stub-cut",
        10,
        J(L9="G1 X11.6 F200"),
        J(L9="G1 X11.99 F200"),
    ),
    Fault(
        "the holder on the part's own shoulder (radius 4.9)",
        "body-strikes-part",
        8,
        J(L3="T6 M6", L6="G43 H6 Z20", L7="G1 Z3 F100", L9="G0 Z20", L10="", L11="", L12="", L13="", L14=""),
        J(L3="T5 M6", L6="G43 H5 Z20", L7="G1 Z3 F100", L9="G0 Z20", L10="", L11="", L12="", L13="", L14=""),
        lines=(7, 9),
        also=frozenset({"body-strikes-blank", "rapid-cuts", "left-over", "left-over-some", "gouge"}),
        bench={"model": lathe(((10.0, 3.0), (14.0, 3.0), (14.0, 5.0), (20.0, 5.0))), "tolerance_mm": 0.05},
    ),
    # the load: each with a machine, cutter or bar too weak for it by far, and the bench's own that is not. Sideways at
    # 400 mm/min a step of 2 mm along X takes 5.8 mm3 in 0.005 min, a turn 102 mm3 in 0.2 min (derived from ring volumes),
    # so the hardest moment is the step along X of line 9 (of line 13 for the bar, where it is softest).
    Fault(
        "a spindle of 1 W",
        "load-power",
        9,
        HARD_STEP,
        JOURNAL,
        bench={"material": BOARD, "machine": WEAK_SPINDLE},
        good_bench=SOUND,
    ),
    Fault(
        "an axis of 0.01 N m",
        "load-torque",
        8,  # the first turn, a full slot: the step of line 9 does not turn the axis
        HARD_STEP,
        JOURNAL,
        bench={"material": BOARD, "machine": WEAK_AXIS},
        good_bench=SOUND,
    ),
    Fault(
        "a bar like rubber",
        "load-bar",
        13,
        J(L13="G1 X18 F400"),
        JOURNAL,
        bench={"material": replace(BOARD, E_N_per_mm2=0.1)},
        good_bench=SOUND,
    ),
    Fault(
        "a cutter of 1 mm, 60 mm long, pushed like one of 4 mm",
        "load-cutter",
        9,
        J(L3="T7 M6", L6="G43 H7 Z20", L9="G1 X14 F400"),
        JOURNAL,
        bench={"material": replace(BOARD, kc11_N_per_mm2=(1.0, 20.0)), "setup": SLENDER},
        good_bench=SOUND,
    ),
    Fault(
        "an axis that holds 0.005 N m standing still, however well it turns",
        "load-holding",
        9,
        HARD_STEP,
        HARD_STEP,
        bench={"material": BOARD, "machine": replace(MACHINE, a=replace(MACHINE.a, holding_torque_Nm=0.005))},
        good_bench=SOUND,
    ),
    Fault(
        "an X axis that pushes no harder than 0.5 N",
        "load-thrust",
        9,
        HARD_STEP,
        HARD_STEP,
        bench={"material": BOARD, "machine": replace(MACHINE, x=replace(MACHINE.x, thrust_N=0.5))},
        good_bench={"material": BOARD, "machine": replace(MACHINE, x=replace(MACHINE.x, thrust_N=500.0))},
    ),
    Fault(
        "jaws that press with 5 N",
        "load-grip",
        9,
        HARD_STEP,
        HARD_STEP,
        bench={"material": BOARD, "machine": replace(MACHINE, chuck=replace(MACHINE.chuck, grip_force_N=5.0))},
        good_bench=SOUND,
    ),
    Fault(
        "a short cutter of 2 mm in something far too hard for it",
        "load-break",
        9,
        J(L3="T8 M6", L6="G43 H8 Z20", L9="G1 X14 F400"),
        JOURNAL,
        bench={"material": replace(BOARD, kc11_N_per_mm2=(400.0, 2000.0)), "setup": STUBBY},
        good_bench=SOUND,
    ),
    # words
    Fault("no units word", "units-missing", 2, J(L1="G17 G40 G49 G80 G90 G94"), JOURNAL),
    Fault("nothing but air", "nothing-cut", 0, AIR, JOURNAL),
    Fault("nothing moves", "no-motion", 0, "G21 G90\nM30\n", JOURNAL),
    Fault(
        "probing",
        "probe-not-followed",
        7,
        J(L7="G38.2 Z5 F100\nG0 Z20\nG1 Z4"),
        JOURNAL,
        also=frozenset({"position-unknown", "start-unsafe", "rapid-cuts"}),
    ),
    Fault(
        "the tip runs over the work faster than any rapid: 3600 deg/min at radius 60",
        "feed-absurd",
        10,
        J(L7="G1 Z4 F100\nG1 Z20\nG1 Z60 F2000\nG93 G1 A720 F5\nG94", L8="G0 Z20"),
        JOURNAL,
    ),
]


@pytest.mark.parametrize("fault", FAULTS, ids=str)
def test_a_planted_fault_is_told_by_its_code_and_line_and_by_nothing_else(fault: Fault) -> None:
    proof = proved(fault.bad, **fault.bench)
    found = told(proof)
    assert (fault.code, fault.line) in found, found
    assert {code for code, _ in found} <= {fault.code} | fault.also, found
    assert {line for code, line in found if code == fault.code} == {fault.line, *fault.lines}, found


@pytest.mark.parametrize("fault", FAULTS, ids=str)
def test_just_inside_the_limit_nothing_is_told(fault: Fault) -> None:
    proof = proved(fault.good, **(fault.bench if fault.good_bench is None else fault.good_bench))
    assert told(proof) == [], [(item.code, item.line, item.says) for item in proof.findings]
    assert proof.verdict is Verdict.PROVED


def test_every_code_of_the_proof_has_a_fault_that_raises_it() -> None:
    elsewhere = {"unreachable", "feed-not-set", "turn-low"}  # the tests below, and test_turning_faults.py
    elsewhere |= {"thread-missing", "thread-size", "thread-bore"}  # tests/unit/test_proof_threads.py
    elsewhere |= {"turn-clamped", "cut-released"}  # test_turning_faults.py
    elsewhere |= {"group-off", "group-empty"}  # test_group_faults.py
    planted = {fault.code for fault in FAULTS} | elsewhere
    assert planted == set(CODES)


def test_how_near_the_housing_a_cutter_came_is_told_beside_the_other_bodies() -> None:
    proof = proved(J(L15="G0 Z15.1\nX-30\nZ12.01\nZ20"), setup=HOUSED)
    (near,) = [item for item in proof.approaches if item.name == "rotary housing"]
    assert (near.mm, near.line) == (pytest.approx(0.01, abs=1e-4), 17)  # derived: a flat end over a cylinder of radius 12


def test_a_program_that_cannot_be_followed_to_its_end_is_not_asked_what_it_leaves_on() -> None:
    found = told(proved(edited(JOURNAL, L16="o1 while [1]\no1 endwhile")))
    assert ("endless-loop", 16) in found or ("endless-loop", 17) in found
    assert not [code for code, _ in found if code.startswith("end-")]


def test_a_groove_too_narrow_for_every_cutter_is_unreachable_and_no_obstacle() -> None:
    # a groove 1 mm wide and 0.5 mm deep in the journal; the finest cutter is 4 mm wide
    model = lathe(((10.0, 4.0), (14.5, 4.0), (14.5, 3.5), (15.5, 3.5), (15.5, 4.0), (20.0, 4.0)))
    proof = proved(JOURNAL, model=model)
    assert told(proof) == []
    assert [(item.code, item.severity) for item in proof.findings] == [("unreachable", Severity.NOTE)]
    # derived: floor 2 pi 3.5 and two walls pi (15.6 - 12.25), all deeper than the tolerance below the rim (3.95 squared is
    # 15.6), of a surface without its ends and a cell (0.25) beside each: 2 pi 4 x 8.5 and the groove
    lost = 2 * math.pi * 3.5 + 2 * math.pi * (15.6 - 12.25)
    whole = 2 * math.pi * 4.0 * 8.5 + 2 * math.pi * 3.5 + 2 * math.pi * 3.75
    assert proof.deviation.unreachable_pct == pytest.approx(100.0 * lost / whole, rel=0.05)
    # the bridge over the groove is 0.5 over its floor; in rays 0.25 apart it is 0.375 or more from its nearer wall
    assert 0.37 < proof.deviation.unreachable_max_mm < 0.51
    assert proof.deviation.within_tolerance_pct > 99.0


def test_what_stays_missed_beside_the_full_bar_is_not_called_unreachable() -> None:
    """The full bar is told as a radius beyond everything; a wall so high would hold every holder off its neighbourhood."""
    full = tuple(replace(thing, radius_mm=1000.0) for thing in SETUP.stays_standing)
    bench = {"setup": replace(SETUP, stays_standing=full), "model": journal_model()}
    assert proved(JOURNAL, **bench).verdict is Verdict.PROVED
    found = proved(J(L9="G1 X14 Z4.4 F200"), **bench)
    assert "left-over" in [code for code, _ in told(found)], told(found)


def test_the_same_groove_is_missed_where_the_shop_has_a_cutter_for_it() -> None:
    model = lathe(((10.0, 4.0), (14.5, 4.0), (14.5, 3.5), (15.5, 3.5), (15.5, 4.0), (20.0, 4.0)))
    proof = proved(JOURNAL, model=model, shop=(*SETUP.cutters, flat(7, 0.4, 3.0)))
    assert ("left-over", 0) in told(proof)
    assert proof.deviation.unreachable_pct < 0.5
    assert 0.37 < proof.deviation.leftover_max_mm < 0.51


def test_a_fed_move_that_the_reader_let_pass_without_time_is_told() -> None:
    course = read_course(
        Case((("p", JOURNAL),), SETUP, MACHINE, None, ProofAsk(0.25), ReadTraits(), 0.05, (), None), lambda *_: None
    )[0]
    minutes = course.motion.minutes.copy()
    row = int(np.flatnonzero(course.motion.line == 9)[0])
    minutes[row] = np.nan
    broken = replace(course, motion=replace(course.motion, minutes=minutes))
    assert [(item.code, item.line) for item in limit_findings(broken, SETUP, MACHINE)] == [("feed-not-set", 9)]
    assert limit_findings(broken, SETUP, MACHINE, frozenset({("p", 9)})) == []
    assert limit_findings(course, SETUP, MACHINE) == []


def test_a_control_that_knows_its_cutters_needs_no_length_offset() -> None:
    text = J(L6="G0 Z20")
    assert ("length-offset-wrong", 7) in told(proved(text))
    by_itself = replace(MACHINE, dialect=Dialect(writes=WriteTraits(length_offset="")))
    assert told(proved(text, machine=by_itself)) == []


def test_a_dog_leg_rapid_hits_what_a_straight_one_clears() -> None:
    # derived: straight from (-2, 16.7) to (26, 5.5) the edge (radius 2) leaves the jaws (X 0, radius 15) at Z 15.1;
    # with both axes at one speed Z is at 12.7 by then
    text = J(L6="G43 H1 Z20\nG0 X-2\nZ16.7\nX26 Z5.5\nX12")
    assert told(proved(text, reads=ReadTraits(rapid_dog_leg=False))) == []
    dog_leg = replace(MACHINE, dialect=Dialect(reads=ReadTraits(rapid_dog_leg=True)))
    found = told(proved(text, reads=ReadTraits(rapid_dog_leg=True), machine=dog_leg))
    assert found == [("strikes-keep-out", 9)]


def test_square_bars_swing_their_corners_into_a_cutter_that_stands_clear_of_the_flats() -> None:
    # references G19: a 20 mm square bar swings corners of radius 14.142; flats stand at 10
    square = replace(SETUP, bar=SetUpBar(Section.SQUARE, (20.0,), -8.0, 30.0, 0.0), stays_standing=())
    low = "G21 G90 G94\nG53 G0 Z110\nT1 M6\nG0 X15 Y0 A0\nG43 H1 Z20\nG0 Z14.0\nG0 A90\nG0 Z20\nG53 G0 Z110\nM30\n"
    found = told(proved(low, setup=square))
    assert ("rapid-cuts", 7) in found
    assert {code for code, _ in found} == {"rapid-cuts", "spindle-off"}
    high = low.replace("G0 Z14.0", "G0 Z14.15")
    assert told(proved(high, setup=square)) == [("nothing-cut", 0)]


@pytest.mark.parametrize("sense", [1, -1])
@pytest.mark.parametrize("along_x", [1, -1])
def test_both_senses_and_both_chuck_ends_prove_the_same_journal(sense: int, along_x: int) -> None:
    setup, text = SETUP, JOURNAL
    vertices, faces = journal_model()
    if along_x < 0:
        # the set-up told in a frame turned half a turn about Z: X is negative from the jaws on
        turned = np.diag([-1.0, -1.0, 1.0, 1.0])
        flip = lambda thing: replace(thing, from_x_mm=-thing.to_x_mm, to_x_mm=-thing.from_x_mm)  # noqa: E731
        setup = replace(
            SETUP,
            bar=replace(SETUP.bar, from_x_mm=-30.0, to_x_mm=8.0),
            bar_from_model=turned,
            along_x=-1,
            keep_out=tuple(flip(thing) for thing in SETUP.keep_out),
            stays_standing=tuple(flip(thing) for thing in SETUP.stays_standing),
        )
        text = re.sub(r"X(\d)", r"X-\1", JOURNAL)
    proof = proved(text, setup=replace(setup, a_sense=sense), model=(vertices, faces))
    assert told(proof) == []
    assert proof.deviation.within_tolerance_pct > 99.9


def test_a_wrong_sense_is_found_by_the_part_it_mirrors() -> None:
    # an eccentric journal: Z follows the turn, so the sense decides which side is high
    steps = "".join(f"G1 Z{4.0 + 0.4 * math.sin(math.radians(a)):.4f} A{a} F1800\n" for a in range(5, 361, 5))
    text = J(L8=steps.strip(), L9="G0 Z20", L10="", L11="", L12="", L13="", L14="")
    right = proved(text)
    wrong = proved(text, setup=replace(SETUP, a_sense=-1))
    # a point of the bar at the top at turn theta stood at bar angle 90 - theta: high at theta 90 means bar angle 0 (+Y)
    for proof, side in ((right, 1.0), (wrong, -1.0)):
        points, _, _ = surface_points(proof.blank, 1)
        ring = points[np.abs(points[:, 0] - 12.125) < 0.05]
        assert ring[np.argmax(ring[:, 1] * side)][1] * side > ring[np.argmin(ring[:, 1] * side)][1] * -side + 0.5


def test_several_programs_run_one_after_another_on_one_bar() -> None:
    rough = J(L7="G1 Z4.5 F100")
    proof = proved(rough, JOURNAL, model=journal_model())
    assert told(proof) == []
    assert proof.programs == ("program-1.ngc", "program-2.ngc")
    # the second program finds 0.5 mm less to cut: pi (25 - 20.25) 10 and pi (20.25 - 16) 10 mm3 (derived)
    first = proof.removed_mm3[proof.row_program == 0].sum()
    second = proof.removed_mm3[proof.row_program == 1].sum()
    assert first == pytest.approx(math.pi * 4.75 * 10.0, rel=0.01)
    assert second == pytest.approx(math.pi * 4.25 * 10.0, rel=0.01)
    assert proved(JOURNAL, J(L7="G0 Z3.9\nF100")).findings[0].program == "program-2.ngc"


def test_without_a_model_everything_but_deviation_is_proved() -> None:
    proof = proved(JOURNAL)
    assert proof.verdict is Verdict.PROVED
    assert math.isnan(proof.deviation.gouge_max_mm)
    assert proof.measured is None


def test_a_proof_says_the_same_twice_and_its_seal_tells_what_changed() -> None:
    one, two = proved(JOURNAL, model=journal_model()), proved(JOURNAL, model=journal_model())
    assert one.seal == two.seal
    assert one.findings == two.findings
    assert one.deviation == two.deviation
    assert what_changed(one.seal, two.seal) == ()
    other = proved(J(L13="G1 X18.0 F200"), model=journal_model())
    assert what_changed(one.seal, other.seal) == ("programs",)
    assert what_changed(one.seal, proved(JOURNAL).seal) == ("model",)
    assert what_changed(one.seal, proved(JOURNAL, model=journal_model(), setup=replace(SETUP, a_sense=-1)).seal) == ("setup",)


@pytest.mark.parametrize(
    "text", ["", "\n\n", "M30\n", "garbage", "%\n%\n", "G1", "\x00\xff", "G0 X1e9", "T1 M6\nG0 X[1/0]\n", "(open"]
)
def test_texts_that_are_no_program_are_findings_and_no_crash(text: str) -> None:
    assert proved(text).verdict is Verdict.NOT_PROVED
