"""Probing routines as programs and as steps: legal, safe, and telling the person what to note."""

import re
from dataclasses import replace

import numpy as np
import pytest

from newel.core.dialect import ReadTraits, WriteTraits
from newel.core.errors import BadInput, Infeasible
from newel.core.findings import obstacles
from newel.core.job import Section
from newel.core.motion import RowKind
from newel.core.setup import KeepOut
from newel.probing.instructions import Means, gauged, instructions
from newel.probing.readings import empty_table
from newel.probing.routine_program import followed, routine_program
from newel.probing.routines import Kind, Probe, plan_routine, probe_cutter, safe_z_mm
from newel.probing.touches import Feature
from newel.program.interpreter import MachineFacts, interpret
from newel.proof.turning import CLAMPED
from plain.measured_programs import set_up
from plain.true_machine import TrueMachine, readings

PROBE = Probe()
ALL = [kind for kind in Kind if kind is not Kind.LENGTH]
BLOCK = (40.0, 60.0, -30.0)


def bench(sense=-1, along=1, section=Section.SQUARE):
    """The set-up with jaws wide enough to be touched."""
    setup = set_up(sense, along, section)
    return replace(setup, keep_out=(replace(setup.keep_out[0], radius_mm=46.0), setup.keep_out[1]))


def text_of(kind, setup, traits=None):
    return routine_program(plan_routine(kind, setup, PROBE, block_mm=BLOCK), setup, PROBE, traits or WriteTraits())


@pytest.mark.parametrize("kind", list(Kind))
@pytest.mark.parametrize("along", [1, -1])
def test_routines_break_no_rule_of_the_language(kind, along):
    text = text_of(kind, bench(along=along))
    read = interpret(text, ReadTraits(), machine=MachineFacts())
    # what a touch leaves in #5061 to #5063 is known on the machine alone: the lines that keep it are the only ones refused
    refused = {item.line for item in obstacles(read.findings)}
    assert refused == {n for n, line in enumerate(text.splitlines(), start=1) if line.startswith("#")}
    assert read.facts.ended == "M30" and read.facts.units == ("mm",) and not read.facts.uses_g93


@pytest.mark.parametrize("kind", list(Kind))
def test_touches_obey_the_rules_of_g38(kind):
    text = text_of(kind, bench())
    motion = interpret(followed(text, {}), ReadTraits()).motion
    begins = motion.begins()
    probes = np.flatnonzero(motion.kind == RowKind.PROBE)
    assert len(probes) == len(plan_routine(kind, bench(), PROBE, block_mm=BLOCK).touches)
    step = np.nan_to_num(motion.xyza[probes] - begins[probes])
    assert (np.abs(step[:, :3]).sum(axis=1) >= 0.254).all() and (step[:, 3] == 0.0).all()
    assert (np.count_nonzero(step[:, :3], axis=1) <= 1).all()


@pytest.mark.parametrize("kind", list(Kind))
def test_a_turns_and_x_y_go_only_at_the_safe_height(kind):
    setup = bench()
    motion = interpret(followed(text_of(kind, setup), {}), ReadTraits()).motion
    begins = motion.begins()
    rapid = motion.kind == RowKind.RAPID
    moves_a = rapid & (np.abs(np.nan_to_num(motion.xyza[:, 3] - begins[:, 3])) > 0)
    safe = safe_z_mm(setup) - setup.table_from_program_mm[2]
    assert (begins[moves_a, 2] == pytest.approx(safe)) and (motion.xyza[-1, 2] == pytest.approx(safe))


def test_every_reading_has_a_message_and_a_parameter_of_its_own():
    routine = plan_routine(Kind.EVERYTHING, bench(), PROBE)
    text = text_of(Kind.EVERYTHING, bench())
    kept = re.findall(r"^#(\d+) = #506[123]$", text, re.MULTILINE)
    assert len(set(kept)) == len(kept) == len(routine.touches)
    for touch in routine.touches:
        assert f"(MSG, {touch.name}: {touch.axis} is kept in #{touch.parameter})" in text
    assert [line.split(",")[0] for line in empty_table(routine.touches).splitlines()[1:]] == [t.name for t in routine.touches]


@pytest.mark.parametrize(("sense", "along"), [(1, 1), (-1, -1)])
@pytest.mark.parametrize("section", [Section.SQUARE, Section.ROUND, Section.HEXAGON])
def test_expected_readings_are_those_of_a_faultless_machine(sense, along, section):
    setup = bench(sense, along, section)
    routine = plan_routine(Kind.EVERYTHING, setup, PROBE)
    held = readings(text_of(Kind.EVERYTHING, setup), setup, TrueMachine(width_mm=30.0, height_mm=30.0), 0)
    assert [held[t.parameter] for t in routine.touches] == pytest.approx([t.expected_mm for t in routine.touches], abs=1e-4)


def test_a_comes_from_the_side_the_table_says():
    routine = plan_routine(Kind.STEPS, bench(), PROBE)
    motion = interpret(followed(text_of(Kind.STEPS, bench()), {}), ReadTraits()).motion
    a = motion.xyza[:, 3]
    probes = np.flatnonzero(motion.kind == RowKind.PROBE)
    for row, touch in zip(probes, routine.touches, strict=True):
        earlier = a[:row][np.abs(a[:row] - a[row]) > 1e-9]
        assert np.sign(a[row] - earlier[-1]) == touch.a_from


def test_the_program_follows_the_control():
    text = text_of(Kind.AXIS, bench(), WriteTraits(tool_change="", length_offset="", program_end="M2"))
    assert "M6" not in text and "G43" not in text and text.endswith("M2\n")
    offset = replace(bench(), work_offset="G57", table_from_program_mm=(10.0, 2.0, -5.0))
    assert "\nG57\n" in text_of(Kind.AXIS, offset)


def test_round_bars_have_no_flat_to_level():
    for kind in (Kind.LEVEL, Kind.STEPS):
        with pytest.raises(BadInput, match="round bar"):
            plan_routine(kind, bench(section=Section.ROUND), PROBE)


def test_what_cannot_be_reached_is_refused():
    short = replace(
        bench(),
        bar=replace(bench().bar, to_x_mm=38.0),
        keep_out=(bench().keep_out[0], KeepOut("live centre", 38.0, 60.0, 7.0, True)),
    )
    with pytest.raises(Infeasible):
        plan_routine(Kind.TILT, short, PROBE)
    with pytest.raises(Infeasible, match="body would meet the jaws"):
        plan_routine(Kind.JAW, bench(), replace(PROBE, stem_length_mm=8.0))
    with pytest.raises(BadInput, match="block"):
        plan_routine(Kind.LENGTH, bench(), PROBE)
    with pytest.raises(Infeasible, match="full turn"):
        plan_routine(Kind.STEPS, bench(), PROBE, wind_up_deg=200.0)
    with pytest.raises(BadInput):
        Probe(ball_diameter_mm=0.0)


def test_a_wind_up_limit_is_kept():
    most = max(abs(t.a_deg) for t in plan_routine(Kind.STEPS, bench(), PROBE, wind_up_deg=500.0).touches)
    assert most <= 400.0


def test_the_probe_is_described_for_the_proof():
    cutter = probe_cutter(PROBE, 65.0, 120.0)
    assert cutter.shape.edge.radius_mm == 1.5 and cutter.shape.body.top_mm == pytest.approx(40 + 50 + 120)
    assert cutter.gauge_length_mm == pytest.approx(90.0)  # derived: stem and body up to the spindle's face


@pytest.mark.parametrize("means", list(Means))
def test_steps_by_hand_name_every_reading_and_caution_first(means):
    routine = plan_routine(Kind.EVERYTHING, bench(), PROBE)
    touches = gauged(routine.touches) if means is Means.GAUGE else routine.touches
    text = instructions(replace(routine, touches=touches), bench(), means)
    assert text.index("spindle stands still") < text.index("## Steps")
    for touch in touches:
        assert f"**{touch.name}**" in text
    if means is Means.GAUGE:
        assert {t.gauge for t in touches} == {"gauge Z-", "gauge Y+", "gauge Y-"}
        assert Feature.JAW_FACE not in {t.feature for t in touches}


@pytest.mark.parametrize("kind", ALL)
def test_the_clamp_is_off_for_every_turn_and_on_for_every_touch(kind):
    setup = bench()
    routine = plan_routine(kind, setup, PROBE, block_mm=BLOCK)
    text = routine_program(routine, setup, PROBE, WriteTraits(), clamp_m=(10, 11))
    motion = interpret(followed(text, {}), ReadTraits(clamp_m=10, unclamp_m=11)).motion
    turned = motion.xyza[:, 3] - motion.begins()[:, 3]
    assert (motion.clamp[np.isnan(turned) | (np.abs(turned) > 1e-6)] != CLAMPED).all()
    assert (motion.clamp[motion.kind == RowKind.PROBE] == CLAMPED).all()
    turns = len({(touch.a_deg, touch.a_from) for touch in routine.touches})
    assert text.count("M11\n") == text.count("M10\n") >= turns
    assert "M10" not in text_of(kind, setup) and "M11" not in text_of(kind, setup)
