"""Engagement asked of a blank, against closed forms of slots and side cuts.

derived: area of a slot DC ap, of a side cut ae ap; arcs arccos(1 - 2 ae / DC).
derived (references C9): kc1.1 700, mc 0.25, D 6, z 2, ap 3, ae 0.6, fz 0.03: peak tangential force 103.1986 N, mean torque
0.0372752 N m (Kienzle's law integrated over the arc).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.job import Section
from newel.core.profile import CutterShape, outline
from newel.geometry.blank import Blank, bar_blank, carve
from newel.mechanics.engagement import CuttingLaw, Engagement, edge_cells, engagement, look_ahead_mm

FLAT6 = CutterShape(outline((0, 0), (3, 0), (3, 12)), outline((3, 12), (3, 30)))
BALL6 = CutterShape(outline((0, 0), (3, 3, 0, 3), (3, 12)), outline((3, 12), (3, 30)))
LAW = CuttingLaw(700.0, 0.25, 2, normal_share=0.0)
AHEAD = look_ahead_mm(FLAT6.edge, 0.1)
TOP = 10.0  # a 20 mm square bar, its flat toward the spindle


def bar(pitch: float = 0.1) -> Blank:
    return bar_blank(Section.SQUARE, (20.0,), 0.0, 40.0, 0.0, pitch)


def along_x(
    blank: Blank, shape: CutterShape, y: float, depth: float, law: CuttingLaw = LAW, rpm: float = 12_000.0
) -> Engagement:
    """Cut along +X at a depth up to X 20 and ask there, at fz 0.03 of two teeth (720 mm/min)."""
    z = TOP - depth
    carve(blank, shape, np.array([[-5.0, y, z, 0.0], [20.0, y, z, 0.0]]), np.array([0, 1], dtype=np.int32))
    return engagement(
        blank, edge_cells(shape.edge), np.array([[20.0, y, z, 0.0]]), np.array([[720.0, 0, 0, 0]]), rpm, law, AHEAD
    )


def test_a_slot_is_as_wide_as_the_cutter_and_as_deep_as_asked() -> None:
    found = along_x(bar(), FLAT6, 0.0, 3.0)
    assert found.area_mm2[0] == pytest.approx(18.0, rel=0.03)  # derived: DC ap; a ring reaches 0.07 mm over it
    assert found.ap_mm[0] == pytest.approx(3.0, abs=0.15)  # a ring is up to 0.2 mm high there
    assert found.ae_mm[0] == pytest.approx(6.0, abs=0.1)
    assert found.arc_deg[0] == pytest.approx(180.0, abs=14.0)  # where the chip is nil the rays cannot tell: 7 degrees an end
    assert found.chip_mm[0] == pytest.approx(0.03, rel=0.003)  # derived: fz at 90 degrees
    assert found.climb[0] == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize("side", [1, -1])
def test_a_side_cut_agrees_with_the_worked_example(side: int) -> None:
    """Material to the left of the motion (+Y) is cut conventionally by a clockwise spindle: teeth on that side run with it."""
    blank = bar()
    shape = FLAT6
    # the bar's side at y = +-10: the cutter's axis stands so that 0.6 mm of it is in the bar
    y = -side * (10.0 + 3.0 - 0.6)
    found = along_x(blank, shape, y, 3.0)
    assert found.area_mm2[0] == pytest.approx(1.8, rel=0.06)  # derived: ae ap; 3 degree cells over an arc of 37
    assert found.ae_mm[0] == pytest.approx(0.6, abs=0.1)
    assert found.arc_deg[0] == pytest.approx(36.87, abs=7.0)
    assert found.climb[0] == pytest.approx(0.0 if side > 0 else 1.0, abs=0.01)
    assert np.hypot(*found.force_N[0, :2]) == pytest.approx(103.1986, rel=0.06)
    assert found.spindle_Nm[0] == pytest.approx(0.0372752, rel=0.08)


def test_a_ball_in_a_slot_takes_a_segment() -> None:
    found = along_x(bar(), BALL6, 0.0, 1.0)
    angle = math.acos(1.0 - 1.0 / 3.0)
    assert found.area_mm2[0] == pytest.approx(9.0 * (angle - math.sin(angle) * math.cos(angle)), rel=0.03)  # derived
    # at its rims half a pitch of the Y rays' height and what is stepped in come to 0.15 mm a side
    assert found.ae_mm[0] == pytest.approx(2.0 * 3.0 * math.sin(angle), abs=0.31)


def test_in_air_there_is_nothing() -> None:
    found = engagement(
        bar(0.4), edge_cells(FLAT6.edge), np.array([[20.0, 0, 15.0, 0]]), np.array([[700.0, 0, 0, 0]]), 1e4, LAW, 0.6
    )
    assert found.area_mm2[0] == found.side_N[0] == found.rotary_Nm[0] == found.arc_deg[0] == 0.0


def test_turning_the_bar_is_a_feed_like_any_other() -> None:
    """At the axis' height over a turning bar the edge meets what a straight move at the same speed would."""
    blank = bar_blank(Section.ROUND, (20.0,), 0.0, 40.0, 0.0, 0.1)
    shape, z = FLAT6, 8.0
    poses = np.array([[20.0, 0, 30.0, 0], [20.0, 0, z, 0.0], [20.0, 0, z, 90.0]])
    carve(blank, shape, poses, np.arange(3, dtype=np.int32))
    rate = np.array([[0.0, 0, 0, 90.0 / 0.01]])
    found = engagement(blank, edge_cells(shape.edge), poses[-1:], rate, 12_000.0, LAW, AHEAD)
    # derived: in the slot 6 wide what comes at the cutter each degree is the ring from radius 8 to 10, (10^2 - 8^2)/2 a
    # radian; a millimetre of the tip's way is 1/8 radian
    assert found.area_mm2[0] == pytest.approx(6.0 * 18.0 / 8.0, rel=0.05)
    # the moment about the bar's axis lies between the force at the inner and at the outer radius
    assert 0.5 * 8.0 < 1000.0 * found.rotary_Nm[0] / found.side_N[0] < 10.5


def test_a_plunge_is_pushed_up_the_spindle() -> None:
    blank = bar()
    law = CuttingLaw(700.0, 0.25, 2)
    rate = np.array([[0.0, 0.0, -100.0, 0.0]])
    found = engagement(blank, edge_cells(FLAT6.edge), np.array([[20.0, 0, TOP, 0]]), rate, 12_000.0, law, AHEAD)
    assert found.area_mm2[0] == pytest.approx(math.pi * 9.0, rel=0.01)  # derived: the whole end
    # derived: each tooth's floor edge 3 mm long, chip 100 / 24000 mm, the normal share of it up
    up = 2 * 0.7 * 700.0 * 3.0 * (100.0 / 24000.0) ** 0.75
    assert found.thrust_N[0] == pytest.approx(up, rel=0.01)
