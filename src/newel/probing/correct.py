"""Correct a program, whoever wrote it, for the machine as it was measured; and say what a program does on that machine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from newel.core.dialect import Dialect
from newel.core.errors import BadInput
from newel.core.findings import Finding, obstacles
from newel.core.motion import RowKind
from newel.core.setup import SetUp
from newel.probing.measured import MeasuredMachine
from newel.probing.points import Points, as_run, corrected
from newel.probing.rewriting import Rewritten, Style, loops, rewritten
from newel.program.interpreter import Interpretation, MachineFacts, interpret


@dataclass(frozen=True)
class Corrected:
    """A corrected program: its text, and what to know about it."""

    text: str
    remarks: tuple[str, ...]


def correct_program(
    text: str, setup: SetUp, measured: MeasuredMachine, dialect: Dialect, *, name: str = "program.ngc"
) -> Corrected:
    """Rewrite a program so that on the machine as measured it does to the bar what it was meant to do on a faultless one.

    Raises BadInput for a program that breaks the language, probes, or feeds from where it has not been: there is nothing
    sure to correct.
    """
    read = _read(text, setup, dialect, name)
    wrapped = dialect.reads.a_wrapped_shortest
    points = corrected(read.motion, setup, measured, wrapped=wrapped)
    remarks = list(_remarks(read, points, measured))
    return Corrected(_written(text, read, points, dialect, setup, _head(measured)).text, tuple(remarks))


def program_as_run(
    text: str, setup: SetUp, measured: MeasuredMachine, dialect: Dialect, *, name: str = "program.ngc"
) -> Rewritten:
    """Return the program that on a faultless machine would do to the bar what `text` does on the machine as measured.

    Proving it proves `text` against that machine: the blank, the part and what holds them are met as they will be met.
    """
    read = _read(text, setup, dialect, name)
    points = as_run(read.motion, setup, measured)
    return _written(text, read, points, dialect, setup, ("what this program does on the machine as it was measured",))


def _read(text: str, setup: SetUp, dialect: Dialect, name: str) -> Interpretation:
    origin = np.asarray(setup.table_from_program_mm, dtype=float) + np.asarray(setup.machine_from_table_mm, dtype=float)
    lengths = {cutter.number: cutter.gauge_length_mm for cutter in setup.cutters}
    read = interpret(
        text,
        dialect.reads,
        program=name,
        work_offset=setup.work_offset,
        machine_from_offset_mm=origin.tolist(),
        machine=MachineFacts(lengths_mm=lengths),
    )
    wrong = obstacles(read.findings)
    if read.facts.stops and loops(text):
        raise BadInput(
            "the program loops, calls or reckons with parameters, and stops for the operator: where it stops would be lost",
            where=f"{name}, line {read.facts.stops[0]}",
            remedy="write the loops out, or take the stops out",
        )
    if wrong:
        raise BadInput(
            _first(wrong), where=f"{name}, line {wrong[0].line}", remedy="mend the program first; 'newel prove' tells all of it"
        )
    if (read.motion.kind == RowKind.PROBE).any():
        raise BadInput("a probing program must not be corrected: it finds out what correcting needs", where=name)
    if len(read.motion) == 0:
        raise BadInput("the program moves nothing", where=name)
    return read


def _first(wrong: Sequence[Finding]) -> str:
    more = f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else ""
    return f"{wrong[0].says}{more}"


def _written(
    text: str, read: Interpretation, points: Points, dialect: Dialect, setup: SetUp, head: tuple[str, ...]
) -> Rewritten:
    style = Style.of(dialect.writes)
    style = replace(style, wrapped=dialect.reads.a_wrapped_shortest, inverse_time=style.inverse_time or read.facts.uses_g93)
    return rewritten(text, read.motion, points, style, work_offset=setup.work_offset, head=head)


def _head(measured: MeasuredMachine) -> tuple[str, ...]:
    m = measured
    return (
        "corrected for the machine as it was measured; wrong on any other, and after the bar is chucked anew",
        f"axis at the jaws Y{m.axis_y_mm:.3f} Z{m.axis_z_mm:.3f} mm, along X {1000 * m.slope_y:.2f} and "
        f"{1000 * m.slope_z:.2f} mm a metre",
        f"A zero {m.a_zero_deg:.3f} deg, scale {m.a_scale:.5f}, backlash {m.backlash_deg:.3f} deg, taken up from below",
        f"bar off the axis at the jaws {m.bar_y_mm:.3f} and {m.bar_z_mm:.3f} mm, along X {1000 * m.bar_slope_y:.2f} and "
        f"{1000 * m.bar_slope_z:.2f} mm a metre",
    )


def _remarks(read: Interpretation, points: Points, measured: MeasuredMachine) -> list[str]:
    said = []
    if np.isnan(read.motion.xyza[:, 3]).all():
        said.append(
            "the program never says A: it is corrected as if A stood at 0, and A's zero is not: turn the bar level by hand"
        )
    more = len(points.row) - len(read.motion)
    if more > 0:
        said.append(f"{more} moves more than before: turning moves are split into chords of 1 µm, and A's play is taken up")
    if measured.backlash_deg > 0.0:
        said.append(
            "A comes to every side from below; where a fed move turns A back, the bar stands still while the play is taken up"
        )
    return said
