"""Reading tables: written for the person to fill in, and read back with a clear answer to everything that looks wrong.

A table is CSV with a header; what a touch is stands in its own columns, so a filled table can be fitted without anything
else. Filled tables come back with blanks, decimal commas, inches, wrong signs, swapped columns: each is named with its
row. What a control prints (lines such as `#1003 = 20.134` or `H3: 20.134`) is read against the table that went out.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from newel.core.errors import BadInput
from newel.core.units import MM_PER_INCH
from newel.probing.machine_fit import Reading
from newel.probing.touches import Feature, Touch

COLUMNS = (
    "name",
    "reading",
    "about",
    "what",
    "axis",
    "way",
    "x_mm",
    "y_mm",
    "z_mm",
    "a_deg",
    "a_from",
    "gauge",
    "parameter",
    "remark",
)
_NEEDED = ("name", "reading")
_PLACE = ("about", "what", "axis", "way", "x_mm", "y_mm", "z_mm", "a_deg", "a_from")
SURE_MM = 4.0  # a reading this near to what is expected is taken as it stands (as far as a routine's touching moves go)
_NUMBER = re.compile(r"^[-+−]?(\d+([.,]\d*)?|[.,]\d+)$")
_LOG_LINE = re.compile(
    r"#\s*(?P<parameter>\d{3,4})\s*[:=]?\s*(?P<a>[-+]?\d*[.,]?\d+)|\b(?P<name>[A-Z]\d{1,3})\b\s*[:=]?\s*[XYZ]?\s*(?P<b>[-+]?\d*[.,]?\d+)"
)


@dataclass(frozen=True)
class Problem:
    """Something in a table that can't be right: where, what looks wrong, and what to do about it."""

    where: str
    what: str
    remedy: str


@dataclass(frozen=True)
class Table:
    """A table as read: the readings that can be used, what was read with a remark, what is wrong, and which are blank."""

    readings: tuple[Reading, ...]
    remarks: tuple[str, ...]
    problems: tuple[Problem, ...]
    blank: tuple[str, ...]

    def sure(self) -> tuple[Reading, ...]:
        """Return the readings, or refuse the table with everything that is wrong with it: BadInput."""
        if self.problems:
            first, more = self.problems[0], self.problems[1:]
            what = "\n       ".join([first.what, *(f"{item.where}: {item.what}; {item.remedy}" for item in more)])
            raise BadInput(what, where=first.where, remedy=first.remedy)
        if not self.readings:
            raise BadInput("no reading is filled in", remedy="write what was read into the column 'reading'")
        return self.readings


def empty_table(touches: Sequence[Touch]) -> str:
    """Return the CSV that a person fills in: a row a touch, the column `reading` blank."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for t in touches:
        about = "" if t.gauge else f"{t.expected_mm:g}"
        place = [f"{value:g}" for value in t.at_mm]
        side = "below" if t.a_from > 0 else "above"
        row = [
            t.name,
            "",
            about,
            t.feature.value,
            t.axis,
            f"{t.way:+d}",
            *place,
            f"{t.a_deg:g}",
            side,
            t.gauge,
            t.parameter or "",
            "",
        ]
        writer.writerow(row)
    return out.getvalue()


def read_table(text: str, *, unit: str = "mm", touches: Sequence[Touch] = ()) -> Table:
    """Read a filled table, or pasted text against the `touches` that went out.

    `unit`: 'mm' or 'inch', of readings that do not say their own. Never raises for what is inside the table: the
    problems say it, row by row.
    """
    if unit not in ("mm", "inch"):
        raise BadInput(f"readings are in mm or inch, not {unit!r}")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").strip("\n\ufeff ").split("\n")
    if not any(line.strip() for line in lines):
        return Table(
            (), (), (Problem("the table", "there is nothing in it", "fill in the table that came with the routine"),), ()
        )
    delimiter = _delimiter(lines[0])
    header = [cell.strip().lower() for cell in next(csv.reader([lines[0]], delimiter=delimiter))] if delimiter else []
    if "name" in header or "reading" in header:
        found = _read_rows(lines, header, delimiter or ",", unit, {touch.name.upper(): touch for touch in touches})
    else:
        found = _read_log(lines, unit, touches)
    return replace(found, problems=(*found.problems, *_swapped_rows(found.readings)))


def _delimiter(line: str) -> str | None:
    counts = {mark: line.count(mark) for mark in "\t;,"}
    best = max(counts, key=lambda mark: counts[mark])
    return best if counts[best] else None


def _read_rows(lines: list[str], header: list[str], delimiter: str, unit: str, known: dict[str, Touch]) -> Table:
    missing = [name for name in (_NEEDED if known else _NEEDED + _PLACE) if name not in header]
    if missing:
        return Table(
            (),
            (),
            (Problem("line 1", f"the header lacks {', '.join(missing)}", "keep the header of the table as it was written"),),
            (),
        )
    readings: list[Reading] = []
    remarks: list[str] = []
    problems: list[Problem] = []
    blank: list[str] = []
    for number, cells in enumerate(csv.reader(lines, delimiter=delimiter), start=1):
        if number == 1 or not any(cell.strip() for cell in cells):
            continue
        row = dict(zip(header, (cell.strip() for cell in cells), strict=False))
        where = f"line {number} ({row.get('name') or 'no name'})"
        if len(cells) > len(header):
            what = f"{len(cells)} fields where the header has {len(header)}"
            problems.append(Problem(where, what, "a decimal comma? Write a point, or put quotes around the number"))
            continue
        if not row.get("reading"):
            blank.append(row.get("name", "") or where)
            continue
        try:
            touch = known.get(row["name"].upper()) or _touch(row)
        except (KeyError, ValueError):
            problems.append(_damaged(row, where))
            continue
        value = _value(row["reading"], unit)
        if value is None:
            problems.append(
                Problem(where, f"{row['reading']!r} is not a number", "write a number, such as 20.134 or 0.7926 in")
            )
            continue
        if "," in row["reading"]:
            remarks.append(f"{where}: {row['reading']} read as {value:g} mm (decimal comma)")
        wrong = _doubt(touch, value, row)
        problems += [Problem(where, *wrong)] if wrong else []
        readings.append(Reading(touch, value))
    return Table(tuple(readings), tuple(remarks), tuple(problems), tuple(blank))


def _read_log(lines: list[str], unit: str, touches: Sequence[Touch]) -> Table:
    """Read lines that name a parameter or a touch and a number; the last one of each counts."""
    if not touches:
        what = "there is no header, so nothing says what was touched"
        return Table((), (), (Problem("line 1", what, "give the routine's own table too, or paste the numbers into it"),), ())
    by_name = {touch.name.upper(): touch for touch in touches}
    by_parameter = {touch.parameter: touch for touch in touches if touch.parameter}
    found: dict[str, tuple[Reading, str]] = {}
    remarks, problems = [], []
    for number, line in enumerate(lines, start=1):
        for match in _LOG_LINE.finditer(line):
            touch = by_parameter.get(int(match["parameter"])) if match["parameter"] else by_name.get(match["name"].upper())
            value = _value(match["a"] or match["b"], unit)
            if touch is None or value is None:
                continue
            if touch.name in found and found[touch.name][0].value_mm != value:
                remarks.append(f"line {number}: {touch.name} comes again; the later one counts")
            found[touch.name] = (Reading(touch, value), f"line {number} ({touch.name})")
    for reading, where in found.values():
        wrong = _doubt(reading.touch, reading.value_mm, {})
        problems += [Problem(where, *wrong)] if wrong else []
    if not found:
        problems.append(
            Problem(
                "the text", "no line names a reading of this routine", "paste lines such as '#1001 = 20.134' or 'H1 20.134'"
            )
        )
    blank = tuple(touch.name for touch in touches if touch.name not in found)
    return Table(tuple(reading for reading, _ in found.values()), tuple(remarks), tuple(problems), blank)


def _touch(row: dict[str, str]) -> Touch:
    """Return the touch that a row's own columns describe; KeyError or ValueError where they are damaged."""
    x, y, z, a = (_plain(row[name]) for name in ("x_mm", "y_mm", "z_mm", "a_deg"))
    gauge = row.get("gauge", "")
    about = _plain(row["about"]) if row["about"] else math.nan
    if math.isnan(about) and not gauge:
        raise ValueError("about")
    side = {"below": 1, "above": -1}[row["a_from"].lower()]
    axis, way = row["axis"].upper(), int(row["way"])
    if axis not in ("X", "Y", "Z") or way not in (-1, 1) or not row["name"]:
        raise ValueError("axis")
    return Touch(row["name"], Feature(row["what"].lower()), axis, way, (x, y, z), about, a, side, about, gauge)


def _damaged(row: dict[str, str], where: str) -> Problem:
    for name, allowed in (
        ("axis", "X, Y or Z"),
        ("way", "+1 or -1"),
        ("a_from", "below or above"),
        ("what", "what is touched"),
    ):
        value = row.get(name, "")
        fine = {
            "axis": value.upper() in ("X", "Y", "Z"),
            "way": value in ("+1", "-1", "1"),
            "a_from": value.lower() in ("below", "above"),
        }
        if not fine.get(name, value.lower() in set(Feature)):
            what = f"the column {name!r} holds {value!r}, not {allowed}"
            return Problem(
                where, what, "the columns seem swapped or shifted: paste the readings into the table as it was written"
            )
    return Problem(
        where, "a column that says where the touch is does not hold a number", "copy the row from the table as it was written"
    )


def _doubt(touch: Touch, value: float, row: dict[str, str]) -> tuple[str, str] | None:
    """Say what looks wrong about a reading that is far from what is expected, and what to do; None where it is near."""
    about = touch.expected_mm
    if touch.gauge or math.isnan(about) or abs(value - about) <= SURE_MM:
        return _gauge_doubt(touch, value)
    far = f"{value:g} mm was read where about {about:g} mm is expected"
    if abs(value * MM_PER_INCH - about) <= SURE_MM / 2:
        return (
            f"{far}: it looks like inches ({value:g} in are {value * MM_PER_INCH:.3f} mm)",
            "write 'in' behind it, or say --unit inch",
        )
    if abs(value / MM_PER_INCH - about) <= SURE_MM / 2:
        return f"{far}: it looks like mm read as inches", "leave out the 'in', or say --unit mm"
    if abs(value + about) <= SURE_MM and abs(about) > SURE_MM / 2:
        return f"{far}: the sign looks wrong", f"check the sign: {-value:g}?"
    for other in ("a_deg", "x_mm", "y_mm", "z_mm"):
        moved = _value(row.get(other, ""), "mm")
        if moved is not None and abs(moved - about) <= SURE_MM and other != f"{touch.axis.lower()}_mm":
            return (
                f"{far}, and the column {other!r} holds {moved:g}: the columns look swapped",
                "put the reading into 'reading'",
            )
    if abs(value / 10.0 - about) <= SURE_MM / 2 or abs(value * 10.0 - about) <= SURE_MM / 2:
        return f"{far}: the decimal point looks shifted", "check the decimal point"
    k = "XYZ".index(touch.axis)
    for i, axis in enumerate("XYZ"):
        if i != k and abs(value - touch.at_mm[i]) <= 0.05:
            return f"{far}: that is where the touch stands in {axis}", f"read {touch.axis} of this touch, not {axis}"
    return far, "touch again, or check that the work offset and the bar are those of the set-up"


def _gauge_doubt(touch: Touch, value: float) -> tuple[str, str] | None:
    if touch.gauge and abs(value) > 10.0:
        return f"a dial gauge can hardly read {value:g} mm", "hundredths? Write what was read in mm, such as 0.12"
    return None


def _swapped_rows(readings: Sequence[Reading]) -> tuple[Problem, ...]:
    """Find pairs of rows whose readings are far off as they stand and near when exchanged."""
    off = [r for r in readings if not r.touch.gauge and abs(r.value_mm - r.touch.expected_mm) > SURE_MM]
    found = []
    for i, one in enumerate(off):
        for other in off[i + 1 :]:
            if max(abs(one.value_mm - other.touch.expected_mm), abs(other.value_mm - one.touch.expected_mm)) <= SURE_MM:
                what = f"the readings of {one.touch.name} and {other.touch.name} look exchanged"
                found.append(Problem(f"{one.touch.name} and {other.touch.name}", what, "exchange the two readings"))
    return tuple(found)


def _value(text: str, unit: str) -> float | None:
    """Return a reading in mm from text such as '20.134', '20,134', '0.7926 in', '20.1 mm'; None where it is no number."""
    match = re.fullmatch(r"\s*(.*?)\s*(mm|in|inch|\"|″)?\s*", text, re.IGNORECASE)
    if match is None or not _NUMBER.match(match[1]):
        return None
    given = (match[2] or unit).lower()
    return _plain(match[1]) * (1.0 if given == "mm" else MM_PER_INCH)


def _plain(text: str) -> float:
    return float(text.replace(",", ".").replace("−", "-"))


def joined(tables: Sequence[tuple[str, Table]]) -> Table:
    """Return several tables, each with a label, as one; problems say which table they are in."""
    problems = tuple(
        replace(problem, where=f"{label}, {problem.where}") for label, table in tables for problem in table.problems
    )
    return Table(
        tuple(reading for _, table in tables for reading in table.readings),
        tuple(remark for _, table in tables for remark in table.remarks),
        problems,
        tuple(name for _, table in tables for name in table.blank),
    )
