"""The threaded hole as the truth of a proof: what is gouge there, and what a thread measures. Planted faults and clean ones.

Points of the walls are made here in closed form: the profile of ISO 68-1 wound round an axis, crests and roots cut off flat.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.asked import ThreadedHole
from newel.proof.threads import as_threaded, measure_threads, placed, thread_findings
from newel.shop.iso_threads import inside_limits, thread_sizes

M6 = thread_sizes(6.0, 1.0)
HOLE = ThreadedHole(np.array([20.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]), -5.0, 5.0, 5.0, 6.0, 1.0)


def wall(pitch=1.0, d2=M6.d2, hand=1.0, bore=5.0, depth=10.0, root=6.0, every=0.11):
    """Points of a threaded wall about HOLE's axis: at each place along it and angle about it the profile's radius there."""
    along, angle = np.meshgrid(np.arange(-5.0 + 0.03, -5.0 + depth, every), np.arange(0.0, 2.0 * np.pi, 0.05), indexing="ij")
    u = np.abs((along / pitch - hand * angle / (2.0 * np.pi) + 0.5) % 1.0 - 0.5) * pitch
    # derived: on a flank |u| = P/4 - (r - d2/2) tan 30
    r = np.clip(0.5 * d2 + (0.25 * pitch - u) / math.tan(math.radians(30.0)), 0.5 * bore, 0.5 * root)
    return np.column_stack([20.0 + (r * np.cos(angle)).ravel(), 1.0 + (r * np.sin(angle)).ravel(), along.ravel()])


def off_plain(points, hole=HOLE):
    """How far points of the hole's wall lie off the plain bore: negative in the material."""
    away = points - hole.point
    return 0.5 * hole.bore_mm - np.linalg.norm(away - np.outer(away @ hole.axis, hole.axis), axis=1)


def codes(points, hole=HOLE):
    return sorted({finding.code for finding in thread_findings(measure_threads(points, off_plain(points, hole), [hole]))})


def test_a_basic_m6_measures_as_it_was_made():
    (found,) = measure_threads(wall(), off_plain(wall()), [HOLE])
    assert found.missing == ""
    assert found.pitch_mm == pytest.approx(1.0, abs=2e-4)
    assert found.pitch_diameter_mm == pytest.approx(M6.d2, abs=0.005)
    assert found.major_mm == pytest.approx(6.0, abs=1e-6)
    assert found.minor_mm == pytest.approx(5.0, abs=1e-6)
    assert found.length_mm == pytest.approx(10.0, abs=0.3)
    assert thread_findings([found]) == []


@pytest.mark.parametrize("pitch_diameter", [5.36, 5.45, 5.49])
def test_all_of_class_6h_passes(pitch_diameter):
    # published class limits from memory: M6 6H 5.350 to 5.500
    assert codes(wall(d2=pitch_diameter)) == []


@pytest.mark.parametrize(
    ("points", "code"),
    [
        (wall(hand=-1.0), "thread-missing"),
        (wall(root=5.0), "thread-missing"),  # a plain bore
        (wall()[:20], "thread-missing"),  # no hole at all
        (wall(pitch=1.25), "thread-size"),
        (wall(pitch=1.02), "thread-size"),
        (wall(d2=5.28), "thread-size"),
        (wall(d2=5.56, root=6.2), "thread-size"),
        (wall(root=5.9), "thread-size"),
        (wall(root=6.4, d2=5.45), "thread-size"),
        (np.vstack([wall(depth=6.0), wall(root=5.0)[wall(root=5.0)[:, 2] > 1.0]]), "thread-size"),  # six of ten millimetres
        (wall(bore=5.4), "thread-bore"),
    ],
    ids=["left", "plain", "no hole", "coarse", "drifts", "tight", "loose", "shallow", "deep", "short", "wide bore"],
)
def test_faults_are_found(points, code):
    assert code in codes(points)


def test_a_wall_of_the_part_that_the_hole_runs_into_is_no_thread():
    """A slot's flat wall 2.6 mm beside the axis, on the model's surface: told as part of the thread it would be too wide."""
    thread = wall()
    y, z = np.meshgrid(np.linspace(-1.7, 1.7, 30), np.linspace(-4.0, -1.0, 40))
    flat = np.column_stack([np.full(y.size, 20.0 + 2.6), 1.0 + y.ravel(), z.ravel()])
    points = np.vstack([thread, flat])
    off = np.concatenate([off_plain(thread), np.full(len(flat) // 2, 0.001), np.full(len(flat) - len(flat) // 2, np.nan)])
    (found,) = measure_threads(points, off, [HOLE])
    assert found.major_mm == pytest.approx(6.0, abs=1e-6)
    assert thread_findings([found]) == []


def test_a_hole_lies_as_its_model_does():
    turn = np.eye(4)
    turn[:3, :3] = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    turn[:3, 3] = 3.0, -2.0, 7.0
    assert codes(wall() @ turn[:3, :3].T + turn[:3, 3], placed(HOLE, turn)) == []


def test_what_is_gone_inside_the_profile_is_no_gouge_and_beyond_it_is():
    deepest = 0.5 * inside_limits(M6).major_mm[1]  # derived: 3 + H/8
    r = np.array([2.4, 2.5, 2.9, 3.05, 3.3, 3.3])
    points = np.column_stack([20.0 + r, np.ones(6), [0.0, 0.0, 0.0, 0.0, 0.0, 5.2]])
    plain = np.array([0.1, 0.0, -0.4, -0.55, -0.8, -0.2])
    off = as_threaded(plain, points, [HOLE])
    assert off[:4].tolist() == [0.1, 0.0, 0.0, 0.0]
    assert off[4] == pytest.approx(deepest - 3.3)
    assert off[5] == -0.2  # beyond the hole's end nothing is allowed


def test_material_down_to_the_threads_own_bore_may_stand_in_a_hole_modelled_wide():
    wide = ThreadedHole(HOLE.point, HOLE.axis, -5.0, 5.0, 6.0, 6.0, 1.0)
    points = np.array([[20.0 + 2.6, 1.0, 0.0], [20.0 + 2.4, 1.0, 0.0]])
    off = as_threaded(np.array([0.4, 0.6]), points, [wide])
    assert off[0] == 0.0
    assert off[1] == pytest.approx(0.5 * M6.D1 - 2.4)
