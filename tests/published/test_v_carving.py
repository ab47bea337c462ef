"""V-carved strokes against the published V relations (references G6 and G7), as passes cut them out of a bar.

G6: width = 2 d tan(SIG / 2) + tip flat; G7: depth = width / (2 tan(SIG / 2)). Handbook trigonometry of a V cutter; the printed
digits are those of references.md.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.job import OrnamentAsk, OrnamentKind, Section
from newel.core.plan import CutKind
from newel.core.profile import CutterShape, outline
from newel.geometry.blank import bar_blank, carve, copy_of, inside, volume_mm3
from newel.geometry.drop import drop_tree
from newel.geometry.solids import turned_cylinder
from newel.ornament.apply import Pointed, ornamented
from newel.toolpaths.engrave import engrave
from toolpath_samples import AROUND, small_cut

RADIUS, LENGTH = 12.0, 30.0
STROKE_LONG = 16.0


def v_shape(angle_deg: float, flat_mm: float = 0.0, top: float = 8.0) -> CutterShape:
    r = flat_mm / 2.0 + top * math.tan(math.radians(angle_deg) / 2.0)
    edge = [(0.0, 0.0), (r, top)] if flat_mm == 0.0 else [(0.0, 0.0), (flat_mm / 2.0, 0.0), (r, top)]
    return CutterShape(outline(*edge), outline((r, top), (r, 25.0), (r + 3.0, 60.0)))


def stroke(width_mm: float) -> bytes:
    size = f'width="{STROKE_LONG}mm" height="{width_mm}mm" viewBox="0 0 {STROKE_LONG} {width_mm}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size}><rect width="{STROKE_LONG}" height="{width_mm}"/></svg>'.encode()


def carved_bar(width_mm: float, angle_deg: float, flat_mm: float = 0.0):
    """Carve one stroke along a round bar; return the bar before and after, and the deepest radius the tip came to."""
    part = turned_cylinder(0.0, LENGTH, RADIUS, 720)
    ask = OrnamentAsk(OrnamentKind.CARVE, at_x_mm=15.0, file="stroke.svg", depth_mm=5.0)
    made = ornamented(part, [ask], {"stroke.svg": stroke(width_mm)}, [Pointed(angle_deg / 2.0, flat_mm)])
    shape = v_shape(angle_deg, flat_mm)
    cut = small_cut(CutKind.ENGRAVE, from_x_mm=2.0, to_x_mm=28.0, lines=made.lines[0], ap_mm=1.0, allowance_mm=0.0)
    bar = bar_blank(Section.ROUND, (2.0 * RADIUS,), 0.0, LENGTH, 0.0, 0.05)
    path = engrave(cut, shape, drop_tree(made.part.vertices, made.part.faces), bar, AROUND)
    after = copy_of(bar)
    carve(after, shape, path.pose, np.zeros(len(path), dtype=np.int32))
    return bar, after, float(path.pose[path.feed_mm_per_min > 0.0, 2].min())


@pytest.mark.parametrize("angle, depth", [(30.0, 3.73205081), (60.0, 1.73205081), (90.0, 1.0)])
def test_g7_a_stroke_of_width_2_is_carved_as_deep_as_published(angle: float, depth: float) -> None:
    bar, after, lowest = carved_bar(2.0, angle)
    # on the bar the stroke's edges lie a versine lower than its middle: R - sqrt(R^2 - 1) = 0.04
    assert lowest == pytest.approx(RADIUS - depth, abs=0.05)
    assert volume_mm3(after) < volume_mm3(bar)


@pytest.mark.parametrize(
    "angle, width, flat", [(30.0, 0.53589838, 0.0), (60.0, 1.15470054, 0.0), (60.0, 1.25470054, 0.1), (90.0, 2.0, 0.0)]
)
def test_g6_a_stroke_carved_1_deep_is_as_wide_as_published(angle: float, width: float, flat: float) -> None:
    _, after, lowest = carved_bar(width, angle, flat)
    assert lowest == pytest.approx(RADIUS - 1.0, abs=0.05)
    across = np.linspace(-1.5, 1.5, 301)
    # just under the surface, in the middle of the stroke's length; the groove is narrower there by that little depth
    under = 0.05
    turn = across / RADIUS
    at = np.column_stack([np.full(301, 15.0), (RADIUS - under) * np.sin(turn), (RADIUS - under) * np.cos(turn)])
    gone = across[~inside(after, at)]
    # derived: the edge leans out by half the stroke's turn more than the flank
    lean = math.radians(angle / 2.0) + width / 2.0 / RADIUS
    expected = width - 2.0 * under * math.tan(lean)
    assert gone.max() - gone.min() == pytest.approx(expected, abs=0.06)
    # the tip stands in the middle of the stroke, and beyond its edges nothing is touched
    assert (gone.max() + gone.min()) / 2.0 == pytest.approx(0.0, abs=0.03)
