"""Values inside a line: numbers, parameters and bracketed expressions, by NISTIR 6556 3.3.2."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Protocol

from newel.program.rules import RefusedError

WHOLE_WITHIN = 1e-4  # where a whole number is needed, this close to one counts [3.3.2.1]
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")
DEEPEST = 60  # brackets inside brackets; the report's 256-character line could hold a few dozen


class Parameters(Protocol):
    """What an expression asks of the parameters."""

    def get(self, number: int) -> float:
        """Return the value of parameter `number`, which is within range, or refuse."""
        ...


class Tape(list[tuple[str, float | str]]):
    """What a line works out, in the order it is worked out: ("number", value), ("get", ""), ("two", name), ("one", name)."""


class Scanner:
    """A line without its blanks, in lower case, and how far it has been read. `loose`: the trade's comparisons are read too.

    `tape`: where reading a value is noted step by step, for lines that are to be run again (program/repeated.py).
    """

    __slots__ = ("at", "depth", "loose", "parameters", "tape", "text")

    def __init__(self, text: str, parameters: Parameters, *, loose: bool, tape: Tape | None = None) -> None:
        """Start at the beginning of `text`."""
        self.text = text
        self.at = 0
        self.depth = 0
        self.parameters = parameters
        self.loose = loose
        self.tape = tape

    def note(self, kind: str, what: float | str) -> None:
        """Note a step on the tape, where there is one."""
        if self.tape is not None:
            self.tape.append((kind, what))

    def peek(self) -> str:
        """Return the next character, '' at the end."""
        return self.text[self.at] if self.at < len(self.text) else ""

    def take(self, text: str) -> bool:
        """Step over `text` if it comes next."""
        if self.text.startswith(text, self.at):
            self.at += len(text)
            return True
        return False


def whole(value: float, code: str, what: str) -> int:
    """Return `value` as the whole number it stands within 0.0001 of; refuse as `code` where it is none."""
    nearest = round(value) if math.isfinite(value) else 0
    if not math.isfinite(value) or abs(value - nearest) > WHOLE_WITHIN:
        raise RefusedError(code, f"{what} must be a whole number, not {value:g}", measured=value)
    return int(nearest)


def read_number(scan: Scanner) -> float:
    """Read a number: optional sign, digits with at most one point, at least one digit, no exponent [3.3.2.1]."""
    match = _NUMBER.match(scan.text, scan.at)
    if match is None:
        raise RefusedError("number-form", f"a number is needed where {_next(scan, scan.at)} stands")
    scan.at = match.end()
    value = float(match[0])
    if not math.isfinite(value):
        raise RefusedError("number-form", "a number is larger than any control can hold")
    scan.note("number", value)
    return value


def read_value(scan: Scanner) -> float:
    """Read a real value: a number, #parameter, [expression] or unary operation; where `loose`, any with a sign before it."""
    c = scan.peek()
    if scan.loose and c in ("+", "-") and scan.at + 1 < len(scan.text) and scan.text[scan.at + 1] in "#[" + _FIRST_LETTERS:
        scan.at += 1
        value = read_value(scan)
        if c == "-":
            scan.note("one", "-")
        return -value if c == "-" else value
    if c == "#":
        value = scan.parameters.get(read_parameter_number(scan))
        scan.note("get", "")
        return value
    if c == "[":
        return read_expression(scan)
    if "a" <= c <= "z":
        return _read_unary(scan)
    return read_number(scan)


def read_parameter_number(scan: Scanner) -> int:
    """Read '#' and the whole number 1 to 5399 that follows it [3.3.2.2]."""
    _deeper(scan)
    scan.at += 1
    if scan.peek() == "<":
        raise RefusedError("parameter-number", "parameters have numbers here, not names")
    value = read_value(scan)
    scan.depth -= 1
    return parameter_number(value)


def parameter_number(value: float) -> int:
    """Return `value` as the number of a parameter, 1 to 5399; refuse where it is none."""
    number = whole(value, "parameter-number", "a parameter's number")
    if not 1 <= number <= 5399:
        raise RefusedError("parameter-number", f"parameter {number} is outside 1 to 5399", measured=number, limit=5399)
    return number


def read_expression(scan: Scanner) -> float:
    """Read '[' value (operation value)* ']' by the groups' precedence, left to right inside a group [3.3.2.3]."""
    _deeper(scan)
    scan.at += 1
    values = [read_value(scan)]
    operations: list[tuple[int, str]] = []
    while not scan.take("]"):
        rank, operation = _read_operation(scan)
        while operations and operations[-1][0] >= rank:
            _apply(scan, values, operations)
        operations.append((rank, operation))
        values.append(read_value(scan))
    while operations:
        _apply(scan, values, operations)
    scan.depth -= 1
    return values[0]


def _deeper(scan: Scanner) -> None:
    scan.depth += 1
    if scan.depth > DEEPEST:
        raise RefusedError("expression", f"more than {DEEPEST} brackets or parameters inside one another", limit=DEEPEST)


def _apply(scan: Scanner, values: list[float], operations: list[tuple[int, str]]) -> None:
    right = values.pop()
    left = values.pop()
    _, name = operations.pop()
    operation = OF_TWO[name]
    values.append(finite(lambda: operation(left, right)))
    scan.note("two", name)


def finite(compute: Callable[[], float]) -> float:
    """Return what `compute` gives; refuse where that is no finite number."""
    try:
        value = compute()
    except (ArithmeticError, ValueError) as error:
        raise RefusedError("expression", f"the expression has no value ({error})") from None
    if isinstance(value, complex) or not math.isfinite(value):
        raise RefusedError("expression", "the expression has no finite value")
    return float(value)


def _modulo(left: float, right: float) -> float:
    return math.fmod(math.fmod(left, right) + abs(right), right)


def _truth(test: Callable[[float, float], bool]) -> Callable[[float, float], float]:
    return lambda left, right: 1.0 if test(left, right) else 0.0


# Longest first, so that 'xor' is not read as 'x'. Rank 4 binds closest. Comparisons (rank 1) are the trade's, not the report's.
_OPERATIONS: tuple[tuple[str, int, Callable[[float, float], float]], ...] = (
    ("**", 4, lambda left, right: left**right),
    ("*", 3, lambda left, right: left * right),
    ("/", 3, lambda left, right: left / right),
    ("mod", 3, _modulo),
    ("+", 2, lambda left, right: left + right),
    ("-", 2, lambda left, right: left - right),
    ("or", 2, _truth(lambda left, right: left != 0.0 or right != 0.0)),
    ("xor", 2, _truth(lambda left, right: (left != 0.0) != (right != 0.0))),
    ("and", 2, _truth(lambda left, right: left != 0.0 and right != 0.0)),
    ("eq", 1, _truth(lambda left, right: abs(left - right) < 1e-6)),
    ("ne", 1, _truth(lambda left, right: abs(left - right) >= 1e-6)),
    ("gt", 1, _truth(lambda left, right: left > right)),
    ("ge", 1, _truth(lambda left, right: left >= right)),
    ("lt", 1, _truth(lambda left, right: left < right)),
    ("le", 1, _truth(lambda left, right: left <= right)),
)

OF_TWO = {name: operation for name, _, operation in _OPERATIONS}

OF_ONE: dict[str, Callable[[float], float]] = {
    "abs": abs,
    "acos": lambda v: math.degrees(math.acos(v)),
    "asin": lambda v: math.degrees(math.asin(v)),
    "cos": lambda v: math.cos(math.radians(v)),
    "exp": math.exp,
    "fix": math.floor,
    "fup": math.ceil,
    "ln": math.log,
    "round": lambda v: math.floor(v + 0.5) if v >= 0.0 else -math.floor(-v + 0.5),
    "sin": lambda v: math.sin(math.radians(v)),
    "sqrt": math.sqrt,
    "tan": lambda v: math.tan(math.radians(v)),
}
_FIRST_LETTERS = "acefrlst"


def _read_operation(scan: Scanner) -> tuple[int, str]:
    for name, rank, _ in _OPERATIONS:
        if (rank > 1 or scan.loose) and scan.take(name):
            return rank, name
    if not scan.peek():
        raise RefusedError("expression", "a bracket is not closed")
    raise RefusedError("unknown-operation", f"{_next(scan, scan.at)} is no operation between two values")


def _read_unary(scan: Scanner) -> float:
    begin = scan.at
    while "a" <= scan.peek() <= "z":
        scan.at += 1
    name = scan.text[begin : scan.at]
    if name == "atan":
        if scan.peek() != "[":
            raise RefusedError("expression", "ATAN needs its first value in brackets")
        rise = read_expression(scan)
        if not (scan.take("/") and scan.peek() == "["):
            raise RefusedError("expression", "ATAN takes two values: ATAN[a]/[b]")
        run = read_expression(scan)
        scan.note("two", "atan")
        return math.degrees(math.atan2(rise, run))
    if name not in OF_ONE:
        raise RefusedError("unknown-operation", f"'{name}' is not an operation of the language")
    if scan.peek() != "[":
        raise RefusedError("expression", f"{name.upper()} needs its value in brackets")
    value = read_expression(scan)
    operation = OF_ONE[name]
    scan.note("one", name)
    return finite(lambda: operation(value))


def _next(scan: Scanner, at: int) -> str:
    rest = scan.text[at : at + 12]
    return f"'{rest}'" if rest else "the end of the line"
