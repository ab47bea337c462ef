"""What is known of a place, what is not, and what is said about it: systems, G92, G53, G28, G43, unknown starts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.motion import RowKind
from newel.program.interpreter import MachineFacts, interpret
from program_samples import ORIGIN, STRICT, TRADE, end_of, finding_of, obstacles_at, run

pytestmark = pytest.mark.uncompiled


def test_places_before_the_first_words_are_unknown():
    motion = run("G0 Z50", "X1 Y2 A3", "G1 X2 F60", start=None).motion
    assert np.isnan(motion.start).all()
    assert np.isnan(motion.xyza[0]).tolist() == [True, True, False, True]
    assert motion.xyza[1].tolist() == [1, 2, 50, 3]
    assert motion.minutes[2] == pytest.approx(1 / 60)
    # A fed move from a place not known has a length not known; told by the start, not by a finding.
    assert math.isnan(run("G1 X2 F60", start=None).motion.minutes[0])
    # A turn alone is timed though X, Y and Z are not known.
    assert run("G0 A0", "G1 A90 F360", start=None).motion.minutes[1] == pytest.approx(0.25)


@pytest.mark.parametrize("line", ["G91 G0 X1", "G2 X1 I1 F60", "F60 G81 X1 Z-1 R1", "G91 G81 X1 Y1 Z-1 R1 F60", "G92 X0"])
def test_steps_from_nowhere(line):
    assert obstacles_at(run("G21", line, start=None)) == [("place-unknown", 2)]


def test_another_system_whose_place_is_not_known():
    result = run("G0 X1", "G55", "G0 X2", "G54", "G0 X3")
    assert obstacles_at(result) == [("place-unknown", 2)]
    assert np.isnan(result.motion.xyza[1]).all()
    assert result.motion.xyza[2, 0] == 3
    assert result.facts.systems == ("G55", "G54")


def test_a_job_in_another_system_than_the_program_starts_in():
    result = run("G0 X1", start=None, work_offset="G55")
    assert np.isnan(result.motion.xyza[0, 0])
    good = run("G55", "G0 X1", start=None, work_offset="G55")
    assert good.motion.xyza[0, 0] == 1
    assert obstacles_at(good) == []
    with pytest.raises(BadInput, match="G53"):
        interpret("", STRICT, work_offset="G53")


def test_systems_known_from_the_control():
    facts = MachineFacts(parameters={5221: 100.0, 5241: 130.0, **{5222 + i + 20 * s: 0.0 for i in range(3) for s in range(2)}})
    result = run("G55 G0 X1", "G53 X5 Y0 Z0", machine=facts)
    assert obstacles_at(result) == []
    assert result.motion.xyza[:, 0].tolist() == [31, -95]


def test_machine_coordinates():
    known = run("G53 G0 X10 Z0", machine_from_offset_mm=(200.0, 100.0, -150.0))
    assert known.findings == ()
    assert end_of(known)[:3].tolist() == [-190, 0, 150]
    unknown = run("G53 G0 Z0", "G0 X5", "G0 Z5")
    assert obstacles_at(unknown) == [("place-unknown", 1)]
    assert np.isnan(unknown.motion.xyza[:2, 2]).all()
    assert end_of(unknown).tolist() == [5, 0, 5, 0]
    # With a length offset whose length is not known, the tip's Z at a machine Z is not known either.
    assert obstacles_at(run("G43 H1", "G53 G0 Z0", machine_from_offset_mm=ORIGIN)) == [("place-unknown", 2)]
    longer = run("G43 H1", "G53 G0 Z0", machine_from_offset_mm=(0, 0, -100, 0), machine=MachineFacts(lengths_mm={1: 30.0}))
    assert end_of(longer)[2] == 70


def test_incremental_mode_does_not_matter_to_g53():
    result = run("G91", "G53 G0 X10", start=None, machine_from_offset_mm=ORIGIN)
    assert result.findings == ()
    assert end_of(result)[0] == 10


def test_home():
    result = run("G28")
    assert obstacles_at(result) == [("place-unknown", 1)]
    assert np.isnan(end_of(result)).all()
    facts = MachineFacts(home_mm=(0, 0, 0, 0), second_home_mm=(1, 2, 3, 4))
    known = run("G28", "G30", machine=facts, machine_from_offset_mm=(10, 20, 30, 0))
    assert known.findings == ()
    assert known.motion.xyza.tolist() == [[-10, -20, -30, 0], [-9, -18, -27, 4]]
    some = run("G91 G28 Z0", machine=facts, machine_from_offset_mm=(10, 20, 30, 0))
    assert [(f.code, f.severity) for f in some.findings] == [("home-names-some-axes", "caution")]


def test_length_offsets_not_known():
    """G43 with a length not known leaves Z unknown until a Z word; moving without one is told."""
    fine = run("G43 H1", "G0 Z50", "X1")
    assert fine.findings == ()
    assert fine.motion.length_offset.tolist() == [1, 1]
    bad = run("G43 H1", "G0 X1", "Y1", "Z5", "G43 H1", "X2")
    assert obstacles_at(bad) == [("place-unknown", 2)]
    assert np.isnan(bad.motion.xyza[:2, 2]).all()
    assert run("G49", "G0 X1").findings == ()


def test_the_job_offset_set_by_the_program():
    defined = run("G10 L2 P1 X-100 Y0 Z-50", "G0 X1", start=None)
    assert defined.findings == ()
    assert end_of(defined)[0] == 1
    moved = run("G0 X1", "G10 L2 P1 X-100", "G0 X1")
    assert obstacles_at(moved) == [("place-unknown", 2)]
    known = run("G0 X1", "G10 L2 P1 X-100", "G0 X1", machine_from_offset_mm=(-90.0, 0, 0))
    assert known.findings == ()
    assert end_of(known)[0] == -9


def test_g92_shifts_what_follows():
    result = run("G0 X10", "G92 X0", "G0 X5", "G92.1", "G0 X5")
    assert result.findings == ()
    assert result.motion.xyza[:, 0].tolist() == [10, 15, 5]
    assert obstacles_at(run("G92.3")) == [("place-unknown", 1)]


def test_parameters_of_offsets():
    assert obstacles_at(run("#5211=1")) == [("offset-setting", 1)]
    assert obstacles_at(run("#5221=1")) == [("offset-setting", 1)]  # the system in force
    assert obstacles_at(run("#5241=50", "G55 G0 X1 Y0 Z0", machine_from_offset_mm=(10.0, 0, 0, 0))) == [("place-unknown", 2)]
    every = ("#5241=50", "#5242=0", "#5243=0", "#5244=0", "G55 G0 X1")
    assert end_of(run(*every, machine_from_offset_mm=(10.0, 0, 0, 0)))[0] == 41
    assert obstacles_at(run("G20", "G0 X#5211")) == [("parameter-not-known", 2)]
    assert obstacles_at(run("G0 X#5221")) == [("parameter-not-known", 1)]


def test_units_changing_under_a_feed():
    result = run("G21 F100", "G20 G1 X1")
    assert obstacles_at(result) == [("feed-missing", 2)]
    told = run("G20 F10 G1 X1")
    assert [(f.code, f.severity) for f in told.findings] == [("feed-unit-unclear", "caution")]
    assert told.motion.minutes[0] == pytest.approx(0.1)


def test_wrapped_a_turns_the_shorter_way():
    from dataclasses import replace

    wrapped = replace(TRADE, a_wrapped_shortest=True)
    result = run("G0 A350", "A10", "A200", "A20", start=(0, 0, 0, 0), traits=wrapped)
    assert obstacles_at(result) == [("turn-way-unclear", 4)]
    assert result.motion.xyza[:, 3].tolist() == [-10, 10, -160]
    assert run("G0 A350", "A10", traits=TRADE).motion.xyza[:, 3].tolist() == [350, 10]
    assert run("G91 G0 A350", "A350", traits=wrapped).motion.xyza[:, 3].tolist() == [350, 700]


def test_compensation_is_told_each_time():
    result = run("G41 D1", "G1 X1 F60", "G40", "G42 D1")
    assert obstacles_at(result) == [("compensation-not-proved", 1), ("compensation-not-proved", 4)]


def test_facts():
    result = run("T2", "M6", "G0 X1", "G21", "T2 M6", "T5 M6", "G20", "M1", "M30")
    facts = result.facts
    assert facts.cutters == ((2, 2), (5, 6))
    assert (facts.units, facts.first_move_without_units) == (("mm", "inch"), 3)
    assert (facts.ended, facts.ended_line, facts.stops, facts.lines) == ("M30", 9, (8,), 9)
    changes = result.motion.kind == RowKind.CHANGE
    assert result.motion.cutter[changes].tolist() == [2, 2, 5]
    assert run("G20", "G0 X1").facts.first_move_without_units == 0


def test_findings_are_bounded():
    result = run(*["G0 X1 X2"] * 1000)
    assert len(result.findings) == 201
    note = finding_of(result, "too-many-findings")
    assert note.measured == 1000


def test_a_words_under_inches():
    """Degrees whatever the length unit, or scaled with it, as the control has it."""
    from dataclasses import replace

    lines = ("G20", "G0 X1 A10", "G91 A10 Y0", "G92 A5 X0 (full)", "G90 G0 A6")
    assert run(*lines, traits=TRADE).motion.xyza[:, 3].tolist() == [10, 20, 21]
    scaled = run(*lines, traits=replace(TRADE, inch_a_is_degrees=False)).motion.xyza[:, 3]
    assert scaled == pytest.approx([254, 508, 508 + 25.4])
