"""Pictures and development: they show what they should where it can be computed, and are the same bytes each run."""

import io
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

import sample_results
from newel.core.job import Section
from newel.core.motion import MoveKind
from newel.core.plan import Bar, CutKind, Hole, Side
from newel.reports.development import development_svg, radius_map
from newel.reports.pictures import by_deviation, deviation_colours, part_in_bar, scale_end_mm
from newel.reports.rays import View, cast, first_hits, look, scene_of, vertex_normals
from newel.reports.results import CutResult, Mesh
from newel.reports.shading import openness
from newel.reports.solids import bar_solid, prism, section_corners_yz, turned


def volume(mesh: Mesh) -> float:
    a, b, c = (mesh.vertices_mm[mesh.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


@pytest.fixture(scope="module")
def sample():
    return sample_results.results()


def pixels(png: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(float)


def test_the_part_in_its_bar(sample):
    png = part_in_bar(sample)
    assert png == part_in_bar(sample)
    picture = pixels(png)
    assert picture.shape[1] == 1280 and 400 < picture.shape[0] < 1200
    paper = (np.abs(picture - [244, 239, 227]).max(axis=2) < 3).mean()
    assert 0.3 < paper < 0.9  # something is drawn, and not everywhere


def test_a_gouge_is_shown_in_its_colour(sample):
    picture = pixels(by_deviation(sample))
    orange = (picture[..., 0] - picture[..., 2] > 90) & (picture[..., 0] > 120)
    body = orange[: picture.shape[0] - 190]  # without the legend
    assert body.sum() > 400  # the sample has one gouge, 4 mm x 0.6 rad
    assert (picture[..., 2] - picture[..., 0] > 25).sum() > 5000  # and left-over in many places


def test_without_a_model_nothing_is_coloured(sample):
    with pytest.raises(ValueError, match="nothing was measured"):
        by_deviation(sample_results.results(proof=sample_results.PROVED))


def test_four_rays_where_something_changes_see_what_four_everywhere_see(sample):
    scene = scene_of([sample.part])
    view = look((-0.3, 1.0, -0.5), [sample.part], 400)
    hits = cast(view, scene)
    # the plain way: each pixel's quarter is a pixel of a picture of twice the size
    fine = View(view.right, view.up, view.eye, view.centre_mm, view.width_mm, 2 * view.width_px, 2 * view.height_px)
    rows = np.indices((fine.height_px, fine.width_px)).reshape(2, -1)
    step = view.width_mm / fine.width_px
    across = (rows[1] + 0.5 - fine.width_px / 2) * step
    upward = (fine.height_px / 2 - rows[0] - 0.5) * step
    start = view.centre_mm + 3 * view.width_mm * view.eye + across[:, None] * view.right + upward[:, None] * view.up
    far, _ = first_hits(start, np.broadcast_to(-view.eye, start.shape), scene)
    seen = np.isfinite(far).reshape(view.height_px, 2, view.width_px, 2)
    cover = hits.cover.reshape(view.height_px, view.width_px)
    differ = cover != seen.mean(axis=(1, 3))
    assert ((cover > 0) & (cover < 1)).sum() > 400  # there is a rim to be told
    assert differ.sum() <= 3  # rays along an edge may fall either side by rounding
    rim = (cover > 0) & (cover < 1)
    assert (hits.ink.reshape(cover.shape)[rim] > 0).all()  # an outline wherever the part ends
    assert (hits.ink > 0).mean() < 0.1


def test_open_ground_is_open_and_a_crease_sees_half_the_sky():
    floor = prism(np.array([[60.0, -1.0], [60.0, 0.0], [-60.0, 0.0], [-60.0, -1.0]]), -60.0, 60.0)
    wall = prism(np.array([[1.0, -1.0], [1.0, 100.0], [0.0, 100.0], [0.0, -1.0]]), -60.0, 60.0)
    view = look((0.001, 0.0, -1.0), [floor], 300)
    alone = cast(view, scene_of([floor]))
    assert openness(view, alone) == pytest.approx(1.0)
    hits = cast(view, scene_of([floor, wall]))
    found = openness(view, hits)
    away = np.abs(hits.points_mm[:, 1] - np.where(hits.points_mm[:, 1] > 0.5, 1.0, 0.0))
    on_floor = (hits.solid == 0) & (np.abs(hits.points_mm[:, 0]) < 30.0)
    # derived: over all directions of a cosine-weighted sky, the way to the wall as a share of how far the shade looks
    sine, turn = np.meshgrid(np.sqrt((np.arange(400) + 0.5) / 400), 2 * np.pi * (np.arange(400) + 0.5) / 400)
    toward = np.maximum(sine * np.cos(turn), 1e-12)
    for at in (2.0, 4.0, 8.0, 16.0):
        there = on_floor & (np.abs(away - at) < 0.3)
        expected = np.minimum(at / toward / (0.14 * view.width_mm), 1.0).mean()
        assert there.sum() > 100
        assert found[there].mean() == pytest.approx(expected, abs=0.03)
    assert found[on_floor & (away < 0.5)].mean() < 0.6  # beside the wall little more than half


def test_the_scale_tells_gouge_from_left_over_in_grey_too():
    colours = deviation_colours(np.array([-1.0, -0.5, 0.0, 0.5, 1.0]), 1.0)
    light = colours @ [0.2126, 0.7152, 0.0722]  # published: luma weights of Rec. ITU-R BT.709
    assert light[2] == max(light) and light[0] < light[1] < light[2] > light[3] > light[4]
    assert colours[0, 0] > colours[0, 2] and colours[4, 2] > colours[4, 0]  # warm for gouges, cold for left-over
    np.testing.assert_array_equal(deviation_colours(np.array([-9.0, 9.0]), 1.0), colours[[0, 4]])  # beyond the end: the end


def test_the_scale_opens_for_a_rough_result():
    assert scale_end_mm(0.05, np.zeros(100)) == 0.1
    assert scale_end_mm(0.05, np.zeros(0)) == 0.1
    assert scale_end_mm(0.05, np.full(100, 0.333)) == pytest.approx(0.34)


@pytest.mark.parametrize(
    ("section", "size", "area"),
    [
        (Section.SQUARE, (40.0,), 1600.0),
        (Section.RECTANGLE, (50.0, 20.0), 1000.0),
        (Section.HEXAGON, (30.0,), 30.0**2 * np.sqrt(3) / 2),  # derived: across flats s, area s^2 sqrt(3)/2
        (Section.ROUND, (30.0,), 0.5 * 96 * 15.0**2 * np.sin(2 * np.pi / 96)),  # derived: 96-gon in the circle
    ],
)
def test_a_bar_has_its_volume_and_faces_outward(section, size, area):
    mesh = bar_solid(Bar(section, size, -20.0, 80.0, 17.0, "beech"))
    assert volume(mesh) == pytest.approx(100.0 * area)


def test_a_flat_faces_up_at_no_turn():
    for section, size in ((Section.SQUARE, (40.0,)), (Section.RECTANGLE, (50.0, 20.0)), (Section.HEXAGON, (30.0,))):
        corners = section_corners_yz(section, size, 0.0)
        top = corners[np.isclose(corners[:, 1], corners[:, 1].max())]
        assert len(top) == 2 and top[:, 1].max() == pytest.approx(size[-1] / 2)


def test_turned_solids_face_outward():
    cone = turned(np.array([0.0, 10.0, 10.0]), np.array([0.0, 5.0, 0.0]), pieces=400)
    assert volume(cone) == pytest.approx(np.pi * 25 * 10 / 3, rel=1e-3)  # derived: cone


def test_normals_of_a_box_point_away_from_its_middle():
    box = prism(np.array([[1.0, -1.0], [1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0]]), -1.0, 1.0)
    normals = vertex_normals(box)
    assert (np.einsum("ij,ij->i", normals, box.vertices_mm) > 1.0).all()


def test_the_radius_map_finds_the_radius(sample):
    radii = radius_map(sample.part, 0.0, 140.0)
    rows, columns = radii.shape
    x = (np.arange(columns) + 0.5) / columns * 140.0
    turn = 2 * np.pi * (np.arange(rows) + 0.5) / rows
    inside = (x > sample_results.PART_FROM + 1) & (x < sample_results.PART_TO - 1)
    # at turn theta the point of the bar at 90 degrees - theta from +Y faces the spindle (derived: Rx(theta) brings it to +Z)
    expected = sample_results.radius_at(x[None, inside], np.pi / 2 - turn[:, None])
    assert np.abs(radii[:, inside] - expected).max() < 0.12  # the mesh's facets: chords of 2 degrees and 0.7 mm
    assert np.isnan(radii[:, x < sample_results.PART_FROM - 0.1]).all()
    assert np.isnan(radii[:, x > sample_results.PART_TO + 0.1]).all()


def test_rays_that_miss_say_so():
    box = prism(np.array([[1.0, -1.0], [1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0]]), -1.0, 1.0)
    start = np.array([[0.1, 0.2, 5.0], [3.0, 0.0, 5.0]])
    far, face = first_hits(start, np.tile([0.0, 0.0, -1.0], (2, 1)), scene_of([box]))
    assert far[0] == pytest.approx(4.0) and np.isinf(far[1]) and face[1] == -1


def test_a_view_puts_x_to_the_right_and_z_up(sample):
    view = look((0.0, 1.0, -0.4), [sample.part], 400)
    at = view.to_px(np.array([[0.0, 0, 0], [10.0, 0, 0], [0, 0, 10.0]]))
    assert at[1, 0] > at[0, 0] and at[1, 1] == pytest.approx(at[0, 1])
    assert at[2, 1] < at[0, 1] and at[2, 0] == pytest.approx(at[0, 0])


def test_the_development_is_one_sound_drawing(sample):
    svg = development_svg(sample)
    assert svg == development_svg(sample)
    root = ET.fromstring(svg)
    texts = [element.text for element in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "X from the jaw face, mm" in texts and "A that turns the place up, degrees" in texts
    assert "+0.043 mm" in texts  # the worst place is marked
    assert "nan" not in re.sub('base64,[^"]+', "", svg)  # the picture's own letters may spell anything
    assert len(svg) < 1_500_000


def test_the_development_counts_a_by_the_machine_s_sense():
    one = development_svg(sample_results.results(machine=sample_results.machine(sense=1)))
    other = development_svg(sample_results.results(machine=sample_results.machine(sense=-1)))
    assert one.index(">45°<") < one.index(">315°<")
    assert other.index(">315°<") < other.index(">45°<")


def test_passes_are_thinned_but_stay_within_the_frame(sample):
    root = ET.fromstring(development_svg(sample))
    path = next(root.iter("{http://www.w3.org/2000/svg}path")).get("d").replace("M", "L").split("L")[1:]
    points = np.array([[float(v) for v in piece.split()] for piece in path])
    assert 100 < len(points) < 20_000
    assert points[:, 0].min() >= 74 and points[:, 0].max() <= 1034
    assert points[:, 1].min() >= 64


def test_passes_beside_the_axis_and_at_sides_are_drawn_where_the_tip_is(sample):
    result = sample.cuts[-1]
    pose = np.array([[40.0, 6.0, 6.0, 0.0], [60.0, 6.0, 6.0, 0.0]])  # 45 degrees beside the axis, the bar at A0 (trigonometry)
    path = replace(result.toolpath, pose=pose, kind=np.full(2, int(MoveKind.CUT), result.toolpath.kind.dtype))
    hole = Hole(50.0, 0.0, 10.0, 2.0, 5.0, through=False)
    aside = CutResult(replace(result.cut, kind=CutKind.REST_AROUND), path, 1.0)
    drilled = CutResult(replace(result.cut, kind=CutKind.DRILL, turn_deg=90.0, holes=(hole,)), path, 1.0)
    made = replace(sample, cuts=(aside, drilled), plan=replace(sample.plan, sides=(Side(90.0, 0.5, "a hole"),)))
    svg = development_svg(made)
    root = ET.fromstring(svg)
    lines, ring = (element.get("d") for element in root.iter("{http://www.w3.org/2000/svg}path"))
    frame = next(root.iter("{http://www.w3.org/2000/svg}image"))
    top, height = float(frame.get("y")), float(frame.get("height"))
    ways = np.array([[float(v) for v in piece.split()] for piece in lines.replace("M", "L").split("L")[1:]])
    assert ways[:, 1] == pytest.approx(top + height * (1.0 - 45.0 / 360.0), abs=0.1)  # the turn grows upward
    round_it = np.array([[float(v) for v in piece.split()] for piece in ring.replace("M", "L").split("L")[1:]])
    assert round_it[:, 1].mean() == pytest.approx(top + height * 0.75, abs=1.0)
    assert "set beside the axis" in svg
    assert ">side 1<" in svg
