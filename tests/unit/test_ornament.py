"""Drawings, wrapped lengths, carved depths: closed forms of planes and cylinders."""

from __future__ import annotations

import io
import math
from itertools import pairwise
from pathlib import Path

import font_caladea
import numpy as np
import pytest
import shapely
from PIL import Image

from newel.core.errors import BadInput, Infeasible
from newel.core.job import OrnamentAsk, OrnamentKind, WrapBy
from newel.geometry.drop import drop_tree
from newel.geometry.meshes import mesh_bounds, mesh_volume_mm3
from newel.geometry.solids import turned_cylinder
from newel.ornament.apply import Pointed, ornamented, tip_lines
from newel.ornament.drawing import Drawing, drawing_of, fitted
from newel.ornament.dxf_drawing import read_dxf
from newel.ornament.grey_picture import read_grey
from newel.ornament.lettering import lettered
from newel.ornament.medial import medial_axis
from newel.ornament.patches import carved, engraved, relief, sunk
from newel.ornament.svg_drawing import read_svg
from newel.ornament.wrapping import on_part, surface_radius, with_ornament, wrapped_by_radius, wrapped_by_surface

FONT = (Path(font_caladea.__path__[0]) / "files" / "Caladea-Regular.ttf").read_bytes()
V60 = Pointed(30.0, 0.0)


def svg(inside: str, size: str = 'width="20mm" height="10mm" viewBox="0 0 20 10"') -> bytes:
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size}>{inside}</svg>'.encode()


def patch_volume(uv: np.ndarray, faces: np.ndarray, depth: np.ndarray) -> float:
    one, two = uv[faces[:, 1]] - uv[faces[:, 0]], uv[faces[:, 2]] - uv[faces[:, 0]]
    return float(np.sum((one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]) / 2.0 * depth[faces].mean(axis=1)))


def test_svg_lengths_are_millimetres_and_v_points_up() -> None:
    drawing = read_svg(svg('<rect x="2" y="1" width="4" height="3"/>'), "x.svg")
    assert drawing.bounds == pytest.approx((2.0, -4.0, 6.0, -1.0), abs=1e-5)
    assert drawing.area.area == pytest.approx(12.0, rel=1e-5)


def test_svg_transforms_holes_and_lines() -> None:
    ring = '<path d="M0,0H10V10H0ZM3,3V7H7V3Z" transform="scale(0.5)"/>'  # derived: (100 - 16) / 4
    line = '<polyline points="0,8 5,8 5,9" fill="none" stroke="black"/>'
    drawing = read_svg(svg(ring + line), "x.svg")
    assert drawing.area.area == pytest.approx(21.0, rel=1e-5)
    assert len(drawing.lines) == 1
    assert shapely.LineString(drawing.lines[0]).length == pytest.approx(6.0)


def test_svg_circle_is_flattened_closely() -> None:
    drawing = read_svg(svg('<circle cx="5" cy="5" r="4"/>'), "x.svg")
    assert drawing.area.area == pytest.approx(16.0 * math.pi, rel=2e-4)


@pytest.mark.parametrize("data", [b"no drawing", svg(""), svg("<text>a</text>"), svg('<image href="x.png"/>')])
def test_what_is_no_drawing_is_refused(data: bytes) -> None:
    with pytest.raises(BadInput):
        read_svg(data, "x.svg")


def test_dxf_in_inches_with_a_block_and_loose_lines() -> None:
    import ezdxf

    document = ezdxf.new()
    document.header["$INSUNITS"] = 1
    block = document.blocks.new("round")
    block.add_circle((0, 0), 0.5)
    space = document.modelspace()
    space.add_blockref("round", (2, 0))
    space.add_line((0, 0), (1, 0))
    space.add_line((1, 1), (1, 0))
    out = io.StringIO()
    document.write(out)
    drawing = read_dxf(out.getvalue().encode(), 1.0, "x.dxf")
    assert drawing.area.area == pytest.approx(math.pi * 12.7**2, rel=1e-3)  # derived: half an inch
    assert [shapely.LineString(line).length for line in drawing.lines] == [pytest.approx(50.8)]
    with pytest.raises(BadInput):
        read_dxf(b"0\nSECTION\n", 1.0, "x.dxf")


def test_letters_have_the_height_asked_and_their_counters() -> None:
    h = lettered("H", FONT, 7.0, "x")
    assert h.bounds[3] - h.bounds[1] == pytest.approx(7.0, abs=1e-5)
    o = lettered("O", FONT, 7.0, "x")
    assert sum(len(part.interiors) for part in o.area.geoms) == 1
    with pytest.raises(BadInput, match="no letter"):
        lettered("\u4e2d", FONT, 7.0, "x")
    with pytest.raises(BadInput, match="font"):
        lettered("a", b"no font", 7.0, "x")


def test_fitting_turns_scales_and_centres() -> None:
    drawing = drawing_of([np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 2.0], [0.0, 2.0]])], [], "x")
    stood = fitted(drawing, width_mm=None, height_mm=8.0, turn_deg=90.0, mirrored=False)
    assert stood.bounds == pytest.approx((-4.0, -8.0, 4.0, 8.0)) or stood.bounds == pytest.approx((-8.0, -16.0, 8.0, 16.0))


def test_a_strip_is_carved_as_deep_as_half_its_width_asks() -> None:
    # derived: a strip of width w carved by a V of SIG = 60 is w / (2 tan 30) deep; its section is a triangle
    patch = carved(shapely.box(0.0, 0.0, 20.0, 1.0), 30.0, 5.0)
    deepest = 0.5 / math.tan(math.radians(30.0))
    assert patch.depth_mm.max() == pytest.approx(deepest, abs=1e-5)
    # derived: a hipped roof: w^2 h / 4 (2 w / 3 + ... ) = h w (3 l - w) / 6
    assert patch_volume(patch.uv, patch.faces, patch.depth_mm) == pytest.approx(deepest * 1.0 * (3 * 20 - 1) / 6, rel=2e-3)


def test_a_wide_shape_is_carved_flat_at_the_greatest_depth() -> None:
    patch = carved(shapely.box(0.0, 0.0, 10.0, 10.0), 45.0, 1.0)
    assert patch.depth_mm.max() == pytest.approx(1.0)
    # derived: a frustum of a pyramid, from 10 x 10 to 8 x 8
    assert patch_volume(patch.uv, patch.faces, patch.depth_mm) == pytest.approx((100 + 80 + 64) / 3, rel=2e-3)


def test_a_tip_flat_leaves_its_own_flat() -> None:
    patch = carved(shapely.box(0.0, 0.0, 20.0, 1.0), 30.0, 5.0, 0.2)
    assert patch.depth_mm.max() == pytest.approx((0.5 - 0.1) / math.tan(math.radians(30.0)), abs=1e-3)


def test_a_groove_has_the_section_of_its_cutter() -> None:
    patch = engraved((np.array([[0.0, 0.0], [20.0, 0.0]]),), 30.0, 0.5, 0.0)
    half = 0.5 * math.tan(math.radians(30.0))
    # derived: a prism of triangular section and two half cones at its ends
    assert patch_volume(patch.uv, patch.faces, patch.depth_mm) == pytest.approx(
        20 * half * 0.5 + math.pi * half**2 * 0.5 / 3, rel=6e-3
    )


def test_medial_axis_of_a_strip_lies_in_its_middle() -> None:
    branches = medial_axis(shapely.box(0.0, 0.0, 20.0, 2.0), 0.05)
    inside = np.vstack([branch.points for branch in branches])
    middle = inside[(inside[:, 0] > 1.1) & (inside[:, 0] < 18.9)]
    assert np.abs(middle[:, 1] - 1.0).max() < 1e-6
    assert middle[:, 0].min() < 1.2
    assert middle[:, 0].max() > 18.8
    radii = np.concatenate([branch.radius_mm for branch in branches])
    assert radii.max() == pytest.approx(1.0, abs=1e-3)


def test_wrapped_squares_and_circles_keep_their_lengths() -> None:
    tree_part = turned_cylinder(0.0, 60.0, 15.0, 1440)
    tree = drop_tree(tree_part.vertices, tree_part.faces)
    angle = np.linspace(0.0, 2.0 * np.pi, 721)
    circle = 9.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    square = np.array([[-8.0, -8.0], [8.0, -8.0], [8.0, 8.0], [-8.0, 8.0], [-8.0, -8.0]])
    square = np.vstack([np.linspace(a, b, 400) for a, b in pairwise(square)])
    for wrap in (wrapped_by_radius(30.0, 40.0, 15.0, (10.0, 10.0)), wrapped_by_surface(tree, 30.0, 40.0, (10.0, 10.0))):
        for flat, length in ((circle, 18.0 * math.pi), (square, 64.0)):
            points = on_part(tree, wrap, flat, np.zeros(len(flat)))
            assert np.linalg.norm(np.diff(points, axis=0), axis=1).sum() == pytest.approx(length, abs=0.02)
            # derived: on a cylinder the map is an isometry, so arcs u, R turn are what was drawn
            turn = np.degrees(np.arctan2(points[:, 1], points[:, 2])) - 40.0
            assert np.abs(points[:, 0] - 30.0 - flat[:, 0]).max() < 0.005
            assert np.abs(np.radians(turn) * 15.0 - flat[:, 1]).max() < 0.005


def test_on_a_cone_lengths_are_true_along_the_middle_lines() -> None:
    vertices = np.array(turned_cylinder(0.0, 40.0, 1.0, 720).vertices)
    vertices[:, 1:] *= np.where(vertices[:, 0] > 20.0, 16.0, 10.0)[:, None]
    part = turned_cylinder(0.0, 40.0, 1.0, 720)
    tree = drop_tree(vertices, part.faces)
    wrap = wrapped_by_surface(tree, 20.0, 0.0, (8.0, 8.0))
    along = on_part(tree, wrap, np.array([[-8.0, 0.0], [8.0, 0.0]]), np.zeros(2))
    assert np.linalg.norm(along[1] - along[0]) == pytest.approx(16.0, abs=0.01)  # a cone's meridian is straight
    around = np.linspace([0.0, -8.0], [0.0, 8.0], 300)
    girth = on_part(tree, wrap, around, np.zeros(300))
    assert np.linalg.norm(np.diff(girth, axis=0), axis=1).sum() == pytest.approx(16.0, abs=0.01)


def test_sunk_and_raised_shapes_take_and_add_what_they_should() -> None:
    part = turned_cylinder(0.0, 40.0, 15.0, 1440)
    wrap = wrapped_by_radius(20.0, 0.0, 15.0, (6.0, 6.0))
    patch = sunk(shapely.box(-5.0, -5.0, 5.0, 5.0), 1.0)
    whole = mesh_volume_mm3(part)
    # derived: sector (R^2 - (R - 1)^2) / 2 x angle x length, angle = 10 / 15
    angle = 10.0 / 15.0
    taken = whole - mesh_volume_mm3(with_ornament(part, patch, wrap, raised=False))
    assert taken == pytest.approx((15.0**2 - 14.0**2) / 2.0 * angle * 10.0, rel=5e-3)
    added = mesh_volume_mm3(with_ornament(part, patch, wrap, raised=True)) - whole
    assert added == pytest.approx((16.0**2 - 15.0**2) / 2.0 * angle * 10.0, rel=5e-3)


def test_an_ornament_stands_upright_seen_from_outside() -> None:
    # v up is +Y seen from the spindle with X to the right
    part = turned_cylinder(0.0, 40.0, 15.0, 360)
    tree = drop_tree(part.vertices, part.faces)
    wrap = wrapped_by_radius(20.0, 0.0, 15.0, (5.0, 5.0))
    up = on_part(tree, wrap, np.array([[1.0, 2.0]]), np.zeros(1))[0]
    assert up[0] == pytest.approx(21.0)
    assert up[1] > 1.9
    assert up[2] > 14.0


def test_relief_keeps_white_and_sinks_black() -> None:
    grey = np.tile(np.linspace(0.0, 1.0, 50), (20, 1))
    patch = relief(grey, 10.0, 0.8)
    assert patch.depth_mm[np.isclose(patch.uv[:, 0], -5.0)] == pytest.approx(0.8)
    assert patch.depth_mm[np.isclose(patch.uv[:, 0], 5.0)] == pytest.approx(0.0)
    assert (patch_volume(patch.uv, patch.faces, np.ones(len(patch.uv)))) == pytest.approx(10.0 * 10.0 * 19 / 49, rel=1e-9)


def test_pictures_are_read_as_brightness() -> None:
    out = io.BytesIO()
    Image.fromarray(np.array([[0, 255], [51, 102]], dtype=np.uint8)).save(out, "PNG")
    assert read_grey(out.getvalue(), "x.png") == pytest.approx(np.array([[0.0, 1.0], [0.2, 0.4]]))
    with pytest.raises(BadInput):
        read_grey(b"no picture", "x.png")


def test_text_on_a_part_gives_a_part_and_lines() -> None:
    part = turned_cylinder(5.0, 45.0, 12.0, 360)
    ask = OrnamentAsk(OrnamentKind.CARVE, at_x_mm=20.0, text="A1", height_mm=6.0)
    made = ornamented(part, [ask], {"": FONT}, [V60])
    assert mesh_volume_mm3(made.part) < mesh_volume_mm3(part)
    assert mesh_bounds(made.part) == pytest.approx(mesh_bounds(part), abs=0.05)
    points = np.vstack(made.lines[0])
    assert np.hypot(points[:, 1], points[:, 2]) == pytest.approx(np.full(len(points), 12.0), abs=0.01)
    assert abs(points[:, 0].mean() - 25.0) < 2.0


def test_wide_strokes_are_cleared_by_rings() -> None:
    drawing = Drawing(shapely.MultiPolygon([shapely.box(-5.0, -5.0, 5.0, 5.0)]))
    ask = OrnamentAsk(OrnamentKind.CARVE, at_x_mm=20.0, depth_mm=0.5)
    rings = [line for line in tip_lines(drawing, ask, Pointed(45.0, 0.3)) if np.allclose(line[0], line[-1])]
    inset = [5.0 - np.abs(ring).max() for ring in rings]
    # derived: half a flat more than the depth from the edge, then every 0.6 of the flat
    assert inset[0] == pytest.approx(0.65)
    assert np.diff(inset) == pytest.approx(np.full(len(inset) - 1, 0.18))


@pytest.mark.parametrize(
    ("ask", "says"),
    [
        (OrnamentAsk(OrnamentKind.CARVE, at_x_mm=20.0, text="A", height_mm=6.0, depth_mm=14.0, wrap=WrapBy.RADIUS), "axis"),
        (OrnamentAsk(OrnamentKind.CARVE, at_x_mm=44.0, text="WIDE", height_mm=6.0), "off the part"),
        (OrnamentAsk(OrnamentKind.CARVE, at_x_mm=20.0, text="A"), "height"),
        (OrnamentAsk(OrnamentKind.CARVE, at_x_mm=20.0), "either"),
    ],
)
def test_what_cannot_be_is_refused_by_name(ask: OrnamentAsk, says: str) -> None:
    part = turned_cylinder(5.0, 45.0, 12.0, 90)
    if says == "axis":
        ask = OrnamentAsk(OrnamentKind.SUNK, at_x_mm=20.0, text="A", height_mm=6.0, depth_mm=14.0)
    with pytest.raises((BadInput, Infeasible), match=says) as error:
        ornamented(part, [ask], {"": FONT}, [V60])
    assert "[[ornament]] 1" in error.value.where


def test_the_needle_finds_the_surface() -> None:
    part = turned_cylinder(0.0, 10.0, 5.0, 720)
    tree = drop_tree(part.vertices, part.faces)
    assert surface_radius(tree, np.array([5.0]), np.array([17.0])) == pytest.approx([5.0], abs=1e-4)
