"""A made job for the reports to print: a twisted knob in a square bar, every figure invented for the test."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from newel.core.findings import Finding, Severity
from newel.core.job import BarAsk, Direction, Job, ModelAsk, Section, Tailstock
from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Bar, Cut, CutKind, Decision, Holding, Placement, Plan, Stub
from newel.core.profile import CutterShape, outline
from newel.core.setup import KeepOut, SetUp, SetUpBar, SetUpCutter
from newel.proof.results import (
    Approach,
    CutterTime,
    Deviation,
    Load,
    Measured,
    Proof,
    Standing,
    Verdict,
    WorstPlace,
)
from newel.reports.results import CutResult, Mesh, Results
from newel.shop.cutters import Cutter, Form
from newel.shop.machines import Chuck, LinearAxis, Machine, RotaryAxis, Spindle, TailstockUnit
from newel.shop.materials import Material

INVENTED = "invented for the demo: a sample for the reports"
PART_FROM, PART_TO = 12.0, 122.0


DEVIATION = Deviation(
    tolerance_mm=0.05, gouge_max_mm=0.011, leftover_max_mm=0.043, unreachable_max_mm=0.3, within_tolerance_pct=99.3,
    missed_pct=0.7, gouged_pct=0.0, unreachable_pct=0.4, edges_mm=(-0.05, 0.0, 0.05), histogram_pct=(30.0, 70.0),
    worst=(WorstPlace(60.0, 14.0, 5.0, 0.043, Standing.MISSED, "program.ngc", 812),),
)  # fmt: skip
LOAD = Load(force_max_N=14.2, rotary_torque_max_Nm=0.31, cutter_bending_max_mm=0.021, spindle_power_max_W=61.0)
NOTHING = np.zeros(0)
PROVED = Proof(
    verdict=Verdict.PROVED,
    findings=(),
    deviation=DEVIATION,
    time_min=84.2,
    fed_min=80.0,
    rapid_min=4.2,
    cutter_times=(CutterTime(1, "1/8 in flat, long", 29.0, 2.0), CutterTime(2, "V 30 degrees", 51.0, 2.2)),
    load=LOAD,
    resolution_mm=0.1,
    approaches=(
        Approach("jaws", 4.2, "program.ngc", 31),
        Approach("live centre", 6.8, "program.ngc", 912),
        Approach("tailstock", math.nan, "", 0),
    ),
    seal="newel-seal-1 5f0c1d2e3a4b5c6d7e8f90112233445566778899aabbccddeeff001122334455 job=0011223344556677",
    programs=("program.ngc",),
    motion=None,
    row_program=NOTHING,
    minutes=NOTHING,
    removed_mm3=NOTHING,
    measured=None,
    blank=None,
)
NOT_PROVED = replace(
    PROVED,
    verdict=Verdict.NOT_PROVED,
    findings=(
        Finding("holder strikes jaws", Severity.OBSTACLE, "the holder would strike the jaws", "program.ngc", 812,
                14.0, 0.0, 12.0, 318.0, -0.8, 0.0, "mm"),
        Finding("slow", Severity.NOTE, "an axis never gets up to speed", "program.ngc", 90),
    ),
)  # fmt: skip


def radius_at(x_mm, turn_rad):
    """Return the knob's radius: a swelling with a three-start twist."""
    s = (x_mm - PART_FROM) / (PART_TO - PART_FROM)
    body = 8.0 + 9.5 * np.sin(np.pi * np.clip(s * 1.05 + 0.02, 0, 1)) ** 0.8
    return body * (1.0 + 0.16 * np.sin(np.pi * s) * np.cos(3 * (turn_rad - 5.0 * s)))


def knob(rows: int = 160, pieces: int = 180) -> Mesh:
    """Return the knob as a closed mesh in the bar frame."""
    x, t = np.linspace(PART_FROM, PART_TO, rows), np.linspace(0, 2 * np.pi, pieces, endpoint=False)
    gx, gt = np.meshgrid(x, t, indexing="ij")
    r = radius_at(gx, gt)
    vertices = np.stack([gx, r * np.cos(gt), r * np.sin(gt)], axis=-1).reshape(-1, 3)
    vertices = np.vstack([vertices, [[PART_FROM, 0, 0], [PART_TO, 0, 0]]])
    a, b = np.meshgrid(np.arange(rows - 1), np.arange(pieces), indexing="ij")
    b1 = (b + 1) % pieces
    v00, v01, v10, v11 = (q.ravel() for q in (a * pieces + b, a * pieces + b1, (a + 1) * pieces + b, (a + 1) * pieces + b1))
    i = np.arange(pieces)
    j = (i + 1) % pieces
    last = (rows - 1) * pieces
    near = np.column_stack([np.full(pieces, rows * pieces), j, i])
    far = np.column_stack([np.full(pieces, rows * pieces + 1), last + i, last + j])
    return Mesh(vertices, np.vstack([np.column_stack([v00, v01, v10]), np.column_stack([v01, v11, v10]), near, far]))


def machine(chuck_end: str = "left", sense: int = 1) -> Machine:
    """Return a light mill with invented figures."""
    axis = LinearAxis(-300.0, 0.0, 3000.0, 2000.0, 400.0)
    return Machine(
        name="sample mill",
        x=axis,
        y=axis,
        z=axis,
        a=RotaryAxis(sense, 3600.0, 2000.0, 3.0, 1.5, 0.05, None),
        spindle=Spindle(2000.0, 24000.0, 800.0, 0.4, 52.0, 40.0),
        chuck=Chuck(80.0, 40.0, 86.0, 22.0, 24.0, 8.0, 70.0, 4, 45.0, 3000.0, 0.2),
        tailstock=TailstockUnit(60.0, 16.0, 30.0, 35.0, 60.0, 260.0),
        chuck_end=chuck_end,
        jaw_face_on_axis_mm=(-250.0, -100.0, -120.0),
        table_below_axis_mm=60.0,
        corner_deviation_mm=0.02,
        block_rate_per_s=400.0,
        source=INVENTED,
    )


def cutters() -> tuple[Cutter, ...]:
    """Return the two cutters of the sample."""
    return (
        Cutter("1/8 in flat, long", Form.FLAT, 3.175, 12.0, 20.0, 26.0, 3.175, 2, INVENTED),
        Cutter("V 30 degrees", Form.V, 3.175, 5.0, 12.0, 24.0, 3.175, 1, INVENTED, SIG=30.0, tip_flat_mm=0.1),
    )


def _shape(radius: float) -> CutterShape:
    return CutterShape(
        outline((0, 0), (radius, 0), (radius, 12)), outline((radius, 12), (radius, 26), (9, 26), (9, 40), (26, 40), (26, 80))
    )


def setup() -> SetUp:
    """Return the sample's set-up."""
    return SetUp(
        bar=SetUpBar(Section.SQUARE, (40.0,), -22.0, 140.0, 0.0),
        bar_from_model=np.eye(4),
        table_from_program_mm=(0.0, 0.0, 0.0),
        a_zero_deg=0.0,
        a_sense=1,
        along_x=1,
        work_offset="G54",
        cutters=(
            SetUpCutter(1, "1/8 in flat, long", _shape(1.5875), True, 12.0, None),
            SetUpCutter(
                2,
                "ball 3",
                CutterShape(outline((0, 0), (1.5, 1.5, 0, 1.5), (1.5, 12)), outline((1.5, 12), (1.5, 26), (9, 26), (9, 60))),
                True,
                12.0,
                24000.0,
            ),
        ),
        keep_out=(KeepOut("jaws", -22.0, 0.0, 43.0, True), KeepOut("centre", 140.0, 170.0, 8.0, False)),
        stays_standing=(KeepOut("chuck stub", 3.0, 12.0, 4.0, True),),
        table_below_axis_mm=60.0,
        machine_from_table_mm=(-250.0, -100.0, -120.0),
    )


def plan() -> Plan:
    """Return the sample's plan."""
    matrix = np.eye(4)
    matrix[0, 3] = PART_FROM
    common = {"from_x_mm": 3.0, "to_x_mm": 131.0, "ramp_deg": 3.0, "offset_y_mm": 0.0}
    return Plan(
        placement=Placement(matrix, PART_FROM, PART_TO, 19.3),
        bar=Bar(Section.SQUARE, (40.0,), -22.0, 140.0, 0.0, "tooling board"),
        holding=Holding(22.0, Tailstock.LIVE_CENTRE, 3.0, Stub(3.0, 12.0, 4.8), Stub(122.0, 132.0, 4.8), 132.0),
        cutters=((1, "1/8 in flat, long"), (2, "V 30 degrees")),
        cuts=(
            Cut(1, "rough", CutKind.ROUGH_AROUND, 1, Direction.AROUND, spindle_rpm=18000, feed_mm_per_min=1200,
                entry_feed_mm_per_min=400, allowance_mm=0.4, ap_mm=1.5, ae_mm=1.4, cusp_mm=0.4, tolerance_mm=0.1, **common),
            Cut(2, "finish", CutKind.FINISH_AROUND, 2, Direction.HELICAL, spindle_rpm=22000, feed_mm_per_min=1500,
                entry_feed_mm_per_min=500, allowance_mm=0.0, ap_mm=0.4, ae_mm=0.3, cusp_mm=0.02, tolerance_mm=0.05, **common),
        ),
        decisions=(
            Decision("tailstock", "live centre", "the part alone is 2.8 times as long as the bar is thick", ("no tailstock",)),
            Decision("roughing cutter", "1/8 in flat, long", "the widest that reaches the deepest groove", ("6 mm flat",)),
            Decision("direction of finishing", "helical", "the clock says 42 min; along takes 58 min", ("along", "around")),
            Decision("cusp", "0.02 mm", "asked for", by="job file"),
        ),
    )  # fmt: skip


def _spiral(depth: float, pitch: float) -> Toolpath:
    turns = (PART_TO - PART_FROM) / pitch
    t = np.linspace(0, turns * 2 * np.pi, int(turns * 72))
    x = PART_FROM + pitch * t / (2 * np.pi)
    pose = np.column_stack([x, np.zeros_like(x), radius_at(x, np.pi / 2 - t) + depth, np.degrees(t)])
    kind = np.full(len(x), MoveKind.CUT, dtype=np.uint8)
    kind[:2] = MoveKind.RAPID, MoveKind.ENTRY
    return Toolpath(pose, np.full(len(x), 1200.0), kind)


def results(**changes) -> Results:
    """Return the whole sample; `changes` replace fields."""
    part = knob()
    rng = np.random.default_rng(5)
    points = part.vertices_mm[:-2]
    turn = np.arctan2(points[:, 2], points[:, 1])
    deviation = 0.012 + 0.02 * np.cos(9 * turn) * np.sin(points[:, 0] / 3) + 0.004 * rng.standard_normal(len(points))
    deviation[(np.abs(points[:, 0] - 60) < 2) & (np.abs(turn) < 0.3)] = -0.06
    out_of_reach = (np.abs(points[:, 0] - 95) < 1.0) & (np.cos(3 * turn) < -0.6)
    standing = np.where(out_of_reach, Standing.UNREACHABLE, Standing.WITHIN).astype(np.uint8)
    measured = Measured(points, deviation, standing, np.zeros(len(points), np.int32))
    fields = {
        "job": Job("knob", ModelAsk("knob.stl"), BarAsk(Section.SQUARE, (40.0,), "tooling board"), "sample mill"),
        "plan": plan(),
        "setup": setup(),
        "machine": machine(),
        "material": Material(
            "tooling board", "board", 1500.0, None, 700.0, (10.0, 30.0), 0.2, (300.0, 600.0), (0.01, 0.03), 0.5, 0.5, 0.005,
            ("Its dust is fine: wear a mask and use suction.", "Warm dust can smoulder in the bag: empty it."),
            (("kc11", INVENTED),),
        ),
        "cutters": tuple(enumerate(cutters(), start=1)),
        "part": part,
        "blank": None,
        "proof": replace(PROVED, measured=measured),
        "cuts": tuple(
            CutResult(cut, path, minutes)
            for cut, path, minutes in zip(plan().cuts, (_spiral(0.4, 1.4), _spiral(0.0, 0.6)), (31.0, 53.2))
        ),
        "programs": ("program.ngc",),
        "mended": ("merged 812 doubled vertices",),
    }  # fmt: skip
    fields.update(changes)
    return Results(**fields)
