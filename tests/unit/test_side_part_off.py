"""Parting off in a carved blank: down to the asked stub beside the part's end, and no part touched. Figures are derived."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from newel.core.job import Section
from newel.core.plan import CutKind
from newel.geometry.blank import bar_blank, inside, max_radius
from newel.toolpaths.cut_passes import cut_passes
from side_samples import BESIDE, box, carved_by, flat_end, rapids_cut_mm3, side_cut, tree_of, with_added

PART = with_added(box((0, 10), (-6, 6), (-6, 6)), box((9, 16), (-1.4, 1.4), (-1.4, 1.4)), box((15, 30), (-6, 6), (-6, 6)))


def a_cut(**changes):
    base = side_cut(CutKind.PART_OFF, from_x_mm=11.6, to_x_mm=11.6, ap_mm=0.8, ae_mm=1.0, floor_z_mm=2.0, turn_deg=None)
    return replace(replace(base, from_y_mm=0.0, to_y_mm=0.0), **changes)


def test_round_the_turning_bar_a_round_stub_is_left():
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.1)
    path = cut_passes(a_cut(), flat_end(3.0), tree_of(PART), blank, BESIDE)
    carved = carved_by(blank, flat_end(3.0), path)
    assert max_radius(blank, 11.4, 11.6) == pytest.approx(2.0, abs=0.06)
    assert inside(blank, np.array([[11.5, 0.0, 1.9], [11.5, 1.3, 1.3], [9.9, 0.0, 5.0], [13.3, 0.0, 5.0]])).all()
    assert not inside(blank, np.array([[11.5, 0.0, 2.1], [11.5, 1.6, 1.6], [11.5, -5.9, 5.9]])).any()
    assert rapids_cut_mm3(path, carved) <= 0.001
    assert carved.struck_mm.max() == 0.0
    fall = -np.diff(path.pose[:, 2])[3:-1]
    assert (fall / np.diff(path.pose[:, 3])[3:-1] * 360.0).max() <= 0.8 + 1e-9
    assert len(cut_passes(a_cut(), flat_end(3.0), tree_of(PART), blank, BESIDE)) == 0


def test_from_two_sides_a_flat_stub_is_left_and_wider_grooves_take_more_passes():
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.1)
    for turn in (0.0, 180.0):
        cut = a_cut(turn_deg=turn)
        path = cut_passes(replace(cut, from_x_mm=11.6, to_x_mm=13.4), flat_end(3.0), tree_of(PART), blank, BESIDE)
        carved = carved_by(blank, flat_end(3.0), path)
        assert rapids_cut_mm3(path, carved) <= 0.001
        assert (path.pose[:, 3] == turn).all()
        assert len(np.unique(path.pose[:, 0])) == 3  # derived: 1.8 mm in steps of at most 1 mm
    held = inside(blank, np.array([[x, y, z] for x in (11.5, 13.5) for y in (0.0, 5.5) for z in (-2.1, -1.9, 1.9, 2.1)]))
    assert held.reshape(-1, 4).tolist() == [[False, True, True, False]] * 4


def test_a_thicker_stub_and_the_part_itself_are_left_as_they_are():
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.2)
    thick = tree_of(with_added(PART, box((9, 16), (-3, 3), (-3, 3))))
    path = cut_passes(a_cut(), flat_end(3.0), thick, blank, BESIDE)
    assert path.pose[:, 2].min() == pytest.approx(3.0 * np.sqrt(2.0), abs=1e-3)  # derived: the corner of a 6 mm square stub
    into_part = cut_passes(a_cut(from_x_mm=10.0, to_x_mm=10.0), flat_end(3.0), tree_of(PART), blank, BESIDE)
    assert len(into_part) == 0 or into_part.pose[:, 2].min() >= 6.0


@pytest.mark.parametrize(("off_mm", "goes_down"), [(0.04, True), (0.02, False)])
def test_a_shank_as_thick_as_its_edge_passes_an_end_face_that_is_higher_than_the_edge(off_mm, goes_down):
    # the end face stands 6 to 8.5 mm over the axis, the edge ends 3 mm over the groove's floor at 2 mm: shank beside the face
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.1)
    shape = flat_end(3.0, flute=3.0)
    part = with_added(box((0, 10), (-6, 6), (-6, 6)), box((9, 16), (-1.4, 1.4), (-1.4, 1.4)))
    at = 10.0 + 1.5 + off_mm
    path = cut_passes(a_cut(from_x_mm=at, to_x_mm=at), shape, tree_of(part), blank, BESIDE)
    assert (len(path) > 0 and float(path.pose[:, 2].min()) <= 2.0 + 1e-6) is goes_down
    if goes_down:
        carved = carved_by(blank, shape, path)
        assert carved.struck_mm.max() == 0.0
        assert inside(blank, np.array([[9.9, 0.0, 3.0]])).all()
        assert not inside(blank, np.array([[10.1, 0.0, 3.0], [12.9, 0.0, 3.0]])).any()
