"""Carry out one line that was read in full, in the order of NISTIR 6556, table 8."""

from __future__ import annotations

import math
from contextlib import suppress

import numpy as np

from newel.core.motion import RowKind
from newel.program import interpreter_kernels as kernels
from newel.program.arcs import arc_of_block, put_arc_rows
from newel.program.cycles import run_cycle
from newel.program.expressions import whole
from newel.program.feeds import fed_minutes
from newel.program.modal import ARCS, AXES, CYCLES, MOTION_LOST, check_words_are_used, motion_of, name_of, sort_by_group
from newel.program.offsets import (
    go_home,
    machine_place,
    select_system,
    set_coordinates,
    set_length_offset,
    set_system,
    unset_coordinates,
)
from newel.program.reader import Block
from newel.program.rules import RefusedError
from newel.program.state import NAN, LostPlaceError, State, Sticky

PROBE_NEAREST_MM = 0.254  # 3.5.9


def execute_block(state: State, block: Block) -> None:
    """Carry out `block`; raise RefusedError where it breaks a rule (what came before in the order has been done)."""
    by_group = sort_by_group(block, state.traits)
    motion = motion_of(block, by_group, state.mode(kernels.MOTION), state.traits)
    check_words_are_used(block, by_group, motion)
    if block.message:
        state.notes.messages.append((block.line, block.message))
    _set_feed(state, block, by_group, motion)
    _set_spindle_and_cutter(state, block)
    _set_modes(state, block, by_group)
    special = by_group.get(0, -1)
    if special == 100:
        set_system(state, block)
    elif special == 920:
        set_coordinates(state, block)
    elif special in (921, 922, 923):
        unset_coordinates(state, special, block.line)
    elif special in (280, 300):
        go_home(state, block, _targets(state, block)[0], special)
    if by_group.get(1) == 800 or (motion == -1 and by_group.get(1) in (0, 10)):
        state.ints[kernels.MOTION] = by_group[1]
    if motion == MOTION_LOST:
        state.lose([axis for axis, letter in enumerate(AXES) if letter in block.words])
    elif motion >= 0:
        _move(state, block, motion, machine_place_asked=special == 530)
        state.ints[kernels.MOTION] = motion
    _stop(state, block)


def _set_feed(state: State, block: Block, by_group: dict[int, int], motion: int) -> None:
    mode = by_group.get(5)
    if mode is not None and mode != state.mode(kernels.FEED_MODE):
        state.ints[kernels.FEED_MODE] = mode
        state.floats[kernels.FEED] = NAN
        state.ints[kernels.FEED_TOLD] = 0
    state.notes.uses_g93 = state.notes.uses_g93 or mode == 930
    units = by_group.get(6)
    changes_units = units is not None and units != state.mode(kernels.UNITS)
    if "f" in block.words:
        feed = block.words["f"]
        if feed < 0.0:
            raise RefusedError("feed-value", "a feed must not be negative", measured=feed, limit=0.0)
        state.floats[kernels.FEED] = feed
        state.ints[kernels.FEED_TOLD] = 0
        if changes_units and state.mode(kernels.FEED_MODE) != 930:
            says = "F is read before the units change on the same line: its unit is not said; taken as the new one"
            state.report("feed-unit-unclear", says, block.line)
    elif changes_units and state.mode(kernels.FEED_MODE) != 930:
        state.floats[kernels.FEED] = NAN  # a stored feed is not converted: whether it keeps its number or its speed is open


def _set_spindle_and_cutter(state: State, block: Block) -> None:
    words, m = block.words, block.m
    if "s" in words:
        if words["s"] < 0.0:
            raise RefusedError("spindle-speed", "a spindle speed must not be negative", measured=words["s"], limit=0.0)
        state.speed_rpm = words["s"]
    if "t" in words:
        number = whole(words["t"], "cutter-number", "the T word")
        if number < 0 or number > state.slots:
            raise RefusedError("cutter-number", f"there is no cutter {number}", measured=number, limit=state.slots)
        state.selected = number
    if 6 in m:
        if state.selected < 0:
            raise RefusedError("cutter-number", "M6 with no cutter selected by a T word")
        state.spindle = 0
        state.cutter = state.selected
        state.notes.cutters.setdefault(state.cutter, block.line)
        state.stop_path()
        state.put(RowKind.CHANGE, state.here.copy(), 0.0, block.line)
    for code, way in ((3, 1), (4, -1), (5, 0)):
        if code in m:
            if way != state.spindle:
                state.stop_path()
            if way and math.isnan(state.speed_rpm):
                state.report("spindle-speed-missing", f"M{code} before any S word: the speed is not known", block.line)
            state.spindle = way
    if 7 in m:
        state.coolant |= 1
    if 8 in m:
        state.coolant |= 2
    if 9 in m:
        state.coolant = 0
    if state.traits.unclamp_m and state.traits.unclamp_m in m:  # released before a move of the same line
        state.stop_path()
        state.clamp = 2


def _set_modes(state: State, block: Block, by_group: dict[int, int]) -> None:
    ints, words = state.ints, block.words
    if by_group.get(0) == 40:
        seconds = words.get("p", NAN)
        if not seconds >= 0.0:
            raise RefusedError("dwell", "G4 needs a P word of no less than 0 seconds", measured=seconds, limit=0.0, unit="s")
        state.stop_path()
        state.put(RowKind.DWELL, state.here.copy(), seconds / 60.0, block.line)
    for group, place in ((2, kernels.PLANE), (6, kernels.UNITS)):
        code = by_group.get(group)
        if code is not None:
            if state.compensation != 400 and code != ints[place]:
                raise RefusedError("compensation", f"{name_of(code)} may not change with cutter compensation on")
            ints[place] = code
    if 6 in by_group:
        ints[kernels.UNITS_SAID] = 1
        word = "inch" if by_group[6] == 200 else "mm"
        if not state.notes.units or state.notes.units[-1] != word:
            state.notes.units.append(word)
    if 7 in by_group:
        _set_compensation(state, block, by_group[7])
    if 8 in by_group:
        set_length_offset(state, by_group[8], block)
    if 12 in by_group:
        select_system(state, by_group[12], block.line)
    for group, place in ((13, kernels.PATH), (3, kernels.DISTANCE), (10, kernels.RETRACT)):
        if group in by_group:
            ints[place] = by_group[group]
    if 4 in by_group:
        ints[kernels.ARC_ABSOLUTE] = 1 if by_group[4] == 901 else 0


def _set_compensation(state: State, block: Block, code: int) -> None:
    if code != 400:
        if state.mode(kernels.PLANE) != 170:
            raise RefusedError("compensation", f"{name_of(code)} needs the XY plane")
        if state.compensation != 400:
            raise RefusedError("compensation", f"{name_of(code)} while cutter compensation is on already")
        if "d" in block.words:
            number = whole(block.words["d"], "compensation", "the D word")
            if number < 0 or number > state.slots:
                raise RefusedError("compensation", f"there is no cutter {number}", measured=number, limit=state.slots)
        state.report("compensation-not-proved", f"{name_of(code)}: where a compensated path runs is not followed", block.line)
    state.compensation = code


def _targets(state: State, block: Block) -> tuple[np.ndarray, list[float]]:
    """Return where the axis words lead, X Y Z A and B C, in program coordinates."""
    target, others = state.here.copy(), list(state.others)
    incremental = state.mode(kernels.DISTANCE) == 910
    unknown = []
    for axis, letter in enumerate(AXES):
        if letter not in block.words:
            continue
        value = block.words[letter] * state.scale(axis)
        here = float(target[axis]) if axis < 4 else others[axis - 4]
        if incremental:
            value += here
            if math.isnan(value) and axis not in state.lost and axis < 4:
                unknown.append(letter.upper())
        elif axis == 3 and state.ints[kernels.WRAPPED]:
            value = kernels.wrapped_target(value, here)
            if math.isnan(value):
                raise RefusedError("turn-way-unclear", "A is half a turn off: which way a wrapped control turns is not known")
        if axis < 4:
            target[axis] = value
        else:
            others[axis - 4] = value
    if unknown:
        state.report("place-unknown", f"a step of {' '.join(unknown)} from a place that is not known", block.line)
        state.lost.update(AXES.index(letter.lower()) for letter in unknown)
    return target, others


def _move(state: State, block: Block, motion: int, *, machine_place_asked: bool) -> None:
    if not state.ints[kernels.UNITS_SAID] and state.notes.first_move_without_units == 0:
        state.notes.first_move_without_units = block.line
    if machine_place_asked and state.compensation != 400:
        raise RefusedError("machine-coordinates", "G53 may not be used with cutter compensation on")
    if motion in CYCLES:
        with suppress(LostPlaceError):
            run_cycle(state, block, motion)
        return
    if not machine_place_asked:
        target, others = _targets(state, block)
    else:
        target, others = state.here.copy(), list(state.others)
        named = {axis: block.words[AXES[axis]] * state.scale(axis) for axis in range(4) if AXES[axis] in block.words}
        place = machine_place(state, named)
        for axis in named:
            target[axis] = place[axis]
        if any(math.isnan(place[axis]) for axis in named):
            says = "G53 moves to machine coordinates; where the work offset lies in them is not known"
            state.report("place-unknown", says, block.line)
            state.lost.update(axis for axis in named if math.isnan(place[axis]))
    _tell_unmoved_unknown(state, block, target)
    if any(letter in block.words for letter in "bc"):
        state.report("axis-not-on-machine", "B and C are not axes of this machine", block.line)
    try:
        _put_move(state, block, motion, target, others)
    except LostPlaceError:
        return
    state.others = others
    for axis in range(4):
        if AXES[axis] in block.words and not math.isnan(target[axis]):
            state.lost.discard(axis)


def _tell_unmoved_unknown(state: State, block: Block, target: np.ndarray) -> None:
    """After a length offset or a probe left an axis unknown, report the first move that keeps it so."""
    if not state.ints[kernels.GUARD]:
        return
    unknown = [axis for axis in range(4) if math.isnan(target[axis])]
    if unknown and not state.lost.issuperset(unknown):
        letters = " ".join(AXES[axis].upper() for axis in unknown)
        state.report("place-unknown", f"a move while the tip's {letters} is not known", block.line)
    if unknown:
        state.lost.update(unknown)
    state.ints[kernels.GUARD] = 0


def _put_move(state: State, block: Block, motion: int, target: np.ndarray, others: list[float]) -> None:
    line = block.line
    if motion == 0:
        state.put(RowKind.RAPID, target, NAN, line)
        return
    if motion in ARCS:
        arc, length = arc_of_block(state, block, target, motion)
        put_arc_rows(state, arc, target, fed_minutes(state, block, length, _turn(state, block, target, others)), line)
        return
    steps = [float(target[axis] - state.here[axis]) for axis in range(3) if AXES[axis] in block.words]
    length = math.sqrt(sum(step * step for step in steps))
    if motion == 382:
        _check_probe(state, block, target, length)
        state.put(RowKind.PROBE, target, fed_minutes(state, block, length, 0.0), line)
        # Where the probe trips is not known: the row runs all the way, and what it moved is unknown from here on.
        for axis in range(3):
            if AXES[axis] in block.words:
                state.here[axis] = NAN
        state.parameters[5061:5067] = NAN
        state.changes += 1
        state.ints[kernels.GUARD] = 1
        return
    state.put(RowKind.FEED, target, fed_minutes(state, block, length, _turn(state, block, target, others)), line)


def _turn(state: State, block: Block, target: np.ndarray, others: list[float]) -> float:
    turns = [float(target[3] - state.here[3])] if "a" in block.words else []
    turns += [others[i] - state.others[i] for i in range(2) if "bc"[i] in block.words]
    return math.sqrt(sum(turn * turn for turn in turns)) if len(turns) != 1 else abs(turns[0])


def _check_probe(state: State, block: Block, target: np.ndarray, length: float) -> None:
    if state.compensation != 400:
        raise RefusedError("compensation", "probing with cutter compensation on")
    if not any(letter in block.words for letter in "xyz"):
        raise RefusedError("probe", "G38.2 needs an X, Y or Z word")
    if state.mode(kernels.FEED_MODE) == 930:
        raise RefusedError("probe", "G38.2 may not be used with G93")
    if any(letter in block.words for letter in "bc") or ("a" in block.words and target[3] != state.here[3]):
        raise RefusedError("probe", "a rotary axis may not turn while probing")
    if length < PROBE_NEAREST_MM:
        raise RefusedError("probe", "the probe's target is too near", measured=length, limit=PROBE_NEAREST_MM, unit="mm")


def _stop(state: State, block: Block) -> None:
    for code in block.m:
        if code in (0, 1, 60):
            state.stop_path()
            state.notes.stops.append(block.line)
        elif code and code == state.traits.clamp_m:  # clamped after a move of the same line
            state.stop_path()
            state.clamp = 1
        elif code in (2, 30):
            state.notes.ended = f"M{code}"
            state.notes.ended_line = block.line
            _end_program(state)


def _end_program(state: State) -> None:
    """Put back what M2 and M30 put back [3.6.1]; units, length offset and path mode stay."""
    ints = state.ints
    state.g92[:] = 0.0
    ints[kernels.SYSTEM] = 540
    state.reshift()
    ints[kernels.PLANE], ints[kernels.DISTANCE], ints[kernels.MOTION] = 170, 900, 10
    if ints[kernels.FEED_MODE] != 940:
        ints[kernels.FEED_MODE] = 940
        state.floats[kernels.FEED] = NAN
    state.compensation = 400
    state.spindle = 0
    state.coolant = 0
    state.sticky = Sticky()
