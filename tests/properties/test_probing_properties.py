"""Properties: a fit recovers any machine, a correction undoes it, a log forgets nothing, no text is too odd."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from newel.probing.circle import circle_geometric
from newel.probing.correct import correct_program, program_as_run
from newel.probing.log import MadeEntry, MeasuredEntry, from_csv, to_csv
from newel.probing.machine_fit import Reading, fit_machine
from newel.probing.measured import MeasuredMachine, as_if_faultless, on_the_machine
from newel.probing.readings import Table, read_table
from newel.probing.routines import Kind, Probe, plan_routine
from newel.probing.touches import BarAsMeasured, bar_as_planned, contacts_mm, table_of
from plain.measured_programs import dialect, motion_of, set_up

SETUP = set_up()
TOUCHES = plan_routine(Kind.EVERYTHING, SETUP, Probe()).touches
small = st.floats(-0.3, 0.3)
slope = st.floats(-0.004, 0.004)
machines = st.builds(
    MeasuredMachine,
    axis_y_mm=small,
    axis_z_mm=small,
    slope_y=slope,
    slope_z=slope,
    a_zero_deg=st.floats(-3.0, 3.0),
    a_scale=st.floats(0.998, 1.002),
    backlash_deg=st.floats(0.0, 0.3),
    bar_y_mm=small,
    bar_z_mm=small,
    bar_slope_y=slope,
    bar_slope_z=slope,
)


@settings(max_examples=15, deadline=None)
@given(machines, st.floats(29.5, 30.5), st.floats(29.5, 30.5))
def test_a_fit_recovers_any_machine(machine, width, height):
    bar = BarAsMeasured(width, height, 0.1, 1.5)
    read = contacts_mm(table_of(TOUCHES), SETUP, machine, bar)
    found = fit_machine(
        [Reading(t, float(v)) for t, v in zip(TOUCHES, read, strict=True)], SETUP, bar_as_planned(SETUP.bar, 1.5)
    )
    for name in ("axis_y_mm", "axis_z_mm", "a_zero_deg", "backlash_deg", "bar_y_mm", "bar_z_mm"):
        assert getattr(found.measured, name) == pytest.approx(getattr(machine, name), abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(machines, st.floats(-60, 60), st.floats(-25, 25), st.floats(-25, 25), st.floats(-2000, 2000), st.floats(0, 10))
def test_there_and_back_is_the_same_pose(machine, x, y, z, turn, height):
    pose = np.array([[x, y, z, turn]])
    tips, turned = on_the_machine(machine, pose, height)
    assert as_if_faultless(machine, tips, turned, height) == pytest.approx(pose, abs=1e-8)


TURN = (
    "G21 G90 G94\nT2 M6\nG43 H2\nG0 Z40\nS8000 M3\nG0 X20 Y3 A-30\nG1 Z14 F100\nX35 F300\n"
    "G93 G1 X40 A60 F5\nG94 G0 Z40\nM5\nM30\n"
)


@settings(max_examples=15, deadline=None)
@given(machines)
def test_what_is_corrected_runs_as_it_was_meant(machine):
    done = correct_program(TURN, SETUP, machine, dialect()).text
    runs = motion_of(program_as_run(done, SETUP, machine, dialect()).text, SETUP)
    meant = motion_of(TURN, SETUP)
    fed = [m.xyza[m.kind == 1] for m in (runs, meant)]
    assert fed[0][-1] == pytest.approx(fed[1][-1], abs=2.5e-3)
    for place in fed[1][:2]:  # down to the work, and along it
        assert np.abs(fed[0] - place).max(axis=1).min() < 2.5e-3


@settings(max_examples=30, deadline=None)
@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(1.0, 80.0), st.floats(0.0, 6.2), st.integers(3, 20))
def test_a_circle_is_found_exactly(x, y, r, phase, n):
    t = phase + 2 * np.pi * np.arange(n) / n
    found = circle_geometric(np.column_stack([x + r * np.cos(t), y + r * np.sin(t)]))
    assert (found.x_mm, found.y_mm, found.radius_mm) == pytest.approx((x, y, r), abs=1e-7)


words = st.text(st.characters(exclude_characters="\x00\r", exclude_categories=("Cs",)), max_size=20)
numbers = st.floats(-1e9, 1e9)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(words, words, st.none() | numbers, numbers), max_size=6))
def test_exported_logs_come_back_whole(rows):
    made = tuple(
        MadeEntry(f"u{k}", "t", a, b, "s", "proved", p, abs(q), "good", a + b)
        for k, (a, b, p, q) in enumerate(rows)
        if p is None or p >= 0
    )
    found = tuple(MeasuredEntry(f"u{k}", a, "t", "depth", b, p, q, "mm", a) for k, (a, b, p, q) in enumerate(rows))
    assert from_csv(to_csv(made, "made")) == made
    assert from_csv(to_csv(found, "measured")) == found


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=200))
def test_no_text_is_too_odd_for_a_table(text):
    for given_text in (text, f"name,reading,about,what,axis,way,x_mm,y_mm,z_mm,a_deg,a_from\n{text}"):
        assert isinstance(read_table(given_text), Table)
    assert isinstance(read_table(text, touches=TOUCHES), Table)


@settings(max_examples=10, deadline=None)
@given(machines, st.integers(0, 1000))
def test_order_of_readings_means_nothing(machine, seed):
    bar = BarAsMeasured(30.0, 30.0, 0.0, 1.5)
    rng = np.random.default_rng(seed)
    read = contacts_mm(table_of(TOUCHES), SETUP, machine, bar) + rng.normal(0, 0.01, len(TOUCHES))
    some = [Reading(replace(t), float(v)) for t, v in zip(TOUCHES, read, strict=True)]
    one = fit_machine(some, SETUP, bar_as_planned(SETUP.bar, 1.5))
    other = fit_machine([some[k] for k in rng.permutation(len(some))], SETUP, bar_as_planned(SETUP.bar, 1.5))
    for a, b in zip(one.fit.estimates, other.fit.estimates, strict=True):
        assert a.value == pytest.approx(b.value, abs=1e-6) and a.band_all == pytest.approx(b.band_all, rel=1e-3)
