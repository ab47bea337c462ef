"""Threads milled into a carved blank: pitch, hand, diameters. Expected figures: ISO 68-1 and ISO 724 (published), see
tests/published/test_iso_threads.py; tolerances are those of the blank's rays on slanting flanks.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.frames import turn_about_x
from newel.core.job import Section
from newel.core.plan import CutKind, Hole
from newel.geometry.blank import bar_blank, inside
from newel.shop.catalogue import load_shop, shipped_texts
from newel.shop.outlines import cutter_shape
from newel.toolpaths.cut_passes import cut_passes
from side_samples import BESIDE, box, carved_by, flat_end, post, rapids_cut_mm3, side_cut, tree_of, turned, without

SHOP = load_shop(shipped_texts())
M6 = Hole(6.0, 0.0, 5.0, -5.0, 5.0, True, 1.0)


def thread_mill(name="4 mm thread mill"):
    cutter = SHOP.cutters[name]
    return cutter_shape(cutter, SHOP.holder_of(cutter), 40.0, 20.0)


def threaded(turn, hole, pitch):
    """A bored and threaded block of 12 x 10 x 10, its path and what the path did."""
    block = box((0, 12), (-5, 5), (-5, 5))
    target = tree_of(turned(without(block, post(hole.x_mm, hole.y_mm, (hole.floor_z_mm - 1.0, 6.0), hole.diameter_mm)), turn))
    blank = bar_blank(Section.SQUARE, (10.0,), 0.0, 12.0, -turn, pitch)
    bored = cut_passes(side_cut(CutKind.BORE, turn_deg=turn, holes=(hole,)), flat_end(3.0), target, blank, BESIDE)
    carved_by(blank, flat_end(3.0), bored)
    path = cut_passes(side_cut(CutKind.THREAD, turn_deg=turn, holes=(hole,), ae_mm=0.3), thread_mill(), target, blank, BESIDE)
    return blank, path, carved_by(blank, thread_mill(), path)


def open_at(blank, turn, hole, radius, angle_deg, z):
    """Whether places at a radius and an angle about a hole are cut away, for heights z."""
    a = math.radians(angle_deg)
    places = np.column_stack(
        [np.full(len(z), hole.x_mm + radius * math.cos(a)), np.full(len(z), hole.y_mm + radius * math.sin(a)), z]
    )
    return ~inside(blank, places @ turn_about_x(turn))


def grooves(blank, turn, hole, radius, angle_deg, z):
    """Middles and widths of the grooves met along a line parallel to a hole's axis."""
    cut = open_at(blank, turn, hole, radius, angle_deg, z)
    edges = np.flatnonzero(np.diff(cut.astype(int)))
    begins = edges[np.diff(cut.astype(int))[edges] > 0]
    ends = edges[np.diff(cut.astype(int))[edges] < 0]
    ends = ends[ends > begins[0]] if len(begins) else ends
    n = min(len(begins), len(ends))
    return 0.5 * (z[begins[:n]] + z[ends[:n]]) + 0.5 * (z[1] - z[0]), z[ends[:n]] - z[begins[:n]]


def groove_width(radius):
    """Derived: the groove at a radius, over all places of a level disc that goes up the helix (tooth 4, flat 0.1, pitch 1).

    On the profile itself groove and ridge are equally wide at the pitch diameter, P/2 (ISO 68-1); the disc lies level and not
    along the lead, and cuts a little wider.
    """
    ring = 3.0 + (0.125 - 0.1) / (2 * math.tan(math.radians(30))) - 2.0
    phi = np.linspace(-1.5, 1.5, 6001)
    away = np.sqrt(radius**2 + ring**2 - 2 * radius * ring * np.cos(phi))
    half = np.where(away <= 2.0, 0.05 + (2.0 - away) * math.tan(math.radians(30)), -9.0)
    return 2 * (phi / (2 * math.pi) + half).max()


def test_a_level_disc_cuts_within_the_tolerance_of_the_pitch_diameter():
    # ISO 965-1, M6 6H: pitch diameter 5.350 to 5.500 (from memory). Derived: a groove wider by w is one of a pitch diameter
    # larger by w / tan 30
    assert 0.5 <= groove_width(5.350 / 2) <= 0.5 + 0.150 * math.tan(math.radians(30))


@pytest.mark.parametrize("turn", [0.0, 90.0])
def test_m6_has_its_pitch_its_hand_and_its_pitch_diameter(turn):
    blank, path, carved = threaded(turn, M6, 0.04)
    z = np.arange(-3.5, 3.5, 0.01)
    found = {angle: grooves(blank, turn, M6, 5.350 / 2, angle, z) for angle in (10.0, 100.0, 190.0, 280.0)}
    for middles, widths in found.values():
        assert np.diff(middles) == pytest.approx(1.0, abs=0.03)  # the pitch
        # a place is open where the nearest ray of either direction is: up to a ray's spacing wider on slanting flanks
        assert widths == pytest.approx(groove_width(5.350 / 2), abs=0.04)
    # right-handed: a quarter turn counterclockwise, seen from above, rises a quarter of the pitch
    rise = (found[100.0][0][0] - found[10.0][0][0]) % 1.0
    assert rise == pytest.approx(0.25, abs=0.04)
    # nothing is cut beyond the sharp corner of the profile, and nothing left at the minor diameter's wall
    assert not open_at(blank, turn, M6, 3.0 + 0.866 / 8 + 0.05, 45.0, z).any()
    assert open_at(blank, turn, M6, 2.97, 45.0, z).any()
    assert carved.struck_mm.max() <= 0.01
    assert rapids_cut_mm3(path, carved) <= 0.001
    assert path.pose[-1, 2] == BESIDE.retract_z_mm


def test_a_blind_thread_keeps_off_its_floor():
    hole = replace(M6, floor_z_mm=-2.0, through=False)
    _, path, _ = threaded(0.0, hole, 0.1)
    assert path.pose[:, 2].min() == pytest.approx(-2.0 + 0.1, abs=1e-6)  # FLOOR_MM
    # it leaves by the top: the tooth's middle ends half a pitch over it and a quarter pitch on along its way to the middle
    tooth_middle = (4.0 - 2.4) / 2 * math.tan(math.radians(30)) + 0.05
    assert path.pose[path.kind == 3, 2].max() == pytest.approx(5.0 + 0.5 + 0.25 - tooth_middle, abs=1e-6)


def test_refusals():
    target = tree_of(without(box((0, 12), (-5, 5), (-5, 5)), post(6.0, 0.0, (-6, 6), 5.0)))
    blank = bar_blank(Section.SQUARE, (10.0,), 0.0, 12.0, 0.0, 0.2)
    for hole, shape, says in (
        (replace(M6, pitch_mm=None), thread_mill(), "pitch"),
        (replace(M6, diameter_mm=5.6), thread_mill(), "no metric thread"),
        (M6, flat_end(3.0), "tooth"),
        (M6, thread_mill("2.4 mm thread mill"), "neck"),
    ):
        with pytest.raises(BadInput, match=says):
            cut_passes(side_cut(CutKind.THREAD, holes=(hole,)), shape, target, blank, BESIDE)
