"""What decides how a loop goes on: the parameters that its conditions read, and those that these are worked out from.

A loop's lines run the same way at every turn at which these parameters hold the same values, however far the tip has moved and
whatever else has been counted meanwhile. So a turn that begins with the values of an earlier one is followed by the same turns
without end.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

O_LINE = re.compile(r"/?(?:n\d+)?o(\d{1,9})([a-z]*)")
# not told from the text: a parameter whose number is worked out, a jump out of the loop's lines, a code that is worked out
_NOT_TOLD = re.compile(r"#[^\d]|#\d+\.|#$|m98|m99|m[#\[]|call|return|sub")
_COMMENT = re.compile(r"\(.*?(\)|$)")
_PARAMETER = re.compile(r"#(\d+)(=?)")


def deciding_parameters(lines: Sequence[str], held_from: int) -> tuple[int, ...] | None:
    """Return the numbers of the parameters that decide how a loop goes on, from the text of its lines, folded.

    None where the text alone does not tell, or where one of them has a number from `held_from` on: the control holds those.
    """
    deciding: set[int] = set()
    worked_out: list[tuple[set[int], set[int]]] = []  # of each line: what it sets, and what it reads
    for text in lines:
        bare = _COMMENT.sub("", text)
        if _NOT_TOLD.search(bare):
            return None
        found = [(int(number), bool(sets)) for number, sets in _PARAMETER.findall(bare)]
        reads = {number for number, sets in found if not sets}
        if O_LINE.match(bare):
            deciding |= reads
        worked_out.append(({number for number, sets in found if sets}, reads))
    before = -1
    while before < len(deciding):
        before = len(deciding)
        for sets, reads in worked_out:
            if sets & deciding:
                deciding |= reads
    return None if any(number >= held_from for number in deciding) else tuple(sorted(deciding))
