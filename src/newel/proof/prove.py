"""The prover's door: read programs back, carve the bar by them, look at everything that could go wrong, and say proved or not.

It knows the program's text, the set-up, the machine and the model, and nothing of how the program came about.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import newel
from newel.core.asked import SurfaceGroup, ThreadedHole
from newel.core.dialect import ReadTraits
from newel.core.errors import BadInput
from newel.core.findings import Finding, obstacles
from newel.core.job import ProofAsk
from newel.core.setup import SetUp, SetUpCutter
from newel.geometry.blank import Blank
from newel.geometry.blank_surface import Skin, surface_points
from newel.mechanics.clock import row_minutes
from newel.program.interpreter import MachineFacts, ProgramFacts, interpret
from newel.proof.alongside import alongside
from newel.proof.carving import carve_course, carving_findings
from newel.proof.course import Course, Piece, by_face_rows, finding, join
from newel.proof.deviation import deviation_findings, measure
from newel.proof.groups import group_findings, placed_group
from newel.proof.limits import limit_findings
from newel.proof.load import load_of, with_bending
from newel.proof.part_strikes import part_strike_findings
from newel.proof.results import Approach, CutterTime, Deviation, Measured, Proof
from newel.proof.seal import seal_of
from newel.proof.standing import standing_findings
from newel.proof.strikes import strike_findings
from newel.proof.threads import placed, thread_findings
from newel.proof.turning import clamp_findings, turning_findings
from newel.proof.unreachable import Asked
from newel.proof.verdict import in_order, verdict_of
from newel.proof.ways import with_dog_legs
from newel.shop.machines import Machine
from newel.shop.materials import Material

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Progress = Callable[[str, float], None]
Program = tuple[str, str]
Model = tuple[Floats, Ints]


@dataclass(frozen=True)
class Case:
    """Everything a proof depends on: what its seal is the fingerprint of.

    `threads`, and the named faces of `groups`, in the model's own coordinates, as `model`.
    """

    programs: tuple[Program, ...]
    setup: SetUp
    machine: Machine
    model: Model | None
    asked: ProofAsk
    reads: ReadTraits
    tolerance_mm: float
    shop_shapes: tuple[SetUpCutter, ...]
    material: Material | None
    threads: tuple[ThreadedHole, ...] = ()
    groups: tuple[SurfaceGroup, ...] = ()

    def seal(self) -> str:
        """Return the fingerprint of all of it and of Newel's version."""
        return seal_of(
            {
                "programs": self.programs,
                "setup": self.setup,
                "machine": self.machine,
                "model": self.model,
                "asked": (self.asked, self.tolerance_mm, self.threads, self.groups),
                "reads": self.reads,
                "cutters": self.shop_shapes,
                "material": self.material,
                "newel": newel.__version__,
            }
        )


class Stopwatch:
    """Seconds spent by stage, on a clock lent from outside; without one nothing is counted."""

    def __init__(self, now: Callable[[], float] | None, progress: Progress) -> None:
        """Start at once; `progress` hears of every stage."""
        self._now = now
        self._last = now() if now else 0.0
        self.progress = progress
        self.shares: dict[str, float] = {}

    def lap(self, stage: str) -> None:
        """Book the time since the last lap to `stage`."""
        if self._now:
            t = self._now()
            self.shares[stage] = self.shares.get(stage, 0.0) + t - self._last
            self._last = t


def prove(
    programs: Sequence[Program],
    setup: SetUp,
    machine: Machine,
    model: Model | None,
    asked: ProofAsk,
    reads: ReadTraits,
    tolerance_mm: float,
    shop_shapes: Sequence[SetUpCutter],
    progress: Progress,
    *,
    material: Material | None = None,
    now: Callable[[], float] | None = None,
) -> Proof:
    """Prove programs, (name, text) each, run one after another on one bar. A bad program is never an error but findings.

    `model`: vertices (n, 3) in the model's own coordinates and faces (m, 3), placed by `setup.bar_from_model`; None proves
    everything but deviation. `tolerance_mm`: what the part is judged by. `shop_shapes`: every cutter of the shop, to tell
    what was missed from what no cutter reaches. `material`: for loads. `now`: a clock in seconds, to tell the shares of
    time by. Raises BadInput for a set-up that describes no bar, or no program at all.
    """
    return prove_case(
        Case(tuple(programs), setup, machine, model, asked, reads, tolerance_mm, tuple(shop_shapes), material), progress, now
    )


def prove_case(case: Case, progress: Progress, now: Callable[[], float] | None = None) -> Proof:
    """Prove one case; see `prove`."""
    if not case.programs:
        raise BadInput("there is no program to prove")
    watch = Stopwatch(now, progress)
    course, found = read_course(case, progress)
    watch.lap("reading")
    told = frozenset((item.program, item.line) for item in obstacles(tuple(found)))
    found += limit_findings(course, case.setup, case.machine, told)
    strikes, approaches = strike_findings(course, case.setup)
    found += strikes
    watch.lap("strikes and limits")
    carved = carve_course(course, case.setup, case.asked.resolution_mm, progress)
    found += carving_findings(course, carved)
    found += turning_findings(course, carved)
    found += clamp_findings(course, carved) if case.reads.clamp_m else []
    skin = surface_points(carved.blank)
    found += standing_findings(course, skin, case.setup, case.asked.gouge_limit_mm)
    watch.lap("carving")
    against, (loads, hard, series) = alongside(
        lambda: _against_the_model(case, course, (carved.blank, skin), progress),
        lambda: load_of(course, carved.removed_mm3, carved.blank, case.setup, case.machine, case.material),
    )
    deviation, measured, more, near_part = against
    found += more + hard
    approaches += near_part
    loads = with_bending(loads, course, series, measured)
    watch.lap("measuring and loads")
    fed = float(np.nansum(course.minutes[~course.rapid]))
    rapid = float(np.nansum(course.minutes[course.rapid]))
    return Proof(
        verdict=verdict_of(found),
        findings=in_order(found, course.names),
        deviation=deviation,
        time_min=fed + rapid,
        fed_min=fed,
        rapid_min=rapid,
        cutter_times=_cutter_times(course),
        load=loads,
        resolution_mm=case.asked.resolution_mm,
        approaches=approaches,
        seal=case.seal(),
        programs=course.names,
        motion=course.motion,
        row_program=course.program,
        minutes=course.minutes,
        removed_mm3=carved.removed_mm3,
        measured=measured,
        blank=carved.blank,
        shares=watch.shares,
        load_series=series,
    )


def read_course(case: Case, progress: Progress) -> tuple[Course, list[Finding]]:
    """Read and time every program and join them; what the reader found comes along."""
    setup = case.setup
    origin = np.asarray(setup.table_from_program_mm, float) + np.asarray(setup.machine_from_table_mm, float)
    lengths = {cutter.number: cutter.gauge_length_mm for cutter in setup.cutters}
    pieces: list[Piece] = []
    found: list[Finding] = []
    for k, (name, text) in enumerate(case.programs):
        progress("reading", k / len(case.programs))
        read = interpret(
            text,
            case.reads,
            program=name,
            work_offset=case.setup.work_offset,
            machine_from_offset_mm=origin,
            machine=MachineFacts(lengths_mm=lengths),
        )
        found += list(read.findings)
        if read.facts.first_move_without_units:
            says = "neither G20 nor G21 stands before the first move"
            found.append(finding("units-missing", says, program=name, line=read.facts.first_move_without_units))
        found += _left_on(name, read.facts)
        motion, taken = read.motion, row_minutes(read.motion, case.machine).minutes
        if case.reads.rapid_dog_leg:
            motion, taken = with_dog_legs(motion, taken, case.machine)
        pieces.append(Piece(name, motion, taken, by_face_rows(motion, text)))
        if len(motion) == 0:
            found.append(finding("no-motion", "the program moves nothing", program=name))
    progress("reading", 1.0)
    by_itself = case.machine.dialect.writes.length_offset == ""
    return join(pieces, setup, offsets_by_itself=by_itself), found


def _left_on(name: str, facts: ProgramFacts) -> list[Finding]:
    """Return a finding for what a program leaves running at its end."""
    line = facts.ended_line or facts.lines
    how = "% ends the program and stops nothing" if facts.ended else "the text just ends"
    return [
        finding(f"end-{what}-on", f"the {what} is still on where {how}: M5, M9, M2 or M30 is missing", program=name, line=line)
        for what in facts.left_on
    ]


def _against_the_model(
    case: Case, course: Course, left: tuple[Blank, Skin], progress: Progress
) -> tuple[Deviation, Measured | None, list[Finding], tuple[Approach, ...]]:
    """Measure what is left (blank and its surface) against the part, if there is one; look whether a body meets the part."""
    if case.model is None:
        return Deviation(), None, [], ()
    if case.setup.bar_from_model is None:
        raise BadInput("the set-up does not say where the model lies in the bar", where="setup model.bar_from_model")
    matrix = case.setup.bar_from_model
    vertices = np.asarray(case.model[0], dtype=np.float64) @ matrix[:3, :3].T + matrix[:3, 3]
    faces = np.asarray(case.model[1], dtype=np.int64)
    if np.linalg.det(matrix[:3, :3]) < 0.0:
        raise BadInput("the set-up mirrors the model", where="setup model.bar_from_model")
    threads = tuple(placed(hole, matrix) for hole in case.threads)
    groups = tuple(placed_group(group, matrix) for group in case.groups)
    asked = Asked(case.tolerance_mm, case.asked, case.setup, case.shop_shapes, threads, groups)
    deviation, measured = measure(*left, (vertices, faces), course, asked, progress)
    found = deviation_findings(deviation, measured, course, case.asked)
    found += thread_findings(deviation.threads) + group_findings(deviation.groups)
    strikes, near = part_strike_findings(course, vertices, faces)
    return deviation, measured, found + strikes, near


def _cutter_times(course: Course) -> tuple[CutterTime, ...]:
    times = []
    for number in np.unique(course.motion.cutter):
        mine = course.motion.cutter == number
        cutter = course.cutters.get(int(number))
        spent = np.nan_to_num(course.minutes)
        fed, rapid = float(spent[mine & ~course.rapid].sum()), float(spent[mine & course.rapid].sum())
        if fed + rapid > 0.0:
            times.append(CutterTime(int(number), cutter.name if cutter else "", fed, rapid))
    return tuple(times)
