"""What the probe commands do between files: set-ups, proofs of routines and of corrected programs, measured-machine files."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from newel.app.inputs import JobFiles, read_text
from newel.core.errors import BadInput
from newel.core.findings import Finding, Severity
from newel.core.motion import RowKind
from newel.core.setup import SetUp
from newel.geometry.blank import section_halfplanes
from newel.geometry.meshes import ReadModel
from newel.pipeline import Progress, case_of, decide, read, set_up_of
from newel.planning.around import Tools
from newel.probing.correct import program_as_run
from newel.probing.measured import MeasuredMachine
from newel.probing.routine_program import followed
from newel.probing.routines import Probe, probe_cutter
from newel.program.interpreter import interpret
from newel.program.writer import ProgramFile
from newel.proof.prove import prove_case
from newel.proof.results import Proof
from newel.shop.catalogue import Shop
from newel.shop.machines import Machine

SHORT_OF_MM = 0.05  # a touch is proved up to here before contact: the ball's own give is not a cut
FORMAT = 1


@dataclass(frozen=True)
class Bench:
    """A job with everything that proving needs: its set-up, machine, model and tools."""

    files: JobFiles
    setup: SetUp
    machine: Machine
    model: ReadModel
    tools: Tools
    shop: Shop


def bench_of(files: JobFiles, shop: Shop, progress: Progress) -> Bench:
    """Decide on a job as `make` would and return its set-up."""
    progress("read", 0.0)
    model = read(files.job, files.model, shop)
    progress("plan", 0.0)
    plan, machine, tools = decide(files.job, model, shop)
    return Bench(files, set_up_of(files.job, plan, tools, machine), machine, model, tools, shop)


def prove_routine(text: str, bench: Bench, probe: Probe, name: str, progress: Progress) -> tuple[Finding, ...]:
    """Prove a probing routine: as it should run, each touch up to its contact; and as it runs where nothing is met.

    Contacts are found anew from the program's text and the set-up's bar and jaws. Returns what denies the routine.
    """
    setup = bench.setup
    held = replace(
        setup,
        cutters=(
            *setup.cutters,
            probe_cutter(probe, bench.machine.spindle.nose_diameter_mm, bench.machine.spindle.nose_length_mm),
        ),
    )
    origin = np.asarray(setup.table_from_program_mm) + np.asarray(setup.machine_from_table_mm)
    motion = interpret(
        text, bench.machine.dialect.reads, program=name, work_offset=setup.work_offset, machine_from_offset_mm=origin.tolist()
    ).motion
    begins = motion.begins()
    met: dict[int, float] = {}
    full: dict[int, float] = {}
    found: list[Finding] = []
    for row in np.flatnonzero(motion.kind == RowKind.PROBE).tolist():
        begin, end, line = _standing(begins, row), motion.xyza[row], int(motion.line[row])
        axis = int(np.nanargmax(np.abs(end[:3] - begin[:3])))
        contact = _contact(begin, end, axis, setup, probe)
        full[line] = float(end[axis])
        met[line] = full[line] if contact is None else contact
        if contact is not None and abs(contact - begin[axis]) < 0.5:
            found.append(
                Finding("probe-starts-in-work", Severity.OBSTACLE, "the touch begins in the work or on it", name, line)
            )
    touching = _proof(bench, held, followed(text, met), name, progress)
    found += [item for item in touching.findings if item.severity is Severity.OBSTACLE]
    along = {line for line, value in full.items() if value != met[line] and _axis_of(text, line) == "X"}
    missing = _proof(
        bench,
        held,
        followed(text, {line: met[line] if line in along else value for line, value in full.items()}),
        name,
        progress,
    )
    told = {(item.code, item.line) for item in found}
    strikes = ("strikes-keep-out", "strikes-table", "travel", "wind-up")
    found += [item for item in missing.findings if item.code in strikes and (item.code, item.line) not in told]
    return tuple(found)


def prove_corrected(text: str, bench: Bench, measured: MeasuredMachine, name: str, progress: Progress) -> Proof:
    """Prove a corrected program against the machine as it was measured: what it does to the bar there is carved and judged.

    Travel and the axes' speeds are judged as well by the words that the machine will read; both must hold.
    """
    acts = program_as_run(text, bench.setup, measured, bench.machine.dialect, name=name)
    proof = _proof(bench, bench.setup, acts.text, name, progress, model=True)
    told = tuple(replace(item, line=acts.source[item.line - 1]) if item.line else item for item in proof.findings)
    proof = replace(proof, findings=told)
    words = ("travel", "wind-up", "strikes-table", "axis-not-on-machine", "feed-absurd", "end-low", "units-missing")
    said = _proof(bench, bench.setup, text, name, progress)
    more = [item for item in said.findings if item.code in words and item.severity is Severity.OBSTACLE]
    if not more:
        return proof
    return replace(proof, findings=(*proof.findings, *more), verdict=said.verdict)


def measured_text(measured: MeasuredMachine, remarks: Sequence[str]) -> str:
    """Return a measured-machine file."""
    lines = [
        "# The machine as it was measured. It holds until the bar is chucked anew or the rotary axis is moved.",
        f"format = {FORMAT}",
        "",
    ]
    lines += [f"# {remark}" for remark in remarks]
    lines += [f"{field.name} = {getattr(measured, field.name):.9g}" for field in fields(measured)]
    return "\n".join(lines) + "\n"


def read_measured(path: Path) -> MeasuredMachine:
    """Read a measured-machine file. Raises BadInput with what is wrong in it."""
    try:
        data: dict[str, Any] = tomllib.loads(read_text(path, "measured machine"))
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"not TOML: {error}", where=str(path)) from None
    if data.pop("format", None) != FORMAT:
        raise BadInput("the file does not say its format", where=str(path), remedy=f"begin it with: format = {FORMAT}")
    names = {field.name for field in fields(MeasuredMachine)}
    for key, value in data.items():
        if key not in names:
            raise BadInput(f"unknown field {key!r}", where=str(path), remedy=f"the fields are {', '.join(sorted(names))}")
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise BadInput(f"{key} should be a number", where=str(path))
    return MeasuredMachine(**{key: float(value) for key, value in data.items()})


def _proof(bench: Bench, setup: SetUp, text: str, name: str, progress: Progress, *, model: bool = False) -> Proof:
    asked = bench.model if model else None
    job = bench.files.job if model else replace(bench.files.job, proof=replace(bench.files.job.proof, resolution_mm=0.5))
    case = case_of(job, (ProgramFile(name, text),), setup, bench.machine, asked, bench.shop, bench.tools)
    return prove_case(case, progress)


def _standing(begins: np.ndarray, row: int) -> np.ndarray:
    """Return where the tip stands before a row; what an earlier touch left unknown is where that touch began."""
    at = begins[row].copy()
    back = row
    while np.isnan(at).any() and back > 0:
        back -= 1
        at = np.where(np.isnan(at), begins[back], at)
    return np.asarray(at)


def _axis_of(text: str, line: int) -> str:
    words = text.splitlines()[line - 1].split()
    return next((word[0] for word in words if word[0] in "XYZ"), "")


def _contact(begin: np.ndarray, end: np.ndarray, axis: int, setup: SetUp, probe: Probe) -> float | None:
    """Return the coordinate just before the ball would meet the bar or the jaws on its way; None where it meets neither.

    A bar with flats is met where the ball is its radius from every flat's plane: a corner is met a little early.
    """
    r = probe.ball_diameter_mm / 2.0
    offset = np.asarray(setup.table_from_program_mm, dtype=float)
    turn = setup.a_sense * (end[3] + setup.a_zero_deg)
    share = np.linspace(0.0, 1.0, 4001)
    path = begin[:3] + offset + [0.0, 0.0, r] + share[:, None] * (end[:3] - begin[:3])
    inside = _in_bar(path, turn, setup, r)
    for thing in setup.keep_out:
        if thing.turns:
            beyond = np.maximum(np.maximum(thing.from_x_mm - path[:, 0], path[:, 0] - thing.to_x_mm), 0.0)
            inside |= np.hypot(beyond, np.maximum(np.hypot(path[:, 1], path[:, 2]) - thing.radius_mm, 0.0)) <= r
    if not inside.any():
        return None
    length = abs(float(end[axis] - begin[axis]))
    at = max(0.0, share[int(np.argmax(inside))] - SHORT_OF_MM / length)
    return float(begin[axis] + at * (end[axis] - begin[axis]))


def _in_bar(path: np.ndarray, turn_deg: float, setup: SetUp, r: float) -> np.ndarray:
    bar = setup.bar
    along = (path[:, 0] > bar.from_x_mm - r) & (path[:, 0] < bar.to_x_mm + r)
    walls = section_halfplanes(bar.section, bar.size_mm, bar.turned_deg + turn_deg)
    if not len(walls):
        return np.asarray(along & (np.hypot(path[:, 1], path[:, 2]) <= bar.size_mm[0] / 2.0 + r))
    return np.asarray(along & ((path[:, 1:] @ walls[:, :2].T - walls[:, 2]).max(axis=1) <= r))
