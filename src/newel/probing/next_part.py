"""The next part right: from what was measured on the first part, which change would bring the next one in.

Each rule is plane geometry. A part turned under a tip that stands h too high is 2 h too thick in diameter and h too
shallow in depth; a cutter too small by d leaves slots d too narrow and ribs d too wide; sides that are off in opposite
ways are a bar that stands off the axis; an error that grows with the stick-out of bar or cutter is bending, and a second
pass at the same depth (a spring pass) takes most of it.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from newel.core.errors import BadInput

MEASURING_MM = 0.02  # of a caliper (common practice)


class Feature(StrEnum):
    """What was measured on the part."""

    DIAMETER = "diameter"
    DEPTH = "depth"
    SLOT_WIDTH = "slot width"
    WIDTH = "width"
    SIDE = "side"


@dataclass(frozen=True)
class Check:
    """One measurement: what, planned and found (mm), how far from the jaws, and the A of a side (else nan)."""

    feature: Feature
    planned_mm: float
    found_mm: float
    from_jaws_mm: float = math.nan
    a_deg: float = math.nan
    place: str = ""


@dataclass(frozen=True)
class Change:
    """A proposed change: what to change, by how much, and why."""

    what: str
    by: float
    unit: str
    because: str


def changes(checks: Sequence[Check], *, measuring_mm: float = MEASURING_MM) -> tuple[Change, ...]:
    """Return the changes that the measurements speak for; none where all is within what measuring can tell.

    Diameters, depths and sides are told apart by what they have in common: the same for all is a height, opposite on
    opposite sides is an offset, growing away from the jaws is bending.
    """
    for check in checks:
        if not (math.isfinite(check.planned_mm) and math.isfinite(check.found_mm)):
            raise BadInput("a measurement needs planned and found as numbers of mm", where=check.place)
    found: list[Change] = []
    heights = [_height(check) for check in checks if check.feature in (Feature.DIAMETER, Feature.DEPTH, Feature.SIDE)]
    bends = _bending(checks, measuring_mm)
    found += bends
    found += _offset(checks, measuring_mm)
    if heights and not bends:
        mean = math.fsum(heights) / len(heights)
        if abs(mean) > measuring_mm / math.sqrt(len(heights)):
            way = "proud" if mean > 0.0 else "too deep"
            because = f"{len(heights)} surfaces stand {abs(mean):.3f} mm {way} on the average: so far is the tip off"
            found.append(Change("length offset of the finishing cutter (Z of the tip)", -mean, "mm", because))
    found += _width(checks, measuring_mm)
    return tuple(found)


def _height(check: Check) -> float:
    """Return how far a surface stands proud, in mm from the axis."""
    off = check.found_mm - check.planned_mm
    return off / 2.0 if check.feature is Feature.DIAMETER else -off if check.feature is Feature.DEPTH else off


def _bending(checks: Sequence[Check], measuring_mm: float) -> list[Change]:
    """A slope of the error along the bar that is clear of the measuring: what stands further out gives way more."""
    some = [
        (check.from_jaws_mm, _height(check))
        for check in checks
        if check.feature is Feature.DIAMETER and math.isfinite(check.from_jaws_mm)
    ]
    if len(some) < 3:
        return []
    n = len(some)
    mean_x, mean_h = math.fsum(x for x, _ in some) / n, math.fsum(h for _, h in some) / n
    spread = math.fsum((x - mean_x) ** 2 for x, _ in some)
    if spread <= 0.0:
        return []
    slope = math.fsum((x - mean_x) * (h - mean_h) for x, h in some) / spread
    grows = slope * (max(x for x, _ in some) - min(x for x, _ in some))
    worst = max(h for _, h in some)
    if grows <= 2.0 * measuring_mm / 2.0 * math.sqrt(12.0 / n) or worst <= measuring_mm / 2.0:
        return []
    because = (
        f"the part is {grows:.3f} mm prouder (in radius) at its far end than at the jaws: the bar or the cutter gives way there"
    )
    return [Change("a spring pass: the finishing cut once more at the same depth", 1.0, "pass", because)]


def _offset(checks: Sequence[Check], measuring_mm: float) -> list[Change]:
    """Sides that are off in opposite ways: first harmonic of the error over A (an off-centre bar or a wrong Y or Z zero)."""
    sides = [(check.a_deg, _height(check)) for check in checks if check.feature is Feature.SIDE and math.isfinite(check.a_deg)]
    pairs = []
    for i, (a, h) in enumerate(sides):
        for b, other in sides[i + 1 :]:
            if abs((a - b + 180.0) % 360.0 - 180.0) > 179.0:
                pairs.append((a, (h - other) / 2.0))
    found = []
    for a, half in pairs:
        if abs(half) > measuring_mm:
            across = (a + 180.0) % 360.0
            because = (
                f"the sides at A {a:g} and {across:g} are off by {half:+.3f} and {-half:+.3f} mm: the cuts are off the axis"
            )
            found.append(
                Change(
                    f"the bar's place across side A {a:g}: probe the bar's centre and correct the program", -half, "mm", because
                )
            )
    return found


def _width(checks: Sequence[Check], measuring_mm: float) -> list[Change]:
    """Slots too narrow and ribs too wide, or the other way: the cutter's diameter."""
    sign = {Feature.SLOT_WIDTH: 1.0, Feature.WIDTH: -1.0}
    off = [sign[check.feature] * (check.found_mm - check.planned_mm) for check in checks if check.feature in sign]
    if not off:
        return []
    mean = math.fsum(off) / len(off)
    if abs(mean) <= measuring_mm / math.sqrt(len(off)):
        return []
    which = "smaller" if mean < 0.0 else "larger"
    because = f"{len(off)} widths say that the cutter cuts {abs(mean):.3f} mm {which} in diameter than the shop file has it"
    return [Change("the cutter's diameter DC for this job", mean, "mm", because)]


def read_checks(text: str) -> tuple[Check, ...]:
    """Read a table of measurements (CSV with a header). Raises BadInput with the line of what is wrong."""
    rows = csv.DictReader(io.StringIO(text.lstrip("\ufeff")))
    missing = {"feature", "planned_mm", "found_mm"} - set(rows.fieldnames or ())
    if missing:
        raise BadInput(
            f"the header lacks {', '.join(sorted(missing))}", where="line 1", remedy="columns: feature, planned_mm, found_mm"
        )
    found = []
    for number, row in enumerate(rows, start=2):
        where = f"line {number}"
        try:
            feature = Feature((row["feature"] or "").strip().lower())
        except ValueError:
            options = ", ".join(item.value for item in Feature)
            raise BadInput(f"{row['feature']!r} is no feature", where=where, remedy=f"write one of {options}") from None
        try:
            numbers = {name: float(row.get(name) or "nan") for name in ("planned_mm", "found_mm", "from_jaws_mm", "a_deg")}
        except ValueError as error:
            raise BadInput(f"not a number: {error}", where=where, remedy="write numbers with a decimal point") from None
        found.append(Check(feature, **numbers, place=row.get("place") or where))
    if not found:
        raise BadInput("the table holds no measurement", remedy="write a row for each thing that was measured")
    return tuple(found)
