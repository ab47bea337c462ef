"""A thumb of a bar, planned, carved and measured: that calls, and so compiles, what every job does. See kernel_cache."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from newel.app.job_file import read_job
from newel.core.job import ModelFiles, ProofAsk, Section
from newel.core.setup import KeepOut, SetUp, SetUpBar
from newel.geometry.blank import Blank, bar_blank
from newel.geometry.blank_surface import blank_mesh, surface_points
from newel.geometry.meshes import Mesh, write_stl
from newel.pipeline import cut, decide, read, set_up_of, write
from newel.planning.set_up import set_up_cutter
from newel.program.writer import ProgramFile
from newel.proof.carving import carve_course
from newel.proof.prove import Case, prove_case, read_course
from newel.proof.results import Proof
from newel.proof.strikes import strike_findings
from newel.proof.valleys import valley_points
from newel.shop.catalogue import load_shop, shipped_texts
from newel.shop.outlines import cutter_shape

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CUTTER, MATERIAL = "3 mm flat", "beech"

# A journal turned, a flat milled on the turned bar, a ramp, an arc and a drilled hole: every kind of move there is.
JOB = """format = 1
machine = "light benchtop mill"
[model]
file = "thumb.stl"
[bar]
section = "round"
size_mm = 10
material = "medium tooling board"
[finish]
rest = false
cusp_mm = 0.1
"""

PROGRAM = """G21 G17 G40 G49 G80 G90 G94
G53 G0 Z0
T1 M6
S10000 M3
G0 X12 Y0 A0
G43 H1 Z20
G1 Z5 F100
G1 A360 F1800
G93 G1 X14 A720 F2
G94 G1 Z4.5 F100
G1 X16 Y2 Z4 F200
G2 X18 Y0 I0 J-2
G0 Z20
G0 A900
G0 Z6
G1 Z3.5 F100
G1 X13
G81 X15 Y0 Z3 R6 F100
G80
G53 G0 Z0
M5
M30
"""


def carve_thumb() -> Blank:
    """Carve the small program's moves out of its bar."""
    case = thumb_case()
    course, _ = read_course(case, _quiet)
    return carve_course(course, case.setup, case.asked.resolution_mm, _quiet).blank


def measure_thumb() -> Proof:
    """Measure the bar as sawn, draw what is left, look for the small program's strikes.

    Programs are read last: another process, that carves, compiles the reading of them first.
    """
    case = thumb_case()
    asked = case.asked.resolution_mm
    bar = bar_blank(Section.ROUND, case.setup.bar.size_mm, case.setup.bar.from_x_mm, case.setup.bar.to_x_mm, 0.0, asked)
    blank_mesh(bar, 1)
    valley_points(bar)
    surface_points(bar)
    passes_of_thumb()
    course, _ = read_course(case, _quiet)
    strike_findings(course, case.setup)
    proof = prove_case(replace(case, programs=(("nothing.ngc", "M30"),)), _quiet)
    return proof


def passes_of_thumb() -> tuple[ProgramFile, ...]:
    """Plan the journal, make the passes of its first cut, and write them."""
    shop, job = load_shop(shipped_texts()), read_job(JOB, name="thumb", where="thumb")
    points, faces = _journal()
    model = read(job, ModelFiles(write_stl(Mesh(points, faces.astype(np.int32))), "stl"), shop)
    plan, machine, tools = decide(job, model, shop)
    first, paths = cut(job, replace(plan, cuts=plan.cuts[:1]), model.mesh, machine, tools, _quiet)
    return write(job, first, paths, set_up_of(job, first, tools, machine), machine)


def _quiet(stage: str, share: float) -> None:
    pass


def thumb_case() -> Case:
    """Return the small program's case: a round bar of 10 mm with a journal, the shipped machine and its first flat cutter."""
    shop = load_shop(shipped_texts())
    machine, cutter = next(iter(shop.machines.values())), shop.cutter(CUTTER)
    nose = machine.spindle
    shape = cutter_shape(cutter, shop.holder_of(cutter), nose.nose_diameter_mm, nose.nose_length_mm)
    in_spindle = set_up_cutter(1, cutter, shape, shape.body.top_mm - nose.nose_length_mm)
    setup = SetUp(
        bar=SetUpBar(Section.ROUND, (10.0,), -8.0, 30.0, 0.0),
        bar_from_model=np.eye(4),
        table_from_program_mm=(0.0, 0.0, 0.0),
        a_zero_deg=0.0,
        a_sense=1,
        along_x=1,
        work_offset="G54",
        cutters=(in_spindle,),
        keep_out=(KeepOut("jaws", -20.0, 0.0, 15.0, True),),
        stays_standing=(KeepOut("bar by the jaws", -8.0, 10.0, 5.0, True), KeepOut("bar by the centre", 20.0, 30.0, 5.0, True)),
        table_below_axis_mm=machine.table_below_axis_mm,
        machine_from_table_mm=machine.jaw_face_on_axis_mm,
    )
    return Case(
        programs=(("thumb.ngc", PROGRAM),),
        setup=setup,
        machine=machine,
        model=_journal(),
        asked=ProofAsk(resolution_mm=0.25),
        reads=machine.dialect.reads,
        tolerance_mm=0.05,
        shop_shapes=(in_spindle,),
        material=shop.material(MATERIAL),
    )


def _journal() -> tuple[Floats, Ints]:
    """Return a closed prism of 24 faces about X, 10 mm long and of radius 3 mm."""
    turns = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    ring = 3.0 * np.column_stack([np.cos(turns), np.sin(turns)])
    near, far = (np.column_stack([np.full(24, x), ring]) for x in (10.0, 20.0))
    one = np.arange(24)
    two = (one + 1) % 24
    sides = [np.column_stack([one, two, two + 24]), np.column_stack([one, two + 24, one + 24])]
    ends = [np.column_stack([np.full(24, 48), two, one]), np.column_stack([np.full(24, 49), one + 24, two + 24])]
    points = np.concatenate([near, far, [[10.0, 0.0, 0.0], [20.0, 0.0, 0.0]]])
    return points, np.concatenate(sides + ends).astype(np.int64)
