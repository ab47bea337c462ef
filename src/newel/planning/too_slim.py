"""A part so slim that the bar gives way to any cut: refused before anything is made."""

from __future__ import annotations

from newel.core.errors import Infeasible
from newel.core.units import mm

# Where the bar bends, feeds slow down, but only till the chip gets so thin that it rubs: to a quarter or so. What bends by more
# than this at full feed is then still far out of a tolerance of hundredths (our own rule; the shipped bracket: 0.003 mm).
MOST_BENT_MM = 1.0


def refuse_too_slim(give_mm_per_N: float, lightest_N: float) -> None:
    """Raise Infeasible where the lightest roughing cut, at full feed, bends the bar by more than MOST_BENT_MM.

    `give_mm_per_N`: how far the bar gives where it is cut, as it stands then, on average; `lightest_N`: that cut's force.
    """
    bent = give_mm_per_N * lightest_N
    if bent <= MOST_BENT_MM:
        return
    raise Infeasible(
        f"the part is too slim to be cut out of this bar: as it is cut the bar gives {1000.0 * give_mm_per_N:.0f} µm a newton "
        f"and bends by {mm(bent, 1)} under the lightest roughing cut",
        measured=bent,
        limit=MOST_BENT_MM,
        unit="mm",
        where="[place] and [hold]",
        remedy="lay it another way, give it stouter stubs, scale it down, or cut it lying flat on a table",
    )
