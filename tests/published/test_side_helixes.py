"""Bores, helixes and threads against the project's check values: section 3 (G17) and section 7 (ISO 68-1, ISO 724).

G17 and the thread-mill line of section 7 are *derived* there (exact geometry in double precision, printed to eight decimals);
the diameters of M6 are the standard's. A path's corners stand up to half a chord's sagitta outside its circle, so that a turn
may be up to 2 pi (CHORD_MM / 2) longer than the true one.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.profile import CutterShape, outline
from newel.shop.iso_threads import Tooth, path_radius_mm, thread_sizes
from newel.toolpaths.strokes import CHORD_MM, arc
from newel.toolpaths.threads import check_tooth, tooth_of


def length_mm(places):
    return float(np.linalg.norm(np.diff(places, axis=0), axis=1).sum())


@pytest.mark.parametrize(
    ("pitch", "diameter", "angle_deg", "per_turn"),
    [(0.5, 4.0, 2.27852473, 12.57631386), (0.3, 3.0, 1.82316572, math.hypot(0.3, 3.0 * math.pi))],
)
def test_g17_helix_angle_and_length(pitch, diameter, angle_deg, per_turn):
    # G17: atan(p / pi D_h); one turn of p 0.5 on D_h 4 is 12.57631386 mm long
    turns = 10
    places = arc(np.zeros(2), diameter / 2, (0.0, 2 * math.pi * turns), (0.0, -pitch * turns))
    assert length_mm(places) / turns == pytest.approx(per_turn, abs=math.pi * CHORD_MM)
    steps = np.diff(places, axis=0)
    assert np.degrees(np.arctan2(-steps[:, 2], np.hypot(steps[:, 0], steps[:, 1]))).mean() == pytest.approx(angle_deg, rel=1e-3)


@pytest.mark.parametrize("radius", [0.25, 0.75, 2.5, 20.0])
def test_an_arc_strays_from_its_circle_by_half_a_chord_to_either_side(radius):
    places = arc(np.array([3.0, 4.0]), radius, (0.0, 2 * math.pi), (0.0, 0.0))
    corners = np.hypot(places[:, 0] - 3.0, places[:, 1] - 4.0)
    middles = 0.5 * (places[1:] + places[:-1])
    inner = np.hypot(middles[:, 0] - 3.0, middles[:, 1] - 4.0)
    # derived: sagitta s = R (1 - cos(step / 2)) split into two equal halves
    assert corners.max() - radius <= 0.5 * CHORD_MM + 1e-9
    assert radius - inner.min() <= 0.5 * CHORD_MM + 1e-9
    assert corners.max() - radius == pytest.approx(radius - inner.min(), rel=1e-6)


def thread_mill(diameter, neck, flat):
    rise = (diameter - neck) / 2 * math.tan(math.radians(30.0))
    edge = outline((0, 0), (neck / 2, 0), (diameter / 2, rise), (diameter / 2, rise + flat), (neck / 2, 2 * rise + flat))
    top = 2 * rise + flat
    return CutterShape(edge, outline((neck / 2, top), (neck / 2, 16), (3, 16), (3, 30)))


def test_a_thread_mill_of_4_5_in_m6():
    # section 7: thread mill of 4.5 mm in M6: tip's path 1.5 mm in diameter, one turn rises 1.0 and is 4.81732394 mm long;
    # the flat of such a tooth is P/8 (ISO 68-1)
    tooth = tooth_of(thread_mill(4.5, 3.1, 0.125))
    assert tooth == Tooth(
        2.25, pytest.approx(1.55), pytest.approx(0.125), pytest.approx(0.7 * math.tan(math.radians(30)) + 0.0625)
    )
    sizes = thread_sizes(6.0, 1.0)
    radius = path_radius_mm(tooth, sizes)
    assert 2.0 * radius == pytest.approx(1.5, abs=1e-12)
    assert math.hypot(2 * math.pi * radius, sizes.pitch) == pytest.approx(4.81732394, abs=5e-9)
    places = arc(np.zeros(2), radius, (0.0, 20 * math.pi), (0.0, 10.0))
    assert length_mm(places) / 10 == pytest.approx(4.81732394, abs=math.pi * CHORD_MM)


def test_a_sharper_tooth_goes_on_to_where_its_flanks_lie_right():
    # derived: with no flat at all its point reaches the sharp corner of the basic triangle, H/8 beyond the nominal diameter
    sizes = thread_sizes(6.0, 1.0)
    sharp = Tooth(2.25, 1.5, 0.0, 0.4)
    assert path_radius_mm(sharp, sizes) + 2.25 == pytest.approx(3.0 + sizes.height_mm / 8.0, abs=1e-12)


@pytest.mark.parametrize(
    ("tooth", "says"),
    [(Tooth(2.25, 1.5, 0.2, 0.5), "flat"), (Tooth(2.6, 1.5, 0.1, 0.5), "bore"), (Tooth(2.25, 1.9, 0.1, 0.3), "neck")],
)
def test_teeth_that_cannot_make_the_thread_are_refused(tooth, says):
    with pytest.raises(BadInput, match=says):
        check_tooth(tooth, thread_sizes(6.0, 1.0))
