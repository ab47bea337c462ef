"""Where zero is: G54 to G59.3, G10, G92 and its kin, length offsets, G28 and G30, G53, and the parameters that hold them.

Sections are NISTIR 6556's. Nothing is guessed: where a shift is not known, places become nan and a finding says so.
"""

from __future__ import annotations

import math

import numpy as np

from newel.core.motion import RowKind
from newel.program import interpreter_kernels as kernels
from newel.program.expressions import whole
from newel.program.modal import AXES, SYSTEMS, name_of
from newel.program.reader import Block
from newel.program.rules import RefusedError
from newel.program.state import NAN, State

_SYSTEM_FIRST, _SYSTEM_LAST = 5221, 5386
_MACHINE_HELD = ((5061, 5066), (5161, 5166), (5181, 5186), (5211, 5216), (5220, 5220), (_SYSTEM_FIRST, _SYSTEM_LAST))
MACHINE_HELD_FROM = 5061  # parameters below this hold what the program set


def select_system(state: State, code: int, line: int) -> None:
    """Put work system `code` (540 … 593) in force [3.5.13]."""
    if code == state.mode(kernels.SYSTEM):
        return
    if state.compensation != 400:
        raise RefusedError("compensation", "the work system may not change with cutter compensation on")
    state.ints[kernels.SYSTEM] = code
    state.changes += 1
    state.reshift()
    name = name_of(code)
    if name not in state.notes.systems:
        state.notes.systems.append(name)
    tell_unknown_system(state, line)


def tell_unknown_system(state: State, line: int) -> None:
    """Report a work system whose place against the job's own is not known."""
    unknown = [AXES[axis].upper() for axis in range(4) if math.isnan(state.relative[state.system, axis])]
    if unknown:
        job, now = name_of(SYSTEMS[state.job_system - 1]), name_of(state.mode(kernels.SYSTEM))
        state.report("place-unknown", f"where {now} stands against the job's {job} is not known in {' '.join(unknown)}", line)


def set_system(state: State, block: Block) -> None:
    """G10 L2 P: set the origin of a work system in machine coordinates [3.5.5]."""
    words = block.words
    kind = whole(words["l"], "offset-setting", "the L word") if "l" in words else None
    if kind != 2:
        raise RefusedError("offset-setting", "G10 needs L2")
    if "p" not in words:
        raise RefusedError("offset-setting", "G10 L2 needs a P word from 1 to 9")
    number = whole(words["p"], "offset-setting", "the P word")
    if not 1 <= number <= 9:
        raise RefusedError("offset-setting", f"there is no work system {number}", measured=number, limit=9)
    if state.compensation != 400 and number == state.system:
        raise RefusedError("compensation", "an offset in force may not change with cutter compensation on")
    for axis in range(4):
        if AXES[axis] in words:
            _set_origin(state, number, axis, words[AXES[axis]] * state.scale(axis), block.line)


def _set_origin(state: State, number: int, axis: int, value: float, line: int) -> None:
    machine = state.machine_from_offset
    before = state.relative[number, axis]
    if math.isnan(machine[axis]) and number == state.job_system:
        # The job's own offset is now what the program says. Before any move that is its definition; later it is a riddle.
        if state.rows.n == 0:
            machine[axis] = value
        else:
            state.relative[number, axis] = NAN
            state.changes += 1
            state.report("place-unknown", "the program moves the work offset the job stands in, from a place not known", line)
            state.reshift()
            return
    state.relative[number, axis] = value - machine[axis] if not math.isnan(machine[axis]) else NAN
    if state.relative[number, axis] == before:
        return
    state.changes += 1
    if number == state.system:
        state.reshift()
        tell_unknown_system(state, line)


def set_coordinates(state: State, block: Block) -> None:
    """G92: let the tip's place have the named coordinates [3.5.18]."""
    if state.compensation != 400:
        raise RefusedError("compensation", "G92 may not be used with cutter compensation on")
    for axis in range(4):
        if AXES[axis] in block.words:
            value = block.words[AXES[axis]] * state.scale(axis)
            state.g92[axis] += state.here[axis] - value
            if math.isnan(state.g92[axis]):
                if axis not in state.lost:
                    state.report("place-unknown", f"G92 {AXES[axis].upper()} where the tip's place is not known", block.line)
                state.lost.add(axis)
            state.shift[axis] = state.relative[state.system, axis] + state.g92[axis]
            state.here[axis] = value
    state.g92_saved[:] = state.g92
    state.changes += 1


def unset_coordinates(state: State, code: int, line: int) -> None:
    """G92.1 (and forget), G92.2 (and keep the parameters), G92.3 (take them up again) [3.5.18]."""
    if code == 923:
        if np.isnan(state.g92_saved).any():
            state.report("place-unknown", "G92.3 takes up offsets that the control stored before this program", line)
        state.g92[:] = state.g92_saved
    else:
        state.g92[:] = 0.0
        if code == 921:
            state.g92_saved[:] = 0.0
            state.changes += 1
    state.reshift()


def set_length_offset(state: State, code: int, block: Block) -> None:
    """G43 H and G49 [3.5.11]. Where the lengths are not known, so is Z until a Z word says it anew."""
    if code == 490:
        number = 0
    else:
        if "h" not in block.words:
            raise RefusedError("length-offset", "G43 needs an H word")
        number = whole(block.words["h"], "length-offset", "the H word")
        if number < 0 or number > state.slots:
            raise RefusedError("length-offset", f"there is no length offset {number}", measured=number, limit=state.slots)
    before = state.mode(kernels.LENGTH_H)
    if number == before:
        return
    state.ints[kernels.LENGTH_H] = number
    step = state.length_of(before) - state.length_of(number)
    if math.isnan(step) and not math.isnan(state.here[2]):
        state.ints[kernels.GUARD] = 1
    state.here[2] += step


def machine_place(state: State, places: dict[int, float]) -> np.ndarray:
    """Return machine coordinates (axis: value) as program coordinates, nan for the rest of the axes or what is not known."""
    target = np.full(4, NAN)
    length = state.length_of(state.mode(kernels.LENGTH_H))
    for axis, value in places.items():
        tip = value - (length if axis == 2 else 0.0)
        target[axis] = tip - state.machine_from_offset[axis] - state.shift[axis]
    return target


def go_home(state: State, block: Block, between: np.ndarray, code: int) -> None:
    """G28, G30: through the in-between point to the stored place; all axes go, as the report has it [3.5.8]."""
    if state.compensation != 400:
        raise RefusedError("compensation", f"{name_of(code)} may not be used with cutter compensation on")
    named = [axis for axis in range(4) if AXES[axis] in block.words]
    if named:
        state.put(RowKind.RAPID, between, NAN, block.line)
    home = state.facts.home_mm if code == 280 else state.facts.second_home_mm
    target = machine_place(state, dict(enumerate(home)) if home is not None else {})
    if np.isnan(target).any():
        state.report("place-unknown", f"{name_of(code)} goes to a place that the machine file does not tell", block.line)
    elif 0 < len(named) < 4:
        says = f"{name_of(code)} names some axes: all of them go home here, as the standard says; some controls move only those"
        state.report("home-names-some-axes", says, block.line)
    state.put(RowKind.RAPID, target, NAN, block.line)
    state.lost.update(axis for axis in range(4) if math.isnan(target[axis]))


def read_parameter(state: State, number: int) -> float:
    """Return a parameter's value; refuse one that only the control knows."""
    value = float(state.parameters[number])
    if any(first <= number <= last for first, last in _MACHINE_HELD):
        if number == 5220:
            return float(state.system)
        if state.mode(kernels.UNITS) == 200:
            raise RefusedError("parameter-not-known", f"in which unit #{number} reads under G20 the report does not say")
        axis = (number - 5061) % 20 if number < 5200 else (number - 5211) % 10 if number < 5220 else (number - 5221) % 20
        if axis < 4:
            if 5211 <= number <= 5216:
                value = float(state.g92_saved[axis])
            elif number >= _SYSTEM_FIRST:
                origin = state.relative[(number - _SYSTEM_FIRST) // 20 + 1, axis] + state.machine_from_offset[axis]
                value = float(origin)
            elif number >= 5161 and math.isnan(value):
                home = state.facts.home_mm if number < 5181 else state.facts.second_home_mm
                value = home[axis] if home is not None else NAN
    if math.isnan(value):
        raise RefusedError("parameter-not-known", f"#{number} is not set by the program: what the control holds is not known")
    return value


def set_parameter(state: State, number: int, value: float, line: int) -> None:
    """Set a parameter after its line was read; those that hold offsets change the offsets where that is clear."""
    if number == 5220 or 5211 <= number <= 5219:
        raise RefusedError("offset-setting", f"when a control takes up #{number} is not said; use G54 to G59.3 or G92")
    if _SYSTEM_FIRST <= number <= _SYSTEM_LAST:
        system, axis = divmod(number - _SYSTEM_FIRST, 20)
        if state.mode(kernels.UNITS) == 200 or system + 1 == state.system:
            raise RefusedError("offset-setting", f"when and in which unit a control takes up #{number} is not said; use G10 L2")
        if axis < 4:
            _set_origin(state, system + 1, axis, value, line)
            return
    if state.parameters.item(number) != value:
        state.changes += 1
        state.parameters[number] = value
