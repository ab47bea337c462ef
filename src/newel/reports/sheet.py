"""The set-up sheet: everything that one needs beside the machine, on two pages. PDF bytes out, the same on every run."""

from __future__ import annotations

import json
import math
from importlib import resources
from itertools import combinations
from typing import Any

import numpy as np
import typst

from newel.core.findings import obstacles
from newel.core.job import Section, Tailstock
from newel.core.plan import Cut, CutKind
from newel.core.units import degrees, duration, mm
from newel.reports.bar_drawing import bar_drawing_svg
from newel.reports.development import radius_map
from newel.reports.results import CutResult, Results
from newel.reports.summary import bar_text, deviation_lines, finding_text, load_text
from newel.shop.cutters import Cutter
from newel.shop.iso_threads import inside_limits, thread_sizes

DEFER = (
    "This sheet does not replace the machine's manual, the rules that hold where you work, or people who are trained. "
    "Where they say otherwise, they are right."
)
_GENERAL = (
    "Wear eye protection, and hearing protection while the spindle runs.",
    "A turning bar winds up loose sleeves, gloves, cords and long hair: tie back, roll up, take off.",
    "Keep hands out while the spindle or the bar turns. Clear chips with a brush when both stand still.",
    "Take dust away at the cutter. Don't leave a running machine alone: dust and chips can smoulder.",
    "Know where the stop is, and keep it within reach of where you stand.",
)
_CENTRE = "Press the live centre just so that it turns along: too much bends the bar as it gets thin, too little lets it whip."
_LONG_BAR = "Watch the first passes on the thin places: a long bar rings before it breaks. Stop if it sings."
_STUBS = "The part hangs on its stubs at the end. Part it off by hand, with spindle and rotary axis standing and power off."
_LAST_STUB = (
    "At the end the part hangs on {size} only: keep clear, hold it before you cut the stub with {tool}, with spindle and "
    "rotary axis standing and power off."
)


MOST_WIDE_CUTS = 14  # more are told briefly, in two columns: the sheet is two pages


def sheet_pdf(results: Results) -> bytes:
    """Lay out the set-up sheet. Raises RuntimeError where the typesetter warns or fails: a fault of ours, never the input's."""
    template = resources.files("newel.reports").joinpath("sheet.typ").read_bytes()
    pdf, warnings = typst.Compiler(template, ignore_system_fonts=True).compile_with_warnings(
        format="pdf",
        sys_inputs={"data": json.dumps(sheet_data(results), ensure_ascii=False), "drawing": bar_drawing_svg(results)},
        timestamp=0,
    )
    if warnings:
        raise RuntimeError(f"the sheet's typesetter warns: {warnings[0].message}")
    assert isinstance(pdf, bytes)
    return pdf


def sheet_data(results: Results) -> dict[str, Any]:
    """Return every word and number on the sheet."""
    proof, plan, machine = results.proof, results.plan, results.machine
    first = obstacles(proof.findings)[:1]
    return {
        "title": results.job.name,
        "bar_line": _upper(bar_text(plan.bar)) + ".",
        "machine_line": f"{machine.name}, chuck at the {machine.chuck_end} end. Program: {', '.join(results.programs)}.",
        "verdict": str(proof.verdict),
        "proved": str(proof.verdict) == "proved",
        "not_proved_because": "".join(f"{_upper(finding_text(finding))}." for finding in first),
        "seal_short": _seal_words(proof.seal)[:16],
        "steps": _steps(results),
        "a_check": a_check(results),
        "cutters": _cutter_rows(results),
        "approaches": [
            [item.name, mm(item.mm, 1), f"{item.program}, {item.line}" if item.line else item.program]
            for item in proof.approaches
            if math.isfinite(item.mm)
        ],
        "sides": side_rows(results),
        "cuts": _cut_rows(results),
        "cuts_short": _short_cut_rows(results) if len(results.cuts) > MOST_WIDE_CUTS else [],
        "cuts_note": "Feed: speed of the tip over the turning work. ap depth, ae width of cut (ISO 3002). Time by the clock, "
        f"with this machine's accelerations; the whole program {duration(proof.time_min)}.",
        "cautions_general": list(_GENERAL),
        "cautions_own": _own_cautions(results),
        "defer": DEFER,
        "ticks": _ticks(results),
        "measures": _measures(results),
        "proof_lines": _proof_lines(results),
        "decisions": _decisions(results),
        "foot": f"{results.job.name}. Seal {_seal_words(proof.seal)}",
    }


def a_check(results: Results) -> str:
    """Say how to see that A turns the way the program believes.

    In the set-up's frame X runs to the right and Y away from the person, so a turn of +90 about +X brings the top face
    toward the person; the machine's sense of A may be the other way.
    """
    way = "toward you" if results.setup.a_sense > 0 else "away from you"
    other = "away from you" if results.setup.a_sense > 0 else "toward you"
    return (
        f"Mark the bar's top at A0. From in front of the machine, turn A to +90: the mark must come {way}. "
        f"If it goes {other}, stop: the machine file states the wrong sense, and the part would come out as its mirror image."
    )


def levelling(results: Results) -> str:
    """Say how A zero is found for this bar."""
    bar, machine = results.plan.bar, results.machine
    if bar.section is Section.ROUND:
        return "A zero: anywhere. Mark the bar's top with a pencil line, so that a stopped job can be found again."
    home = ""
    if machine.chuck.home_turn_deg and bar.section is not Section.HEXAGON:
        off = degrees(machine.chuck.home_turn_deg)
        home = f" Gripped at the chuck's home the bar stands about {off} off: turn A by that first."
    if bar.turned_deg:
        return (
            f"A zero: a corner up. Touch the two flats beside it at the same Y on either side of the axis; turn A until both "
            f"read the same, and set A to 0.{home}"
        )
    return (
        "A zero: level the top flat. With a dial gauge in the spindle sweep along Y over the flat, near both edges; turn A "
        f"until both ends read the same to 0.02 mm, and set A to 0.{home}"
    )


def _steps(results: Results) -> list[str]:
    plan, setup = results.plan, results.setup
    bar, holding = plan.bar, plan.holding
    chuck_end = results.machine.chuck_end
    free_end = "left" if chuck_end == "right" else "right"
    middle = "where its diagonals cross" if bar.section in (Section.SQUARE, Section.RECTANGLE) else "at its middle"
    steps = [
        f"Saw the bar to {mm(bar.to_x_mm - bar.from_x_mm, 1)}, ends square. Centre-drill the far end {middle}."
        if holding.tailstock is Tailstock.LIVE_CENTRE
        else f"Saw the bar to {mm(bar.to_x_mm - bar.from_x_mm, 1)}, ends square.",
        f"The chuck stands at the {chuck_end} end, the bar's free end points to the {free_end}. "
        f"Grip {mm(holding.grip_mm, 1)} in the jaws, so that {mm(bar.to_x_mm, 1)} stand out. Tighten the jaws evenly, and turn "
        "the bar once by hand: it must run true.",
    ]
    if holding.tailstock is Tailstock.LIVE_CENTRE:
        steps.append("Bring the live centre up, lightly, and lock it.")
    steps.append(levelling(results))
    x_words = {"jaw face": "the jaw face", "part start": "where the part begins", "bar end": "the bar's far end"}
    x_zero = results.job.zero.x_zero
    at = abs(setup.table_from_program_mm[0])
    from_jaws = "" if at < 0.005 else f", {mm(at, 2)} from the jaw face"
    steps.append(
        f"Work zero ({setup.work_offset}): X0 at {x_words.get(x_zero, x_zero)}{from_jaws}; Y0 and Z0 on the rotary axis. "
        "Z0 is the axis, not the bar's top: touch the top and add half the bar's size."
    )
    steps.append("Measure each cutter's length as your machine does it, and run the program once with Z raised above the part.")
    return steps


def _cutter_rows(results: Results) -> list[list[str]]:
    minutes = {item.cutter: item.fed_min + item.rapid_min for item in results.proof.cutter_times}
    return [
        [f"{number}", f"{cutter.name}; {cutter.holder}", mm(cutter.LPR, 1), _time(minutes.get(number))]
        for number, cutter in _in_order_of_use(results)
    ]


def _in_order_of_use(results: Results) -> list[tuple[int, Cutter]]:
    rows: dict[int, Cutter] = dict(results.cutters)
    order = list(dict.fromkeys(result.cut.cutter for result in results.cuts)) or list(rows)
    return [(number, rows[number]) for number in order if number in rows]


def _stick_outs(results: Results) -> list[tuple[int, str, str]]:
    return [(number, cutter.name, mm(cutter.LPR, 1)) for number, cutter in _in_order_of_use(results)]


def side_rows(results: Results) -> list[list[str]]:
    """Return the sides of a plan in their order: number, A, what is cut there, how long; last what is cut as the bar turns."""
    sides = results.plan.sides
    if not sides:
        return []
    rows = []
    for number, side in enumerate(sides, start=1):
        here = [result for result in results.cuts if _is_at(result.cut, side.turn_deg)]
        if here:
            rows.append([f"{number}", degrees(a_of(results, side.turn_deg), 1), _works(here), _time(_sum(here))])
    turning = [result for result in results.cuts if result.cut.turn_deg is None]
    if turning:
        rows.append(["", "turns", _works(turning), _time(_sum(turning))])
    return rows


def a_of(results: Results, turn_deg: float) -> float:
    """Return the A of the program at a turn of the bar, 0 to 360."""
    setup = results.setup
    return (setup.a_sense * setup.along_x * turn_deg - setup.a_zero_deg) % 360.0


def _at_side(results: Results, cut: Cut) -> str:
    """Return a cut's name with the number of its side in the place of the turn: at the machine a side is known by its A."""
    for number, side in enumerate(results.plan.sides, start=1):
        if cut.turn_deg is not None and _is_at(cut, side.turn_deg):
            at = f" at {degrees(cut.turn_deg, 1)}"
            return cut.name.replace(f"the side{at}", f"side {number}").replace(at, f" at side {number}")
    return cut.name


def _is_at(cut: Cut, turn_deg: float) -> bool:
    return cut.turn_deg is not None and abs((cut.turn_deg - turn_deg + 180.0) % 360.0 - 180.0) < 0.05


def _sum(results: list[CutResult]) -> float:
    return sum(result.minutes for result in results)


def _works(results: list[CutResult]) -> str:
    """Say what some cuts do, kind by kind in their order: 'face; bore 2 holes Ø4.50 mm; bevel 5 edges'."""
    said: dict[str, int] = {}
    for result in results:
        cut = result.cut
        for hole in cut.holes:
            pitch = f" (pitch {mm(hole.pitch_mm)})" if cut.kind is CutKind.THREAD and hole.pitch_mm is not None else ""
            words = f"{cut.kind.value} {{}} Ø{hole.diameter_mm:.2f} mm{pitch}"
            said[words] = said.get(words, 0) + 1
        if cut.edges:
            words = f"{cut.kind.value} {{}} edges of {mm(cut.edges[0].width_mm)}"
            said[words] = said.get(words, 0) + len(cut.edges)
        if not cut.holes and not cut.edges:
            words = cut.kind.value if cut.turn_deg is not None else cut.name.rpartition(" with ")[0]
            said.setdefault(words, 0)
    return "; ".join(words.format(count) if count else words for words, count in said.items())


def _cut_rows(results: Results) -> list[list[str]]:
    rows = []
    for result in results.cuts:
        cut = result.cut
        rows.append(
            [
                f"{cut.number}",
                f"{cut.name}, {cut.direction.value}" if cut.turn_deg is None else _at_side(results, cut),
                f"{cut.cutter}",
                f"{cut.spindle_rpm:.0f} rpm",
                f"{cut.feed_mm_per_min:.0f} mm/min",
                mm(cut.ap_mm),
                mm(cut.ae_mm),
                _time(result.minutes),
            ]
        )
    return rows


def _short_cut_rows(results: Results) -> list[list[list[str]]]:
    """Return the cuts in two halves, to stand side by side: units are in the head, the cutter's name stands above."""
    names = {number: cutter.name for number, cutter in results.cutters}
    rows = [
        [
            f"{cut.number}",
            _at_side(results, cut).removesuffix(f" with {names.get(cut.cutter, '')}"),
            f"{cut.cutter}",
            f"{cut.spindle_rpm:.0f}",
            f"{cut.feed_mm_per_min:.0f}",
            f"{cut.ap_mm:.3g}, {cut.ae_mm:.3g}",
            _time(result.minutes),
        ]
        for result in results.cuts
        for cut in (result.cut,)
    ]
    half = (len(rows) + 1) // 2
    return [rows[:half], rows[half:]]


def _own_cautions(results: Results) -> list[str]:
    holding = results.plan.holding
    said = [caution for caution in results.material.cautions if not _said_for_all(caution)]
    own = [f"{_upper(results.material.name)}: {caution[:1].lower() + caution[1:]}" for caution in said]
    if holding.tailstock is Tailstock.LIVE_CENTRE:
        own.append(_CENTRE)
    slender = results.plan.bar.to_x_mm / (2 * min(holding.chuck_stub.radius_mm, results.plan.placement.part_radius_mm))
    if slender > 6.0:  # overhang over the thinnest place; common practice calls this a long bar
        own.append(_LONG_BAR)
    own.append(_last_stub(results) or _STUBS)
    return own


def _last_stub(results: Results) -> str:
    """Say how the part comes off where it was parted off down to thin stubs."""
    parted = results.plan.holding.parted
    tool = "a fine saw" if "metal" in results.material.kind.lower() else "a knife"
    return _LAST_STUB.format(size=f"stubs of {mm(2.0 * parted[0].radius_mm, 1)}", tool=tool) if parted else ""


def _said_for_all(caution: str) -> bool:
    """Tell a material's caution that the general ones say already: eyes, ears, and what a turning bar winds up."""
    words = caution.lower()
    return "eye" in words and "hearing" in words and ("hair" in words or len(words) < 60)


def _ticks(results: Results) -> list[str]:
    ticks = [
        "Right bar, sawn, without knots or cracks where the jaws hold",
        "Jaws tight; chuck key out",
        "A zero levelled, and the way of A checked with +90",
        f"{results.setup.work_offset} set: X, and Y Z on the axis",
        *(f"T{number}: {name}, {out} out of the holder" for number, name, out in _stick_outs(results)),
        "Dry run above the part, hand on the stop",
        "Dust extraction on, eye and hearing protection on",
    ]
    if results.plan.holding.tailstock is Tailstock.LIVE_CENTRE:
        ticks.insert(2, "Live centre in, locked, turning along")
    return ticks


def _measures(results: Results) -> list[list[str]]:
    """Return what to measure: what, what it should be, its limits ('' for none), and room for what it is."""
    plan = results.plan
    bar, place = plan.bar, plan.placement
    tolerance = results.job.finish.tolerance_mm
    rows = [[f"bar, {bar.section.value}", " x ".join(mm(size) for size in bar.size_mm), "", ""]]
    rows.append(["bar, out of the jaws", mm(bar.to_x_mm, 1), "", ""])
    rows.append(["part, length", *_with_limits(place.part_to_x_mm - place.part_from_x_mm, tolerance, ""), ""])
    for name, at, across in _sections(results) if not plan.sides else ():
        rows.append([f"part, {name}, {mm(at, 0)} from the jaws", *_with_limits(across, 2.0 * tolerance, "Ø"), ""])
    rows += _side_measures(results, 2.0 * tolerance)
    for thread in results.proof.deviation.threads:
        low, high = inside_limits(thread_sizes(thread.nominal_mm, thread.asked_pitch_mm)).minor_mm
        where = f"{abs(thread.x_mm):.0f} mm from the jaws"
        rows.append(
            [f"{thread.name}, {where}: bore (and a gauge)", f"Ø{thread.minor_mm:.2f} mm", f"{low:.2f} to {high:.2f}", ""]
        )
    rows.append(["stub at the chuck", f"Ø{2 * plan.holding.chuck_stub.radius_mm:.2f} mm", "", ""])
    for groove in plan.holding.parted:
        end = "chuck" if groove.to_x_mm <= place.part_from_x_mm else "centre"
        rows.append([f"last stub at the {end}", f"Ø{2 * groove.radius_mm:.2f} mm", "", ""])
    if plan.holding.tail_stub is not None:
        rows.append(["stub at the centre", f"Ø{2 * plan.holding.tail_stub.radius_mm:.2f} mm", "", ""])
    return rows


def _side_measures(results: Results, off_mm: float) -> list[list[str]]:
    """Return what to measure of a part cut side by side: across opposite faces, floors under their face, round holes."""
    sides, cuts = results.plan.sides, [result.cut for result in results.cuts]
    tops = {
        k: max(z)
        for k, side in enumerate(sides)
        if (z := [flat for cut in cuts if cut.kind is CutKind.FACE and _is_at(cut, side.turn_deg) for flat in cut.flats_z_mm])
    }
    rows = []
    for k, other in combinations(tops, 2):
        if abs((sides[k].turn_deg - sides[other].turn_deg) % 360.0 - 180.0) < 0.05:
            rows.append([f"across sides {k + 1} and {other + 1}", *_with_limits(tops[k] + tops[other], off_mm, ""), ""])
    for k, top in tops.items():
        clears = [cut for cut in cuts if cut.kind is CutKind.CLEAR and _is_at(cut, sides[k].turn_deg)]
        depths = {round(top - floor, 3) for cut in clears for floor in cut.flats_z_mm}
        for depth in sorted(depth for depth in depths if depth > 0.001):
            rows.append([f"side {k + 1}, floor under its face", *_with_limits(depth, off_mm, ""), ""])
    for diameter in sorted({round(hole.diameter_mm, 3) for cut in cuts for hole in cut.holes if hole.pitch_mm is None}):
        count = sum(abs(hole.diameter_mm - diameter) < 1e-3 for cut in cuts for hole in cut.holes)
        rows.append(["hole" if count == 1 else "holes", *_with_limits(diameter, off_mm, "Ø"), ""])
    return rows


def _with_limits(should_mm: float, off_mm: float, sign: str) -> list[str]:
    return [f"{sign}{should_mm:.2f} mm", f"{should_mm - off_mm:.2f} to {should_mm + off_mm:.2f}"]


def _sections(results: Results) -> list[tuple[str, float, float]]:
    """Return sections to lay a calliper on: name, X from the jaws, and the largest width across the axis there as it turns."""
    place = results.plan.placement
    radii = radius_map(results.part, place.part_from_x_mm, place.part_to_x_mm)
    rows, columns = radii.shape
    across = np.nan_to_num(radii + np.roll(radii, rows // 2, axis=0)).max(axis=0)
    inner = across[columns // 20 : columns - columns // 20]  # not at the very ends, where a calliper finds no hold
    if not len(inner) or inner.max() <= 0.0:
        return []
    step = (place.part_to_x_mm - place.part_from_x_mm) / columns
    found = []
    for name, k in (
        ("largest diameter", int(np.argmax(inner))),
        ("thinnest place", int(np.argmin(np.where(inner > 0, inner, np.inf)))),
    ):
        found.append((name, abs(place.part_from_x_mm + (k + columns // 20 + 0.5) * step), float(inner[k])))
    return found


def _decisions(results: Results) -> list[list[str]]:
    """Return what someone at the machine may want to question; cutters of single sides, feeds and speeds stand in plan.json."""
    return [
        [item.what, item.chosen + ("" if item.by == "Newel" else f" ({item.by})"), _upper(item.because)]
        for item in results.plan.decisions
        if not item.what.startswith(("feed", "spindle speed", "depth and width", "levels at sides", "cutters that clear"))
    ]


def _proof_lines(results: Results) -> list[str]:
    proof = results.proof
    lines = [" ".join(line.split()) for line in deviation_lines(proof, results.job.finish.tolerance_mm)]
    load = load_text(proof)
    if load:
        lines.append(f"{_upper(load)}.")
    lines.append(f"Carved with rays {mm(proof.resolution_mm)} apart.")
    kinds = {finding.code: finding for finding in reversed(proof.findings)}
    lines += [finding_text(finding) for finding in list(kinds.values())[::-1][:4]]
    return [_upper(line) for line in lines]


def _seal_words(seal: str) -> str:
    """Return the seal's own digits: the second word of 'newel-seal-1 DIGITS part=...'."""
    words = seal.split()
    return words[1] if len(words) > 1 else seal


def _time(minutes: float | None) -> str:
    return duration(minutes) if minutes is not None and math.isfinite(minutes) else "not timed"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]
