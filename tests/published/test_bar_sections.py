"""The blank's slices as sections of a bar: plain bars by closed forms, a half-carved one by finite elements.

derived: pi d^4 / 64, pi d^4 / 32. published: references 4.7, computed from Thomson's roots: an aluminium bar of 20 mm, 100 mm
long, swings at 1413.411 Hz free and 6198.002 Hz on a pinned end. Half-carved: sectionproperties 3.10 (its own mesh) for
second moments and torsion, scikit-fem's cubic beam elements for the deflection, both within 1 %.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from sectionproperties.analysis import Section as MeshedSection
from sectionproperties.pre import Geometry
from shapely.geometry import Polygon
from skfem import Basis, BilinearForm, ElementLineHermite, MeshLine, condense, solve
from skfem.helpers import dd, ddot

from newel.core.job import Section
from newel.core.profile import CutterShape, outline
from newel.geometry.blank import Blank, bar_blank, carve
from newel.mechanics.bar_sections import bar_figures, bar_state, natural_frequency_Hz, slice_section
from newel.mechanics.bending import Support
from newel.mechanics.sections import section_figures

FLAT = CutterShape(outline((0, 0), (3, 0), (3, 20)), outline((3, 20), (3, 60)))
E, G, RHO = 68_900.0, 26_000.0, 2_700.0


def half_carved() -> Blank:
    """A square bar of 20 mm, 100 mm long; from X 50 on a flat 6 mm deep and a slot 6 mm wide, 10 mm deep in its side."""
    blank = bar_blank(Section.SQUARE, (20.0,), -10.0, 100.0, 0.0, 0.2)
    rows = []
    for y in np.arange(-10.0, 10.1, 4.0):
        rows += [[104.0, y, 30.0, 0.0], [104.0, y, 4.0, 0.0], [53.0, y, 4.0, 0.0], [53.0, y, 30.0, 0.0]]
    rows += [[104.0, -2.0, 30.0, 90.0], [104.0, -2.0, 0.0, 90.0], [53.0, -2.0, 0.0, 90.0], [53.0, -2.0, 30.0, 90.0]]
    poses = np.array(rows)
    carve(blank, FLAT, poses, np.arange(len(poses), dtype=np.int32))
    return blank


def carved_outline() -> Polygon:
    """The same section as a polygon: top down to Z 4; turned a quarter the slot stands at table Y -5..1, cut down to Z 0.

    A point of the bar (y, z) stands at table (-z, y) when turned by 90 degrees: the slot takes y from 0 up and z from -1 to 5,
    of which z from 4 up is gone already.
    """
    block = Polygon([(-10, -10), (10, -10), (10, 4), (-10, 4)])
    return block.difference(Polygon([(0, -1), (11, -1), (11, 5), (0, 5)]))


def test_a_round_bar_by_closed_forms() -> None:
    blank = bar_blank(Section.ROUND, (20.0,), -18.0, 100.0, 0.0, 0.2)
    found = bar_figures(blank, 100.0)
    np.testing.assert_allclose(found.second_moments_mm4[:, 0, 0], math.pi * 20.0**4 / 64.0, rtol=1e-3)
    np.testing.assert_allclose(found.torsion_mm4, math.pi * 20.0**4 / 32.0, rtol=2e-3)
    free = bar_state(found, E, G, RHO, Support())
    assert natural_frequency_Hz(free) == pytest.approx(1413.411, rel=1e-3)
    pinned = bar_state(found, E, G, RHO, Support(centre_N_per_mm=1e12))
    assert natural_frequency_Hz(pinned) == pytest.approx(6198.002, rel=1e-3)
    # references 4.1 and 4.2: 50 N at the free end, 1 N m over 100 mm
    assert 50.0 * free.sideways_mm_per_N(np.array([100.0]))[0] == pytest.approx(0.030799215, rel=1e-3)
    assert free.twist_deg(np.array([100.0]), np.array([1.0]))[0] == pytest.approx(0.0140291, rel=2e-3)


def test_a_half_carved_section_against_finite_elements() -> None:
    blank = half_carved()
    index = round((75.0 - blank.grid.x0) / blank.grid.px)
    ours = section_figures(slice_section(blank, index))
    geometry = Geometry(carved_outline()).create_mesh(mesh_sizes=[0.3])
    meshed = MeshedSection(geometry)
    meshed.calculate_geometric_properties()
    meshed.calculate_warping_properties()
    # their x is our Y, their y is our Z: ixx is the integral of z^2
    ixx, iyy, ixy = meshed.get_ic()
    assert ours.second_moments_mm4[1, 1] == pytest.approx(ixx, rel=0.01)
    assert ours.second_moments_mm4[0, 0] == pytest.approx(iyy, rel=0.01)
    assert ours.second_moments_mm4[0, 1] == pytest.approx(ixy, rel=0.01, abs=0.01 * ixx)
    assert ours.torsion_constant_mm4 == pytest.approx(meshed.get_j(), rel=0.01)


def test_a_half_carved_bar_bends_as_beam_elements_say() -> None:
    blank = half_carved()
    figures = bar_figures(blank, 100.0)
    state = bar_state(figures, E, G, RHO, Support())
    polygon = Geometry(carved_outline()).create_mesh(mesh_sizes=[0.5])
    section = MeshedSection(polygon)
    section.calculate_geometric_properties()
    ixx, iyy, ixy = section.get_ic()
    whole = 20.0**4 / 12.0
    # the softest direction of the carved half, as one plane of bending: give = n . inv(I) n
    carved = np.linalg.inv(np.array([[iyy, ixy], [ixy, ixx]]))

    def deflection(axis: int) -> float:
        """At the free end under 20 N along Y or Z, with cubic elements; 1 / I of the plane from the inverse matrix."""
        mesh = MeshLine(np.linspace(0.0, 100.0, 201))
        basis = Basis(mesh, ElementLineHermite())

        @BilinearForm
        def bending(u, v, w):
            stiff = np.where(w.x[0] < 50.0, E * whole, E / carved[axis, axis])
            return stiff * ddot(dd(u), dd(v))

        A = bending.assemble(basis)
        load = np.zeros(basis.N)
        end = basis.get_dofs(lambda x: x[0] > 99.999).all("u")
        load[end] = 20.0
        fixed = basis.get_dofs(lambda x: x[0] < 1e-9).all()
        return float(solve(*condense(A, load, D=fixed))[end][0])

    for axis, force in enumerate(((20.0, 0.0), (0.0, 20.0))):
        ours = state.flexibility.deflection_mm(np.array([100.0]), 100.0, force)[0, axis]
        assert ours == pytest.approx(deflection(axis), rel=0.01)


def test_a_bar_that_is_cut_through_is_found_weakest_there() -> None:
    blank = bar_blank(Section.ROUND, (10.0,), 0.0, 60.0, 0.0, 0.25)
    poses = np.array([[30.0, -10.0, 20.0, 0.0], [30.0, -10.0, -8.0, 0.0], [30.0, 10.0, -8.0, 0.0]])
    carve(blank, FLAT, poses, np.arange(3, dtype=np.int32))
    figures = bar_figures(blank, 60.0)
    assert 25.0 <= figures.x_mm[figures.thinnest] <= 33.0  # slices are 2 mm, the slot reaches from 27 to 33
    assert figures.area_mm2[figures.thinnest] < 0.1
    assert np.isfinite(bar_state(figures, E, G, RHO, Support()).sideways_mm_per_N(np.array([60.0]))[0])
