"""Write and read back; spacing, case and comments; inches and mm: what must hold for every program."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from newel.core.dialect import WriteTraits
from newel.core.job import FeedWords, FileStyle, Section, TurnStyle
from newel.core.motion import MoveKind, RowKind, Toolpath
from newel.core.setup import SetUp, SetUpBar
from newel.program.axes import axes_from_pose
from newel.program.interpreter import interpret
from newel.program.writer import WrittenCut, write_program
from program_samples import STRICT, TRADE
from program_strategies import drawn_arcs, programs

SAFE_Z = 60.0


def set_up(*, a_sense: int = 1, along_x: int = 1, table_from_program=(0.0, 0.0, 0.0), a_zero_deg: float = 0.0) -> SetUp:
    bar = SetUpBar(Section.ROUND, (40.0,), -20.0 * along_x, 100.0 * along_x, 0.0)
    return SetUp(bar, None, table_from_program, a_zero_deg, a_sense, along_x, "G54", (), (), (), 60.0, (0.0, 0.0, 0.0))


def bar_points(pose: np.ndarray) -> np.ndarray:
    """Return where the tip is in the bar (frame B) for poses in T: Rx(-theta) applied to x, y, z."""
    t = np.radians(pose[:, 3])
    y = pose[:, 1] * np.cos(t) + pose[:, 2] * np.sin(t)
    z = -pose[:, 1] * np.sin(t) + pose[:, 2] * np.cos(t)
    return np.stack([pose[:, 0], y, z], axis=1)


def pose_of_program(xyza: np.ndarray, setup: SetUp) -> np.ndarray:
    """Return poses in T from program coordinates, written out from the head of core/setup.py and nothing else.

    Set-up frame point = program + table_from_program; its turn about the frame's +X = sense * (A + a_zero). With the chuck
    at the right end the frame is T turned half a turn about Z, which takes x to -x, y to -y and a turn about X to its opposite.
    """
    x, y, z = (xyza[:, i] + setup.table_from_program_mm[i] for i in range(3))
    turn = setup.a_sense * (xyza[:, 3] + setup.a_zero_deg)
    s = float(setup.along_x)
    return np.stack([s * x, s * y, z, s * turn], axis=1)


def path_mm(begin: np.ndarray, end: np.ndarray, pieces: int = 400) -> float:
    """Return the tip's path over the bar for one move, as a polygon."""
    s = np.linspace(0.0, 1.0, pieces + 1)[:, None]
    return float(np.linalg.norm(np.diff(bar_points(begin + (end - begin) * s), axis=0), axis=1).sum())


@st.composite
def toolpaths(draw) -> Toolpath:
    n = draw(st.integers(1, 30))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    steps = rng.normal(size=(n, 4)) * [1.0, 0.3, 0.5, draw(st.sampled_from([0.0, 2.0, 30.0, 250.0]))]
    steps *= rng.random((n, 4)) < 0.8
    pose = np.cumsum(steps, axis=0)
    pose += np.array([20.0, 0.0, draw(st.sampled_from([15.0, 30.0])), draw(st.sampled_from([0.0, -725.0, 33.3]))])
    kind = rng.choice([MoveKind.RAPID, MoveKind.LINK, MoveKind.ENTRY, MoveKind.CUT], size=n, p=[0.1, 0.2, 0.1, 0.6]).astype(
        np.uint8
    )
    kind[0] = MoveKind.RAPID
    feed = np.where(kind == MoveKind.RAPID, 0.0, rng.choice([60.0, 400.0, 1500.0], size=n))
    return Toolpath(pose, feed, kind)


@st.composite
def write_traits(draw) -> WriteTraits:
    return WriteTraits(
        units=draw(st.sampled_from(["mm", "inch"])),
        feed_words=draw(st.sampled_from(list(FeedWords))),
        turn_style=draw(st.sampled_from(list(TurnStyle))),
        line_numbers=draw(st.booleans()),
        decimals=draw(st.sampled_from([3, 4])),
    )


@settings(max_examples=150, deadline=None)
@given(
    path=toolpaths(),
    traits=write_traits(),
    a_sense=st.sampled_from([1, -1]),
    along_x=st.sampled_from([1, -1]),
    shift=st.sampled_from([(0.0, 0.0, 0.0), (3.5, -1.25, 20.0)]),
    a_zero=st.sampled_from([0.0, 45.0]),
)
def test_write_and_read_back(path, traits, a_sense, along_x, shift, a_zero):
    setup = set_up(a_sense=a_sense, along_x=along_x, table_from_program=shift, a_zero_deg=a_zero)
    limit = 3600.0
    cut = WrittenCut("a cut", 3, 9000.0, path)
    known = {"work_offset": "G54", "fastest_per_min": (1e6, 1e6, 1e6, limit), "safe_z_mm": SAFE_Z}
    (file,) = write_program([cut], setup, traits, name="test", **known)
    assert file.name == "program.ngc"
    reads = replace(TRADE, a_wrapped_shortest=traits.turn_style is TurnStyle.WRAPPED)
    result = interpret(file.text, reads)
    assert result.findings == ()
    assert (result.facts.ended, result.facts.units) == ("M30", ("inch" if traits.units == "inch" else "mm",))
    motion = result.motion
    assert np.isnan(motion.xyza[:2, 0]).all()  # the cutter's call and the first way up
    got = pose_of_program(motion.xyza, setup)
    unit = 25.4 * 10.0 ** -(traits.decimals + 1) if traits.units == "inch" else 10.0**-traits.decimals
    held = (1 if traits.units == "inch" else 2) if traits.feed_words is FeedWords.PER_MINUTE else 0
    slack = np.array([unit * (0.51 + held)] * 3 + [0.00051])
    if traits.turn_style is TurnStyle.WRAPPED:
        first = int(np.flatnonzero(~np.isnan(got[:, 3]))[0])
        got[:, 3] += 360.0 * np.round((path.pose[0, 3] - got[first, 3]) / 360.0)
    # Every pose comes back in order; moves that round to nothing, and pieces of split turns, may stand between.
    row = int(np.flatnonzero(np.isfinite(got).all(axis=1) & (np.abs(got - path.pose[0]) <= slack).all(axis=1))[0])
    for want in path.pose:
        while not (np.abs(got[row] - want) <= slack).all():
            row += 1
    assert got[-1, 2] == pytest.approx(SAFE_Z, abs=unit)
    assert (motion.spindle_rpm[motion.kind == RowKind.FEED] == 9000.0).all()
    assert (motion.length_offset[2:] == 3).all()
    begins = np.vstack([np.full((1, 4), math.nan), got[:-1]])
    for i in np.flatnonzero(motion.kind == RowKind.FEED):
        lowest = path_mm(begins[i], got[i]) / 1500.0
        turn = abs(got[i, 3] - begins[i, 3]) / limit
        assert motion.minutes[i] >= max(lowest * 0.98, turn * 0.999) - 1e-9


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    traits=write_traits(),
    a_sense=st.sampled_from([1, -1]),
    along_x=st.sampled_from([1, -1]),
)
def test_minutes_come_back(seed, traits, a_sense, along_x):
    """The sum of minutes read is the sum of path over feed, or turn over the rotary's limit, within 0.2 %."""
    rng = np.random.default_rng(seed)
    n = 60
    pose = np.stack(
        [
            np.cumsum(rng.uniform(0.2, 1.0, n)),
            rng.uniform(-0.5, 0.5, n),
            rng.uniform(12, 16, n),
            np.cumsum(rng.uniform(-5, 25, n)),
        ],
        axis=1,
    )
    feed = rng.choice([100.0, 300.0, 800.0], size=n)
    cut = WrittenCut("a cut", 1, 9000.0, Toolpath(pose, feed, np.full(n, MoveKind.CUT, dtype=np.uint8)))
    setup = set_up(a_sense=a_sense, along_x=along_x)
    limit = 2000.0
    (file,) = write_program(
        [cut], setup, traits, name="t", work_offset="G54", fastest_per_min=(1e6, 1e6, 1e6, limit), safe_z_mm=SAFE_Z
    )
    reads = replace(TRADE, a_wrapped_shortest=traits.turn_style is TurnStyle.WRAPPED)
    motion = interpret(file.text, reads).motion
    want = [max(path_mm(pose[i - 1], pose[i]) / feed[i], abs(pose[i, 3] - pose[i - 1, 3]) / limit) for i in range(1, n)]
    got = motion.minutes[motion.kind == RowKind.FEED]
    assert got.sum() == pytest.approx(sum(want), rel=2e-3)
    assert len(got) == n - 1
    assert got == pytest.approx(np.array(want), rel=2e-2)


def test_the_program_is_the_same_every_time_and_names_nothing_local():
    path = Toolpath(np.array([[1.0, 0, 30, 0], [5.0, 0, 20, 400]]), np.array([0.0, 300.0]), np.array([0, 3], dtype=np.uint8))
    known = {"name": "job", "work_offset": "G54", "fastest_per_min": (1e6, 1e6, 1e6, 3600.0), "safe_z_mm": SAFE_Z}
    texts = {write_program([WrittenCut("c", 1, 1000.0, path)], set_up(), WriteTraits(), **known)[0].text for _ in range(3)}
    assert len(texts) == 1


def test_one_file_a_cutter():
    path = Toolpath(np.array([[1.0, 0, 30, 0], [5.0, 0, 20, 400]]), np.array([0.0, 300.0]), np.array([0, 3], dtype=np.uint8))
    cuts = [WrittenCut("a", 1, 1000.0, path), WrittenCut("b", 1, 2000.0, path), WrittenCut("c", 2, 3000.0, path)]
    known = {"name": "job", "work_offset": "G55", "fastest_per_min": (1e6, 1e6, 1e6, 3600.0), "safe_z_mm": SAFE_Z}
    files = write_program(cuts, set_up(), WriteTraits(files=FileStyle.PER_CUTTER), **known)
    assert [file.name for file in files] == ["program-1.ngc", "program-2.ngc"]
    results = [interpret(file.text, TRADE, work_offset="G55") for file in files]
    assert [result.facts.cutters[0][0] for result in results] == [1, 2]
    assert all(result.findings == () for result in results)
    (whole,) = write_program(cuts, set_up(), WriteTraits(), **known)
    result = interpret(whole.text, TRADE, work_offset="G55")
    assert result.findings == ()
    assert [number for number, _ in result.facts.cutters] == [1, 2]
    fed = result.motion.kind == RowKind.FEED
    assert result.motion.cutter[fed].tolist() == [1, 1, 2]
    assert result.motion.spindle_rpm[fed].tolist() == [1000.0, 2000.0, 3000.0]
    changes = np.flatnonzero(result.motion.kind == RowKind.CHANGE)
    assert result.motion.xyza[changes[1], 2] == pytest.approx(SAFE_Z)


@settings(max_examples=40, deadline=None)
@given(shift=st.integers(0, 359), turns=st.integers(-3, 3))
def test_wrapped_cuts_follow_one_another(shift, turns):
    """Between two cuts a wrapped A may stand half a turn off: the program says which way."""
    first = Toolpath(np.array([[1.0, 0, 30, 0], [5.0, 0, 20, 90.0]]), np.array([0.0, 300.0]), np.array([0, 3], dtype=np.uint8))
    begin = 90.0 + shift + 360.0 * turns
    second = Toolpath(
        np.array([[1.0, 0, 30, begin], [5.0, 0, 20, begin + 10]]), np.array([0.0, 300.0]), np.array([0, 3], dtype=np.uint8)
    )
    traits = WriteTraits(turn_style=TurnStyle.WRAPPED)
    known = {"name": "job", "work_offset": "G54", "fastest_per_min": (1e6, 1e6, 1e6, 3600.0), "safe_z_mm": SAFE_Z}
    (file,) = write_program([WrittenCut("a", 1, 1000.0, first), WrittenCut("b", 1, 1000.0, second)], set_up(), traits, **known)
    result = interpret(file.text, replace(TRADE, a_wrapped_shortest=True))
    assert result.findings == ()
    fed = np.flatnonzero(result.motion.kind == RowKind.FEED)
    a = result.motion.xyza[:, 3]
    assert math.remainder(a[fed[-1]] - begin - 10, 360.0) == pytest.approx(0.0, abs=1e-3)
    assert a[fed[-1]] - a[fed[-1] - 1] == pytest.approx(10.0)


poses = st.lists(st.tuples(*[st.floats(-500, 500)] * 4), min_size=1, max_size=5).map(lambda rows: np.array(rows, dtype=float))


@settings(deadline=None)
@given(pose=poses, a_sense=st.sampled_from([1, -1]), along_x=st.sampled_from([1, -1]), a_zero=st.floats(-90, 90))
def test_axes_are_the_inverse_of_the_set_up(pose, a_sense, along_x, a_zero):
    setup = set_up(a_sense=a_sense, along_x=along_x, table_from_program=(1.0, 2.0, 3.0), a_zero_deg=a_zero)
    assert pose_of_program(axes_from_pose(pose, setup), setup) == pytest.approx(pose, abs=1e-9)


@pytest.mark.parametrize(
    ("point", "a_deg", "machine"),
    [((0, 10), 90, (10, 0)), ((10, 0), 90, (0, -10)), ((-10, 0), 90, (0, 10)), ((3, 4), 30, (4.598076, 1.964102))],
)
def test_the_standards_own_sense_turns_the_bar_the_other_way(point, a_deg, machine):
    """Derived from ISO 841: with sense -1, y_m = y cos A + z sin A and z_m = -y sin A + z cos A."""
    setup = set_up(a_sense=-1)
    theta = math.radians(-a_deg)
    y, z = point
    tip = (y * math.cos(theta) - z * math.sin(theta), y * math.sin(theta) + z * math.cos(theta))
    assert tip == pytest.approx(machine, abs=1e-6)
    axes = axes_from_pose(np.array([[0.0, tip[0], tip[1], -float(a_deg)]]), setup)
    assert axes[0].tolist() == pytest.approx([0.0, *machine, a_deg], abs=1e-6)


def respell(text: str, seed: int) -> str:
    """Return the text with other case, other blanks and comments strewn in; comments that are there stay as they are."""
    rng = np.random.default_rng(seed)
    out = []
    for line in text.splitlines():
        if any(c in line for c in "();"):
            out.append(line)
            continue
        spelt = ""
        for c in line:
            spelt += c.swapcase() if rng.random() < 0.5 else c
            if rng.random() < 0.3:
                spelt += rng.choice([" ", "\t"])
        if spelt.strip() and rng.random() < 0.3:
            spelt += "(a note)"
        out.append(spelt)
    return "\n".join(out) + "\n"


@settings(max_examples=100, deadline=None)
@given(text=programs(), seed=st.integers(0, 10_000))
def test_spacing_case_and_comments_mean_nothing(text, seed):
    one = interpret(text, STRICT, start=(0, 0, 0, 0))
    two = interpret(respell(text, seed), STRICT, start=(0, 0, 0, 0))
    np.testing.assert_array_equal(one.motion.xyza, two.motion.xyza)
    np.testing.assert_array_equal(one.motion.minutes, two.motion.minutes)
    assert [(f.code, f.line) for f in one.findings] == [(f.code, f.line) for f in two.findings]


@settings(max_examples=60, deadline=None)
@given(lines=drawn_arcs())
def test_an_inch_program_equals_its_mm_twin(lines):
    def in_inches(line: str) -> str:
        words = []
        for word in line.split():
            if word[0] in "XYZIJKRF":
                words.append(f"{word[0]}{float(word[1:]) / 25.4:.12f}")
            else:
                words.append(word)
        return " ".join(words)

    mm = interpret("\n".join(["G21", *lines]), STRICT, start=(0, 0, 0, 0))
    inch = interpret("\n".join(["G20", *map(in_inches, lines)]), STRICT, start=(0, 0, 0, 0))
    assert [(f.code, f.line) for f in mm.findings] == [(f.code, f.line) for f in inch.findings]
    if len(mm.motion) == len(inch.motion):  # a chord more or less where the count rounds the other way
        assert inch.motion.xyza == pytest.approx(mm.motion.xyza, abs=1e-6)
    assert inch.motion.xyza[-1] == pytest.approx(mm.motion.xyza[-1], abs=1e-6)
    assert np.nansum(inch.motion.minutes) == pytest.approx(np.nansum(mm.motion.minutes), rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(path=toolpaths(), traits=write_traits(), a_sense=st.sampled_from([1, -1]), along_x=st.sampled_from([1, -1]))
def test_write_read_write_is_byte_stable(path, traits, a_sense, along_x):
    """What was read back is written as the same bytes, feeds included."""
    setup = set_up(a_sense=a_sense, along_x=along_x)
    reads = replace(TRADE, a_wrapped_shortest=traits.turn_style is TurnStyle.WRAPPED)
    known = {"name": "t", "work_offset": "G54", "fastest_per_min": (1e6, 1e6, 1e6, 3600.0), "safe_z_mm": SAFE_Z}
    path = Toolpath(path.pose, np.where(path.kind == MoveKind.RAPID, 0.0, 300.0), path.kind)
    (first,) = write_program([WrittenCut("a", 1, 9000.0, path)], setup, traits, **known)
    motion = interpret(first.text, reads).motion
    rows = np.flatnonzero(motion.line > motion.line[2])[:-1]  # behind the rapid over the start, but for the way up at the end
    kind = np.where(motion.kind[rows] == RowKind.RAPID, MoveKind.RAPID, MoveKind.CUT).astype(np.uint8)
    feed = np.where(kind == MoveKind.RAPID, 0.0, 300.0)
    again = Toolpath(pose_of_program(motion.xyza[rows], setup), feed, kind)
    (second,) = write_program([WrittenCut("a", 1, 9000.0, again)], setup, traits, **known)
    if traits.feed_words is FeedWords.INVERSE_TIME:  # with units a minute, small steps may have waited for the next line
        assert second.text == first.text
    again_motion = interpret(second.text, reads).motion
    assert again_motion.xyza[:, :3] == pytest.approx(motion.xyza[:, :3], abs=1e-9, nan_ok=True)
