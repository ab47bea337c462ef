"""Split a program's text into lines and words: the fast road for plain lines, which are nearly all of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.dialect import ReadTraits
from newel.program.words_kernels import BLANK, FULL, PLAIN, split_words

__all__ = ["BLANK", "FULL", "PLAIN", "WordTable", "lines_of", "split_text"]

LETTERS = "abcdfghijklmnpqrstxyz"  # NISTIR 6556, table 3: E, O, U, V and W are not in the language
LONGEST_LINE = 256  # characters [3.3]
LARGEST = 1e12  # no word of any program needs more; a bound that keeps sums of steps finite
_IS_LEGAL = np.array([chr(97 + i) in LETTERS for i in range(26)])
_POWER_OF_TEN = np.array([10.0**i for i in range(23)])  # each one exact in a double


def most_line_number_digits(traits: ReadTraits) -> int:
    """Return how many digits an N word may have: five [3.3.1], or what long programs need."""
    return 12 if traits.long_lines else 5


@dataclass(frozen=True)
class WordTable:
    """A program's words as columns.

    `data`: the text's bytes. `start`, `end` (n,): where each line lies in them. `kind` (n,): BLANK, PLAIN or FULL (the
    line needs the full reader). Words of line i are `letters`, `values` [first[i]:first[i + 1]]; letters count from a = 0.
    """

    data: NDArray[np.uint8]
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    kind: NDArray[np.uint8]
    first: NDArray[np.int64]
    letters: NDArray[np.uint8]
    values: NDArray[np.float64]

    def __len__(self) -> int:
        """The number of lines."""
        return len(self.start)

    def text(self, line: int) -> str:
        """Return line `line` (from 0) as text; bytes beyond ASCII come out as what no rule allows."""
        return self.data[self.start[line] : self.end[line]].tobytes().decode("latin-1")


def lines_of(text: str | bytes) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]:
    """Return the bytes of a program and where its lines start and end (line feeds, or lone carriage returns)."""
    raw = text.encode("utf-8", "replace") if isinstance(text, str) else bytes(text)
    if raw.startswith(b"\xef\xbb\xbf"):
        raw = raw[3:]
    if b"\r" in raw:
        raw = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    data = np.frombuffer(raw, dtype=np.uint8)
    breaks = np.flatnonzero(data == 10)
    start = np.concatenate([np.zeros(1, dtype=np.int64), breaks + 1])
    end = np.concatenate([breaks, np.array([len(data)])])
    if len(data) == 0 or data[-1] == 10:
        start, end = start[:-1], end[:-1]
    return data, start.astype(np.int64), end.astype(np.int64)


def split_text(text: str | bytes, traits: ReadTraits, *, all_full: bool = False) -> WordTable:
    """Split a program's text into words; `all_full` sends every line to the full reader (for checking the fast road)."""
    data, start, end = lines_of(text)
    kind = np.zeros(len(start), dtype=np.uint8)
    first = np.zeros(len(start) + 1, dtype=np.int64)
    if all_full:
        kind[:] = FULL
        return WordTable(data, start, end, kind, first, np.zeros(0, np.uint8), np.zeros(0))
    folded = data & 0xDF
    room = int(np.count_nonzero((folded >= 65) & (folded <= 90)))
    del folded
    letters = np.zeros(room, dtype=np.uint8)
    values = np.zeros(room)
    tables = (_IS_LEGAL, _POWER_OF_TEN, LARGEST, most_line_number_digits(traits))
    n = split_words(data, (start, end), tables, traits.semicolon_comments, kind, first, (letters, values))
    if not traits.long_lines:
        kind[end - start > LONGEST_LINE] = FULL
    return WordTable(data, start, end, kind, first, letters[:n], values[:n])
