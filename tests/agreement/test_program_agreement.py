"""The fast road against the full reader, and every program kernel against its plain twin."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from newel.core.dialect import ReadTraits
from newel.core.motion import Motion
from newel.program import interpreter_kernels, words_kernels, writer_kernels
from newel.program.interpreter import interpret
from newel.program.words import BLANK, FULL, split_text
from plain import program_plain as plain
from program_samples import STRICT, TRADE
from program_strategies import drawn_arcs, numbers, plain_lines, programs

COLUMNS = ("xyza", "minutes", "line", "kind", "spindle_rpm", "cutter", "length_offset", "coolant", "exact_stop")


def assert_same(one: Motion, two: Motion) -> None:
    for name in COLUMNS:
        # The C and the Python library's hypot may differ in the last bit; everything else is the same to the bit.
        np.testing.assert_allclose(getattr(one, name), getattr(two, name), rtol=1e-14, atol=0.0, err_msg=name)


def key(findings):
    return [(f.code, f.line, f.says, repr((f.x_mm, f.y_mm, f.z_mm, f.a_deg, f.measured))) for f in findings]


def both_roads(text: str, traits: ReadTraits, **known) -> None:
    fast = interpret(text, traits, **known)
    full = interpret(text, traits, all_full=True, **known)
    assert_same(fast.motion, full.motion)
    assert key(fast.findings) == key(full.findings)
    assert replace(fast.facts, full_reads=0) == replace(full.facts, full_reads=0)


@settings(max_examples=150, deadline=None)
@given(text=programs(), wrapped=st.booleans(), strict=st.booleans(), known=st.booleans())
@example(text="G1 X1 F1\nG20\nX1\nG21 F2\nX3\n", wrapped=False, strict=True, known=True)
@example(text="G91 G1 A180 F5\nG90 A0\n", wrapped=True, strict=False, known=True)
def test_both_roads_give_the_same(text, wrapped, strict, known):
    traits = replace(STRICT if strict else TRADE, a_wrapped_shortest=wrapped)
    both_roads(text, traits, start=(0.0, 0.0, 0.0, 0.0) if known else None)


@settings(max_examples=100, deadline=None)
@given(arcs=st.lists(drawn_arcs(), min_size=1, max_size=3))
def test_both_roads_give_the_same_arcs(arcs):
    text = "\n".join(line for lines in arcs for line in lines)
    fast = interpret(text, STRICT, start=(0, 0, 0, 0))
    both_roads(text, STRICT, start=(0, 0, 0, 0))
    assert fast.facts.full_reads < len(text.splitlines())


@settings(max_examples=150, deadline=None)
@given(line=plain_lines(), semicolon=st.booleans(), long=st.booleans())
@example(line="G1 X1 (a)2", semicolon=False, long=True)
@example(line="X0.1234567890123456", semicolon=False, long=True)
@example(line="X.00000000000000000000001", semicolon=False, long=True)
@example(line="X+.5Y-.5Z-0", semicolon=True, long=True)
def test_words_of_a_line(line, semicolon, long):
    table = split_text(line + "\n", replace(TRADE, semicolon_comments=semicolon, long_lines=long))
    words = plain.split_line(line, semicolon=semicolon, most_n=12 if long else 5)
    if words is None:
        assert table.kind[0] == FULL
        return
    got = [(chr(97 + letter), value) for letter, value in zip(table.letters.tolist(), table.values.tolist())]
    assert got == words
    assert (table.kind[0] == BLANK) == (not words)


@settings(max_examples=150, deadline=None)
@given(text=numbers(low=-100000, high=100000, places=8))
def test_numbers_are_the_nearest_doubles(text):
    data = np.frombuffer(text.encode(), dtype=np.uint8)
    powers = np.array([10.0**i for i in range(23)])
    _, value, digits, _ = words_kernels.read_number(data, 0, len(data), powers, 1e12)
    assert digits > 0
    assert value == float(text)


small = st.floats(-50, 50).map(lambda v: round(v, 3))


@settings(max_examples=100, deadline=None)
@given(a0=small, b0=small, a1=small, b1=small, radius=small, clockwise=st.booleans())
def test_centres_of_arcs_by_radius(a0, b0, a1, b1, radius, clockwise):
    start, end = complex(a0, b0), complex(a1, b1)
    found, ca, cb = interpreter_kernels.arc_centre_of_radius(a0, b0, a1, b1, radius, clockwise, 0.002)
    chord = abs(end - start)
    assert found == (chord > 2e-9 and chord / 2 <= abs(radius) + 0.002)
    if found and chord / 2 < abs(radius) * 0.999:
        centre = complex(ca, cb)
        assert min(abs(centre - other) for other in plain.arc_centres(start, end, abs(radius))) < 1e-9
        sweep = plain.arc_sweep_deg(start, end, centre, clockwise)
        assert (abs(sweep) <= 180.0) == (radius > 0)


@settings(max_examples=100, deadline=None)
@given(a0=small, b0=small, angle=st.integers(-359, 359), ca=small, cb=small, clockwise=st.booleans())
def test_sweeps(a0, b0, angle, ca, cb, clockwise):
    start, centre = complex(a0, b0), complex(ca, cb)
    if abs(start - centre) < 0.1:
        return
    end = (
        start
        if angle == 0
        else centre + (start - centre) * complex(math.cos(math.radians(angle)), math.sin(math.radians(angle)))
    )
    sweep = interpreter_kernels.arc_sweep_rad(a0, b0, end.real, end.imag, ca, cb, clockwise)
    assert math.degrees(sweep) == pytest.approx(plain.arc_sweep_deg(start, end, centre, clockwise), abs=1e-6)


@settings(deadline=None)
@given(value=st.floats(-720, 720), here=st.floats(-2000, 2000))
@example(value=0.0, here=180.0)
@example(value=350.0, here=10.0)
def test_wrapped_targets(value, here):
    got = interpreter_kernels.wrapped_target(value, here)
    want = plain.wrapped_target(value, here)
    assert got == pytest.approx(want, nan_ok=True, abs=1e-9)
    assert interpreter_kernels.wrapped_target(value, math.nan) == value


@settings(deadline=None)
@given(
    length=st.sampled_from([0.0, 1e-12, 0.001, 5.0]),
    turn=st.sampled_from([0.0, 0.5, 720.0]),
    feed=st.floats(0.01, 5000),
    mode=st.sampled_from([930, 940]),
    unit=st.sampled_from([1.0, 25.4]),
)
def test_minutes(length, turn, feed, mode, unit):
    got = interpreter_kernels.feed_minutes(length, turn, feed, mode, unit)
    assert got == pytest.approx(plain.feed_minutes(length, turn, feed, mode, unit), rel=1e-12)
    assert math.isnan(interpreter_kernels.feed_minutes(math.nan, turn, feed, 940, unit))


@settings(max_examples=60, deadline=None)
@given(y=small, z=small, dx=small, dy=small, dz=small, turn_deg=st.floats(-60, 60))
@example(y=0.0, z=0.0, dx=1.0, dy=0.0, dz=0.0, turn_deg=60.0)
@example(y=-6.0, z=-10.0, dx=0.0, dy=6.0, dz=-1.0, turn_deg=30.0)
@example(y=0.0, z=-1.0, dx=0.0, dy=0.0, dz=2.0, turn_deg=60.0)
@example(y=0.0, z=20.0, dx=0.0, dy=0.0, dz=0.0, turn_deg=1.0)
def test_path_over_the_work(y, z, dx, dy, dz, turn_deg):
    columns = [np.array([v]) for v in (y, z, dx, dy, dz, math.radians(turn_deg))]
    got = writer_kernels.path_over_work_mm(*columns)[0]
    want = plain.path_over_work_mm(y, z, dx, dy, dz, math.radians(turn_deg))
    assert got == pytest.approx(want, rel=1e-6, abs=1e-6)


@settings(deadline=None)
@given(count=st.integers(-(10**12), 10**12), decimals=st.integers(0, 6))
@example(count=0, decimals=3)
@example(count=-5, decimals=3)
def test_counts_as_text(count, decimals):
    out = np.zeros(40, dtype=np.uint8)
    end = writer_kernels.put_count(out, 0, ord("X"), count, decimals)
    assert out[:end].tobytes().decode() == plain.count_text("X", count, decimals)


@settings(deadline=None)
@given(feed=st.floats(1e-6, 1e9))
def test_feeds_keep_four_figures(feed):
    count, decimals = writer_kernels.feed_count(feed)
    assert count / 10**decimals == pytest.approx(feed, rel=5e-5, abs=5e-10)


@settings(max_examples=100, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    wrap=st.sampled_from([0, 360_000]),
    per_minute=st.booleans(),
    decimals=st.sampled_from([3, 5]),
    room=st.sampled_from([200, 100_000]),
)
def test_rows_as_lines(seed, wrap, per_minute, decimals, room):
    """The writer's kernel, also where its buffer fills up on the way."""
    rng = np.random.default_rng(seed)
    steps = rng.integers(-3000, 3000, size=(40, 4)) * rng.integers(0, 2, size=(40, 4))
    steps[:, :3][rng.random((40, 3)) < 0.4] //= 1500
    first = np.array([100, -200, 30_000, 359_000])
    counts = first + np.cumsum(steps, axis=0)
    minutes = np.where(rng.random(40) < 0.2, math.nan, rng.choice([1e-5, 0.01, 2.5], size=40))
    style = writer_kernels.LineStyle(decimals, 3, wrap, int(per_minute), 2, 0)
    state = np.array([*first, -1, -1, 0, 0])
    out = np.zeros(room, dtype=np.uint8)
    text, row = "", 0
    while row < len(counts):
        row, size = writer_kernels.put_rows(counts, minutes, style, state, (row, len(counts)), out)
        text += out[:size].tobytes().decode()
    want = plain.rows_text(
        counts, minutes, first=first, decimals=decimals, a_decimals=3, wrap=wrap, per_minute=per_minute, drop=2
    )
    assert text == want
