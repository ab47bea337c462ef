"""What came of a job, in plain words for the terminal."""

from __future__ import annotations

import math

from newel.core.findings import Finding, Severity
from newel.core.job import Section, Tailstock
from newel.core.plan import Bar, Cut, Plan
from newel.core.units import degrees, duration, mm, percent
from newel.proof.results import GroupMeasured, Proof, ThreadMeasured
from newel.reports.results import Results
from newel.shop.iso_threads import inside_limits, thread_sizes
from newel.shop.machines import Machine

_MOST_FINDINGS = 12
_MOST_MEASURES = {
    "force_max_N": ("largest cutting force", "N", 1),
    "rotary_torque_max_Nm": ("largest torque on the rotary axis", "Nm", 2),
    "cutter_bending_max_mm": ("the cutter bends at most", "mm", 3),
    "bar_bending_max_mm": ("the bar bends at most", "mm", 3),
    "spindle_power_max_W": ("most spindle power", "W", 0),
}


def bar_text(bar: Bar) -> str:
    """Name a bar: 'square bar, 40 mm, of beech, sawn 162 mm long'."""
    size = " x ".join(mm(size) for size in bar.size_mm)
    kind = "across flats" if bar.section is Section.HEXAGON else "diameter" if bar.section is Section.ROUND else ""
    sawn = mm(bar.to_x_mm - bar.from_x_mm, 1)
    return f"{bar.section.value} bar, {size}{' ' + kind if kind else ''}, {bar.material}, sawn {sawn} long"


def hold_text(plan: Plan) -> str:
    """Say how the bar is held."""
    tail = "on the live centre" if plan.holding.tailstock is Tailstock.LIVE_CENTRE else "free at the far end"
    return f"{mm(plan.holding.grip_mm, 1)} in the jaws, {tail}, {mm(plan.bar.to_x_mm, 1)} standing out"


def cut_text(cut: Cut, names: dict[int, str]) -> str:
    """Say a cut in one line."""
    step = f"ap {mm(cut.ap_mm)}, ae {mm(cut.ae_mm)}"
    cutter = names.get(cut.cutter, "?")
    name = cut.name if cutter in cut.name else f"{cut.name} with {cutter}"
    way = f", {cut.direction.value}" if cut.turn_deg is None else ""
    return f"{cut.number}. {name} (T{cut.cutter}){way}, {cut.spindle_rpm:.0f} rpm, {cut.feed_mm_per_min:.0f} mm/min, {step}"


def plan_text(plan: Plan, machine: Machine) -> str:
    """Tell a plan with all its reasons."""
    names = dict(plan.cutters)
    lines = [
        f"machine   {machine.name}",
        f"bar       {bar_text(plan.bar)}",
        f"held      {hold_text(plan)}",
        f"part      X {mm(plan.placement.part_from_x_mm, 1)} to {mm(plan.placement.part_to_x_mm, 1)} from the jaw face",
        *(f"side      {degrees(side.turn_deg, 1)}: {side.because}; reaches {side.area_share:.0%}" for side in plan.sides),
        "",
        "cuts",
        *(f"  {cut_text(cut, names)}" for cut in plan.cuts),
        "",
        "decisions",
    ]
    for decision in plan.decisions:
        by = "" if decision.by == "Newel" else f" [{decision.by}]"
        lines.append(f"  {decision.what}: {decision.chosen}{by}")
        lines.append(f"      because {decision.because}")
        if decision.instead_of:
            lines.append(f"      instead of {'; '.join(decision.instead_of)}")
    return "\n".join(lines)


def summary_text(results: Results, *, folder: str) -> str:
    """Tell a made job: bar, holding, cuts with their minutes, verdict, and where the files are."""
    plan = results.plan
    names = dict(plan.cutters)
    lines = [f"{results.job.name}", f"  bar     {bar_text(plan.bar)}", f"  held    {hold_text(plan)}"]
    if results.mended:
        lines.append(f"  mended  {'; '.join(results.mended)}")
    for result in results.cuts:
        lines.append(f"  cut     {cut_text(result.cut, names)}, {duration(result.minutes)}")
    if plan.holding.parted:
        tool = "a fine saw" if "metal" in results.material.kind.lower() else "a knife"
        lines.append(f"  off     cut the stubs of {mm(2.0 * plan.holding.parted[0].radius_mm, 1)} with {tool}")
    lines.append("")
    lines.append(proof_text(results.proof, tolerance_mm=results.job.finish.tolerance_mm))
    lines += [
        "",
        f"  files   {folder}: {', '.join(results.programs)}, sheet.pdf, development.svg, pictures, setup, plan and proof",
    ]
    if results.proof.verdict == "proved":
        lines.append("  Read sheet.pdf before the first cut, and run the program once above the part.")
    else:
        lines.append("  Not proved: don't run this program.")
    return "\n".join(lines)


def proof_text(proof: Proof, *, tolerance_mm: float) -> str:
    """Tell a proof: verdict, deviation, time, load, and what was found."""
    lines = [f"  {str(proof.verdict).upper()}" + _because(proof.findings)]
    lines += [f"  {text}" for text in deviation_lines(proof, tolerance_mm)]
    lines.append(f"  time    {duration(proof.time_min)} on the machine")
    load = load_text(proof)
    if load:
        lines.append(f"  load    {load}")
    lines += _finding_lines(proof.findings)
    return "\n".join(lines)


def deviation_lines(proof: Proof, tolerance_mm: float) -> list[str]:
    """Tell how far the result is off the model; nothing where there was no model."""
    d = proof.deviation
    if d is None or not math.isfinite(d.gouge_max_mm):
        return []
    lines = [f"gouge   {mm(d.gouge_max_mm, 3)} at most; left over {mm(d.leftover_max_mm, 3)} at most"]
    within = f"{percent(d.within_tolerance_pct)} of the reachable surface is within {mm(tolerance_mm, 3)}"
    if d.unreachable_pct > 0.0:
        within += f"; {percent(d.unreachable_pct)} of the surface is out of reach of every cutter here"
    return [*lines, f"        {within}", *(_thread_line(item) for item in d.threads), *(_group_line(item) for item in d.groups)]


def _thread_line(thread: ThreadMeasured) -> str:
    """Tell a thread's sizes, each with what class 6H of ISO 965-1 lets it be."""
    at = f"thread  {thread.name} in the bar at X {thread.x_mm:.1f}"
    if thread.missing:
        return f"{at}: not there, {thread.missing}"
    limits = inside_limits(thread_sizes(thread.nominal_mm, thread.asked_pitch_mm))
    return (
        f"{at}: pitch {mm(thread.pitch_mm, 3)}, pitch diameter {mm(thread.pitch_diameter_mm, 3)} "
        f"({limits.pitch_mm[0]:.3f} to {limits.pitch_mm[1]:.3f}), major {mm(thread.major_mm, 3)} (at least "
        f"{limits.major_mm[0]:.3f}), bore {mm(thread.minor_mm, 3)} ({limits.minor_mm[0]:.3f} to {limits.minor_mm[1]:.3f}), "
        f"{mm(thread.length_mm, 1)} long"
    )


def _group_line(group: GroupMeasured) -> str:
    """Tell how surfaces with a tolerance of their own came out."""
    if group.area_pct == 0.0:
        return f"group   {group.name}: none was made"
    left = f", up to {mm(group.allowance_mm)} may stand" if group.allowance_mm else ""
    return (
        f"group   {group.name}: {percent(group.within_tolerance_pct)} is within {mm(group.tolerance_mm, 3)}{left}; it stands "
        f"{group.mean_mm:+.3f} mm off on the whole, {group.lowest_mm:+.3f} to {group.highest_mm:+.3f}"
    )


def load_text(proof: Proof) -> str:
    """Tell the hardest moments, those that are known."""
    said = []
    for field, (words, unit, decimals) in _MOST_MEASURES.items():
        value = getattr(proof.load, field)
        if math.isfinite(value):
            said.append(f"{words} {value:.{decimals}f} {unit}")
    return ", ".join(said)


def finding_text(finding: Finding) -> str:
    """Tell one finding in a line: where, what, how much."""
    where = ", line ".join(part for part in (finding.program, str(finding.line or "")) if part)
    place = [
        f"{axis} {value:.2f}" if axis != "A" else f"A {degrees(value)}"
        for axis, value in zip("XYZA", (finding.x_mm, finding.y_mm, finding.z_mm, finding.a_deg))
        if math.isfinite(value)
    ]
    measured = ""
    if math.isfinite(finding.measured):
        limit = f", limit {finding.limit:.4g}" if math.isfinite(finding.limit) else ""
        measured = f" ({finding.measured:.4g}{limit} {finding.unit})".rstrip()
    at = " ".join([where, *place]).strip()
    return f"{finding.severity.value}: {finding.says}{measured}" + (f" at {at}" if at else "")


def _because(findings: tuple[Finding, ...]) -> str:
    count = sum(1 for finding in findings if finding.severity is Severity.OBSTACLE)
    return "" if count == 0 else f": {count} obstacle{'s' if count != 1 else ''}"


def _finding_lines(findings: tuple[Finding, ...]) -> list[str]:
    """Tell the findings, the weightiest first; of those with one code, the first and how many more there are."""
    order = {Severity.OBSTACLE: 0, Severity.CAUTION: 1, Severity.NOTE: 2}
    by_code: dict[tuple[Severity, str], list[Finding]] = {}
    for finding in sorted(findings, key=lambda finding: order[finding.severity]):
        by_code.setdefault((finding.severity, finding.code), []).append(finding)
    groups = list(by_code.values())
    lines = []
    for group in groups[:_MOST_FINDINGS]:
        more = f"; {len(group) - 1} more like it" if len(group) > 1 else ""
        lines.append(f"  - {finding_text(group[0])}{more}")
    if len(groups) > _MOST_FINDINGS:
        lines.append(f"  … and {len(groups) - _MOST_FINDINGS} more kinds, see proof.json")
    return lines
