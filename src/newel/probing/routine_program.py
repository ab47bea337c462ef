"""A probing routine as a program: plain RS274/NGC with G38.2, every reading kept in a parameter of its own.

NISTIR 6556, 3.5.9: a touching move may not be shorter than 0.254 mm, may not run in G93 and may turn no rotary axis; it
leaves the place of contact in #5061 to #5063. Every move after it says its place anew, so that nothing depends on where
contact was made.
"""

from __future__ import annotations

import re

from newel.core.dialect import WriteTraits
from newel.core.setup import SetUp
from newel.probing.routines import SAYS, Probe, Routine, describe, safe_z_mm
from newel.probing.touches import AXES, Touch

TOUCH_MM_PER_MIN = 60.0  # slow enough that a light machine stops within the probe's give (common practice)
DOWN_MM_PER_MIN = 400.0  # the way down beside the bar
TAKE_UP_DEG = 3.0  # how far A goes past before it comes back from its side; more than any backlash worth keeping
_NOT_IN_COMMENTS = re.compile(r"[^ -~]|[()]")


def routine_program(
    routine: Routine, setup: SetUp, probe: Probe, traits: WriteTraits, clamp_m: tuple[int, int] | None = None
) -> str:
    """Return the routine's program text, in mm, in the set-up's work offset; the same routine writes the same bytes.

    `clamp_m`: the M numbers that clamp and release the rotary axis: it is released before every turn, clamped before a touch.
    """
    safe = f"Z{safe_z_mm(setup) - setup.table_from_program_mm[2]:.3f}"
    lines = [
        _comment(f"probing: {SAYS[routine.kind]}"),
        _comment(f"mm and degrees, work offset {setup.work_offset}; probe {probe.number}, ball {probe.ball_diameter_mm:g} mm"),
        _comment("try the probe by hand first: does the control see it? Keep a hand on the stop; the spindle must stand still"),
        _comment("readings stay in the parameters that are named; write them into the table that came with this program"),
        "G21",
        "G17 G40 G49 G80 G90 G94",
        setup.work_offset,
        "M5",
    ]
    if traits.tool_change:
        lines.append(traits.tool_change.format(number=probe.number))
    if traits.length_offset:
        lines.append(traits.length_offset.format(number=probe.number))
    lines.append(f"G0 {safe}")
    before: Touch | None = None
    for touch in routine.touches:
        if before is None or (before.a_deg, before.a_from) != (touch.a_deg, touch.a_from):
            lines += _turn_lines(touch, clamp_m)
        lines += _touch_lines(touch, setup, safe)
        before = touch
    lines += [_comment(f"MSG, done: {len(routine.touches)} readings are kept"), traits.program_end]
    return "\n".join(lines) + "\n"


def _turn_lines(touch: Touch, clamp_m: tuple[int, int] | None) -> list[str]:
    """Turn to a touch from its side; the clamp, if there is one to be told, off before and on after."""
    turn = [f"G0 A{touch.a_deg - touch.a_from * TAKE_UP_DEG:.3f}", f"G0 A{touch.a_deg:.3f}"]
    return turn if clamp_m is None else [f"M{clamp_m[1]}", *turn, f"M{clamp_m[0]}"]


def _touch_lines(touch: Touch, setup: SetUp, safe: str) -> list[str]:
    x, y, z = touch.at_mm
    lines = [_comment(f"{touch.name}: {describe(touch, setup)}, about {touch.axis}{touch.expected_mm:.3f}")]
    lines.append(f"G0 X{x:.3f} Y{y:.3f}")
    lines.append(f"G0 Z{z:.3f}" if touch.axis == "Z" else f"G1 Z{z:.3f} F{DOWN_MM_PER_MIN:g}")
    lines.append(f"G38.2 {touch.axis}{touch.target_mm:.3f} F{TOUCH_MM_PER_MIN:g}")
    lines.append(f"#{touch.parameter} = #{5061 + AXES.index(touch.axis)}")
    lines.append(_comment(f"MSG, {touch.name}: {touch.axis} is kept in #{touch.parameter}"))
    if touch.axis != "Z":
        back = {"X": x, "Y": y}[touch.axis]
        lines.append(f"G0 {touch.axis}{back:.3f}")
    lines.append(f"G0 {safe}")
    return lines


def followed(text: str, contacts_mm: dict[int, float]) -> str:
    """Return the text with each touching line (from 1) run as a fed move to a place of contact: what a proof can follow.

    Lines that only keep a parameter are left out, for what they keep is known on the machine alone.
    """
    lines = []
    for number, line in enumerate(text.splitlines(), start=1):
        if number in contacts_mm:
            lines.append(re.sub(r"G38\.2 ([XYZ])\S+", rf"G1 \g<1>{contacts_mm[number]:.4f}", line))
        else:
            lines.append("" if line.startswith("#") else line)
    return "\n".join(lines) + "\n"


def _comment(text: str) -> str:
    return f"({_NOT_IN_COMMENTS.sub(' ', text)[:200]})"
