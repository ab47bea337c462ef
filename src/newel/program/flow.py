"""Which line comes next: O-word subroutines, conditions and loops, and numbered subprograms. The trade's, not the report's.

`oN sub … oN endsub`, `oN call [v] …` (values into #1 to #30, which belong to the call), `oN return`; `oN if [c]`, `elseif`,
`else`, `endif`; `oN while [c] … oN endwhile`; `oN do … oN while [c]`; `oN repeat [n] … oN endrepeat`; `oN break`,
`oN continue`. `M98 Pn Ln` calls the lines from `On` to `M99`. Turns of loops are bounded, and calls are;
a loop that comes back to a state it was in before is known to be endless at once, and so is one that comes back to a state
that decides how it goes on (endless.py).
"""

from __future__ import annotations

import bisect
from dataclasses import dataclass, field

import numpy as np

from newel.program.endless import O_LINE, deciding_parameters
from newel.program.expressions import whole
from newel.program.offsets import MACHINE_HELD_FROM
from newel.program.reader import Block, OWord, fold
from newel.program.rules import RefusedError
from newel.program.state import State
from newel.program.words import FULL, WordTable

DEEPEST_CALL = 50
LOCALS = slice(1, 31)
ANYWHERE = (0, 2**62)
LOOKS_EVERY = 8  # turns of a loop (a power of two): whether what decides was the same before


class StopError(Exception):
    """The program cannot be followed any further, and a finding has said why; caught by the interpreter."""


@dataclass
class Round:
    """A loop that goes round: its lines, turns so far, and what decided how it went on at an earlier one (none yet: None)."""

    first: int
    last: int
    turns: int = 1
    was: tuple[float, ...] | None = None


@dataclass
class Frame:
    """One call: where it returns to, the caller's #1 to #30, loops that are open in it, calls still to be repeated."""

    back: int = -1
    begin: int = 0
    more: int = 0
    label: int = -1  # of an O-word subroutine; -1 for a numbered subprogram or the program itself
    saved: np.ndarray | None = None
    repeats: dict[int, int] = field(default_factory=dict)
    doing: dict[int, int] = field(default_factory=dict)
    seen: dict[int, int] = field(default_factory=dict)  # by label of a while: State.changes when it last went round
    rounds: dict[int, Round] = field(default_factory=dict)  # by line of a while; those that have not been left since
    inside: tuple[int, int] = ANYWHERE  # the lines that all of them have in common

    def arrive(self, line: int) -> None:
        """Forget the loops that the way on to `line`, which is not `inside` all of them, leads out of."""
        self.rounds = {at: loop for at, loop in self.rounds.items() if loop.first <= line <= loop.last}
        self._meet()

    def begin_round(self, line: int, first: int, last: int) -> None:
        """Remember that the loop from line `first` to `last` goes round, with its `while` on `line`."""
        self.rounds[line] = Round(first, last)
        self._meet()

    def _meet(self) -> None:
        loops = self.rounds.values()
        first = max((loop.first for loop in loops), default=ANYWHERE[0])
        self.inside = first, min((loop.last for loop in loops), default=ANYWHERE[1])


class Flow:
    """The labels of a program and the calls and loops that are open."""

    def __init__(self, table: WordTable, state: State) -> None:
        """Index the O-word lines of `table`."""
        self.state = state
        self.frames = [Frame()]
        self.turns, self.calls = 0, 0
        self.was: tuple[object, ...] = ()  # the state at an earlier turn (Brent 1980: taken anew at every power of two)
        self.lines: dict[int, list[int]] = {}
        self.words: dict[int, list[str]] = {}
        self.bare: dict[int, int] = {}
        self.deciding: dict[tuple[int, int], tuple[int, ...] | None] = {}  # by lines of a loop: what decides how it goes on
        self.table = table
        semicolon = state.traits.semicolon_comments
        for line in np.flatnonzero(table.kind == FULL).tolist():
            text = table.text(line)
            if "o" not in text and "O" not in text:
                continue
            match = O_LINE.match(fold(text, semicolon_comments=semicolon))
            if match is None:
                continue
            label, word = int(match[1]), match[2]
            if word:
                self.lines.setdefault(label, []).append(line)
                self.words.setdefault(label, []).append(word)
            else:
                self.bare.setdefault(label, line)

    def turn(self, line: int) -> None:
        """Count a turn of a loop that ends on `line`; refuse too many, and one that begins where an earlier one began."""
        self.turns += 1
        self._bound(self.turns)
        if len(self.frames) > 1:
            return
        state, turns = self.state, self.turns
        if self.was and self.was[0] == line and self.was[1] == state.floats.tobytes() and self.was == self._all(line):
            says = "the loop comes back to where it was, with nothing changed that the program can tell"
            raise RefusedError("endless-loop", says, measured=turns, unit="turns")
        if turns & (turns - 1) == 0:
            self.was = self._all(line)

    def _all(self, line: int) -> tuple[object, ...]:
        """Everything that decides how the program goes on from a turn of a loop outside of calls."""
        frame = self.frames[0]
        return (line, self.state.floats.tobytes(), dict(frame.repeats), dict(frame.doing), self.state.remembered())

    def _bound(self, count: int) -> None:
        most = self.state.traits.max_loop_turns
        if count > most:
            raise RefusedError(
                "endless-loop", "loops and calls do not come to an end", measured=count, limit=most, unit="turns"
            )

    def find(self, label: int, after: int, wanted: tuple[str, ...]) -> int:
        """Return the first line behind `after` where `label` has one of the `wanted` words; refuse where there is none."""
        lines, words = self.lines.get(label, []), self.words.get(label, [])
        for at in range(bisect.bisect_right(lines, after), len(lines)):
            if words[at] in wanted:
                return lines[at]
        raise RefusedError("o-word", f"o{label} has no {' or '.join(wanted)} after this line")

    def follow(self, o_word: OWord, line: int) -> int:
        """Carry out an O-word on `line` (from 0); return the line to go on with."""
        label, word = o_word.label, o_word.word
        if word == "":
            return line + 1
        frame = self.frames[-1]
        if word in ("if", "elseif", "else", "endif"):
            return self._condition(o_word, line)
        if word == "sub":
            return self.find(label, line, ("endsub",)) + 1
        if word == "call":
            return self._call(o_word, line)
        if word in ("endsub", "return"):
            if frame.label != label:
                raise RefusedError("o-word", f"o{label} {word} outside its subroutine")
            return self._leave()
        if word in ("while", "endwhile", "do"):
            return self._while(o_word, line, frame)
        if word in ("repeat", "endrepeat"):
            return self._repeat(o_word, line, frame)
        if word == "break":
            frame.repeats.pop(label, None)
            frame.seen.pop(label, None)
            if frame.doing.pop(label, None) is not None:
                return self.find(label, line, ("while",)) + 1
            return self.find(label, line, ("endwhile", "endrepeat")) + 1
        if word == "continue":
            return self.find(label, line, ("while",) if label in frame.doing else ("endwhile", "endrepeat"))
        raise RefusedError("o-word", f"'o{label} {word}' is not known")

    def _value(self, o_word: OWord) -> float:
        values = o_word.values()
        if len(values) != 1:
            raise RefusedError("o-word", f"o{o_word.label} {o_word.word} needs one value in brackets")
        return values[0]

    def _condition(self, o_word: OWord, line: int) -> int:
        label = o_word.label
        if o_word.word == "endif":
            return line + 1
        if o_word.word in ("elseif", "else"):  # reached from above: an earlier branch was taken
            return self.find(label, line, ("endif",)) + 1
        taken = self._value(o_word) != 0.0
        return line + 1 if taken else -(self.find(label, line, ("elseif", "else", "endif")) + 1)

    def branch(self, o_word: OWord, line: int) -> int:
        """Carry out the O-word that an untaken condition led to: try the next condition, or go on behind it."""
        if o_word.word == "elseif":
            o_word.word = "if"
            return self._condition(o_word, line)
        return line + 1

    def _call(self, o_word: OWord, line: int) -> int:
        label = o_word.label
        values = o_word.values()
        begin = self.find(label, -1, ("sub",))
        if len(values) > 30:
            raise RefusedError("o-word", "a call takes at most 30 values", measured=len(values), limit=30)
        parameters = self.state.parameters
        saved = parameters[LOCALS].copy()
        self._enter(Frame(back=line + 1, begin=begin + 1, label=label, saved=saved))
        self.state.changes += 1
        parameters[LOCALS] = 0.0
        parameters[1 : len(values) + 1] = values
        return begin + 1

    def _enter(self, frame: Frame) -> None:
        self._count_call()
        if len(self.frames) > DEEPEST_CALL:
            says = f"calls inside calls, more than {DEEPEST_CALL} deep"
            raise RefusedError("endless-loop", says, measured=len(self.frames), limit=DEEPEST_CALL)
        self.frames.append(frame)

    def _count_call(self) -> None:
        self.calls += 1
        self._bound(self.calls)

    def _leave(self) -> int:
        frame = self.frames[-1]
        if frame.more > 0:
            self._count_call()
            frame.more -= 1
            frame.arrive(-1)
            return frame.begin
        self.frames.pop()
        self.state.changes += 1
        if frame.saved is not None:
            self.state.parameters[LOCALS] = frame.saved
        return frame.back

    def _while(self, o_word: OWord, line: int, frame: Frame) -> int:
        label = o_word.label
        if o_word.word == "do":
            frame.doing[label] = line
            return line + 1
        if o_word.word == "endwhile":
            self.turn(line)
            lines, words = self.lines[label], self.words[label]
            for at in range(bisect.bisect_left(lines, line) - 1, -1, -1):
                if words[at] == "while":
                    return lines[at]
            raise RefusedError("o-word", f"o{label} endwhile without its while")
        again = self._value(o_word) != 0.0
        if not again:
            frame.seen.pop(label, None)
        elif frame.seen.get(label) == self.state.changes:
            raise RefusedError("endless-loop", f"nothing that o{label} while looks at changes from turn to turn")
        else:
            frame.seen[label] = self.state.changes
            here = frame.rounds.get(line)
            if here is None:
                bounds = self._lines_of_loop(label, line, frame)
                if bounds is not None:
                    frame.begin_round(line, *bounds)
            else:
                here.turns += 1
                if here.turns % LOOKS_EVERY == 0:
                    self._look_back(label, here)
        if label in frame.doing:
            if again:
                self.turn(line)
                return frame.doing[label] + 1
            del frame.doing[label]
            return line + 1
        return line + 1 if again else self.find(label, line, ("endwhile",)) + 1

    def _look_back(self, label: int, here: Round) -> None:
        """Refuse a loop at whose turn what decides is the same as at an earlier one."""
        numbers = self._deciding(here.first, here.last)
        if numbers is None:
            return
        stored = self.state.parameters
        now = tuple([stored.item(number) for number in numbers])
        if now == here.was:
            says = f"nothing that decides how o{label} while goes on has changed since an earlier turn"
            raise RefusedError("endless-loop", says, measured=here.turns, unit="turns")
        if here.turns & (here.turns - 1) == 0:
            here.was = now

    def _lines_of_loop(self, label: int, line: int, frame: Frame) -> tuple[int, int] | None:
        """Return the first and last line of the loop with its `while` on `line`; None where it has no end."""
        if label in frame.doing:
            return frame.doing[label], line
        lines, words = self.lines[label], self.words[label]
        ends = (lines[at] for at in range(bisect.bisect_right(lines, line), len(lines)) if words[at] == "endwhile")
        last = next(ends, None)
        return (line, last) if last is not None else None

    def _deciding(self, first: int, last: int) -> tuple[int, ...] | None:
        """Return what decides how a loop of these lines goes on."""
        if (first, last) not in self.deciding:
            semicolon = self.state.traits.semicolon_comments
            lines = [fold(self.table.text(line), semicolon_comments=semicolon) for line in range(first, last + 1)]
            self.deciding[first, last] = deciding_parameters(lines, MACHINE_HELD_FROM)
        return self.deciding[first, last]

    def _repeat(self, o_word: OWord, line: int, frame: Frame) -> int:
        label = o_word.label
        if o_word.word == "repeat":
            times = whole(self._value(o_word), "o-word", "the number of repeats")
            if times <= 0:
                return self.find(label, line, ("endrepeat",)) + 1
            frame.repeats[label] = times
            return line + 1
        if label not in frame.repeats:
            raise RefusedError("o-word", f"o{label} endrepeat without its repeat")
        frame.repeats[label] -= 1
        if frame.repeats[label] > 0:
            self.turn(line)
            lines, words = self.lines[label], self.words[label]
            for at in range(bisect.bisect_left(lines, line) - 1, -1, -1):
                if words[at] == "repeat":
                    return lines[at] + 1
        del frame.repeats[label]
        return line + 1

    def subprogram(self, block: Block, line: int) -> int:
        """Carry out M98 or M99 on `line` (from 0); return the line to go on with."""
        if 99 in block.m:
            if len(self.frames) == 1:
                raise RefusedError("endless-loop", "M99 in the program itself starts it again without end")
            if self.frames[-1].label >= 0:
                raise RefusedError("o-word", "M99 inside an O-word subroutine")
            return self._leave()
        if "p" not in block.words:
            raise RefusedError("o-word", "M98 needs a P word")
        label = whole(block.words["p"], "o-word", "the P word of M98")
        times = whole(block.words.get("l", 1.0), "o-word", "the L word of M98")
        if label not in self.bare:
            raise RefusedError("o-word", f"there is no subprogram O{label} in this file")
        if times < 1:
            return line + 1
        self._enter(Frame(back=line + 1, begin=self.bare[label] + 1, more=times - 1))
        return self.bare[label] + 1
