"""How stiff the bar stays while sides are cut off it: sections by closed forms, a case of two pockets by hand."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.job import Section, Tailstock
from newel.core.plan import Bar, CutKind, Holding, Stub
from newel.mechanics.bending import Support, bar_flexibility, uniform_bar
from newel.planning.bar_stays import BarStays, Cells, bar_cells, bar_stays, figures_of, taken_off
from newel.planning.side_order import Step, mean_give, ordered, stiffest_order
from newel.shop.catalogue import load_shop, shipped_texts
from side_samples import box, flat_end, side_cut, tree_of, without

BEECH = load_shop(shipped_texts()).material("beech", where="test")
FREE = Support(jaw_side_N_per_mm=1e9, jaw_tilt_Nmm_per_rad=1e12, centre_N_per_mm=0.0)


@pytest.mark.parametrize(
    ("section", "size", "area", "moment"),
    [
        # derived: b h and b h^3 / 12; pi d^2 / 4 and pi d^4 / 64; a hexagon s across flats: 0.8660 s^2, 0.0601 s^4
        (Section.SQUARE, (40.0,), 1600.0, 40.0**4 / 12.0),
        (Section.ROUND, (40.0,), np.pi * 400.0, np.pi * 40.0**4 / 64.0),
        (Section.HEXAGON, (40.0,), 0.8660 * 1600.0, 0.0601 * 40.0**4),
    ],
)
def test_sections_of_a_bar_by_closed_forms(section, size, area, moment):
    cells = bar_cells(Bar(section, size, -20.0, 100.0, 0.0, "beech"))
    found = figures_of(cells, cells.stands)
    assert found.area_mm2 == pytest.approx(area, rel=0.02)
    assert found.second_moments_mm4[:, 0, 0] == pytest.approx(moment, rel=0.03)
    assert found.second_moments_mm4[:, 1, 1] == pytest.approx(moment, rel=0.03)
    assert np.abs(found.second_moments_mm4[:, 0, 1]).max() < 1e-6 * moment


def test_a_side_cut_takes_off_what_lies_over_the_lowest_tip():
    part = without(box((0, 80), (-12, 12), (-12, 12)), box((30, 50), (-6, 6), (4, 13)))
    cells = bar_cells(Bar(Section.SQUARE, (30.0,), -20.0, 80.0, 0.0, "beech"))
    cut = side_cut(CutKind.CLEAR, from_x_mm=28.0, to_x_mm=52.0, from_y_mm=-8.0, to_y_mm=8.0, top_z_mm=15.0, floor_z_mm=4.0)
    gone = taken_off(cells, cut, flat_end(3.0).edge, tree_of(part))
    cell = float(cells.across_mm[1] - cells.across_mm[0])
    step = float(cells.x_mm[1] - cells.x_mm[0])
    # derived: the pocket 20 x 12 x 8 and the 3 mm of bar over where the tip may be, 24 + 3 by 16 + 3 mm less the corners
    assert gone.sum() * cell**2 * step == pytest.approx(20 * 12 * 8 + 27 * 19 * 3, rel=0.08)
    turned = side_cut(
        CutKind.CLEAR, turn_deg=90.0, from_x_mm=28.0, to_x_mm=52.0, from_y_mm=-8.0, to_y_mm=8.0, top_z_mm=15.0, floor_z_mm=4.0
    )
    other = taken_off(cells, turned, flat_end(3.0).edge, tree_of(part))
    # derived: from that side the part is whole, so only the bar over it goes
    assert other.sum() * cell**2 * step == pytest.approx(27 * 19 * 3, rel=0.08)


def two_pockets() -> BarStays:
    """A bar of 20 x 20 x 100 held in jaws alone: one cut takes half of it at the jaws, another half of it at the end."""
    across = np.arange(-9.5, 10.0)
    x = np.linspace(0.0, 100.0, 51)
    whole = np.ones((50, 20, 20), bool)
    near, far = np.zeros_like(whole), np.zeros_like(whole)
    near[:10, :, 10:] = True
    far[40:, :, :10] = True
    return BarStays(Cells(x, across, whole), [near, far], [10.0, 90.0], BEECH, FREE)


def test_far_from_the_chuck_is_cut_first_where_no_centre_holds():
    stays = two_pockets()
    steps = [Step("a", 10.0, 0, frozenset()), Step("a", 180.0, 0, frozenset())]
    E, I = BEECH.E_N_per_mm2, 20.0**4 / 12.0
    # derived: a cantilever gives a^3 / 3EI under a force at a
    assert stays.gives_mm_per_N([], [1])[0] == pytest.approx(90.0**3 / (3.0 * E * I), rel=0.02)
    # derived: with an eighth of EI over the first 20 mm, 7/EI of the integral of (90 - t)^2 up to 20 comes on top
    more = 7.0 / (E * I) * (90.0**3 - 70.0**3) / 3.0
    assert stays.gives_mm_per_N([0], [1])[0] == pytest.approx(90.0**3 / (3.0 * E * I) + more, rel=0.02)
    assert ordered(steps) == [0, 1]
    assert stiffest_order(steps, stays.gives_mm_per_N) == [1, 0]
    # derived: first the far one on the whole bar, then the near one, whose 10 mm of arm hardly give
    small = 10.0**3 / (3.0 * E * I)
    assert mean_give(steps, [1, 0], stays.gives_mm_per_N) == pytest.approx((90.0**3 / (3.0 * E * I) + small) / 2.0, rel=0.03)


def test_what_must_come_first_still_does():
    stays = two_pockets()
    steps = [Step("a", 10.0, 0, frozenset()), Step("a", 180.0, 0, frozenset({0}))]
    assert stiffest_order(steps, stays.gives_mm_per_N) == [0, 1]


def test_without_a_stiffness_the_nearest_turn_comes_next():
    from dataclasses import replace

    bar = Bar(Section.SQUARE, (20.0,), -20.0, 80.0, 0.0, "x")
    stub = Stub(0.0, 5.0, 3.0)
    holding = Holding(20.0, Tailstock.NONE, 0.0, stub, None, None)
    assert bar_stays(bar, holding, [], [], tree_of(box((0, 80), (-5, 5), (-5, 5))), replace(BEECH, E_N_per_mm2=None)) is None
    steps = [Step("a", turn, 0, frozenset()) for turn in (180.0, 10.0)]
    assert stiffest_order(steps, None) == [1, 0]


def test_cells_bend_as_the_uniform_bar_does():
    stays = two_pockets()
    plain = bar_flexibility(uniform_bar(100.0, BEECH.E_N_per_mm2 * 20.0**4 / 12.0, FREE))
    assert stays.gives_mm_per_N([], [0, 1]) == pytest.approx(plain.under_force_mm_per_N([10.0, 90.0])[:, 0, 0], rel=0.01)
