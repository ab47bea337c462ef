"""How long a fed move takes by the feed words in force."""

from __future__ import annotations

import math

from newel.program import interpreter_kernels as kernels
from newel.program.reader import Block
from newel.program.rules import RefusedError
from newel.program.state import NAN, State


def fed_minutes(state: State, block: Block, length_mm: float, turn_deg: float) -> float:
    """Return the minutes of a fed move by the rule of its feed mode [2.1.2.5, 3.5.19]; nan and a finding without a feed."""
    mode = state.mode(kernels.FEED_MODE)
    feed = float(state.floats[kernels.FEED])
    if mode == 930 and "f" not in block.words:
        raise RefusedError("feed-missing", "with G93 every fed line needs its own F")
    if math.isnan(feed):
        if not state.ints[kernels.FEED_TOLD]:
            state.report("feed-missing", "a fed move with no feed in force", block.line)
            state.ints[kernels.FEED_TOLD] = 1
        return NAN
    if feed == 0.0:
        raise RefusedError("feed-value", "a fed move at a feed of 0", measured=0.0, limit=0.0)
    if mode == 950:
        speed = state.speed_rpm if state.spindle else NAN
        if math.isnan(speed) or speed <= 0.0:
            raise RefusedError("feed-value", "feed per turn with the spindle standing")
        feed *= speed
    return float(kernels.feed_minutes(length_mm, turn_deg, feed, mode, state.unit_mm))
