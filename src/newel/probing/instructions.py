"""The same routines by hand, for a machine without a probe: with a dial gauge, or with a feeler and a ball-nosed cutter.

Cautions come first; they defer to the machine's manual and to trained people. What the person writes down goes into the
table that comes along; a dial gauge's readings are told from a zero of its own, one for tops and one for each side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from enum import StrEnum

from newel.core.setup import SetUp
from newel.core.units import mm
from newel.probing.routine_program import TAKE_UP_DEG
from newel.probing.routines import SAYS, Kind, Routine, describe, safe_z_mm
from newel.probing.touches import Feature, Touch


class Means(StrEnum):
    """What there is to touch with."""

    GAUGE = "dial gauge"
    FEELER = "feeler"


_CAUTIONS = (
    "The spindle stands still for all of this: lock it out as the machine's manual says. Keep hands away when A turns.",
    "Turn A by small steps and watch that nothing catches. Keep sleeves and hair away from the bar.",
    "The manual of the machine, local rules and trained people come before this sheet.",
)


def gauged(touches: Sequence[Touch]) -> tuple[Touch, ...]:
    """Return the touches as a dial gauge takes them: one zero for all tops, one for each side; the jaw face is left out."""
    kept = [touch for touch in touches if touch.feature is not Feature.JAW_FACE]
    return tuple(replace(touch, gauge=f"gauge {touch.axis}{'+' if touch.way > 0 else '-'}", parameter=0) for touch in kept)


def instructions(routine: Routine, setup: SetUp, means: Means) -> str:
    """Return the steps of a routine in Markdown; the names are those of the table that goes with it."""
    lines = [f"# {routine.kind.value}, by {means.value}", "", f"It finds {SAYS[routine.kind]}.", ""]
    lines += [f"- {caution}" for caution in _CAUTIONS] + [""]
    lines += ["## Before", "", *(_before_gauge(setup) if means is Means.GAUGE else _before_feeler(setup)), "", "## Steps", ""]
    lines += _steps(routine.touches, setup, means)
    lines += ["", "## After", "", "Fill in the column `reading` of the table, then run `newel probe fit` on it."]
    if routine.kind is Kind.STEPS:
        lines.append("Every line says from which side A must come: that is what tells backlash from a wrong zero.")
    return "\n".join(lines) + "\n"


def _before_gauge(setup: SetUp) -> list[str]:
    return [
        f"1. Work offset {setup.work_offset}; lift Z to {_safe(setup)} or higher whenever A turns.",
        "2. Fix the gauge in the spindle or to the head, its plunger square to the bar and half pushed in.",
        "3. Set the dial to 0 at the first line of each gauge name (`gauge Z-`: plunger downwards, `gauge Y+`, `gauge Y-`:",
        "   plunger along Y). Do not touch the dial, nor the axis the plunger points along, until that name is done.",
        "4. Read in mm: pushed in further than at zero counts +, less counts -.",
        "5. A gauge compares places; it tells run-out, tilt and level, but not where the axis lies. For that touch one top",
        "   and two sides with a feeler as well.",
    ]


def _before_feeler(setup: SetUp) -> list[str]:
    return [
        f"1. Work offset {setup.work_offset}; lift Z to {_safe(setup)} or higher whenever A turns.",
        "2. Put a ball-nosed cutter or a dowel with a ball end into the spindle; its diameter is the ball's.",
        "   Keep its length offset.",
        "3. Hold a feeler of known thickness between ball and work and come nearer by hundredths until it drags.",
        "4. Write down the coordinate less the thickness when coming from above, from +Y or from +X; plus the thickness when",
        "   coming from -Y or from -X.",
    ]


def _steps(touches: Sequence[Touch], setup: SetUp, means: Means) -> list[str]:
    lines: list[str] = []
    before: Touch | None = None
    for touch in touches:
        if before is None or (before.a_deg, before.a_from) != (touch.a_deg, touch.a_from):
            past = touch.a_deg - touch.a_from * TAKE_UP_DEG
            way = "upwards" if touch.a_from > 0 else "downwards"
            lines.append(
                f"{len(lines) + 1}. Lift clear. Go to A{past:g}, then {way} to A{touch.a_deg:g}, and do not turn back."
            )
        x, y, z = touch.at_mm
        if touch.axis == "Z":
            place = f"X{x:g} Y{y:g}, downwards, near Z{touch.expected_mm:g}"
        else:
            place = f"X{x:g} Z{z:g}, toward {'+' if touch.way > 0 else '-'}{touch.axis}, near {touch.axis}{touch.expected_mm:g}"
        told = f" (`{touch.gauge}`)" if means is Means.GAUGE and touch.gauge else ""
        lines.append(
            f"{len(lines) + 1}. **{touch.name}**{told}: {place}. That is the {describe(touch, setup)}. Write down {touch.name}."
        )
        before = touch
    return lines


def _safe(setup: SetUp) -> str:
    return f"Z {mm(safe_z_mm(setup) - setup.table_from_program_mm[2])}"
