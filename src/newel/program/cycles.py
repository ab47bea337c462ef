"""Canned cycles G81 to G89 (NISTIR 6556, 3.5.16): every hole as rapids, feeds and dwells."""

from __future__ import annotations

import math

from newel.core.motion import RowKind
from newel.program import interpreter_kernels as kernels
from newel.program.expressions import whole
from newel.program.feeds import fed_minutes
from newel.program.modal import name_of
from newel.program.reader import Block
from newel.program.rules import RefusedError
from newel.program.state import NAN, LostPlaceError, State, Sticky

# The report says that G83 comes back down to "a bit" above the last depth. 0.254 mm (0.010 in): common practice, from memory.
PECK_CLEARANCE_MM = 0.254
MOST_HOLES = 100_000  # a bound on L, and on pecks in one hole

_PLANES: dict[int, tuple[int, int, int]] = {170: (0, 1, 2), 180: (2, 0, 1), 190: (1, 2, 0)}
_DWELLS = (820, 860, 880, 890)


def run_cycle(state: State, block: Block, code: int) -> None:
    """Drill the holes of one line; words that the line leaves out are those of the line before, where it was the same cycle."""
    ia, ib, ic = _PLANES[state.mode(kernels.PLANE)]
    holes = _check(state, block, code)
    incremental = state.mode(kernels.DISTANCE) == 910
    sticky = _remember(state, block, code, ic)
    state.sticky = sticky
    here = state.here
    if math.isnan(here[0] + here[1] + here[2]):
        missing = [axis for axis in range(3) if math.isnan(here[axis])]
        if incremental or ic in missing or any("xyz"[axis] not in block.words for axis in missing):
            if state.lost.issuperset(missing):
                state.lose([axis for axis in range(3) if "xyz"[axis] in block.words])
                raise LostPlaceError
            raise RefusedError("place-unknown", "a cycle begins where the tip's place is not known")
    level = float(here[ic])
    r = level + sticky.r if incremental else sticky.r
    bottom = r + sticky.depth if incremental else sticky.depth
    if r < bottom and code != 870:
        raise RefusedError("cycle", "the R level lies below the bottom of the hole", measured=r, limit=bottom, unit="mm")
    clear = max(level, r) if state.mode(kernels.RETRACT) == 980 else r
    if level < r and code != 870:
        _go(state, block, RowKind.RAPID, ic, r)
    for hole in range(holes):
        target = state.here.copy()
        for axis in (ia, ib):
            letter = "xyz"[axis]
            if letter in block.words and (incremental or hole == 0):
                value = block.words[letter] * state.unit_mm
                target[axis] = target[axis] + value if incremental else value
        state.put(RowKind.RAPID, target, NAN, block.line)
        if code == 870:
            continue
        _go(state, block, RowKind.RAPID, ic, r)
        _hole(state, block, code, (ic, r, bottom, clear), sticky)


def _check(state: State, block: Block, code: int) -> int:
    """Refuse what no cycle allows; return how many holes (L)."""
    words = block.words
    name = name_of(code)
    if not any(letter in words for letter in "xyz"):
        raise RefusedError("cycle", f"{name} needs an X, Y or Z word")
    if state.mode(kernels.FEED_MODE) == 930:
        raise RefusedError("cycle", f"{name} may not be used with G93")
    if state.compensation != 400:
        raise RefusedError("cycle", f"{name} may not be used with cutter compensation on")
    if any(letter in words for letter in "bc") or ("a" in words and _turns(state, words["a"])):
        raise RefusedError("cycle", f"a rotary axis may not turn in {name}")
    if "p" in words and words["p"] < 0.0:
        raise RefusedError("cycle", "a dwell must not be negative", measured=words["p"], limit=0.0, unit="s")
    if "q" in words and words["q"] <= 0.0:
        raise RefusedError("cycle", "Q must be more than 0", measured=words["q"], limit=0.0)
    if code == 840 and state.spindle != 1:
        raise RefusedError("cycle", "G84 needs the spindle turning clockwise")
    if code in (860, 870, 880) and state.spindle == 0:
        raise RefusedError("cycle", f"{name} needs the spindle turning")
    holes = whole(words["l"], "cycle", "L") if "l" in words else 1
    if holes < 1:
        raise RefusedError("cycle", "L must be 1 or more", measured=holes, limit=1)
    if holes > MOST_HOLES:
        raise RefusedError("cycle", "more repeats than are followed", measured=holes, limit=MOST_HOLES)
    if code == 870:
        state.report("cycle-not-proved", "G87 stops the spindle at an angle and moves aside: not followed", block.line)
    if code == 880:
        state.report("cycle-not-proved", "G88 leaves the way out to the hand: not known to the proof", block.line)
    return holes


def _turns(state: State, value: float) -> bool:
    return value != 0.0 if state.mode(kernels.DISTANCE) == 910 else value != state.here[3]


def _remember(state: State, block: Block, code: int, ic: int) -> Sticky:
    """Return the cycle's words: the line's own, else the numbers remembered from the same cycle, as they stood [3.5.16]."""
    words, unit = block.words, state.unit_mm
    old = state.sticky if state.mode(kernels.MOTION) == code else Sticky()
    lengths = {"r": old.r, "q": old.q, "i": old.i, "j": old.j, "k": old.k}
    new = {letter: words[letter] * unit if letter in words else value for letter, value in lengths.items()}
    depth_letter = "xyz"[ic]
    depth = words[depth_letter] * unit if depth_letter in words else old.depth
    p = words.get("p", old.p)
    sticky = Sticky(new["r"], depth, p, new["q"], new["i"], new["j"], new["k"])
    if math.isnan(sticky.r):
        raise RefusedError("cycle", f"{name_of(code)} needs an R word")
    if math.isnan(depth):
        raise RefusedError("cycle", f"{name_of(code)} needs a {depth_letter.upper()} word, the bottom of the hole")
    if code in _DWELLS and math.isnan(p):
        raise RefusedError("cycle", f"{name_of(code)} needs a P word")
    if code == 830 and math.isnan(sticky.q):
        raise RefusedError("cycle", "G83 needs a Q word")
    if code == 870 and math.isnan(sticky.i + sticky.j + sticky.k):
        raise RefusedError("cycle", "G87 needs I, J and K words")
    return sticky


def _go(state: State, block: Block, kind: RowKind, axis: int, to: float) -> None:
    target = state.here.copy()
    step = abs(to - float(target[axis]))
    target[axis] = to
    if kind == RowKind.RAPID:
        if step > 0.0:
            state.put(kind, target, NAN, block.line)
        return
    state.put(kind, target, fed_minutes(state, block, step, 0.0), block.line)


def _dwell(state: State, block: Block, seconds: float) -> None:
    state.stop_path()
    state.put(RowKind.DWELL, state.here.copy(), seconds / 60.0, block.line)


def _hole(state: State, block: Block, code: int, levels: tuple[int, float, float, float], sticky: Sticky) -> None:
    """Cut one hole from the R level, after the rapid over it: down, what the cycle does at the bottom, and out."""
    ic, r, bottom, clear = levels
    way = state.spindle
    if code == 830:
        _pecks(state, block, levels, sticky.q)
        return
    _go(state, block, RowKind.FEED, ic, bottom)
    if code in _DWELLS:
        _dwell(state, block, sticky.p)
    if code == 840:
        state.stop_path()
        state.spindle = -1
        _go(state, block, RowKind.FEED, ic, r)
        state.stop_path()
        state.spindle = way
        _go(state, block, RowKind.RAPID, ic, clear)
    elif code in (850, 890):
        _go(state, block, RowKind.FEED, ic, r)
        _go(state, block, RowKind.RAPID, ic, clear)
    else:
        if code in (860, 880):
            state.stop_path()
            state.spindle = 0
        _go(state, block, RowKind.RAPID, ic, clear)
        if code in (860, 880):
            state.stop_path()
            state.spindle = way


def _pecks(state: State, block: Block, levels: tuple[int, float, float, float], q: float) -> None:
    """G83: feed by Q, out to the clear level, back down to just above the last depth, until the bottom [3.5.16.4]."""
    ic, r, bottom, clear = levels
    count = max(math.ceil((r - bottom) / q - 1e-9), 1)
    if count > MOST_HOLES:
        raise RefusedError("cycle", "more pecks than are followed", measured=count, limit=MOST_HOLES)
    for peck in range(1, count + 1):
        state.spend(60, "cycle", "drilling goes on longer than is followed")
        depth = bottom if peck == count else r - peck * q
        _go(state, block, RowKind.FEED, ic, depth)
        _go(state, block, RowKind.RAPID, ic, clear)
        if peck < count:
            _go(state, block, RowKind.RAPID, ic, min(depth + PECK_CLEARANCE_MM, clear))
