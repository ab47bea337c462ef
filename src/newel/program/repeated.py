"""Lines that loops and calls run again: read once with a tape of how their values were worked out, then run from the tape.

What a line says does not change from turn to turn, only its values do. The tape is the reader's own order of steps, so the
values are the same to the last bit; whatever goes wrong on the tape sends the line to the reader again, which says why.
A line of nothing but words that the kernel of plain lines knows becomes such a line with its values filled in.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from newel.core.dialect import ReadTraits
from newel.program.expressions import OF_ONE, OF_TWO, Parameters, Tape, finite, parameter_number
from newel.program.interpreter_kernels import RunWords
from newel.program.reader import Block, OWord, read_line
from newel.program.rules import RefusedError
from newel.program.words import LARGEST, PLAIN

Get = Callable[[int], float]

MOST_STEPS = 100  # of a tape: longer ones are read each time (Python's own parser takes no more than 200 brackets in brackets)
_TELL_VALUES = ("if", "elseif", "while", "repeat", "call")
_PLAIN_WORDS = frozenset("xyzafijkr")
_ORDERS = {"gt": ">", "ge": ">=", "lt": "<", "le": "<="}  # the same as in OF_TWO, but without a call


@dataclass(frozen=True)
class Repeated:
    """A line as it can be run again. `work`: what its values cost, in steps. `plain`: the kernel's table, where it may do it.

    `values` gives settings (number and value in turn), then words in order, then what stands behind an O-word.
    """

    label: int
    word: str | None
    values: Callable[[Get], tuple[float, ...]]
    settings: int
    letters: tuple[str, ...]
    g: tuple[int, ...]
    m: tuple[int, ...]
    work: int
    plain: RunWords | None
    plain_from: int

    def block(self, get: Get, line: int) -> Block:
        """Return line number `line` (from 1) as the reader would, with the values of the moment; RefusedError: read it."""
        values = self.values(get)
        split = 2 * self.settings
        settings = [(int(values[k]), values[k + 1]) for k in range(0, split, 2)]
        words = dict(zip(self.letters, values[split:], strict=True))
        for value in words.values():
            if abs(value) > LARGEST:
                raise RefusedError("number-form", "a word is larger than any control can hold")
        return Block(line, g=list(self.g), m=list(self.m), words=words, settings=settings)

    def o_word(self, get: Get) -> OWord:
        """Return the line's O-word."""
        return OWord(self.label, self.word or "", lambda: list(self.values(get)))

    def only_sets(self, get: Get) -> list[tuple[int, float]] | None:
        """Return what a line sets that does nothing else; None for another line."""
        if self.letters or self.g or self.m or not self.settings:
            return None
        values = self.values(get)
        return [(int(values[k]), values[k + 1]) for k in range(0, len(values), 2)]

    def fill(self, get: Get) -> RunWords | None:
        """Return the line as a table of one plain line with the values of the moment; None where it is not that plain."""
        if self.plain is None:
            return None
        table = self.plain.values
        at = self.plain_from
        for value in self.values(get):
            if abs(value) > LARGEST:
                raise RefusedError("number-form", "a word is larger than any control can hold")
            table[at] = value
            at += 1
        return self.plain


def read_repeated(text: str, line: int, parameters: Parameters, traits: ReadTraits) -> Repeated | None:
    """Read a line that is run again (`line` from 1) once more, with a tape; None where it must be read each time."""
    tape = Tape()
    try:
        block = read_line(text, line, parameters, traits, tape)
        values = block.o_word.values() if block.o_word is not None and block.o_word.word in _TELL_VALUES else []
    except RefusedError:
        return None
    if block.deleted or block.message:
        return None
    found = _written(tape)
    if found is None:
        return None
    settings, words, behind, steps = found
    if len(behind) != len(values):
        return None
    source = ", ".join([*settings, *(text for _, text in words), *behind])
    # nothing of the line's text comes in here: numbers as the reader took them, and names out of _NAMES
    made = eval(f"lambda get: ({source}{',' if source else ''})", dict(_NAMES))
    letters = tuple(letter for letter, _ in words)
    o_word = block.o_word
    plain = _plain_table(block, letters) if o_word is None and not settings else None
    return Repeated(
        o_word.label if o_word is not None else 0,
        o_word.word if o_word is not None else None,
        made,
        len(settings) // 2,
        letters,
        tuple(block.g),
        tuple(block.m),
        steps,
        plain,
        len(block.g),
    )


def _written(tape: Tape) -> tuple[list[str], list[tuple[str, str]], list[str], int] | None:
    """Return a tape as Python expressions: settings (number, value in turn), words (letter, value), values behind an O-word.

    None where the line is too long, or where a G or M number is worked out: which code that is may change.
    """
    if len(tape) > MOST_STEPS:
        return None
    stack: list[str] = []
    settings: list[str] = []
    words: list[tuple[str, str]] = []
    behind: list[str] = []
    for k, (kind, what) in enumerate(tape):
        if kind == "number":
            stack.append(repr(float(what)))
        elif kind == "get":
            stack.append(f"get({_number(stack.pop())})")
        elif kind == "one":
            value = stack.pop()
            stack.append(f"(-{value})" if what == "-" else f"{_name_of(what, 1)}({value})")
        elif kind == "two":
            right, left = stack.pop(), stack.pop()
            if what in ("+", "-", "*"):
                stack.append(f"finite({left} {what} {right})")
            elif what in _ORDERS:
                stack.append(f"(1.0 if {left} {_ORDERS[str(what)]} {right} else 0.0)")
            else:
                stack.append(f"{_name_of(what, 2)}({left}, {right})")
        elif kind == "set":
            value, number = stack.pop(), stack.pop()
            settings += [_number(number), value]
        elif kind == "value":
            behind.append(stack.pop())
        elif what in ("g", "m"):
            if tape[k - 1][0] != "number":
                return None
            stack.pop()
        else:
            words.append((str(what), stack.pop()))
    return settings, words, behind, len(tape)


def _number(source: str) -> str:
    """Return the source of a parameter's number: worked out now where it can be."""
    try:
        return str(parameter_number(float(source)))
    except ValueError:
        return f"parameter_number({source})"


def _name_of(what: float | str, count: int) -> str:
    """Return by which name an operation stands in a line's expressions."""
    return f"{_SPELT.get(str(what), what)}_of_{count}"


def _of_two(operation: Callable[[float, float], float]) -> Callable[[float, float], float]:
    return lambda left, right: finite(lambda: operation(left, right))


def _of_one(operation: Callable[[float], float]) -> Callable[[float], float]:
    return lambda value: finite(lambda: operation(value))


def _finite_or_refused(value: float) -> float:
    """Return a sum or a product that is finite; the reader says why it is refused."""
    if value - value == 0.0:
        return value
    raise RefusedError("expression", "the expression has no finite value")


_SPELT = {"**": "power", "/": "over"}
_NAMES: dict[str, object] = {
    "__builtins__": {},
    "parameter_number": parameter_number,
    "finite": _finite_or_refused,
    "atan_of_2": lambda rise, run: math.degrees(math.atan2(rise, run)),
    **{_name_of(name, 2): _of_two(operation) for name, operation in OF_TWO.items() if name not in ("+", "-", "*")},
    **{_name_of(name, 1): _of_one(operation) for name, operation in OF_ONE.items()},
}


def _plain_table(block: Block, letters: tuple[str, ...]) -> RunWords | None:
    """Return a table of one line for the kernel of plain lines, its G words filled in; None for a line with other words."""
    if block.m or not (block.g or letters) or not _PLAIN_WORDS.issuperset(letters):
        return None
    named = [*("g" for _ in block.g), *letters]
    values = np.zeros(len(named))
    values[: len(block.g)] = np.array(block.g, dtype=np.float64) / 10.0
    return RunWords(
        np.array([PLAIN], dtype=np.uint8),
        np.array([0, len(named)], dtype=np.int64),
        np.array([ord(letter) - ord("a") for letter in named], dtype=np.uint8),
        values,
    )
