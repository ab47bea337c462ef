"""Fins between the passes of clearing: found by what the ways sweep, taken off by the pass beside them, moved over."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from clear_samples import AROUND, FROM_X, HALF_Y, TO_X, TOP, block, clear_cut, flat
from newel.core.job import Section
from newel.core.motion import MoveKind
from newel.core.plan import CutKind
from newel.geometry.blank import bar_blank, carve, copy_of
from newel.toolpaths.clear_fins import fin_piece, fins_left
from newel.toolpaths.clear_region import field_of
from newel.toolpaths.cut_passes import cut_passes

RADIUS, STEP = 3.0, 0.2
PART = shapely.box(-10.0, -6.0, 10.0, 6.0)


def field_over(part, stands):
    """The field of a level whose stock stands where `stands` (x, y) says."""
    x = np.arange(-15.0, 15.0, STEP)
    gx, gy = np.meshgrid(x, x, indexing="ij")
    return field_of([np.array(part.exterior.coords)], stands(gx, gy), (-15.0, -15.0), STEP, RADIUS)


def everywhere(x, y):
    return np.ones(np.shape(x), bool)


def two_passes(thick_mm, sag_mm=0.0):
    """Two passes along X, on either side of a fin about Y 0 so thick in its middle, and thinner to its ends by a sag."""
    x = np.linspace(-4.0, 4.0, 41)
    away = RADIUS + 0.5 * thick_mm - sag_mm * (x / 4.0) ** 2
    return [np.column_stack([x, -away]), np.column_stack([x, away])[::-1]]


@pytest.mark.parametrize("thick", [0.02, 0.06, 0.1, 0.3])
def test_a_fin_between_two_passes_is_found_and_swept(thick):
    ways, field = two_passes(thick, 0.5), field_over(PART, everywhere)
    stood = field.far > RADIUS
    middle = [fin for fin in fins_left(PART, ways, field, stood, 0.0) if fin.distance(shapely.Point(0.0, 0.0)) < 0.01]
    assert len(middle) == 1
    fin = middle[0]
    # derived: the sides are the passes' own, moved by the radius: as thick as was set in the middle
    low, high = fin.intersection(shapely.LineString([(0, -1), (0, 1)])).bounds[1::2]
    assert high - low == pytest.approx(thick, abs=0.004)
    piece = fin_piece(fin, PART, ways, field, None)
    assert piece is not None
    assert fin.difference(shapely.LineString(piece.path).buffer(RADIUS, quad_segs=64)).area <= 1e-4 * fin.area
    # it never takes off more than the fin is thick and a little: no place of it lies further from the passes
    away = shapely.distance(shapely.points(piece.path), shapely.MultiLineString(ways))
    assert away.max() <= 2.5 * thick + 0.011
    assert away[[0, -1]] == pytest.approx([0.0, 0.0], abs=1e-6)


def test_what_the_field_sees_or_what_never_stood_is_no_fin():
    field = field_over(PART, everywhere)
    stood = field.far > RADIUS
    thick = two_passes(0.5, 1.0)
    assert not [fin for fin in fins_left(PART, thick, field, stood, 0.0) if fin.distance(shapely.Point(0.0, 0.0)) < 0.01]
    thin = two_passes(0.06, 0.5)
    assert fins_left(PART, thin, field, stood, 0.0)
    assert not fins_left(PART, thin, field, np.zeros_like(stood), 0.0)
    assert not fins_left(PART, [], field, stood, 0.0)


def test_where_the_axis_may_not_go_a_fin_stays():
    # both passes run along the very edges of where the axis may be: neither can be moved towards the other
    ways, field = two_passes(0.06), field_over(PART, everywhere)
    low, high = (shapely.box(-5.0, y, 5.0, y + 4.0) for y in (-RADIUS - 0.03 - 4.0, RADIUS + 0.03))
    fin = shapely.box(-3.0, -0.03, 3.0, 0.03)
    assert fin_piece(fin, PART, ways, field, None) is not None
    assert fin_piece(fin, shapely.union(low, high), ways, field, None) is None


@pytest.mark.parametrize(
    ("section", "size", "ae"), [(Section.HEXAGON, 30.0, 1.2), (Section.HEXAGON, 40.0, 1.0), (Section.ROUND, 44.0, 1.5)]
)
def test_facing_leaves_no_fin_standing(section, size, ae):
    # bars whose passes part and meet again beside the sloping flank; each leaves a fin of about 0.1 mm if none is looked for
    blank = bar_blank(section, (size,), FROM_X - 10, TO_X + 10, 0.0, 0.4)
    cut = clear_cut(
        kind=CutKind.FACE, from_x_mm=FROM_X, to_x_mm=TO_X, from_y_mm=-HALF_Y - 6, to_y_mm=HALF_Y + 6, ae_mm=ae,
        ap_mm=0.5 * size - TOP, top_z_mm=0.5 * size, floor_z_mm=TOP, flats_z_mm=(TOP,),
        wanted_x_mm=(FROM_X + 2, TO_X - 2), name="face",
    )  # fmt: skip
    path = cut_passes(cut, flat(), block(), blank, AROUND)
    low = path.pose[:, 2] <= TOP + 1e-6
    along = (path.kind[1:] >= MoveKind.ENTRY) & low[1:] & low[:-1]
    pairs = np.stack([path.pose[:-1, :2], path.pose[1:, :2]], axis=1)[along]
    swept = shapely.union_all(shapely.buffer(shapely.linestrings(pairs), 3.0, quad_segs=24))
    inner = [shapely.Polygon(ring) for whole in getattr(swept, "geoms", [swept]) for ring in whole.interiors]
    assert not [fin for fin in inner if not fin.buffer(-0.005).is_empty]
    carved = carve(copy_of(blank), flat(), path.pose, np.zeros(len(path), np.int32))
    assert carved.removed_mm3[path.kind == MoveKind.RAPID].max(initial=0.0) <= 0.01
    assert carved.struck_mm.max() == 0.0
