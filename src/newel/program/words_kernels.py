"""Kernel that splits program text into words, byte by byte: letters and numbers, nothing looked up, nothing judged."""

# mypy: ignore-errors

from __future__ import annotations

import numpy as np
from numba import njit

BLANK = 0
PLAIN = 1
FULL = 2


@njit(cache=True, error_model="numpy")
def skip_comment(data, p, end):
    """Return the place behind the comment that opens at p; -1 where it does not close, holds another, or may be a message."""
    p += 1
    while p < end and (data[p] == 32 or data[p] == 9):
        p += 1
    if p < end and (data[p] == 77 or data[p] == 109):
        return -1
    while p < end and data[p] != 41 and data[p] != 40 and data[p] < 128:
        p += 1
    if p >= end or data[p] != 41:
        return -1
    return p + 1


@njit(cache=True, error_model="numpy")
def read_number(data, p, end, power_of_ten, largest):
    """Read a plain number at p, blanks inside it let pass: (place behind it, value, digits, nothing but digits).

    Numbers up to `largest` with up to 15 digits come out as the nearest double: digits and power of ten are both exact.
    Zero digits: no number, or one that is left to the full reader.
    """
    sign = 1.0
    bare = True
    mantissa = np.int64(0)
    digits = 0
    significant = 0
    decimals = 0
    point = False
    while p < end:
        c = int(data[p])
        if 48 <= c <= 57:
            mantissa = mantissa * 10 + (c - 48)
            digits += 1
            if mantissa > 0:
                significant += 1
            if point:
                decimals += 1
            if significant > 15 or decimals > 22:
                return p, 0.0, 0, False
        elif c == 46 and not point:
            point = True
            bare = False
        elif (c == 43 or c == 45) and digits == 0 and bare:
            bare = False
            if c == 45:
                sign = -1.0
        elif c != 32 and c != 9 and c != 13:
            break
        p += 1
    if digits == 0 or mantissa > largest * power_of_ten[decimals]:
        return p, 0.0, 0, False
    return p, sign * (mantissa / power_of_ten[decimals]), digits, bare


@njit(cache=True, error_model="numpy")
def split_line(data, p, end, tables, semicolon, words, n_words):
    """Split one line into `words` (letters, values) from n_words on; return how many there are then, -1: a FULL line.

    `tables`: which letters are legal, the powers of ten, the largest number, the most digits of a line number.
    """
    letters, values = words
    is_legal, power_of_ten, largest, most_n = tables
    seen = 0
    m_words = 0
    nothing_yet = True
    while p < end:
        c = int(data[p])
        if c == 32 or c == 9 or c == 13:
            p += 1
            continue
        if c == 40:
            p = skip_comment(data, p, end)
            if p < 0:
                return -1
            nothing_yet = False
            continue
        if c == 59 and semicolon:
            break
        letter = c - 65 if c < 97 else c - 97
        if c < 65 or c > 122 or letter > 25 or not is_legal[letter]:
            return -1
        if letter == 12:
            m_words += 1
            if m_words > 4:
                return -1
        elif letter != 6:
            if seen & (1 << letter):
                return -1
            seen |= 1 << letter
        p, value, digits, bare = read_number(data, p + 1, end, power_of_ten, largest)
        if digits == 0 or (letter == 13 and not (nothing_yet and bare and digits <= most_n)):
            return -1
        letters[n_words] = letter
        values[n_words] = value
        n_words += 1
        nothing_yet = False
    return n_words


@njit(cache=True, error_model="numpy")
def split_words(data, lines, tables, semicolon, kind, first, words):
    """Fill `kind`, `first` and `words` (letters with 0 = a, values) for all `lines` (starts, ends); return the number of words.

    A line is PLAIN when it is nothing but words of a letter and a plain number (and closed comments that carry no
    message), each letter once but for G and M. Anything else is FULL: left for the full reader, with no words.
    """
    starts, ends = lines
    n_words = 0
    for line in range(len(starts)):
        first[line] = n_words
        then = split_line(data, starts[line], ends[line], tables, semicolon, words, n_words)
        if then < 0:
            kind[line] = FULL
        elif then == n_words:
            kind[line] = BLANK
        else:
            kind[line] = PLAIN
            n_words = then
    first[len(starts)] = n_words
    return n_words
