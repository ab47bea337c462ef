"""A batch's summary: one line a job, prices, and the cut list of the bars it needs."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from newel.app.batch_work import NOT_PROVED, PROVED, Row
from newel.core.errors import BadInput
from newel.core.units import duration, mm
from newel.planning.cut_list import Sawn, sawing


@dataclass(frozen=True)
class Rates:
    """What things cost, in whatever money the owner counts in: an hour of the machine, a litre of each material."""

    per_hour: float | None = None
    per_litre: Mapping[str, float] | None = None

    def price(self, row: Row) -> float:
        """Return a job's price (nan where nothing is known to reckon with)."""
        if self.per_hour is None and not self.per_litre:
            return math.nan
        litres = (self.per_litre or {}).get(row.material, 0.0)
        return (self.per_hour or 0.0) * row.minutes / 60.0 + litres * row.bar_mm3 / 1e6


def rates(per_hour: float | None, per_litre: Sequence[str]) -> Rates:
    """Read rates such as 'beech=4.50' (a litre). Raises BadInput for one that cannot be read."""
    table = {}
    for text in per_litre:
        name, _, value = text.rpartition("=")
        try:
            table[name.strip()] = float(value)
        except ValueError:
            raise BadInput(
                f"{text!r} is no rate", where="--per-litre", remedy="write MATERIAL=MONEY, such as beech=4.50"
            ) from None
        if not name.strip() or not 0.0 <= table[name.strip()] < math.inf:
            raise BadInput(f"{text!r} is no rate", where="--per-litre", remedy="write MATERIAL=MONEY, such as beech=4.50")
    return Rates(per_hour, table)


def batch_csv(rows: Sequence[Row], cost: Rates) -> str:
    """Return the summary as CSV."""
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow(["name", "end", "minutes", "section", "size_mm", "material", "sawn_mm", "cutters", "price", "says"])
    for row in rows:
        size = " x ".join(f"{size:g}" for size in row.size_mm)
        figures = [_cell(row.minutes, 1), row.section, size, row.material, _cell(row.sawn_mm, 1), "; ".join(row.cutters)]
        write.writerow([row.name, row.end, *figures, _cell(cost.price(row), 2), row.says])
    return out.getvalue()


def batch_text(rows: Sequence[Row], cost: Rates, stock_mm: float | None, kerf_mm: float) -> str:
    """Tell what came of a batch: a line a job, the sum, and how to saw the bars."""
    wide = max(len(row.name) for row in rows)
    lines = [f"  {row.name:<{wide}}  {row_text(row)}" for row in rows]
    made = [row for row in rows if row.end in (PROVED, NOT_PROVED)]
    ends = Counter(row.end for row in rows)
    lines.append("")
    lines.append(f"{len(rows)} jobs: " + ", ".join(f"{count} {end}" for end, count in sorted(ends.items())))
    if made:
        lines.append(f"machine time {duration(sum(row.minutes for row in made))}; cutters: {', '.join(_cutters(made))}")
        prices = [cost.price(row) for row in made]
        if not any(map(math.isnan, prices)):
            lines.append(f"price {sum(prices):.2f} in all")
        lines += ["", *sawing_text(made, stock_mm, kerf_mm)]
    return "\n".join(lines)


def row_text(row: Row) -> str:
    """Say one job's end."""
    if row.end not in (PROVED, NOT_PROVED):
        return f"{row.end}: {row.says}"
    size = " x ".join(mm(size, 1) for size in row.size_mm)
    worst = f"; {row.says}" if row.says else ""
    return f"{row.end}, {duration(row.minutes)}, {row.section} bar {size}, sawn {mm(row.sawn_mm, 1)}{worst}"


def sawing_text(made: Sequence[Row], stock_mm: float | None, kerf_mm: float) -> list[str]:
    """Say how much of each bar is needed and, with a stock length, how to saw it."""
    lines = []
    kinds = sorted({(row.material, row.section, row.size_mm) for row in made})
    for kind in kinds:
        pieces = [Sawn(row.name, row.sawn_mm) for row in made if (row.material, row.section, row.size_mm) == kind]
        size = " x ".join(mm(size, 1) for size in kind[2])
        head = f"{kind[1]} bar {size}, {kind[0]}: {len(pieces)} pieces"
        if stock_mm is None:
            lines.append(
                f"{head}, {mm(sum(piece.length_mm + kerf_mm for piece in pieces), 0)} with {mm(kerf_mm, 1)} for the saw"
            )
            continue
        bars = sawing(pieces, stock_mm, kerf_mm)
        used = sum(piece.length_mm for piece in pieces) / (len(bars) * stock_mm)
        lines.append(f"{head} from {len(bars)} bars of {mm(stock_mm, 0)}, {100 * used:.0f} % used")
        for number, bar in enumerate(bars, start=1):
            said = ", ".join(f"{piece.name} {mm(piece.length_mm, 1)}" for piece in bar.pieces)
            lines.append(f"    bar {number}: {said}; {mm(bar.left_mm, 1)} left")
    return lines


def _cutters(made: Sequence[Row]) -> list[str]:
    return sorted({name for row in made for name in row.cutters})


def _cell(value: float, decimals: int) -> str:
    return "" if math.isnan(value) else f"{value:.{decimals}f}"
