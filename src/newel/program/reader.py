"""Read one line in full: words, parameter settings, comments, O-words, by NISTIR 6556 3.3 and the dialect's traits."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

from newel.core.dialect import ReadTraits
from newel.program.expressions import Parameters, Scanner, Tape, read_expression, read_parameter_number, read_value, whole
from newel.program.rules import RefusedError
from newel.program.words import LARGEST, LETTERS, LONGEST_LINE, most_line_number_digits

_BLANKS = str.maketrans("", "", " \t\r\v\f")
_COMMENT = re.compile(r"\([^()]*\)")


@dataclass(slots=True)
class OWord:
    """An O-word line: the label's number, the word after it ('' for a bare label), and how to work out the values behind it."""

    label: int
    word: str
    values: Callable[[], list[float]]


@dataclass(slots=True)
class Block:
    """One line as read: G numbers times ten, M numbers, the other words by letter, settings, message.

    `settings` take effect after the whole line is read [3.3.3]: the reader's caller applies them.
    """

    line: int
    number: int | None = None
    deleted: bool = False
    g: list[int] = field(default_factory=list)
    m: list[int] = field(default_factory=list)
    words: dict[str, float] = field(default_factory=dict)
    settings: list[tuple[int, float]] = field(default_factory=list)
    message: str = ""
    o_word: OWord | None = None

    def asks_nothing_more(self) -> bool:
        """Tell whether the line asks for nothing besides its settings and its O-word."""
        return not (self.g or self.m or self.words)


def fold(text: str, *, semicolon_comments: bool) -> str:
    """Return a line in lower case without blanks, comments in brackets left as they are, `;` comments cut off."""
    if "(" not in text:
        if semicolon_comments and ";" in text:
            text = text[: text.index(";")]
        return text.translate(_BLANKS).lower()
    pieces = []
    at = 0
    while at < len(text):
        opens = text.find("(", at)
        plain = text[at:] if opens < 0 else text[at:opens]
        if semicolon_comments and ";" in plain:
            pieces.append(plain[: plain.index(";")].translate(_BLANKS).lower())
            break
        pieces.append(plain.translate(_BLANKS).lower())
        if opens < 0:
            break
        closes = text.find(")", opens)
        if closes < 0:
            pieces.append(text[opens:])
            break
        pieces.append(text[opens : closes + 1])
        at = closes + 1
    return "".join(pieces)


def read_line(text: str, line: int, parameters: Parameters, traits: ReadTraits, tape: Tape | None = None) -> Block:
    """Read line number `line` (from 1); raise RefusedError at the first thing the language does not allow.

    `tape`: where each step of working out its values is noted, and behind them what they are for.
    """
    if len(text) > LONGEST_LINE and not traits.long_lines:
        raise RefusedError("line-too-long", "the line is too long", measured=len(text), limit=LONGEST_LINE, unit="characters")
    scan = Scanner(fold(text, semicolon_comments=traits.semicolon_comments), parameters, loose=traits.o_words, tape=tape)
    block = Block(line)
    if scan.take("/"):
        block.deleted = True
    if scan.peek() == "n":
        block.number = _read_line_number(scan, traits)
    while c := scan.peek():
        if c == "(":
            block.message = _read_comment(scan)
        elif c == "#":
            number = read_parameter_number(scan)
            if not scan.take("="):
                raise RefusedError("parameter-form", f"#{number} is neither set (with =) nor the value of a word")
            block.settings.append((number, read_value(scan)))
            scan.note("set", "")
        elif c == "o" and (traits.o_words or traits.numbered_subprograms):
            if block.g or block.m or block.words or block.settings:
                raise RefusedError("o-word", "an O-word must stand first on its line")
            block.o_word = _read_o_word(scan, traits)
            return block
        else:
            _read_word(scan, block)
    return block


def read_call_values(scan: Scanner) -> list[float]:
    """Read the bracketed values after an O-word up to the line's end; comments between them are let pass."""
    values = []
    while c := scan.peek():
        if c == "(":
            _read_comment(scan)
        elif c == "[":
            values.append(read_expression(scan))
            scan.note("value", "")
        else:
            raise RefusedError("o-word", f"'{scan.text[scan.at : scan.at + 12]}' has no place on an O-word line")
    return values


def _read_line_number(scan: Scanner, traits: ReadTraits) -> int:
    scan.at += 1
    begin = scan.at
    while scan.peek() and scan.peek() in "0123456789":
        scan.at += 1
    digits = scan.at - begin
    most = most_line_number_digits(traits)
    if not 1 <= digits <= most:
        says = f"a line number is N and one to {most} digits"
        raise RefusedError("line-number", says, measured=digits, limit=most, unit="digits")
    if scan.peek() == ".":
        raise RefusedError("line-number", "a line number has no decimal point")
    return int(scan.text[begin : scan.at])


def _read_comment(scan: Scanner) -> str:
    """Step over a comment; return its message, '' where it has none. Of several comments the last is used [3.3.4-5]."""
    begin = scan.at + 1
    closes = scan.text.find(")", begin)
    if closes < 0:
        raise RefusedError("comment", "a comment is not closed on its line")
    inside = scan.text[begin:closes]
    if "(" in inside:
        raise RefusedError("comment", "a comment stands inside a comment")
    scan.at = closes + 1
    if inside.translate(_BLANKS)[:4].lower() == "msg,":
        return inside[inside.index(",") + 1 :].strip()
    return ""


def _read_o_word(scan: Scanner, traits: ReadTraits) -> OWord:
    scan.at += 1
    begin = scan.at
    while scan.peek() and scan.peek() in "0123456789":
        scan.at += 1
    if scan.at == begin or scan.at - begin > 9:
        raise RefusedError("o-word", "an O-word needs a whole number of up to nine digits")
    label = int(scan.text[begin : scan.at])
    begin = scan.at
    while scan.peek() and scan.peek() in "abcdefghijklmnopqrstuvwxyz":
        scan.at += 1
    word = scan.text[begin : scan.at]
    if word and not traits.o_words:
        raise RefusedError("not-in-this-dialect", f"'o{label} {word}' needs a dialect with O-word subroutines and loops")
    return OWord(label, word, lambda: read_call_values(scan))


def _read_word(scan: Scanner, block: Block) -> None:
    letter = scan.peek()
    if not ("a" <= letter <= "z"):
        raise RefusedError("unknown-character", f"{letter!r} has no place on a line")
    if letter not in LETTERS:
        raise RefusedError("unknown-word", f"the letter {letter.upper()} is not in the language")
    scan.at += 1
    if letter == "n":
        raise RefusedError("line-number", "a line number must stand first on its line")
    value = read_value(scan)
    scan.note("word", letter)
    if abs(value) > LARGEST:
        says = f"the {letter.upper()} word is larger than any control can hold"
        raise RefusedError("number-form", says, measured=value, limit=LARGEST)
    if letter == "g":
        code = round(value * 10.0)
        if abs(value * 10.0 - code) > 1e-3:
            raise RefusedError("unknown-code", f"G{value:g} is not in the language")
        block.g.append(code)
    elif letter == "m":
        block.m.append(whole(value, "unknown-code", "an M number"))
    elif letter in block.words:
        raise RefusedError("letter-twice", f"the letter {letter.upper()} stands twice on the line")
    else:
        block.words[letter] = value
