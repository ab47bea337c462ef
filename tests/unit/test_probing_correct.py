"""Corrected programs, against an independent machine with known faults: the bar is cut as it was meant to be."""

import re
from dataclasses import replace

import numpy as np
import pytest

from newel.core.dialect import Dialect, ReadTraits
from newel.core.errors import BadInput
from newel.core.job import FeedWords
from newel.core.motion import RowKind
from newel.mechanics.clock import tip_way_mm
from newel.probing.correct import correct_program, program_as_run
from newel.probing.measured import MeasuredMachine, as_if_faultless, followed_a, on_the_machine
from plain.measured_programs import by_hand, by_newel, carved, dialect, motion_of, set_up, surface
from plain.true_machine import TrueMachine, poses_to_the_bar, tilted

TRUE = TrueMachine((0.09, -0.12), (0.06, -0.08), 0.4, 1.0002, 0.08, (0.05, 0.0866), (0.01, -0.02))
M, E = tilted(TRUE.tilt_deg)[:3, 0], tilted(TRUE.bar_tilt_deg)[:3, 0]
MEASURED = MeasuredMachine(0.09, -0.12, M[1] / M[0], M[2] / M[0], 0.4, 1.0002, 0.08, 0.05, 0.0866, E[1] / E[0], E[2] / E[0])
ENDS = [(1, 1), (-1, 1), (1, -1), (-1, -1)]


def programs(setup):
    return {
        "newel": (by_newel(setup), dialect()),
        "newel per minute": (by_newel(setup, FeedWords.PER_MINUTE), dialect(FeedWords.PER_MINUTE)),
        "hand": (by_hand(setup.along_x), dialect()),
    }


@pytest.mark.parametrize(("sense", "along"), ENDS)
@pytest.mark.parametrize("name", ["newel", "newel per minute", "hand"])
def test_fed_moves_meet_the_bar_where_they_should(sense, along, name):
    """Every fed pose of the corrected program, taken to the bar by the true machine, lies on the path that was meant."""
    setup = set_up(sense, along)
    text, how = programs(setup)[name]
    done = correct_program(text, setup, MEASURED, how)
    meant, of_meant = poses_to_the_bar(motion_of(text, setup), setup, TrueMachine())
    got, of_got = poses_to_the_bar(motion_of(done.text, setup), setup, TRUE)
    fed_meant = np.isin(motion_of(text, setup).kind, (RowKind.FEED, RowKind.ARC))[of_meant]
    fed_got = np.isin(motion_of(done.text, setup).kind, (RowKind.FEED, RowKind.ARC))[of_got]
    off = max(_away(pose, meant) for pose in got[fed_got][:: max(1, fed_got.sum() // 150)])
    assert off < 0.004  # rounding to 0.001, chords of 0.001, the order of the tilts (both in this test's and ours) 0.001
    assert max(_away(pose, got) for pose in meant[fed_meant][:: max(1, fed_meant.sum() // 150)]) < 0.004


def _away(pose, path):
    """Return how far a pose is from a path of poses: mm, with a degree counted as 0.2 mm (at a radius of 12)."""
    scale = np.array([1.0, 1.0, 1.0, 0.2])
    a, b = path[:-1] * scale, path[1:] * scale
    p, d = pose * scale, b - a
    length = np.maximum((d * d).sum(axis=1), 1e-18)
    share = np.clip(((p - a) * d).sum(axis=1) / length, 0.0, 1.0)
    return float(np.sqrt((((a + share[:, None] * d) - p) ** 2).sum(axis=1).min()))


@pytest.mark.parametrize("name", ["newel", "hand"])
def test_carved_deviation_falls_to_a_tenth(name):
    igl = pytest.importorskip("igl")
    setup = set_up()
    text, how = programs(setup)[name]
    fixed = correct_program(text, setup, MEASURED, how).text
    meant = _blank(setup, text, TrueMachine())
    vertices, faces = surface(meant)
    off = []
    for program in (text, fixed):
        points, _ = surface(_blank(setup, program, TRUE))
        off.append(np.sqrt(igl.point_mesh_squared_distance(points, vertices, faces)[0]))
    # not the largest: on the sharp crests between passes the grid's own surface jumps by a part of a cell
    for measure in (lambda d: np.quantile(d, 0.999), lambda d: np.sqrt(np.mean(d**2))):
        assert measure(off[1]) <= 0.1 * measure(off[0])
    assert off[0].max() > 0.15  # the faults are worth correcting


def _blank(setup, text, machine):
    motion = motion_of(text, setup)
    return carved(setup, motion, *poses_to_the_bar(motion, setup, machine, 2.0), 0.4)


@pytest.mark.parametrize("name", ["newel", "hand"])
def test_as_run_says_what_the_true_machine_does(name):
    setup = set_up(1, -1)
    text, how = programs(setup)[name]
    acts = motion_of(program_as_run(text, setup, MEASURED, how).text, setup)
    meant, _ = poses_to_the_bar(acts, setup, TrueMachine())
    got, owners = poses_to_the_bar(motion_of(text, setup), setup, TRUE)
    fed = np.isin(motion_of(text, setup).kind, (RowKind.FEED, RowKind.ARC))[owners]
    assert max(_away(pose, meant) for pose in got[fed][:: max(1, fed.sum() // 100)]) < 0.004


def test_lines_of_the_rewritten_text_know_their_origin():
    setup = set_up()
    text = by_hand()
    runs = program_as_run(text, setup, MEASURED, dialect())
    old, new = text.splitlines(), runs.text.splitlines()
    assert len(runs.source) == len(new)
    for line, number in zip(new, runs.source, strict=True):
        if line.startswith("N") and number:
            assert old[number - 1].split()[0] == line.split()[0]


def test_loops_that_stop_for_the_operator_are_refused():
    text = "G21 G90\nT2 M6\nG43 H2\nG0 Z40\no1 repeat [2]\nG0 X10 Y0 A0\nM0\no1 endrepeat\nM30\n"
    with pytest.raises(BadInput, match="where it stops would be lost"):
        correct_program(text, set_up(), MEASURED, dialect())


@pytest.mark.parametrize("words", [FeedWords.INVERSE_TIME, FeedWords.PER_MINUTE])
def test_feeds_stay_true(words):
    """The tip's speed over the work is that of the old program, row by row of old lines (within the rounding of words)."""
    setup = set_up()
    text = by_newel(setup, words)
    fixed = correct_program(text, setup, MEASURED, dialect(words)).text
    old, new = motion_of(text, setup), motion_of(fixed, setup)
    assert np.nansum(new.minutes) == pytest.approx(np.nansum(old.minutes), rel=2e-4)
    poses, owners = poses_to_the_bar(new, setup, TRUE)
    way = np.bincount(owners[1:], tip_way_mm(poses), minlength=len(new))
    fed = (new.kind == RowKind.FEED) & (way > 0.2)
    speed = way[fed] / new.minutes[fed]
    # derived: the program was written for 600 mm/min over the work (200 on its way down)
    assert np.quantile(np.abs(speed - 600.0), 0.98) < 9.0


def test_feeds_of_straight_lines_keep_their_numbers():
    setup = set_up()
    fixed = correct_program(by_hand(), setup, MEASURED, dialect()).text
    assert {"F400", "F150", "F350", "F120", "F200"} <= set(re.findall(r"F\d+(?:\.\d+)?", fixed))


def test_words_that_are_no_moves_stay():
    setup = set_up()
    lines = correct_program(by_hand(), setup, MEASURED, dialect()).text.splitlines()
    assert lines[0] == "%" and lines[-1] == "%"
    assert "(bracket, sides by hand)" in lines and "N20 T2 M6" in lines and "N30 S9000 M3" in lines
    assert any("(side 1)" in line and line.startswith("N70 ") for line in lines)
    assert any("; half a circle" in line for line in lines)
    assert any(line.startswith("N170 M8") for line in lines) and any(line.startswith("N180 M9") for line in lines)
    assert [line for line in lines if "M30" in line] == ["N320 M30"]
    assert not any(re.search(r"G(2|3|81|91|98)\b", line) for line in lines if not line.startswith("("))


def test_a_reaches_every_side_from_below():
    setup = set_up()
    motion = motion_of(correct_program(by_hand(), setup, MEASURED, dialect()).text, setup)
    a = motion.xyza[:, 3]
    for row in np.flatnonzero((motion.kind == RowKind.RAPID) & (np.diff(a, prepend=a[0]) < -1e-9)):
        assert a[row + 1] - a[row] == pytest.approx(1.08, abs=2e-3)  # derived: a degree past the play, then up through both


def test_a_turn_back_in_the_cut_takes_up_the_play_standing():
    setup = set_up()
    motion = motion_of(correct_program(by_hand(), setup, MEASURED, dialect()).text, setup)
    begins = motion.begins()
    step = motion.xyza - begins
    still = (
        (motion.kind == RowKind.FEED) & (np.abs(step[:, :3]).max(axis=1) == 0.0) & (np.abs(np.abs(step[:, 3]) - 0.08) < 2e-3)
    )
    assert still.sum() == 2  # down at N270, up again at N290


def test_faultless_machine_changes_nothing():
    setup = set_up()
    for text, how in programs(setup).values():
        old, new = motion_of(text, setup), motion_of(correct_program(text, setup, MeasuredMachine(), how).text, setup)
        places = [m.xyza[np.append(True, (np.abs(np.diff(np.nan_to_num(m.xyza), axis=0)) > 0).any(axis=1))] for m in (old, new)]
        assert places[1] == pytest.approx(places[0], abs=6e-4, nan_ok=True)  # moves that go nowhere may fall away
        assert np.nansum(new.minutes) == pytest.approx(np.nansum(old.minutes), rel=2e-4)


def test_loops_and_parameters_are_written_out():
    setup = set_up()
    text = (
        "(grooves)\nG21 G90 G94\nT2 M6\nG43 H2\nG0 Z40\nS8000 M3\n#1=20\no1 repeat [3]\nG0 X#1 Y0 A0\nG0 Z16\n"
        "G1 Z13 F100\nG93 G1 A360 F2\nG94 G0 Z40\n#1=[#1+5]\no1 endrepeat\nG4 P1.5\nM5\nM30\n"
    )
    done = correct_program(text, setup, MEASURED, dialect())
    old, new = motion_of(text, setup), motion_of(done.text, setup)
    assert "#" not in done.text.replace("(", "") and "o1" not in done.text
    assert "(grooves)" in done.text and "G4 P1.5" in done.text
    assert set(new.cutter.tolist()) == set(old.cutter.tolist())
    assert np.nansum(new.minutes) == pytest.approx(np.nansum(old.minutes) + 5 * 0.08 / 360.0, rel=0.01)
    meant, _ = poses_to_the_bar(old, setup, TrueMachine())
    got, owners = poses_to_the_bar(new, setup, TRUE)
    fed = (new.kind == RowKind.FEED)[owners]
    assert max(_away(pose, meant) for pose in got[fed][::20]) < 0.004


def test_inch_program_stays_in_inches():
    setup = set_up()
    text = "G20 G90 G94\nT2 M6\nG43 H2\nG0 Z1.6\nS8000 M3\nG0 X1 Y0 A0\nG0 Z0.6\nG1 Z0.5 F10\nG1 X1.5 F20\nG0 Z1.6\nM5\nM30\n"
    done = correct_program(text, setup, MEASURED, dialect()).text
    new = motion_of(done, setup)
    assert "G20" in done and "F20" in done
    poses, owners = poses_to_the_bar(new, setup, TRUE)
    fed = new.kind[owners] == RowKind.FEED
    assert poses[fed][-1][:3] == pytest.approx((38.1 + 10.0, 0.0, 12.7), abs=0.003)  # derived: 1.5 and 0.5 in


def test_home_in_increments_is_said_anew_in_the_corrected_place():
    setup = set_up()
    text = "G21 G90 G94\nT2 M6\nG43 H2\nG91 G28 Z0\nG90 G0 X10 Y0 A0\nZ20\nS8000 M3\nG1 X20 F100\nG53 G0 Z0\nM30\n"
    how = Dialect(reads=ReadTraits(), writes=dialect().writes)
    with pytest.raises(BadInput, match="not known"):
        correct_program(text, setup, MEASURED, how)  # where home is, nothing says: an obstacle of the reader's
    fixed = correct_program(text.replace("G91 G28 Z0", "G53 G0 Z0"), setup, MEASURED, how).text
    assert fixed.count("G53 G0 Z0") == 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("G21\nG90 G94\nT2 M6\nG43 H2\nG1 X10 F100\nM30\n", "fed move begins"),
        ("G21 G90\nG0 X0 Y0 Z30 A0\nG38.2 Z10 F50\nG0 Z30\nM30\n", "probing program"),
        ("G21 G90\nG0 X0 Q7 W3\nM30\n", "not in the language"),
        ("(nothing)\nM30\n", "moves nothing"),
    ],
)
def test_programs_that_cannot_be_corrected_are_refused(text, says):
    with pytest.raises(BadInput, match=says):
        correct_program(text, set_up(), MEASURED, dialect())


def test_wrapped_a_stays_wrapped():
    setup = set_up()
    reads = ReadTraits(a_wrapped_shortest=True)
    how = replace(dialect(), reads=reads)
    text = "G21 G90 G94\nT2 M6\nG43 H2\nG0 Z40\nS8000 M3\nG0 X30 Y0 A0\nG1 Z13 F100\n" + "".join(
        f"G93 G1 A{a % 360} F30\n" for a in range(20, 741, 20)
    )
    done = correct_program(text + "G94 G0 Z40\nM30\n", setup, MEASURED, how).text
    angles = [float(value) for value in re.findall(r"A(-?[\d.]+)", done.split("G21", 1)[1])]
    assert all(0.0 <= value < 360.0 for value in angles)


def test_play_follows_by_the_rule():
    # derived: half the play behind on the way up, ahead on the way down, still in between
    assert followed_a(np.array([0.0, 10.0, 9.95, 9.9, 5.0, 5.1]), 0.1) == pytest.approx([-0.05, 9.95, 9.95, 9.95, 5.05, 5.05])


def test_there_and_back_is_the_same_pose():
    rng = np.random.default_rng(2)
    poses = np.column_stack([rng.uniform(-40, 40, (200, 3)), rng.uniform(-800, 800, 200)])
    tips, turn = on_the_machine(MEASURED, poses, 3.0)
    assert as_if_faultless(MEASURED, tips, turn, 3.0) == pytest.approx(poses, abs=1e-9)
