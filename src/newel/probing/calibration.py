"""What the log teaches: the clock's factor, the bending's factor and a cutter's real diameter, each with its uncertainty.

They are proposals, never applied by themselves. A ratio is fitted through the origin, found = k planned, by least squares
on ratios (each entry counts alike, for the error of a time or of a bending grows with it); bands are Student's t, 95 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import t as student

from newel.probing.log import MadeEntry, MeasuredEntry

LEAST = 3  # entries without which nothing is proposed
SURE = 0.95


@dataclass(frozen=True)
class Proposal:
    """A proposed calibration: what, from which value to which (with a 95 % band), of how many entries, and why or why not.

    `worth_it`: the band leaves the present value outside. `apply`: what the person would change, in words.
    """

    what: str
    now: float
    proposed: float
    band: float
    unit: str
    entries: int
    worth_it: bool
    because: str
    apply: str


def clock_factor(runs: Sequence[MadeEntry]) -> Proposal | None:
    """Propose the ratio of time taken to time planned, from runs that came to their end; None with fewer than 3."""
    ratios = [
        run.taken_min / run.planned_min
        for run in runs
        if run.outcome == "good" and run.planned_min and run.taken_min and run.planned_min > 0.0
    ]
    apply = "the machine's accelerations and block rate in its shop file, lower where it takes longer"
    return _ratio("clock: minutes taken for a minute planned", ratios, apply)


def bending_factor(found: Sequence[MeasuredEntry]) -> Proposal | None:
    """Propose the ratio of bending found to bending planned (`what` 'bending'); None with fewer than 3."""
    ratios = [entry.found / entry.planned for entry in found if entry.what == "bending" and entry.planned]
    return _ratio("bending: found for what was planned", ratios, "the material's kc or the jaw stiffness in the shop file")


def cutter_diameter(found: Sequence[MeasuredEntry], cutter: str, diameter_mm: float) -> Proposal | None:
    """Propose a cutter's real diameter from what it left too wide or too narrow; None with fewer than 3 entries.

    `what` 'slot width': as much narrower as the cutter is. 'width': a rib or boss between two flanks, as much wider.
    Turned diameters and depths tell of the tip's height, not of the diameter, and are left out.
    """
    sign = {"slot width": 1.0, "width": -1.0}
    smaller = [
        sign[entry.what] * (entry.found - entry.planned)
        for entry in found
        if entry.cutter == cutter and entry.what in sign and entry.planned is not None and entry.unit == "mm"
    ]
    if len(smaller) < LEAST:
        return None
    mean, band = _mean_and_band(smaller)
    worth = abs(mean) > band
    worn = "worn or ground smaller" if mean < 0.0 else "larger, or running out in its collet"
    because = (
        f"{len(smaller)} widths are off by {mean:+.3f} ± {band:.3f} mm: the cutter is {worn}"
        if worth
        else _not_sure(mean, band, "mm")
    )
    return Proposal(
        f"diameter of {cutter!r}",
        diameter_mm,
        diameter_mm + mean,
        band,
        "mm",
        len(smaller),
        worth,
        because,
        f"DC of {cutter!r} in your shop file",
    )


def proposals(
    runs: Sequence[MadeEntry], found: Sequence[MeasuredEntry], diameters_mm: Sequence[tuple[str, float]] = ()
) -> tuple[Proposal, ...]:
    """Return every proposal that the log has enough entries for; `diameters_mm`: the shop's cutters by name."""
    some = [clock_factor(runs), bending_factor(found)]
    some += [cutter_diameter(found, name, diameter) for name, diameter in diameters_mm]
    return tuple(item for item in some if item is not None)


def _ratio(what: str, ratios: Sequence[float], apply: str) -> Proposal | None:
    if len(ratios) < LEAST:
        return None
    mean, band = _mean_and_band(ratios)
    worth = abs(mean - 1.0) > band
    because = f"{len(ratios)} entries give {mean:.3f} ± {band:.3f}" if worth else _not_sure(mean - 1.0, band, "")
    return Proposal(what, 1.0, mean, band, "", len(ratios), worth, because, apply)


def _mean_and_band(values: Sequence[float]) -> tuple[float, float]:
    n = len(values)
    mean = math.fsum(values) / n
    spread = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (n - 1))
    return mean, float(student.ppf((1.0 + SURE) / 2.0, n - 1)) * spread / math.sqrt(n)


def _not_sure(mean: float, band: float, unit: str) -> str:
    return f"off by {mean:+.3f} ± {band:.3f} {unit}".rstrip() + ": that may be chance; leave it, and measure more"
