"""What the ways leave standing, by polygons, against points asked one by one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from newel.toolpaths.clear_fins import fins_left
from newel.toolpaths.clear_region import field_of
from plain.clear_plain import far_of

RADIUS, STEP = 2.0, 0.2


@pytest.mark.parametrize("seed", range(6))
def test_fins_hold_the_points_that_no_way_sweeps(seed):
    random = np.random.default_rng(seed)
    part = shapely.box(-8.0, -5.0, 8.0, 5.0)
    x = np.arange(-12.0, 12.0, STEP)
    field = field_of([np.array(part.exterior.coords)], np.ones((len(x), len(x)), bool), (-12.0, -12.0), STEP, RADIUS)
    # wavy passes that nearly touch: fins of all sizes between them, and some that are wide enough to be seen
    along = np.linspace(-8.0, 8.0, 60)
    wave = [random.uniform(0.0, 0.15) * np.sin(along * random.uniform(0.5, 1.5) + random.uniform(0.0, 6.0)) for _ in range(3)]
    ways = [np.column_stack([along, np.clip(y + wave[k], -5.0, 5.0)]) for k, y in enumerate((-4.0, 0.0, 4.0))]
    fins = fins_left(part, ways, field, field.far > RADIUS, 0.1)
    fine = np.arange(-9.5, 9.5, 0.021)
    gx, gy = np.meshgrid(fine, fine, indexing="ij")
    far = np.min([far_of(way, fine, fine) for way in ways], axis=0)
    held = shapely.contains_xy(shapely.union_all(fins), gx, gy) if fins else np.zeros(gx.shape, bool)
    assert (far[held] > RADIUS - 0.002).all()
    # every point that stands in reach lies in a fin, or in a polygon that has room for the field's points
    reach = shapely.contains_xy(part.buffer(RADIUS - 0.12, quad_segs=24), gx, gy)
    stays = (far > RADIUS + 0.005) & reach & ~held
    wide = part.buffer(RADIUS - 0.1, quad_segs=24).difference(
        shapely.union_all([shapely.LineString(way).buffer(RADIUS, quad_segs=24) for way in ways])
    )
    seen = [p for p in getattr(wide, "geoms", [wide]) if not p.buffer(-STEP).is_empty]
    assert shapely.contains_xy(shapely.union_all(seen).buffer(0.01), gx[stays], gy[stays]).all() if stays.any() else fins
    assert fins
