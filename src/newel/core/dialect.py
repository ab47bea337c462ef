"""The traits of a control's dialect of RS274/NGC: plain switches, each named after what it changes.

The language itself is NISTIR 6556; `reads` lists what a control understands beyond it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from newel.core.job import FeedWords, FileStyle, TurnStyle


@dataclass(frozen=True)
class ReadTraits:
    """What the reader lets pass beyond NISTIR 6556. All off is the report's language, word for word."""

    semicolon_comments: bool = True
    o_words: bool = True  # O-word subroutines, if and loops
    numbered_subprograms: bool = True  # M98 P, M99
    arc_centre_modes: bool = True  # G90.1 and G91.1
    feed_per_turn: bool = False  # G95
    long_lines: bool = True  # more than 256 characters, N words of more than 5 digits
    percent_optional: bool = True  # end of file serves as program end
    lone_motion_words: bool = (
        True  # G0 or G1 without an axis word puts it in force and moves nothing (forbidden in 3.5.1, 3.5.2)
    )
    rapid_dog_leg: bool = False  # G0 moves each axis at its own rapid instead of along a straight line
    a_wrapped_shortest: bool = False  # an absolute A word turns the shorter way (wrapped controls) instead of by its difference
    inch_a_is_degrees: bool = True
    clamp_m: int = 0  # M number that clamps the rotary axis, and the one that releases it; 0: there is no clamp to be told
    unclamp_m: int = 0
    max_rows: int = 6_000_000
    max_loop_turns: int = 250_000  # turns of all loops, and calls: a loop of 200,000 turns, with a call in each, comes through
    max_repeated_work: int = 1_200_000  # about 1.5 s of lines read again by loops and calls, less what their rows pay


@dataclass(frozen=True)
class WriteTraits:
    """How programs are written for a control."""

    units: str = "mm"
    feed_words: FeedWords = FeedWords.INVERSE_TIME
    turn_style: TurnStyle = TurnStyle.GROWING
    files: FileStyle = FileStyle.ONE
    line_numbers: bool = False
    decimals: int = 3  # mm; one more for inch
    angle_decimals: int = 3
    tool_change: str = "T{number} M6"  # the words that call a cutter
    length_offset: str = "G43 H{number}"  # empty where the control applies it by itself
    program_end: str = "M30"
    coolant: str = ""  # words that start air or mist; empty for none
    opening: tuple[str, ...] = ("G17", "G40", "G49", "G80", "G90", "G94")


@dataclass(frozen=True)
class Dialect:
    """A control's dialect: how it reads and how it is written for."""

    name: str = "RS274/NGC"
    reads: ReadTraits = field(default_factory=ReadTraits)
    writes: WriteTraits = field(default_factory=WriteTraits)
