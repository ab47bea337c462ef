"""Closed forms of plane and solid geometry, held against what the proof measures on carved bars, not against formulas.

Numbers marked G… are those of the project's table of check values (section 3), all derived there from the closed form that
stands beside each test. Every program is read back, carved and measured by the prover itself, so reading, kinematics,
sweeping and measuring must all be right for one of these to come out. Rays are set so that a slice runs through the ridges.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from faults.proof_bench import MACHINE, SETUP, ball, lathe, proved
from newel.core.job import Section
from newel.core.profile import CutterShape, outline
from newel.core.setup import KeepOut, SetUp, SetUpBar, SetUpCutter
from newel.geometry.blank_surface import surface_points
from newel.proof.results import Proof
from newel.proof.valleys import valley_points

BIG = replace(
    MACHINE,
    x=replace(MACHINE.x, from_mm=-200.0, to_mm=200.0),
    y=replace(MACHINE.y, from_mm=-100.0, to_mm=100.0),
    z=replace(MACHINE.z, from_mm=-100.0, to_mm=300.0),
    a=replace(MACHINE.a, wind_up_deg=None),
)


def on_bar(section: Section, size: float, to_x: float, cutter: SetUpCutter, standing: tuple[KeepOut, ...] = ()) -> SetUp:
    return replace(
        SETUP,
        bar=SetUpBar(section, (size,), 0.0, to_x, 0.0),
        keep_out=(),
        stays_standing=standing,
        cutters=(cutter,),
        table_below_axis_mm=90.0,
    )


def program(*moves: str) -> str:
    opening = ("G21 G17 G40 G49 G80 G90 G94", "G53 G0 Z200", "T1 M6", "S10000 M3", "G43 H1 Z100", "G0 X0 Y0 A0", "F600")
    return "\n".join([*opening, *moves, "G0 Z100", "M30", ""])


def v_cutter(angle_deg: float, top: float = 6.0) -> SetUpCutter:
    r = top * math.tan(math.radians(angle_deg) / 2.0)
    shape = CutterShape(outline((0.0, 0.0), (r, top)), outline((r, top), (r, 25.0), (r, 60.0)))
    return SetUpCutter(1, f"V {angle_deg:g}", shape, True, top, None, 60.0)


def flat_cutter(radius: float) -> SetUpCutter:
    shape = CutterShape(outline((0.0, 0.0), (radius, 0.0), (radius, 30.0)), outline((radius, 30.0), (radius, 60.0)))
    return SetUpCutter(1, "flat", shape, True, 30.0, None, 60.0)


CHORD_MM = 0.0015  # the blank's own: cutter figures are polygons that stand this much inside the cutter (geometry/blank.py)


# Samples are cut to be measured, not held: their first and last passes run over into the bar beside them.
MEANT = ("left-over", "gouge", "stub-cut")


def clean(proof: Proof) -> Proof:
    assert not [item for item in proof.findings if item.severity == "obstacle" and item.code not in MEANT], proof.findings
    return proof


def bar_standing(to_x: float, radius: float) -> tuple[KeepOut, ...]:
    return (KeepOut("bar", -50.0, 2.0, radius, True), KeepOut("bar", to_x - 2.0, to_x + 50.0, radius, True))


# ---- cusps


@pytest.mark.parametrize("ball_radius, spacing, cusp", [(3.0, 0.5, 0.01043481), (1.5, 0.3, 0.00751884)])
def test_g1_scallop_of_ball_passes_around(ball_radius: float, spacing: float, cusp: float) -> None:
    # G1: R - sqrt(R^2 - s^2/4): rings cut around a cylinder of radius 4, spaced along X; slices (0.05 + 0.1 k) run through
    # every ridge because the rings stand at such places too and half a spacing away lies another.
    radius, to_x = 4.0, 8.0
    rings = [3.05 + k * spacing - (0.05 if round(spacing / 0.1) % 2 else 0.0) for k in range(5)]
    ridge = rings[0] + spacing / 2.0
    assert (ridge - 0.05) / 0.1 == pytest.approx(round((ridge - 0.05) / 0.1), abs=1e-6)
    moves = [
        line
        for k, x in enumerate(rings)
        for line in (f"G0 X{x:.4f}", f"G1 Z{radius} F600", f"G1 A{360 * (k + 1)} F3600", "G0 Z20")
    ]
    model = lathe(((rings[0], radius), (rings[-1], radius)), sides=720)
    standing = (KeepOut("bar", -50.0, rings[0], 5.0, True), KeepOut("bar", rings[-1], 50.0, 5.0, True))
    setup = on_bar(Section.ROUND, 9.0, to_x, ball(1, ball_radius, 10.0), standing)
    proof = clean(
        proved(program(*moves), setup=setup, machine=BIG, model=model, resolution_mm=0.1, tolerance_mm=0.0005, shop=())
    )
    assert proof.deviation.leftover_max_mm == pytest.approx(
        cusp, abs=0.0008
    )  # the model's facets: 4 (1 - cos 0.25 deg) = 0.04 um


@pytest.mark.parametrize("radius, ball_radius, step, cusp", [(20.0, 3.0, 2.0, 0.02347265), (10.0, 1.5, 2.0, 0.01173632)])
def test_g9_cusp_of_ball_passes_along_a_cylinder(radius: float, ball_radius: float, step: float, cusp: float) -> None:
    # G9: (R+r) cos(D/2) - sqrt(r^2 - (R+r)^2 sin^2(D/2)) - R. 180 ridges meet the rays at all phases.
    proof = clean(_indexed_passes(radius, ball(1, ball_radius, 10.0), step))
    assert cusp * 0.97 - 0.0003 < proof.deviation.leftover_max_mm < cusp + CHORD_MM
    assert proof.deviation.gouge_max_mm < 0.002


def test_g10_the_step_for_a_cusp_leaves_that_cusp() -> None:
    # G10: 2 acos[((R+r)^2 + (R+h)^2 - r^2)/(2 (R+r)(R+h))]: R20 r3 h0.01 -> 1.30731707 deg
    step = 360.0 / round(360.0 / 1.30731707)
    proof = clean(_indexed_passes(20.0, ball(1, 3.0, 10.0), step))
    assert 0.01 * 0.97 - 0.0003 < proof.deviation.leftover_max_mm < 0.01 + CHORD_MM


@pytest.mark.parametrize("radius, step, corner", [(20.0, 5.0, 0.01905370), (10.0, 5.0, 0.00952685)])
def test_g12_corners_over_indexed_flats(radius: float, step: float, corner: float) -> None:
    # G12: R/cos(D/2) - R; flats of a flat cutter wider than 2 R tan(D/2)
    proof = clean(_indexed_passes(radius, flat_cutter(2.0), step))
    assert corner * 0.95 - 0.0003 < proof.deviation.leftover_max_mm < corner + CHORD_MM
    assert proof.deviation.gouge_max_mm < 0.002


def _indexed_passes(radius: float, cutter: SetUpCutter, step_deg: float) -> Proof:
    to_x = 3.0
    count = round(360.0 / step_deg)
    moves = ["G0 X-5", f"G0 Z{radius:.4f}"]
    for k in range(count):
        # each pass runs clear off the bar's end, where A is turned
        moves += [f"G0 A{k * step_deg:.6f}", f"G1 X{8 if k % 2 == 0 else -5} F2000"]
    model = lathe(((1.0, radius), (2.0, radius)), sides=1440)
    standing = (KeepOut("bar", -50.0, 1.0, radius + 5.0, True), KeepOut("bar", 2.0, 50.0, radius + 5.0, True))
    setup = on_bar(Section.ROUND, 2.0 * radius + 0.6, to_x, cutter, standing)
    return proved(program(*moves), setup=setup, machine=BIG, model=model, resolution_mm=0.1, tolerance_mm=0.0005, shop=())


# ---- chords


@pytest.mark.parametrize("step, chord", [(2.0, 0.00304610), (4.0, 20.0 * (1.0 - math.cos(math.radians(2.0))))])
def test_g13_a_turned_cylinder_stands_over_a_prism_by_the_chord_error(step: float, chord: float) -> None:
    # G13: R (1 - cos(D/2)): the model is a prism with corners on the cylinder, the program turns it truly round in ONE row.
    radius = 20.0
    sides = round(360.0 / step)
    vertices, faces = lathe(((1.0, radius), (3.0, radius)), sides=sides)
    vertices = vertices.copy()
    vertices[: 2 * sides, 1:] *= math.sqrt(math.cos(math.pi / sides))  # corners on the radius
    setup = on_bar(
        Section.ROUND, 41.0, 4.0, flat_cutter(4.0), (KeepOut("b", -9.0, 1.0, 21.0, True), KeepOut("b", 3.0, 9.0, 21.0, True))
    )
    text = program("G0 X2 A0", f"G1 Z{radius} F600", "G1 A360 F3600")
    proof = clean(
        proved(text, setup=setup, machine=BIG, model=(vertices, faces), resolution_mm=0.1, tolerance_mm=0.0005, shop=())
    )
    assert proof.deviation.leftover_max_mm == pytest.approx(chord, abs=0.0015)
    assert (
        proof.deviation.gouge_max_mm < 0.0025
    )  # the sweep's own chord error, 0.002 asked, and nothing of the turn's 360 degrees


def test_g14_the_step_for_a_chord_error_makes_that_error() -> None:
    # G14: 2 acos(1 - e/R): R20 e0.01 -> 3.62385428 deg; here an arc in Y and Z (G19) is replaced by its chords of that step
    radius, step = 20.0, 3.62385428
    angles = np.radians(90.0 - 30.0 + np.arange(0, 17) * step)
    chords = [f"G1 Y{radius * math.cos(a):.5f} Z{radius * math.sin(a):.5f} F1500" for a in angles]
    # a pointed cutter traces the chords on a bar of radius 20.5: what it leaves lies on the polygon, up to e inside the circle
    text = program("G0 X2.05 Y10 A0", "G0 Z30", *chords, "G0 Z40")
    setup = on_bar(
        Section.ROUND, 41.0, 4.0, v_cutter(30.0), (KeepOut("b", -9.0, 0.5, 21.0, True), KeepOut("b", 3.5, 9.0, 21.0, True))
    )
    model = lathe(((0.5, radius), (3.5, radius)), sides=2880)
    proof = clean(
        proved(text, setup=setup, machine=BIG, model=model, resolution_mm=0.1, tolerance_mm=0.02, gouge_limit_mm=0.05, shop=())
    )
    assert proof.deviation.gouge_max_mm == pytest.approx(0.01, abs=0.0015)


@pytest.mark.parametrize("a1, a2, excess", [(0.0, 5.0, 0.00765787), (40.0, 45.0, 0.02774977)])
def test_g15_a_flat_cut_by_turning_is_left_high_between_its_points(a1: float, a2: float, excess: float) -> None:
    # G15: Z = h / cos A at both ends, linear between: excess at mid = mean of ends - h/cos(mid), up the cutter's axis; square
    # to the flat it is that times cos(mid). A point traces it; the slice runs through its path.
    h, x = 8.0, 2.05
    z1, z2 = (h / math.cos(math.radians(a)) for a in (a1, a2))
    text = program(f"G0 X{x} A{a1}", f"G1 Z{z1:.6f} F100", f"G93 G1 Z{z2:.6f} A{a2} F10", "G94 F600")
    setup = on_bar(Section.ROUND, 30.0, 4.0, v_cutter(30.0, 12.0))
    proof = clean(proved(text, setup=setup, machine=BIG, resolution_mm=0.1))
    row = int(np.flatnonzero(np.diff(proof.motion.xyza[:, 3], prepend=0.0) == a2 - a1)[-1])
    # the path in the bar: what is at (0, Z) on the table at turn theta stands at y = Z sin(theta), z = Z cos(theta)
    mid = math.radians((a1 + a2) / 2.0)
    points, tags = valley_points(proof.blank)
    bottom = (tags == row) & (np.abs(points[:, 0] - x) < 1e-6) & (np.abs(points[:, 1] - h * math.tan(mid)) < 0.06)
    assert bottom.any()
    # the sweep of a turning move may stand 0.002 off by the chord of its turn, and its figures by their own (geometry/blank.py)
    assert points[bottom, 2].max() - h == pytest.approx(excess * math.cos(mid), abs=0.0025)


# ---- V grooves


@pytest.mark.parametrize("angle, width", [(30.0, 0.53589838), (60.0, 1.15470054), (90.0, 2.0)])
def test_g6_a_v_groove_is_as_wide_as_its_depth_says(angle: float, width: float) -> None:
    # G6: 2 d tan(theta/2) at d = 1 on the flat of a square bar: cross-section w d / 2
    proof = _groove(angle, 1.0)
    assert proof.removed_mm3.sum() == pytest.approx(width * 1.0 / 2.0 * 10.0, rel=0.005)
    top = proof_points(proof)
    rim = top[(top[:, 2] < 10.0 - 1e-6)]
    assert 2.0 * np.abs(rim[:, 1]).max() == pytest.approx(width, abs=0.06)  # to a ray


@pytest.mark.parametrize("angle, depth", [(30.0, 3.73205081), (60.0, 1.73205081), (90.0, 1.0)])
def test_g7_the_depth_for_a_width_makes_that_width(angle: float, depth: float) -> None:
    # G7: w / (2 tan(theta/2)) at w = 2
    proof = _groove(angle, depth)
    assert proof.removed_mm3.sum() == pytest.approx(2.0 * depth / 2.0 * 10.0, rel=0.005)


@pytest.mark.parametrize("angle, ridge", [(30.0, 0.37320508), (60.0, 0.17320508), (90.0, 0.1)])
def test_g5_scallop_of_a_pointed_v(angle: float, ridge: float) -> None:
    # G5: (s/2) / tan(theta/2) at s = 0.2: rings around a cylinder, the ridge in a slice of its own (0.05 + 0.1 k)
    radius, rings = 4.0, (3.05, 3.25, 3.45)
    moves = [
        line for k, x in enumerate(rings) for line in (f"G0 X{x}", f"G1 Z{radius} F600", f"G1 A{360 * (k + 1)} F3600", "G0 Z20")
    ]
    model = lathe(((3.05, radius), (3.45, radius)), sides=720)
    standing = (KeepOut("bar", -50.0, 3.05, 5.0, True), KeepOut("bar", 3.45, 50.0, 5.0, True))
    setup = on_bar(Section.ROUND, 9.0, 8.0, v_cutter(angle), standing)
    proof = clean(
        proved(program(*moves), setup=setup, machine=BIG, model=model, resolution_mm=0.1, tolerance_mm=0.0005, shop=())
    )
    assert proof.deviation.leftover_max_mm == pytest.approx(ridge, abs=0.004)


def _groove(angle_deg: float, depth: float) -> Proof:
    setup = on_bar(Section.SQUARE, 20.0, 10.0, v_cutter(angle_deg))
    text = program("G0 X-5", f"G0 Z{10.0 - depth:.6f}", "G1 X15 F2000")
    return clean(proved(text, setup=setup, machine=BIG, resolution_mm=0.05))


def proof_points(proof: Proof) -> np.ndarray:
    points, _, tags = surface_points(proof.blank, 1)
    return points[tags >= 0]


# ---- removed volumes


def test_g18_a_ball_plunged_one_mm_takes_a_spherical_cap() -> None:
    # pi d^2 (3 R - d) / 3 at R3 d1 -> 8.37758041
    setup = on_bar(Section.SQUARE, 20.0, 10.0, ball(1, 3.0, 10.0))
    proof = clean(proved(program("G0 X5", "G0 Z10.5", "G1 Z9"), setup=setup, machine=BIG, resolution_mm=0.05))
    assert proof.removed_mm3.sum() == pytest.approx(8.37758041, rel=0.002)


def test_g18_a_half_round_slot() -> None:
    # pi R^2 / 2 L at R3 L10 -> 141.37166941: across the whole of a bar 10 mm long, 3 mm deep
    setup = on_bar(Section.SQUARE, 20.0, 10.0, ball(1, 3.0, 10.0))
    proof = clean(proved(program("G0 X-5", "G0 Z7", "G1 X15"), setup=setup, machine=BIG, resolution_mm=0.1))
    assert proof.removed_mm3.sum() == pytest.approx(141.37166941, rel=0.002)


def test_g18_a_flat_on_a_round_bar() -> None:
    # segment 16.35011088 mm2 at h8 on R10, L30 -> 490.50332638
    setup = on_bar(Section.ROUND, 20.0, 30.0, flat_cutter(8.0))
    proof = clean(proved(program("G0 X-10", "G0 Z8", "G1 X40"), setup=setup, machine=BIG, resolution_mm=0.1))
    assert proof.removed_mm3.sum() == pytest.approx(490.50332638, rel=0.002)


@pytest.mark.parametrize("sense", [1, -1])
def test_g18_a_square_from_a_round_bar(sense: int) -> None:
    # square 14 across flats from D20: 100 pi - 196 = 118.15926536 mm2, L10
    sides = [line for a in (0, 90, 180, 270) for line in ("G0 Z30", f"G0 A{a} X-10", "G0 Z7", "G1 X20")]
    setup = replace(on_bar(Section.ROUND, 20.0, 10.0, flat_cutter(8.0)), a_sense=sense)
    proof = clean(proved(program(*sides), setup=setup, machine=BIG, resolution_mm=0.1))
    assert proof.removed_mm3.sum() == pytest.approx(1181.5926536, rel=0.002)
