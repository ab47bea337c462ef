"""Whole cuts on a small stepped part: never into it, never a rapid into stock, no deeper than a level, everything reached."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.job import Direction, Section
from newel.core.motion import MoveKind
from newel.core.plan import CutKind
from newel.geometry.blank import carve, copy_of, max_radius, volume_mm3
from newel.toolpaths.cut_passes import cut_passes
from toolpath_samples import (
    AROUND,
    JAWS,
    ball_end,
    deepest,
    dense,
    flat_end,
    small_bar,
    small_cut,
    standing_over,
    stepped,
    turned_part,
)

DIRECTIONS = list(Direction)


@pytest.fixture(scope="module")
def part():
    return turned_part(stepped)


@pytest.fixture(scope="module")
def roughed(part):
    """The small bar after an around roughing, and the path that made it."""
    blank = small_bar()
    path = cut_passes(small_cut(), flat_end(), part, blank, AROUND)
    carve(blank, flat_end(), path.pose, np.zeros(len(path), dtype=np.int32))
    return blank, path


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_roughing_keeps_the_allowance_and_rapids_through_air(part, direction):
    blank = small_bar()
    before = volume_mm3(blank)
    path = cut_passes(small_cut(direction=direction), flat_end(), part, blank, AROUND)
    assert volume_mm3(blank) == before  # the caller's blank is not changed
    # the asked allowance, less what a straight move may pass below it (EXACT in rough_around)
    assert deepest(path, part, flat_end().edge) <= -0.3 + 0.02 + 1e-6
    assert deepest(path, part, flat_end().body) < 0.0
    carved = carve(blank, flat_end(), path.pose, np.zeros(len(path), dtype=np.int32))
    rapid = path.kind == MoveKind.RAPID
    # what a rapid's sweep shaves off by the chords of the carving is thousandths
    assert carved.removed_mm3[rapid].max() <= 0.01
    assert carved.struck_mm.max() <= 0.01
    assert carved.removed_mm3.sum() > 500.0


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_paths_begin_and_end_at_the_retract_height(part, roughed, direction):
    for cut, shape in (
        (small_cut(direction=direction), flat_end()),
        (small_cut(CutKind.FINISH_AROUND, direction=direction, cusp_mm=0.05), ball_end()),
    ):
        path = cut_passes(cut, shape, part, small_bar() if cut.kind is CutKind.ROUGH_AROUND else roughed[0], AROUND)
        assert path.pose[0, 2] == AROUND.retract_z_mm
        assert path.pose[-1, 2] == AROUND.retract_z_mm
        assert path.kind[0] == MoveKind.RAPID
        assert (path.pose[:, 1] == 0.0).all()
        assert ((path.feed_mm_per_min > 0.0) == (path.kind != MoveKind.RAPID)).all()


def test_roughing_leaves_little_more_than_the_allowance(part, roughed):
    blank, _ = roughed
    # on the plain cylinder a flat end leaves no steps. Derived: allowance 0.3, a move left up to 0.05 high, stock of up to
    # 0.08 not worth a pass, half a ray of 0.2
    assert max_radius(blank, 14.8, 16.0) <= 4.5 + 0.3 + 0.05 + 0.08 + 0.1
    assert max_radius(blank, 14.8, 16.0) >= 4.5 + 0.3 - 0.02
    again = cut_passes(small_cut(), flat_end(), part, blank, AROUND)
    carved = carve(copy_of(blank), flat_end(), again.pose, np.zeros(len(again), dtype=np.int32))
    assert carved.removed_mm3.sum() < 0.02 * 1500.0  # a second roughing of the same blank finds next to nothing


def test_roughing_cuts_no_deeper_than_a_level(part):
    """Carve level by level with small moves: no step of the path may take more than a full slot of one level."""
    cut = small_cut()
    path = cut_passes(cut, flat_end(), part, small_bar(), AROUND)
    pose, row = dense(path, 0.1)
    carved = carve(small_bar(), flat_end(), pose, np.zeros(len(pose), dtype=np.int32))
    way = np.abs(np.diff(pose, axis=0, prepend=pose[:1]))
    length = np.hypot(way[:, 0], np.radians(way[:, 3]) * 8.5)
    feeding = (path.kind[row] == MoveKind.CUT) & (length > 0.05)
    # derived: a full slot takes DC * ap a mm of way; 1.2 for the corners that a flat end meets on a square bar
    assert np.quantile(carved.removed_mm3[feeding] / length[feeding], 0.999) <= 1.2 * 3.0 * cut.ap_mm


def test_a_cutter_that_cannot_plunge_goes_down_by_ramps_only(part):
    cut = small_cut(ramp_deg=4.0)
    blank = small_bar(Section.ROUND)
    path = cut_passes(cut, flat_end(), part, blank, replace(AROUND, centre_cutting=False))
    carved = carve(blank, flat_end(), path.pose, np.zeros(len(path), dtype=np.int32))
    way = np.diff(path.pose, axis=0, prepend=path.pose[:1])
    straight_down = (np.hypot(way[:, 0], np.radians(way[:, 3]) * 3.0) < 1e-6) & (way[:, 2] < 0.0)
    # straight down: only through air, and through steps that are too small to matter (0.3 mm at DC 3: 2.1 mm3)
    assert straight_down.any()
    assert carved.removed_mm3[straight_down].max() <= 0.3 * np.pi * 1.5**2 * 1.05


def test_full_slots_are_fed_slower_than_half_slots(part):
    path = cut_passes(small_cut(), flat_end(), part, small_bar(), AROUND)
    feeds = path.feed_mm_per_min[path.kind == MoveKind.CUT]
    assert feeds.max() == 600.0
    assert feeds.min() >= 0.25 * 600.0
    assert (np.abs(feeds - 0.6 * 600.0) < 1e-6).any()


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("offset", [0.0, 0.7])
def test_finishing_never_gouges_and_rapids_through_air(part, roughed, direction, offset):
    blank = copy_of(roughed[0])
    cut = small_cut(CutKind.FINISH_AROUND, direction=direction, offset_y_mm=offset)
    path = cut_passes(cut, ball_end(), part, blank, AROUND)
    assert (path.pose[:, 1] == offset).all()
    # seen square to the surface: a ball 5 um smaller about the same centre must clear the part; walls make heights unfair
    smaller = ball_end(3.0 - 0.01)
    raised = replace(path, pose=path.pose + np.array([0.0, 0.0, 0.005, 0.0]))
    assert deepest(raised, part, smaller.edge, 0.03) <= 1e-3
    carved = carve(blank, ball_end(), path.pose, np.zeros(len(path), dtype=np.int32))
    assert carved.removed_mm3[path.kind == MoveKind.RAPID].max() <= 0.01
    assert carved.struck_mm.max() <= 0.01


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_the_asked_cusp_is_kept_on_a_cylinder(direction):
    """Derived: the mesh's corners lie on R, so its facets lie lower by R (1 - cos(1 deg)); the cusp stands on the facets."""
    target = turned_part(lambda x, phi: 5.0 + 0.0 * x, sides=180)
    cut = small_cut(CutKind.FINISH_AROUND, direction=direction, cusp_mm=0.02, from_x_mm=8.0, to_x_mm=14.0)
    path = cut_passes(cut, ball_end(), target, small_bar(Section.ROUND, (11.0,)), AROUND)
    rng = np.random.default_rng(5)
    places = np.column_stack([rng.uniform(9.5, 12.5, 150), rng.uniform(0.0, 360.0, 150)])
    over = standing_over(path, lambda r: 1.5 - np.sqrt(1.5**2 - r**2), 5.0, 1.5, places, 5.5)
    facets = 5.0 * (1.0 - np.cos(np.radians(1.0)))
    assert over.max() <= 1.15 * 0.02
    assert over.min() >= -facets - 0.004
    assert over.max() >= 0.25 * 0.02  # not paid for with needless passes


@pytest.mark.parametrize("direction", [Direction.AROUND, Direction.HELICAL])
def test_the_asked_cusp_is_kept_on_a_steep_cone(direction):
    """Derived: on a 60 degree slope passes must lie twice as close along X as on a cylinder."""
    rise = np.tan(np.radians(60.0))
    target = turned_part(lambda x, phi: 2.0 + rise * np.clip(x - 10.0, 0.0, 2.0), sides=360, step=0.5)
    cut = small_cut(CutKind.FINISH_AROUND, direction=direction, cusp_mm=0.03, from_x_mm=6.0, to_x_mm=15.0)
    path = cut_passes(cut, ball_end(2.0), target, small_bar(Section.ROUND, (11.6,)), AROUND)
    pose, _ = dense(path, 0.02)
    ring = pose[np.abs(pose[:, 3] % 360.0 - 90.0) < 1.0]
    # the section at turn 90: ball centres (x, z + 1), points of the flank between x 10.6 and 11.4
    x = np.linspace(10.6, 11.4, 60)
    surface = np.column_stack([x, 2.0 + rise * (x - 10.0)])
    normal = np.array([-np.sin(np.radians(60.0)), np.cos(np.radians(60.0))])
    left = []
    for point in surface:
        height = np.linspace(0.0, 0.2, 400)
        at = point[None, :] + height[:, None] * normal
        gone = (np.hypot(at[:, :1] - ring[None, :, 0], at[:, 1:] - ring[None, :, 2] - 1.0) <= 1.0 + 1e-4).any(axis=1)
        left.append(height[np.argmax(gone)] if gone.any() else np.inf)
    assert max(left) <= 1.15 * 0.03


def test_rest_goes_only_where_stock_still_stands(part, roughed):
    blank = copy_of(roughed[0])
    wide = cut_passes(small_cut(CutKind.FINISH_AROUND, direction=Direction.HELICAL), ball_end(), part, blank, AROUND)
    carve(blank, ball_end(), wide.pose, np.zeros(len(wide), dtype=np.int32))
    # a 3 mm ball cannot enter the 1.5 mm groove at x 12 to 13.5; a 1 mm ball can
    fine = small_cut(CutKind.FINISH_AROUND, direction=Direction.HELICAL, rest_over_mm=0.1)
    rest = cut_passes(fine, ball_end(1.0, 4.0), part, blank, replace(AROUND, finished_by=ball_end()))
    everywhere = cut_passes(replace(fine, rest_over_mm=None), ball_end(1.0, 4.0), part, blank, AROUND)
    cutting = rest.pose[rest.kind == MoveKind.CUT]
    assert len(cutting)
    assert ((cutting[:, 0] > 12.0) & (cutting[:, 0] < 13.5)).any()
    assert (np.abs(cutting[:, 0] - 16.0) > 1.0).all()  # the plain cylinder is left alone
    assert len(rest) < 0.6 * len(everywhere)


def test_the_body_keeps_clear_of_the_jaws(part):
    """A cut that runs up to X 5 with a holder of radius 6 from 12 mm up, beside jaws of radius 15 that end at X 0."""
    cut = small_cut(from_x_mm=5.0)
    path = cut_passes(cut, flat_end(), part, small_bar(), AROUND)
    pose, _ = dense(path, 0.1)
    over = pose[:, 0] - 6.0 < JAWS.to_x_mm + AROUND.clearance_mm
    # derived: the holder's underside, 12 over the tip, must be 1 over the jaws' 15: z >= 4
    assert over.any()
    assert pose[over, 2].min() >= 15.0 + 1.0 - 12.0 - 1e-6


def test_the_same_cut_is_the_same_twice(part):
    first, second = (cut_passes(small_cut(), flat_end(), part, small_bar(), AROUND) for _ in range(2))
    np.testing.assert_array_equal(first.pose, second.pose)
    np.testing.assert_array_equal(first.feed_mm_per_min, second.feed_mm_per_min)


def test_nothing_to_cut_is_no_moves(part):
    path = cut_passes(small_cut(), flat_end(), part, small_bar(Section.ROUND, (4.9,)), AROUND)
    assert len(path) == 0


@pytest.mark.parametrize(
    "wrong", [{"ae_mm": 0.0}, {"ap_mm": -1.0}, {"from_x_mm": 30.0}, {"feed_mm_per_min": 0.0}, {"allowance_mm": -0.1}]
)
def test_figures_that_contradict_themselves_are_refused(part, wrong):
    with pytest.raises(BadInput):
        cut_passes(small_cut(**wrong), flat_end(), part, small_bar(), AROUND)
