"""A program's text written anew around other moves: line for line where its lines run straight through, else expanded.

Everything that is not a move stays where it was: comments, line numbers, stops, T, M and S words, length offsets, dwells,
units. Moves are said in G90 with G0 and G1; arcs and cycles come as the chords they were interpreted to. Programs that
loop, call or reckon with parameters are written out in the order in which they run.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from newel.core.dialect import WriteTraits
from newel.core.job import FeedWords, TurnStyle
from newel.core.motion import Motion, RowKind
from newel.core.units import MM_PER_INCH
from newel.probing.points import Points

_PIECE = re.compile(r"(\([^)]*\)|;.*$)|([A-Za-z])\s*([-+]?\s*(?:\d[\d\s]*\.?[\d\s]*|\.[\d\s]+))|(%)|(\S)")
_MOTION = frozenset((0.0, 1.0, 2.0, 3.0, 80.0, *(80.0 + k for k in range(1, 10))))
_DROPPED = _MOTION | frozenset((17.0, 18.0, 19.0, 90.0, 91.0, 90.1, 91.1, 93.0, 94.0, 98.0, 99.0))
_SYSTEMS = {
    54.0: "G54",
    55.0: "G55",
    56.0: "G56",
    57.0: "G57",
    58.0: "G58",
    59.0: "G59",
    59.1: "G59.1",
    59.2: "G59.2",
    59.3: "G59.3",
}
_MACHINE_PLACES = frozenset((28.0, 30.0, 53.0))
_RESET = frozenset((10.0, 92.0, 92.1, 92.2, 92.3))
_STOPS = frozenset((0.0, 1.0, 2.0, 30.0, 60.0))
SAME_FEED = 1e-4
NOT_STRAIGHT = re.compile(r"^\s*/?\s*(n\s*\d+\s*)?o\s*\d|m\s*9[89]\b|[#\[]", re.IGNORECASE)


@dataclass(frozen=True)
class Style:
    """How numbers are written: decimals of mm (one more in inch) and of degrees, A wrapped or not, G93 or not for turning."""

    decimals: int
    angle_decimals: int
    wrapped: bool
    inverse_time: bool

    @staticmethod
    def of(traits: WriteTraits) -> Style:
        """Return a control's style."""
        wrapped = traits.turn_style is TurnStyle.WRAPPED
        return Style(
            max(traits.decimals, 3), max(traits.angle_decimals, 3), wrapped, traits.feed_words is FeedWords.INVERSE_TIME
        )


@dataclass(frozen=True)
class Rewritten:
    """A text written anew; `source` gives for each of its lines the line (from 1) of the old text that it stands for, or 0."""

    text: str
    source: tuple[int, ...]


def rewritten(text: str, motion: Motion, points: Points, style: Style, *, work_offset: str, head: tuple[str, ...]) -> Rewritten:
    """Return the program's text with `points` in the place of its moves; `head`: comments that go on top."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if lines and not lines[-1].strip():
        lines.pop()
    pen = _Pen(style, motion, points)
    top = [f"({line})" for line in head]
    order = motion.line.astype(np.int64)
    straight = not loops(text) and bool((np.diff(order) >= 0).all())
    if not straight:
        pen.lines += top
        _expanded(pen, lines, motion, points, work_offset)
        return pen.done()
    owners = order[points.row] if len(points.row) else np.zeros(0, dtype=np.int64)
    first = np.searchsorted(owners, np.arange(1, len(lines) + 2))
    opens = 1 if lines and lines[0].strip() == "%" else 0
    pen.lines += lines[:opens] + top
    for number in range(opens + 1, len(lines) + 1):
        pen.stands_for(0)
        _line(pen, lines[number - 1], range(int(first[number - 1]), int(first[number])), work_offset)
        pen.stands_for(number)
    return pen.done()


def loops(text: str) -> bool:
    """Tell whether a program loops, calls or reckons with parameters, so that its lines do not simply follow each other."""
    return any(NOT_STRAIGHT.search(re.sub(r"\([^)]*\)|;.*$", "", line)) for line in text.splitlines())


class _Pen:
    """The lines so far, and what they have put in force."""

    def __init__(self, style: Style, motion: Motion, points: Points) -> None:
        self.style, self.motion, self.points = style, motion, points
        self.lines: list[str] = []
        self.source: list[int] = []
        self.at: list[str | None] = [None] * 4  # the words last said
        self.told = np.full(4, np.nan)
        self.unit_mm = 1.0
        self.feed_mode = ""
        self.feed = ""
        self.mode = ""
        self.inverse_source = False
        self.incremental = False
        self.absolute_said = False

    def stands_for(self, number: int) -> None:
        """Say which old line the lines written since the last time stand for."""
        self.source += [number] * (len(self.lines) - len(self.source))

    def done(self) -> Rewritten:
        """Return all that was written."""
        self.stands_for(0)
        return Rewritten("\n".join(self.lines) + "\n", tuple(self.source))

    def forget(self) -> None:
        """What is said next must be said in full: something else has moved the machine or changed what words mean."""
        self.at = [None] * 4
        self.feed = ""
        self.mode = ""

    def move(self, k: int) -> str:
        """Return the words of move k, '' where it moves nothing."""
        xyza, fed = self.points.xyza[k], bool(self.points.fed[k])
        words, turns = [], False
        before = self.told.copy()
        for axis in range(4):
            value = float(xyza[axis])
            if math.isnan(value):
                continue
            word = self._word(axis, value)
            if word != self.at[axis]:
                words.append(word)
                turns = turns or axis == 3
                self.at[axis] = word
            self.told[axis] = value
        if not words:
            return ""
        out = [] if self.absolute_said else ["G90"]
        self.absolute_said = True
        if fed:
            out += self._fed(float(self.points.minutes[k]), self.told - before, turns, words)
        elif self.mode != "G0":
            out.append("G0")
            self.mode = "G0"
            out += words
        else:
            out += words
        return " ".join(out)

    def _fed(self, minutes: float, step: np.ndarray, turns: bool, words: list[str]) -> list[str]:
        inverse = self.inverse_source or (turns and self.style.inverse_time)
        out = []
        mode = "G93" if inverse else "G94"
        if mode != self.feed_mode:
            out.append(mode)
            self.feed_mode, self.feed = mode, ""
        if self.mode != "G1":
            out.append("G1")
            self.mode = "G1"
        out += words
        if math.isnan(minutes) or minutes <= 0.0:
            return out
        if inverse:
            return [*out, f"F{_trimmed(1.0 / minutes, 6)}"]
        length = math.sqrt(float(np.nansum(step[:3] ** 2))) / self.unit_mm
        moved = any(word[0] in "XYZ" for word in words)
        rate = (length if moved else abs(float(step[3]))) / minutes
        if abs(rate - round(rate)) < SAME_FEED * rate:
            rate = round(rate)  # chords of an arc at the feed asked, not at the hair less that would keep its time
        feed = f"F{_trimmed(rate, 4)}"
        if feed != self.feed:
            out.append(feed)
            self.feed = feed
        return out

    def _word(self, axis: int, value: float) -> str:
        if axis < 3:
            return f"{'XYZ'[axis]}{_fixed(value / self.unit_mm, self.style.decimals + (self.unit_mm != 1.0))}"
        return f"A{_fixed(value % 360.0 if self.style.wrapped else value, self.style.angle_decimals)}"


def _line(pen: _Pen, line: str, moves: range, work_offset: str) -> None:
    """Write one line of the old text anew, with its moves."""
    tokens = _PIECE.findall(line)
    slash = "/" if any(other == "/" for *_, other in tokens) else ""
    words = [(letter.upper(), float(re.sub(r"\s", "", value))) for _, letter, value, _, _ in tokens if letter]
    comments = [comment for comment, *_ in tokens if comment]
    codes = {value for letter, value in words if letter == "G"}
    for letter, value in words:
        _take_mode(pen, letter, value)
    if codes & _MACHINE_PLACES:
        _machine_place(pen, line, codes, moves)
        return
    resets = bool(codes & _RESET)
    kept, stops = [], []
    number = ""
    for letter, value in words:
        text = f"{letter}{value:.10g}"
        if letter == "N":
            number = text
        elif letter == "G" and (value in _DROPPED or value in _RESET or (value in _SYSTEMS and _SYSTEMS[value] != work_offset)):
            continue
        elif letter == "M" and value in _STOPS:
            stops.append(text)
        elif letter in "GMTS" or (letter == "H" and codes & {43.0}) or (letter == "P" and codes & {4.0} and not resets):
            kept.append(text)
    if codes & {43.0, 49.0}:
        pen.at[2] = None  # the same Z is another place now
    said = [text for text in (pen.move(k) for k in moves if _is_move(pen, k)) if text]
    alone = bool(codes & {4.0, 20.0, 21.0, 43.0, 49.0})
    if kept and said and not alone:
        rows = [" ".join([*kept, said[0]]), *said[1:]]
    else:
        rows = [*([" ".join(kept)] if kept else []), *said]
    if stops:
        if len(rows) == 1 and not alone:
            rows[0] = " ".join([rows[0], *stops])
        else:
            rows.append(" ".join(stops))
    if not rows and not comments:
        if any(mark for *_, mark, _ in tokens) or not line.strip():
            pen.lines.append(line.rstrip())
        return
    rows = rows or [""]
    rows[0] = " ".join(part for part in (number if rows[0] else "", rows[0], *comments) if part)
    pen.lines += [slash + row for row in rows]
    if any(letter == "M" and value in (2.0, 30.0) for letter, value in words):
        pen.forget()


def _take_mode(pen: _Pen, letter: str, value: float) -> None:
    if letter != "G":
        return
    if value in (93.0, 94.0):
        pen.inverse_source = value == 93.0
    elif value in (90.0, 91.0):
        pen.incremental = value == 91.0
    elif value in (20.0, 21.0):
        pen.unit_mm = MM_PER_INCH if value == 20.0 else 1.0
        pen.forget()


def _machine_place(pen: _Pen, line: str, codes: set[float], moves: range) -> None:
    """Keep a line that goes to a place of the machine; by G28 and G30 the way there is said apart, in the corrected place."""
    if codes & {53.0}:
        pen.lines.append(re.sub(r"[gG]\s*9[01](?![\d.])\s*", "", line).rstrip())
    else:
        for k in list(moves)[:-1]:
            if _is_move(pen, k) and (said := pen.move(k)):
                pen.lines.append(said)
        axes = " ".join(dict.fromkeys(f"{letter.upper()}0" for letter in re.findall(r"[XYZAxyza](?=\s*[-+.\d])", line)))
        code = "G28" if 28.0 in codes else "G30"
        pen.lines += [f"G91 {code} {axes}".rstrip(), "G90"]
    pen.forget()
    pen.told[:] = np.nan


def _is_move(pen: _Pen, k: int) -> bool:
    return int(pen.motion.kind[pen.points.row[k]]) not in (RowKind.DWELL, RowKind.CHANGE)


def _expanded(pen: _Pen, lines: list[str], motion: Motion, points: Points, work_offset: str) -> None:
    """Write the moves in the order in which they run, with the words that the rows' own columns call for."""
    out = pen.lines
    out += [f"({match})" for line in lines[:8] for match in re.findall(r"^\s*\(([^)]*)\)\s*$", line)]
    out += ["(loops, calls and parameters are written out)", "G21", "G17 G40 G49 G80", work_offset]
    cutter, offset, rpm, coolant = 0, 0, 0.0, 0
    pen.stands_for(0)
    for k, row in enumerate(points.row.tolist()):
        if motion.cutter[row] != cutter:
            cutter = int(motion.cutter[row])
            out += (["M5"] if rpm else []) + [f"T{cutter} M6"]
            rpm = 0.0
            pen.forget()
        if motion.length_offset[row] != offset:
            offset = int(motion.length_offset[row])
            out.append(f"G43 H{offset}" if offset else "G49")
            pen.forget()
        if float(motion.spindle_rpm[row]) != rpm:
            rpm = float(motion.spindle_rpm[row])
            out.append(f"S{abs(rpm):g} {'M3' if rpm > 0 else 'M4'}" if rpm else "M5")
        if motion.coolant[row] != coolant:
            coolant = int(motion.coolant[row])
            out += ["M9", *(["M7"] if coolant & 1 else []), *(["M8"] if coolant & 2 else [])]
        if motion.kind[row] == RowKind.DWELL:
            out.append(f"G4 P{_trimmed(float(motion.minutes[row]) * 60.0, 4)}")
        elif motion.kind[row] != RowKind.CHANGE and (said := pen.move(k)):
            out.append(said)
        pen.stands_for(int(motion.line[row]))
    out += [*(["M9"] if coolant else []), *(["M5"] if rpm else []), "M30"]


def _fixed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _trimmed(value: float, digits: int) -> str:
    """Return a feed with its own number of digits, never in the exponent form that no control reads."""
    return _fixed(value, digits if abs(value) >= 1.0 else digits + 3)
