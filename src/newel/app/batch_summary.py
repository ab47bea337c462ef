"""A batch's summary: one line a job, prices, and the cut list of the bars it needs."""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from newel.app.batch_work import NOT_PROVED, PROVED, Row, one_line
from newel.core.errors import BadInput, Infeasible
from newel.core.units import duration, mm
from newel.planning.cut_list import Sawing, Sawn, Stock, sawing

_LONGEST_MM, _MOST_AT_HAND = 20_000.0, 999


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


@dataclass(frozen=True)
class KindSawn:
    """What is sawn from one kind of bar: its material and section, pieces, and how (None: no stock was named, or see `why`)."""

    material: str
    section: str
    size_mm: tuple[float, ...]
    pieces: tuple[Sawn, ...]
    sawing: Sawing | None
    why: str = ""

    def bar_text(self) -> str:
        """Say which kind of bar it is."""
        return f"{self.section} bar {' x '.join(mm(size, 1) for size in self.size_mm)}, {self.material}"


def stock_of(asked: Sequence[str]) -> tuple[Stock, ...]:
    """Read stock lengths such as '1000', as many bars as are needed, or '2x640', two at hand. Raises BadInput."""
    found = []
    for text in asked:
        read = re.fullmatch(r"(?:(\d+)\s*x\s*)?(\d+(?:\.\d+)?)", text.strip())
        if read is None or not 1.0 <= float(read[2]) <= _LONGEST_MM or (read[1] and not 1 <= int(read[1]) <= _MOST_AT_HAND):
            raise BadInput(
                f"{text!r} is no stock length", where="--stock-mm", remedy="write MM, such as 1000, or for bars at hand 2x640"
            )
        found.append(Stock(float(read[2]), int(read[1]) if read[1] else None))
    return tuple(found)


def cut_list_of(rows: Sequence[Row], stock: Sequence[Stock], kerf_mm: float) -> list[KindSawn]:
    """Share what was made over the stock, one kind of bar after the other; bars at hand are taken to be of each kind."""
    made = [row for row in rows if row.end in (PROVED, NOT_PROVED)]
    found = []
    for kind in sorted({(row.material, row.section, row.size_mm) for row in made}):
        pieces = tuple(Sawn(row.name, row.sawn_mm) for row in made if (row.material, row.section, row.size_mm) == kind)
        try:
            found.append(KindSawn(*kind, pieces, sawing(pieces, stock, kerf_mm) if stock else None))
        except Infeasible as error:  # the jobs are made all the same
            found.append(KindSawn(*kind, pieces, None, one_line(error)))
    return found


def cut_list_csv(cut_list: Sequence[KindSawn], kerf_mm: float) -> str:
    """Return the cut list as CSV, for the saw: one line a piece, with where on its bar it begins."""
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow(["material", "section", "size_mm", "bar", "stock_mm", "from_mm", "length_mm", "piece"])
    for kind in cut_list:
        size = " x ".join(f"{size:g}" for size in kind.size_mm)
        for number, bar in enumerate(kind.sawing.bars if kind.sawing else (), start=1):
            at = 0.0
            for piece in bar.pieces:
                figures = [number, f"{bar.stock_mm:g}", f"{at:.1f}", f"{piece.length_mm:.1f}", piece.name]
                write.writerow([kind.material, kind.section, size, *figures])
                at += piece.length_mm + kerf_mm
    return out.getvalue()


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


def batch_text(rows: Sequence[Row], cost: Rates, cut_list: Sequence[KindSawn], kerf_mm: float) -> str:
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
        lines += ["", *sawing_text(cut_list, kerf_mm)]
    return "\n".join(lines)


def row_text(row: Row) -> str:
    """Say one job's end."""
    if row.end not in (PROVED, NOT_PROVED):
        return f"{row.end}: {row.says}"
    size = " x ".join(mm(size, 1) for size in row.size_mm)
    worst = f"; {row.says}" if row.says else ""
    return f"{row.end}, {duration(row.minutes)}, {row.section} bar {size}, sawn {mm(row.sawn_mm, 1)}{worst}"


def sawing_text(cut_list: Sequence[KindSawn], kerf_mm: float) -> list[str]:
    """Say how much of each bar is needed and, with stock lengths, how to saw it."""
    lines = []
    for kind in cut_list:
        head = f"{kind.bar_text()}: {len(kind.pieces)} pieces"
        if kind.sawing is None:
            length = sum(piece.length_mm + kerf_mm for piece in kind.pieces)
            lines.append(f"{head}, {mm(length, 0)} with {mm(kerf_mm, 1)} for the saw")
            lines += [f"    not from this stock: {kind.why}"] if kind.why else []
            continue
        bars = kind.sawing.bars
        counts = Counter(bar.stock_mm for bar in bars)
        of = ", ".join(f"{count} of {mm(length, 0)}" for length, count in sorted(counts.items(), reverse=True))
        used = 100 * sum(piece.length_mm for piece in kind.pieces) / kind.sawing.stock_mm
        least = "no way takes less" if kind.sawing.least else "by first fit: another way may take less"
        lines.append(f"{head} from {len(bars)} bars ({of}), {used:.0f} % used; {least}")
        for number, bar in enumerate(bars, start=1):
            said = ", ".join(f"{piece.name} {mm(piece.length_mm, 1)}" for piece in bar.pieces)
            lines.append(f"    bar {number}, {mm(bar.stock_mm, 0)}: {said}; {mm(bar.left_mm, 1)} left")
    return lines


def _cutters(made: Sequence[Row]) -> list[str]:
    return sorted({name for row in made for name in row.cutters})


def _cell(value: float, decimals: int) -> str:
    return "" if math.isnan(value) else f"{value:.{decimals}f}"
