"""Laying the part in the bar."""

import numpy as np
import pytest

from newel.core.errors import BadInput, Infeasible
from newel.core.job import PlaceAsk, Section
from newel.planning.place import SKIN_MM, corner_radius_mm, fitting_scale, place, ways_to_lie


def box(x, y, z, at=(0.0, 0.0, 0.0)):
    corners = np.array([(i, j, k) for i in (0, 1) for j in (0, 1) for k in (0, 1)], dtype=float)
    return corners * (x, y, z) + at


def placed(points, placement):
    return points @ placement.bar_from_model[:3, :3].T + placement.bar_from_model[:3, 3]


@pytest.mark.parametrize("axis", ["x", "y", "z"])
def test_the_long_axis_runs_along_the_bar(axis):
    # the part only fits with its long axis along the bar; derived
    size = dict(zip("xyz", (20.0, 20.0, 20.0)))
    size[axis] = 90.0
    points = box(size["x"], size["y"], size["z"], at=(7.0, -3.0, 50.0))
    placement, said = place(points, PlaceAsk(), Section.SQUARE, (30.0,))
    lying = placed(points, placement)
    assert placement.part_to_x_mm == pytest.approx(90.0)
    assert (lying.min(axis=0)[0], lying.max(axis=0)[0]) == pytest.approx((0.0, 90.0))
    assert np.abs(lying[:, 1:]).max() <= 15.0 - SKIN_MM + 1e-9
    assert np.linalg.det(placement.bar_from_model[:3, :3]) == pytest.approx(1.0)
    assert said[0].chosen.upper().count(axis.upper()) >= 1


def test_a_flat_part_takes_the_lie_that_needs_least_bar():
    # 60 x 20 x 20 in a 70 mm round bar: lying across needs only 20 mm of bar; derived
    placement, _ = place(box(60.0, 20.0, 20.0), PlaceAsk(), Section.ROUND, (70.0,))
    assert placement.part_to_x_mm == pytest.approx(20.0)


def test_a_square_part_is_turned_to_lie_with_the_bar():
    points = box(90.0, 26.0, 26.0)
    turned = points @ np.array([[1, 0, 0], [0, np.cos(0.5), -np.sin(0.5)], [0, np.sin(0.5), np.cos(0.5)]])
    placement, _ = place(turned, PlaceAsk(axis="x"), Section.SQUARE, (30.0,))
    lying = placed(turned, placement)
    assert np.abs(lying[:, 1:]).max() < 13.0 * 1.03


def test_the_stouter_end_goes_to_the_chuck():
    rng = np.random.default_rng(3)
    t = rng.random(4000)
    angle = 2 * np.pi * rng.random(4000)
    radius = 3.0 + 9.0 * t
    cone = np.column_stack([radius * np.cos(angle), radius * np.sin(angle), 60.0 * t])
    placement, _ = place(cone, PlaceAsk(), Section.ROUND, (30.0,))
    lying = placed(cone, placement)
    near_chuck = lying[lying[:, 0] < 5.0]
    assert np.hypot(near_chuck[:, 1], near_chuck[:, 2]).max() > 10.0


def test_a_lie_whose_end_can_be_held_goes_before_the_one_that_needs_less_bar():
    points = box(60.0, 20.0, 20.0)
    upright = place(points, PlaceAsk(), Section.ROUND, (70.0,))[0].bar_from_model

    def holds(bar_from_model):
        return abs(bar_from_model[0, 0]) > 0.9  # only its long side along the bar

    placement, (said,) = place(points, PlaceAsk(), Section.ROUND, (70.0,), holds)
    assert abs(upright[0, 0]) < 0.1
    assert placement.part_to_x_mm == pytest.approx(60.0)
    assert "would need 20 mm" in said.because
    # where no lie can be held, or the job file names one, it is the one of least bar, or the one named
    for asked, length in ((PlaceAsk(), 20.0), (PlaceAsk(axis="y"), 20.0)):
        placement, _ = place(points, asked, Section.ROUND, (70.0,), lambda lie: False)
        assert placement.part_to_x_mm == pytest.approx(length)


def test_too_large_a_part_is_refused_with_a_scale_that_fits():
    points = box(90.0, 40.0, 40.0)
    with pytest.raises(Infeasible) as refused:
        place(points, PlaceAsk(), Section.SQUARE, (30.0,))
    assert "scale" in refused.value.remedy
    best = max(ways_to_lie(points, Section.SQUARE, (30.0,), PlaceAsk()), key=lambda lie: lie.skin_mm)
    scale = fitting_scale(best, Section.SQUARE, (30.0,))
    placement, _ = place(points * scale, PlaceAsk(), Section.SQUARE, (30.0,))
    assert placement.part_radius_mm < 15.0 * np.sqrt(2.0)


def test_an_axis_that_is_none_is_refused():
    with pytest.raises(BadInput):
        place(box(9.0, 4.0, 4.0), PlaceAsk(axis="w"), Section.ROUND, (30.0,))


@pytest.mark.parametrize(
    ("section", "size", "expected"),
    [
        # published: reference value a / sqrt 2 for a square bar; the others derived from plane geometry
        (Section.SQUARE, (20.0,), 14.14213562),
        (Section.ROUND, (20.0,), 10.0),
        (Section.HEXAGON, (20.0,), 11.54700538),
        (Section.RECTANGLE, (30.0, 40.0), 25.0),
    ],
)
def test_corners_swing_on_their_circle(section, size, expected):
    assert corner_radius_mm(section, size) == pytest.approx(expected, abs=1e-8)
