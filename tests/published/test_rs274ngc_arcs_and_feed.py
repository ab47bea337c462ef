"""Arcs and the meaning of F, against T. R. Kramer, F. M. Proctor, E. Messina, The NIST RS274/NGC Interpreter - Version 3,
NISTIR 6556, 17 August 2000: sections 2.1.2.5, 3.5.3, 3.5.19, 4.3.5, 5.3. Rules are published; the numbers that follow from
them are *derived* (exact geometry, all digits shown), those the report prints are marked *published*.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.dialect import ReadTraits
from newel.core.motion import RowKind
from program_samples import ORIGIN, STRICT, end_of, finding_of, obstacles_at, run, seconds

pytestmark = pytest.mark.uncompiled


def arc_of(result) -> np.ndarray:
    """Return the arc's corners (start included)."""
    motion = result.motion
    assert (motion.kind == RowKind.ARC).all()
    return np.vstack([motion.start[None, :], motion.xyza])


def about(points: np.ndarray, centre: tuple[float, float], axes=(0, 1)) -> tuple[float, float]:
    """Return the radius that every corner keeps about `centre`, and the signed sweep in degrees."""
    a, b = points[:, axes[0]] - centre[0], points[:, axes[1]] - centre[1]
    radius = np.hypot(a, b)
    assert np.ptp(radius) < 0.002
    turn = np.degrees(np.unwrap(np.arctan2(b, a)))
    return float(radius.mean()), float(turn[-1] - turn[0])


# line, start, centre, radius, sweep (+ counter-clockwise), length mm, seconds (None: no feed asked); A1 A2 A3 A8: derived
ARCS = [
    ("G2 X10 Y16 I3 J4 F100", (7, 7), (10, 11), 5.0, -143.130102, 12.490458, 7.494275),
    ("G2 X10 Y0 R10 F60", (0, 0), (5, -8.660254), 10.0, -60.0, 10.471976, 10.471976),
    ("G2 X10 Y0 R-10 F60", (0, 0), (5, 8.660254), 10.0, -300.0, 52.359878, 52.359878),
    ("G3 X0 Y0 I5 F600", (0, 0), (5, 0), 5.0, 360.0, 31.415927, 3.141593),
    # arcs of the sample in Appendix C.1 at its F20: lines 0190 (270 degrees), 0320 (full turn), 0490 (by radius); derived
    ("G3 X17.5 Y1 I2.5 J0 F20", (15, 3.5), (17.5, 3.5), 2.5, 90.0, 3.926991, 11.780972),
    ("G2 X0 Y0 I2.5 F20", (0, 0), (2.5, 0), 2.5, -360.0, 15.707963, 47.123890),
    ("G2 X69 Y4 R4 F20", (64, 4), (66.5, 0.8775010), 4.0, -77.364375, 5.401052, 16.203156),
    ("G3 X2.5 Y0 I0 J-2.5 F20", (0, 2.5), (0, 0), 2.5, 270.0, 11.780972, 35.342917),
]


@pytest.mark.parametrize(("line", "start", "centre", "radius", "sweep", "length", "time_s"), ARCS)
def test_arcs_in_the_xy_plane(line, start, centre, radius, sweep, length, time_s):
    result = run("G17 G21", line, start=(*start, 0, 0))
    assert result.findings == ()
    points = arc_of(result)
    got_radius, got_sweep = about(points, centre)
    assert got_radius == pytest.approx(radius, abs=1e-6)
    assert got_sweep == pytest.approx(sweep, abs=1e-5)
    assert seconds(result) == pytest.approx(time_s, abs=2e-6)
    chords = np.linalg.norm(np.diff(points[:, :3], axis=0), axis=1)
    # Derived: chords 1 um off an arc of radius R are shorter than it by a share of 1 um / 3R.
    assert chords.sum() == pytest.approx(length, rel=1.05 * 1e-3 / (3 * radius))
    # Derived: a chord of c stands off its circle by R - sqrt(R^2 - c^2/4); asked: no more than 1 um.
    assert (radius - np.sqrt(radius**2 - chords**2 / 4)).max() <= 1.001e-3


def test_the_reports_own_arc_n3():
    """3.5.3.2, published: G17 G2 x10 y16 i3 j4 z9 from X7 Y7 is a helix about (10, 11)."""
    result = run("G17 G2 x10 y16 i3 j4 z9 F100", start=(7, 7, 0, 0))
    points = arc_of(result)
    assert about(points, (10, 11))[0] == pytest.approx(5.0)
    assert end_of(result)[:3] == pytest.approx([10, 16, 9])


@pytest.mark.parametrize(("line", "sweep"), [("G3 X5 Z0 I0 K-5 F100", 90.0), ("G2 X5 Z0 I0 K-5 F100", -270.0)])
def test_g18_is_seen_from_plus_y(line, sweep):
    """A9, A10: counter-clockwise runs from Z to X [4.3.6.1]; derived sweeps."""
    points = arc_of(run("G18", line, start=(0, 0, 5, 0)))
    assert about(points, (0, 0), axes=(2, 0)) == pytest.approx((5.0, sweep), abs=1e-6)


def test_g19_runs_from_y_to_z():
    """A11, derived."""
    points = arc_of(run("G19", "G3 Y0 Z5 J-5 K0 F100", start=(0, 5, 0, 0)))
    assert about(points, (0, 0), axes=(1, 2)) == pytest.approx((5.0, 90.0), abs=1e-6)


def test_a_helix_is_fed_along_itself():
    """A12, derived: one turn of radius 2, 1 mm down: sqrt((4 pi)^2 + 1) = 12.606096 mm at 300 mm/min: 2.521219 s."""
    result = run("G3 X0 Y0 Z-1 I2 F300")
    assert seconds(result) == pytest.approx(2.521219, abs=1e-6)
    assert end_of(result)[:3] == pytest.approx([0, 0, -1])


@pytest.mark.parametrize(
    ("lines", "start"),
    [
        (("G2 X10.0015 Y0 I5 F100",), ORIGIN),  # A5: 0.0015 mm off
        (("G20", "G2 X1.00015 Y0 I0.5 F10"), ORIGIN),  # A7: 0.00015 in off
    ],
)
def test_small_mismatch_of_radii_is_allowed(lines, start):
    assert run(*lines, start=start).findings == ()


@pytest.mark.parametrize(
    ("lines", "code"),
    [
        (("G2 X10 Y0 R4 F100",), "arc-no-solution"),  # A4
        (("G2 X0 Y0 R5 F100",), "arc-no-solution"),  # E14
        (("G2 X10.003 Y0 I5 F100",), "arc-radius"),  # A6, E12
        (("G20", "G2 X1.0003 Y0 I0.5 F10"), "arc-radius"),  # A7
        (("G17 G2 I5 F100",), "arc-words"),  # E13
        (("G17 G2 X5 F100",), "arc-words"),  # E13
        (("G17 G2 X5 K5 F100",), "arc-words"),
        (("G17 G2 X10 I5 R5 F100",), "arc-words"),
    ],
)
def test_what_is_no_arc_is_refused(lines, code):
    result = run(*lines)
    assert obstacles_at(result) == [(code, len(lines))]
    assert "3.5.3" in finding_of(result, code).says
    assert len(result.motion) == 0


def test_the_mismatch_is_measured():
    """Derived: end 0.003 mm outside the circle, limit 0.002 mm [3.5.3.2]."""
    finding = finding_of(run("G2 X10.003 Y0 I5 F100"), "arc-radius")
    assert (finding.measured, finding.limit, finding.unit) == (pytest.approx(0.003), pytest.approx(0.002), "mm")


# F1 to F6, F10 of the derived table: line, seconds by the rule, start of (X Y Z A B C) all 0
FEEDS = [
    ("G94 G1 X10 A90 F100", 6.0),
    ("G94 G1 A90 F360", 15.0),
    ("G94 G1 X3 Y4 A720 F100", 3.0),
    ("G93 G1 A90 F10", 6.0),
    ("G93 G1 X10 A90 F9.0994341", 6.593817),
    ("G94 G1 X0.001 A90 F100", 0.0006),
    ("G93 G1 X5 F2.0", 30.0),  # N7: published rule, 1/2 min
]


@pytest.mark.parametrize(("line", "time_s"), FEEDS)
def test_what_f_means(line, time_s):
    result = run(line)
    assert result.findings == ()
    assert seconds(result) == pytest.approx(time_s, abs=1e-6)


def test_two_rotaries_alone_share_their_root():
    """F4, derived: D = sqrt(90^2 + 120^2) = 150 degrees at 300 degrees/min: 30 s. B is not on this machine: an obstacle too."""
    result = run("G94 G1 A90 B120 F300", start=(0, 0, 0, 0, 0, 0))
    assert seconds(result) == pytest.approx(30.0)
    assert obstacles_at(result) == [("axis-not-on-machine", 1)]


def test_inverse_time_needs_its_f_on_every_fed_line():
    """F8, F9, E21."""
    assert obstacles_at(run("G93", "G1 X1")) == [("feed-missing", 2)]
    assert obstacles_at(run("G93 G1 X1 F2", "X2")) == [("feed-missing", 2)]
    assert run("G93", "G0 X50").findings == ()
    assert run("G93 G1 X1 F2", "G0 X2").findings == ()


def test_inch_feeds():
    """Derived: 1 in at 10 in/min is 6 s; a turn alone stays degrees a minute under G20."""
    assert seconds(run("G20 G1 X1", "X2 F10", traits=STRICT)) != 6.0  # the first move has no feed
    assert seconds(run("G20", "G1 X1 F10")) == pytest.approx(6.0)
    assert seconds(run("G20", "G1 A90 F360")) == pytest.approx(15.0)
    assert end_of(run("G20", "G1 X1 F10"))[0] == pytest.approx(25.4)


def test_two_thousand_short_lines():
    """N10, published (5.3): 2000 lines of 0.1 mm at 1000 mm/min take 12 s."""
    lines = ["G91 G1 F1000"[:3], "F1000", *["G1 X0.1"] * 2000]
    result = run(*lines)
    assert seconds(result) == pytest.approx(12.0, rel=1e-9)
    assert end_of(result)[0] == pytest.approx(200.0)


def test_feed_per_turn_only_where_the_dialect_has_it():
    assert obstacles_at(run("G95")) == [("not-in-this-dialect", 1)]
    # Derived: 0.1 mm a turn at 1000 rpm is 100 mm/min; 10 mm take 6 s.
    result = run("S1000 M3", "G95", "G1 X10 F0.1", traits=ReadTraits(feed_per_turn=True))
    assert result.findings == ()
    assert seconds(result) == pytest.approx(6.0)


def test_surface_speed_of_the_wrap_trap():
    """F7, derived: X10 A90 at radius 20 and F100 runs 32.969083 mm over the work in 6 s: 329.69 mm/min."""
    minutes = run("G94 G1 X10 A90 F100").motion.minutes[0]
    assert math.hypot(10, 20 * math.pi / 2) / minutes == pytest.approx(329.69, abs=0.005)


def test_arc_centres_as_places():
    """The trade's G90.1: the same arc as with offsets."""
    traits = ReadTraits()
    places = run("G90.1", "G2 X10 Y16 I10 J11 F100", start=(7, 7, 0, 0), traits=traits)
    offsets = run("G91.1", "G2 X10 Y16 I3 J4 F100", start=(7, 7, 0, 0), traits=traits)
    assert places.findings == offsets.findings == ()
    assert places.motion.xyza == pytest.approx(offsets.motion.xyza)
    assert obstacles_at(run("G90.1")) == [("not-in-this-dialect", 1)]
