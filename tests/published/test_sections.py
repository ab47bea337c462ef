"""Sections of plain and half-carved bars.

Plain ones against closed forms (*derived*) and Saint-Venant's series; carved ones against the finite elements of
sectionproperties (meshed here), and the deflection of a bar carved half way along against scikit-fem's beam elements: 1 %.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from sectionproperties.analysis import Section
from sectionproperties.pre import Geometry
from shapely.geometry import Polygon
from skfem import Basis, BilinearForm, ElementLineHermite, MeshLine, condense, solve
from skfem.helpers import dd, ddot

from newel.core.errors import BadInput
from newel.mechanics.beams import hexagon_second_moment_mm4, round_second_moment_mm4
from newel.mechanics.bending import BarBeam, Support, bar_flexibility
from newel.mechanics.sections import Rays, RaySection, polygon_section, section_figures, torsion_constant_mm4
from newel.mechanics.torsion import hexagon_torsion_constant_mm4, rectangle_torsion_constant_mm4, round_torsion_constant_mm4


def ring(radius, count=720, start=0.0):
    angle = np.radians(start) + np.arange(count) * 2 * np.pi / count
    return radius * np.c_[np.cos(angle), np.sin(angle)]


def box(y0, y1, z0, z1):
    return np.array([[y0, z0], [y1, z0], [y1, z1], [y0, z1]], float)


@pytest.mark.parametrize("pitch", [0.5, 0.25])
def test_plain_bars(pitch):
    """Derived: closed forms; the torsion of the hexagon is known to 0.1 %."""
    cases = [
        (ring(10.0), round_second_moment_mm4(20.0), round_torsion_constant_mm4(20.0)),
        (box(-10, 10, -10, 10), 20.0**4 / 12, rectangle_torsion_constant_mm4(20.0, 20.0)),
        (ring(20.0 / math.sqrt(3), 6), hexagon_second_moment_mm4(20.0), hexagon_torsion_constant_mm4(20.0)),
    ]
    for outline, second, torsion in cases:
        figures = section_figures(polygon_section([outline], pitch))
        np.testing.assert_allclose(figures.second_moments_mm4, second * np.eye(2), rtol=2e-3, atol=1e-3 * second)
        assert figures.torsion_constant_mm4 == pytest.approx(torsion, rel=4e-3)
        assert figures.centre_of_area_mm == pytest.approx([0, 0], abs=1e-6)


def test_torsion_constant_converges_as_the_square_of_the_pitch():
    exact = rectangle_torsion_constant_mm4(20.0, 10.0)
    error = [abs(torsion_constant_mm4(polygon_section([box(0, 20, 0, 10)], pitch)) / exact - 1) for pitch in (1.0, 0.5, 0.25)]
    assert error[0] / error[1] == pytest.approx(4.0, rel=0.25)
    assert error[1] / error[2] == pytest.approx(4.0, rel=0.25)


CARVED = {
    "square with a corner gone": np.array([[-10, -10], [10, -10], [10, 2], [3, 2], [3, 10], [-10, 10]], float),
    "flat on a round": ring(10.0)[ring(10.0)[:, 1] < 4.0],
    "slot across": np.array([[-10, -10], [10, -10], [10, 10], [3, 10], [3, -2], [-3, -2], [-3, 10], [-10, 10]], float),
    "twisted star": np.array([ring(1.0, 10, 7.0)[i] * (9.0 if i % 2 else 5.0) for i in range(10)]),
}


@pytest.mark.parametrize("name", CARVED)
def test_carved_sections_against_sectionproperties(name):
    outline = CARVED[name]
    geometry = Geometry(Polygon(outline)).create_mesh(mesh_sizes=[0.5])
    section = Section(geometry)
    section.calculate_geometric_properties()
    section.calculate_warping_properties()
    figures = section_figures(polygon_section([outline], 0.25))
    ixx, iyy, ixy = section.get_ic()
    assert figures.area_mm2 == pytest.approx(section.get_area(), rel=1e-3)
    assert figures.centre_of_area_mm == pytest.approx(section.get_c(), abs=5e-3)
    largest = max(ixx, iyy)
    np.testing.assert_allclose(figures.second_moments_mm4, [[iyy, ixy], [ixy, ixx]], rtol=3e-3, atol=2e-3 * largest)
    assert figures.torsion_constant_mm4 == pytest.approx(section.get_j(), rel=1e-2)


def test_a_half_carved_bar_gives_as_scikit_fem_says():
    """A 20 mm square bar, its first 50 mm whole, then the section with a corner gone; clamped, 50 N at the end."""
    E, F = 68_900.0, 50.0
    whole = section_figures(polygon_section([box(-10, 10, -10, 10)], 0.25)).second_moments_mm4
    carved = section_figures(polygon_section([CARVED["slot across"]], 0.25)).second_moments_mm4
    bar = bar_flexibility(BarBeam(np.array([0.0, 50.0, 100.0]), E * np.array([whole, carved]), Support()))
    mesh = MeshLine(np.linspace(0, 100, 101))
    basis = Basis(mesh, ElementLineHermite())
    # the other side takes its second moments from closed forms: a square less a slot of 6 x 12, 4 mm above the centre
    area, first = 400.0 - 72.0, -72.0 * 4.0
    second = 20.0**4 / 12 - (6 * 12.0**3 / 12 + 72.0 * 16.0) - first**2 / area
    stiffness = BilinearForm(lambda u, v, w: E * np.where(w.x[0] < 50.0, 20.0**4 / 12, second) * ddot(dd(u), dd(v))).assemble(
        basis
    )
    load = basis.zeros()
    load[basis.nodal_dofs[0, -1]] = F
    moved = solve(*condense(stiffness, load, D=basis.nodal_dofs[:, 0]))
    assert F * bar.under_force_mm_per_N(100.0)[0, 1, 1] == pytest.approx(moved[basis.nodal_dofs[0, -1]], rel=1e-2)
    middle = bar.deflection_mm(60.0, 100.0, (0.0, F))[0, 1]
    assert middle == pytest.approx(moved[basis.nodal_dofs[0, 60]], rel=1e-2)


def test_parts_that_do_not_touch_add_up_and_nothing_is_refused():
    two = polygon_section([box(0, 5, 0, 5), box(10, 15, 0, 5)], 0.1)
    assert torsion_constant_mm4(two) == pytest.approx(2 * rectangle_torsion_constant_mm4(5.0, 5.0), rel=5e-3)
    none = Rays(np.array([0.0, 1.0]), np.zeros(0, np.intp), np.zeros(0), np.zeros(0))
    with pytest.raises(BadInput, match="nothing is left"):
        section_figures(RaySection(none, none))
