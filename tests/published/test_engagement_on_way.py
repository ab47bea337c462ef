"""Engagement asked of coarse grids along winding ways, against closed forms: what is found must not hang on the pitch.

derived: a helix of radius r < R that sinks by p a turn takes off pi (R + r)^2 p in a way of sqrt((2 pi r)^2 + p^2); a side cut
ae ap a millimetre; peak tangential force of one tooth in a side cut kc1.1 ap (fz sin arc)^(1 - mc).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.job import Section
from newel.core.profile import CutterShape, outline
from newel.geometry.blank import Blank, bar_blank, carve
from newel.mechanics.engagement import (
    CuttingLaw,
    Engagement,
    engagement_along,
    hardest_in_each,
    look_ahead_mm,
    scaled_to_volume,
)
from newel.mechanics.places_on_way import Asked, places_on

FLAT4 = CutterShape(outline((0, 0), (2, 0), (2, 16)), outline((2, 16), (2, 30)))
LAW = CuttingLaw(700.0, 0.25, 2, normal_share=0.0)
SPEED, RPM, FZ = 720.0, 12_000.0, 0.03


def bar(pitch: float) -> Blank:
    return bar_blank(Section.SQUARE, (20.0,), 0.0, 20.0, 0.0, pitch)


def straight(*tips: tuple[float, float, float]) -> np.ndarray:
    return np.array([[*tip, 0.0] for tip in tips])


def helix(radius: float, from_z: float, to_z: float, turns: int) -> np.ndarray:
    at = np.linspace(0.0, 2.0 * math.pi * turns, 24 * turns + 1)
    return np.column_stack(
        [10.1 + radius * np.cos(at), 0.05 + radius * np.sin(at), np.linspace(from_z, to_z, len(at)), np.zeros(len(at))]
    )


def area_of_helix(radius: float) -> float:
    """Of one that sinks by 1 mm a turn, mm2."""
    return math.pi * (2.0 + radius) ** 2 / math.hypot(2.0 * math.pi * radius, 1.0)


def met_on(blank: Blank, poses: np.ndarray, rows: list[int]) -> Engagement:
    """What the edge meets in rows of a way that cuts from its first pose on."""
    fed = np.arange(len(poses)) > 0
    asked = Asked(np.array(rows), np.full(len(rows), SPEED), np.full(len(rows), RPM))
    way = places_on(poses, fed, asked, look_ahead_mm(FLAT4.edge, blank.pitch_mm))
    found = engagement_along(blank, FLAT4.edge, way.poses, way.places, LAW)
    return hardest_in_each(found, way.places.asked, len(rows))


@pytest.mark.parametrize("pitch", [0.1, 0.3, 0.4])
@pytest.mark.parametrize("radius", [0.7, 1.2])
def test_a_helix_meets_the_floor_under_it_and_not_the_bores_wall(radius: float, pitch: float) -> None:
    found = met_on(bar(pitch), helix(radius, 10.0, 2.0, 8), [100, 130, 160, 180])
    assert (found.ap_mm < 1.3).all()  # it sinks 1 mm a turn, and the bore is up to 7 mm deep by then
    np.testing.assert_allclose(found.area_mm2, area_of_helix(radius), rtol=0.12)


@pytest.mark.parametrize("pitch", [0.3, 0.4])
def test_a_way_that_winds_tighter_than_the_grid_can_tell_is_not_told_of(pitch: float) -> None:
    found = met_on(bar(pitch), helix(0.2, 10.0, 2.0, 8), [100, 130])
    assert (found.area_mm2 == 0.0).all()
    fine = met_on(bar(0.08), helix(0.2, 10.0, 2.0, 8), [100, 130])
    np.testing.assert_allclose(fine.area_mm2, area_of_helix(0.2), rtol=0.05)


@pytest.mark.parametrize("pitch", [0.1, 0.3, 0.4])
@pytest.mark.parametrize("along", [(0.0, 1.0), (1.0, 0.0), (math.sqrt(0.5), math.sqrt(0.5))])
def test_a_finished_wall_beside_the_way_is_not_cut_again(pitch: float, along: tuple[float, float]) -> None:
    """A slot 8 mm deep sunk by 1 mm more: only the last millimetre is cut, whichever way it runs across the rays."""
    (x, y), blank = along, bar(pitch)
    ends = [(10.33 - 16.0 * x, 0.21 - 16.0 * y), (10.33 + 16.0 * x, 0.21 + 16.0 * y)]
    before = straight(*[(*end, 2.0) for end in ends])
    carve(blank, FLAT4, before, np.zeros(2, dtype=np.int32))
    found = met_on(blank, straight(*[(*end, 1.0) for end in ends]), [1])
    assert found.ap_mm[0] < 1.3
    assert found.side_N[0] == pytest.approx(LAW.kc11_N_per_mm2 * FZ**0.75 * 1.0, rel=0.3)


@pytest.mark.parametrize(("pitch", "within"), [(0.1, 0.06), (0.3, 0.15), (0.4, 0.15)])
@pytest.mark.parametrize("ends", [((-5.0, -11.7), (25.0, -11.7)), ((-1.7, -15.0), (-1.7, 15.0))])
def test_a_thin_side_cut_scaled_to_its_volume_is_as_hard_as_it_is(
    pitch: float, within: float, ends: tuple[tuple[float, float], ...]
) -> None:
    """0.3 mm off a side of the bar and off its end, 6 mm tall: less than the coarser grids tell across X."""
    found = met_on(bar(pitch), straight(*[(*end, 4.0) for end in ends]), [1])
    in_bar = 20.0 / 30.0  # of the row's way
    more, _ = scaled_to_volume(np.array([0.3 * 6.0 * in_bar]), found.area_mm2)
    sine = math.sin(math.acos(1.0 - 0.3 / 2.0))
    assert found.side_N[0] * more[0] == pytest.approx(LAW.kc11_N_per_mm2 * (FZ * sine) ** 0.75 * 6.0, rel=within)
