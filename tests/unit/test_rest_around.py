"""Rest cuts beside the axis, on a T-beam: what hides behind its arms is cut, and nothing else is touched."""

from __future__ import annotations

import numpy as np

from newel.core.job import Direction
from newel.core.plan import CutKind
from newel.core.profile import CutterShape, outline
from newel.geometry.blank import carve, copy_of
from newel.geometry.blank_surface import blank_mesh
from newel.geometry.drop import drop, drop_tree
from newel.toolpaths.cut_passes import cut_passes
from toolpath_samples import AROUND, ball_end, dense, small_bar, small_cut

ARM_Z, ARM_TOP_Z, HALF_ARM, HALF_WEB = 3.5, 5.0, 4.5, 0.75
BALL = ball_end(2.0, flute=6.0)


def box(x, y, z):
    """Corners and faces of a box; each argument its range."""
    corners = np.array([[a, b, c] for a in x for b in y for c in z], dtype=float)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    faces = [corner for a, b, c, d in quads for corner in ((a, b, c), (a, c, d))]
    return corners, np.array(faces)


def t_beam():
    """A T along X: a web about the axis with an arm over it, and full bar at both ends."""
    parts = [
        box((6, 18), (-HALF_WEB, HALF_WEB), (-5, ARM_Z)),
        box((6, 18), (-HALF_ARM, HALF_ARM), (ARM_Z, ARM_TOP_Z)),
        box((-8, 3), (-6, 6), (-6, 6)),
    ]
    starts = np.cumsum([0] + [len(corners) for corners, _ in parts])
    return drop_tree(
        np.vstack([corners for corners, _ in parts]),
        np.vstack([faces + k for (_, faces), k in zip(parts, starts, strict=False)]),
    )


def made(offset_y_mm, shape=BALL):
    target, blank = t_beam(), small_bar()
    rough = cut_passes(small_cut(direction=Direction.ALONG), BALL, target, blank, AROUND)
    carve(blank, BALL, rough.pose, np.zeros(len(rough), dtype=np.int32))
    cut = small_cut(
        CutKind.REST_AROUND, direction=Direction.HELICAL, allowance_mm=0.0, ap_mm=0.8, ae_mm=0.6, offset_y_mm=offset_y_mm,
        rest_over_mm=0.025, floor_z_mm=-6.0,
    )  # fmt: skip
    return target, blank, cut_passes(cut, shape, target, blank, AROUND)


def test_a_short_edge_stays_as_high_as_its_body_asks():
    """With 2 mm of edge and hollows 5 mm deep the body is stopped at many places: nor may it come along beside them."""
    stout = CutterShape(ball_end(2.0, flute=2.0).edge, outline((1.0, 2.0), (2.5, 3.0), (2.5, 30.0)))
    for offset in (2.5, 4.0):
        _, blank, path = made(offset, stout)
        assert len(path) > 20
        assert carve(copy_of(blank), stout, path.pose, np.zeros(len(path), dtype=np.int32)).struck_mm.max() == 0.0


def test_the_edge_stays_out_of_the_part_and_the_body_out_of_what_stands():
    target, blank, path = made(2.5)
    assert len(path) > 100
    pose, _ = dense(path, step_mm=0.1)
    # beside an upright wall a hair across is the wall's whole height: what stays clear 4 um to one side stands beside it
    lows = [drop(target, BALL.edge, pose[:, 0], pose[:, 1] + aside, pose[:, 3]) for aside in (-0.004, 0.0, 0.004)]
    assert (
        float((np.min(lows, axis=0) - pose[:, 2]).max()) < 0.01
    )  # derived: passes.shaped keeps moves within 0.004 mm of the drop
    carved = carve(copy_of(blank), BALL, path.pose, np.zeros(len(path), dtype=np.int32))
    assert carved.struck_mm.max() == 0.0
    assert np.all(path.pose[:, 1] == 2.5)


def test_what_hides_behind_the_arm_is_cut_down_to_the_part():
    target, blank, path = made(2.5)
    after = copy_of(blank)
    removed = carve(after, BALL, path.pose, np.zeros(len(path), dtype=np.int32)).removed_mm3.sum()
    assert removed > 50.0  # derived: one hollow beside the web is at least 12 x 2 x 3 mm, most of it hidden from the axis
    # the web's flank (y = 0.75), half way under the arm, seen with the bar turned so that it faces up
    x = np.array([9.0, 12.0, 15.0])
    for tree_of in (blank, after):
        tree = drop_tree(*blank_mesh(tree_of, 1))
        stands = drop(tree, BALL.edge, x, 2.5, 90.0)
        wanted = drop(target, BALL.edge, x, 2.5, 90.0)
        if tree_of is after:
            assert np.abs(stands - wanted).max() < 0.1  # the mesh of a blank at a pitch of 0.2 mm


def test_nothing_left_makes_no_moves():
    target, blank, path = made(2.5)
    carve(blank, BALL, path.pose, np.zeros(len(path), dtype=np.int32))
    cut = small_cut(
        CutKind.REST_AROUND, direction=Direction.HELICAL, allowance_mm=0.0, ap_mm=0.8, ae_mm=0.6, offset_y_mm=2.5,
        rest_over_mm=0.2, floor_z_mm=-6.0,
    )  # fmt: skip
    again = cut_passes(cut, BALL, target, blank, AROUND)
    removed = (
        carve(copy_of(blank), BALL, again.pose, np.zeros(len(again), dtype=np.int32)).removed_mm3.sum() if len(again) else 0.0
    )
    assert removed < 2.0  # derived: some 40 mm2 of flank and arm at less than 0.05 mm
