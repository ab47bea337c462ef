"""The development of a blank: against closed forms of bars, against a plain walk inward, and its tags."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.job import Section
from newel.core.profile import CutterShape, outline
from newel.geometry.blank import Blank, bar_blank, carve
from newel.geometry.radial_map import MapGrid, radial_map
from plain.radial_map_plain import outermost_radii_plain

PITCH_MM = 0.4
CUTTER = CutterShape(outline((0, 0), (3, 0), (3, 20)), outline((3, 20), (3, 40)))


def bar(section: Section, *size_mm: float) -> Blank:
    return bar_blank(section, size_mm, -5.0, 25.0, 0.0, PITCH_MM)


def test_a_square_bar_is_exact() -> None:
    cells = MapGrid(-5.0, 25.0, 12, 90)
    radius, tag = radial_map(bar(Section.SQUARE, 20.0), cells)
    # derived: a flat 10 mm off the axis stands at 10 / max(|cos|, |sin|) along a direction
    assert radius == pytest.approx(np.repeat(10.0 / np.abs(cells.outward).max(axis=1)[:, None], 12, axis=1), abs=1e-5)
    assert (tag == -1).all()


def test_a_round_bar_is_round() -> None:
    radius, _ = radial_map(bar(Section.ROUND, 20.0), MapGrid(-5.0, 25.0, 3, 360))
    assert np.abs(radius - 10.0).max() < PITCH_MM / 2  # as good as the rays are where they graze
    assert np.median(np.abs(radius - 10.0)) < 0.01  # a chord over one pitch: p^2 / 8 / 10 = 0.002 mm (derived), and rounding


def test_a_groove_has_its_depth_and_its_move() -> None:
    blank = bar(Section.ROUND, 20.0)
    down = np.array([[10.0, 0.0, 15.0, 0.0], [10.0, 0.0, 7.0, 0.0], [10.0, 0.0, 7.0, 360.0]])
    carve(blank, CUTTER, down, np.array([4, 5, 6], np.int32))
    cells = MapGrid(-5.0, 25.0, 75, 120)
    radius, tag = radial_map(blank, cells)
    groove = np.abs(cells.x_mm - 10.0) < 2.5
    assert radius[:, groove] == pytest.approx(7.0, abs=PITCH_MM / 2)  # derived: a flat end 7 mm over the axis all round
    assert set(np.unique(tag[:, groove])) <= {5, 6}
    assert (tag[:, np.abs(cells.x_mm - 10.0) > 3.5] == -1).all()


def test_agrees_with_a_plain_walk_inward() -> None:
    blank = bar(Section.SQUARE, 20.0)
    rng = np.random.default_rng(3)
    poses = np.column_stack([rng.uniform(0, 20, 30), rng.uniform(-6, 6, 30), rng.uniform(4, 9, 30), rng.uniform(0, 360, 30)])
    carve(blank, CUTTER, poses, np.arange(30, dtype=np.int32))
    cells = MapGrid(-5.0, 25.0, 15, 36)
    radius, _ = radial_map(blank, cells)
    slices = np.clip(np.rint((cells.x_mm - blank.grid.x0) / blank.grid.px), 0, blank.grid.nx - 1)
    plain = outermost_radii_plain(blank, blank.grid.x0 + slices * blank.grid.px, cells.outward, 0.05).T
    off = np.abs(radius - plain)
    assert np.quantile(off, 0.9) < PITCH_MM  # the walk asks the nearest rays, half a pitch off both ways
    assert np.median(off) < PITCH_MM / 2


def test_nothing_is_left_where_all_is_cut() -> None:
    blank = bar(Section.ROUND, 4.0)
    through = np.array([[10.0, -30.0, -10.0, 0.0], [10.0, 30.0, -10.0, 0.0]])
    carve(blank, CUTTER, through, np.array([0, 1], np.int32))
    radius, tag = radial_map(blank, MapGrid(9.0, 11.0, 4, 8))
    assert (radius == 0.0).all()
    assert (tag == -1).all()
