"""The drawing on the set-up sheet: the bar in the jaws and on the centre, dimensioned, and its end as A0 finds it. SVG."""

from __future__ import annotations

from xml.sax.saxutils import escape

import numpy as np

from newel.core.job import Section, Tailstock
from newel.core.units import mm
from newel.reports.development import radius_map
from newel.reports.results import Floats, Results
from newel.reports.shading import BRASS, INK
from newel.reports.solids import section_corners_yz

_WIDTH = 760.0
_END_VIEW = 132.0  # room at the right for the bar's end
_MARGIN = 14.0
_INK = "#" + "".join(f"{round(c * 255):02x}" for c in INK)
_BRASS = "#" + "".join(f"{round(c * 255):02x}" for c in BRASS)
_FONT = "font-family=\"'Libertinus Serif', 'Linux Libertine', Georgia, serif\""


class _Paper:
    """Where the bar frame falls on the paper, seen by someone standing before the machine."""

    def __init__(self, results: Results) -> None:
        bar, chuck = results.plan.bar, results.machine.chuck
        self.chuck_right = results.machine.chuck_end == "right"
        self.from_x = -chuck.jaw_length_mm - 16.0
        tail = results.machine.tailstock
        on_centre = results.plan.holding.tailstock is Tailstock.LIVE_CENTRE and tail is not None
        self.to_x = bar.to_x_mm + (min(tail.centre_length_mm, 24.0) + 10.0 if on_centre and tail is not None else 8.0)
        self.scale = (_WIDTH - _END_VIEW - 2 * _MARGIN) / (self.to_x - self.from_x)
        corner = float(np.abs(section_corners_yz(bar.section, bar.size_mm, bar.turned_deg)[:, 1]).max())
        self.half_mm = corner
        self.jaw_half_mm = min(chuck.jaw_swing_diameter_mm / 2, corner + 16.0)
        self.axis_y = 30.0 + self.jaw_half_mm * self.scale
        self.foot = self.axis_y + self.jaw_half_mm * self.scale
        self.height = self.foot + 92.0

    def x(self, x_mm: float) -> float:
        share = (x_mm - self.from_x) * self.scale
        return _WIDTH - _END_VIEW - _MARGIN - share if self.chuck_right else _MARGIN + share

    def y(self, z_mm: float) -> float:
        return self.axis_y - z_mm * self.scale


def bar_drawing_svg(results: Results) -> str:
    """Draw the set-up of a job, true to scale, with the dimensions that it is set up by."""
    paper = _Paper(results)
    pieces = [
        *_holders(results, paper),
        *_bar(results, paper),
        *_part(results, paper),
        *_zero(results, paper),
        *_dimensions(results, paper),
        *_end_view(results, paper),
    ]
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {paper.height:.0f}" width="{_WIDTH:.0f}" '
        f'height="{paper.height:.0f}" {_FONT} font-size="13" fill="{_INK}">'
    )
    hatch = (
        '<defs><pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<line x1="0" y1="0" x2="0" y2="5" stroke="{_INK}" stroke-width="0.7"/></pattern></defs>'
    )
    return "\n".join([head, hatch, *pieces, "</svg>"]) + "\n"


def _box(paper: _Paper, x: tuple[float, float], z: tuple[float, float], style: str) -> str:
    x0, x1 = sorted((paper.x(x[0]), paper.x(x[1])))
    y0, y1 = sorted((paper.y(z[0]), paper.y(z[1])))
    return f'<rect x="{x0:.2f}" y="{y0:.2f}" width="{x1 - x0:.2f}" height="{y1 - y0:.2f}" {style}/>'


def _holders(results: Results, paper: _Paper) -> list[str]:
    chuck = results.machine.chuck
    metal = f'fill="url(#hatch)" stroke="{_INK}" stroke-width="1"'
    body = min(chuck.body_diameter_mm / 2, paper.jaw_half_mm)
    back = -chuck.jaw_length_mm
    pieces = [_box(paper, (paper.from_x, back), (-body, body), f'fill="#dcdfe1" stroke="{_INK}" stroke-width="1"')]
    for sign in (1, -1):
        pieces.append(_box(paper, (back, 0.0), (sign * paper.half_mm, sign * paper.jaw_half_mm), metal))
    tail = results.machine.tailstock
    if results.plan.holding.tailstock is Tailstock.LIVE_CENTRE and tail is not None:
        radius, end = tail.centre_diameter_mm / 2, results.plan.bar.to_x_mm
        cone = radius / np.tan(np.radians(tail.centre_angle_deg / 2))
        bite = min(2.0, cone / 3)
        shoulder = min(end - bite + cone, paper.to_x - 4.0)
        at_shoulder = (shoulder - end + bite) * np.tan(np.radians(tail.centre_angle_deg / 2))
        outline = [
            (end - bite, 0.0),
            (shoulder, at_shoulder),
            (paper.to_x, at_shoulder),
            (paper.to_x, -at_shoulder),
            (shoulder, -at_shoulder),
        ]
        points = " ".join(f"{paper.x(x):.2f},{paper.y(z):.2f}" for x, z in outline)
        pieces.append(f'<polygon points="{points}" {metal}/>')
    return pieces


def _bar(results: Results, paper: _Paper) -> list[str]:
    bar = results.plan.bar
    pieces = [
        _box(
            paper, (bar.from_x_mm, bar.to_x_mm), (-paper.half_mm, paper.half_mm),
            f'fill="{_BRASS}" fill-opacity="0.13" stroke="{_INK}" stroke-width="1.4"',
        )
    ]  # fmt: skip
    for z in sorted({round(float(c), 3) for c in section_corners_yz(bar.section, bar.size_mm, bar.turned_deg)[:, 1]}):
        if bar.section is not Section.ROUND and abs(abs(z) - paper.half_mm) > 0.01:
            pieces.append(
                f'<line x1="{paper.x(bar.from_x_mm):.2f}" y1="{paper.y(z):.2f}" x2="{paper.x(bar.to_x_mm):.2f}" '
                f'y2="{paper.y(z):.2f}" stroke="{_INK}" stroke-width="0.6"/>'
            )
    pieces.append(
        f'<line x1="{paper.x(paper.from_x):.2f}" y1="{paper.axis_y:.2f}" x2="{paper.x(paper.to_x):.2f}" y2="{paper.axis_y:.2f}" '
        f'stroke="{_INK}" stroke-width="0.7" stroke-dasharray="14 4 3 4"/>'
    )
    return pieces


def _part(results: Results, paper: _Paper) -> list[str]:
    plan = results.plan
    style = f'fill="{_BRASS}" fill-opacity="0.55" stroke="{_INK}" stroke-width="1.1" stroke-linejoin="round"'
    pieces = []
    for stub in (plan.holding.chuck_stub, plan.holding.tail_stub):
        if stub is not None:
            pieces.append(_box(paper, (stub.from_x_mm, stub.to_x_mm), (-stub.radius_mm, stub.radius_mm), style))
    x, high, low = _silhouette(results)
    if len(x):
        outline = [(a, b) for a, b in zip(x, high)] + [(a, b) for a, b in zip(x[::-1], low[::-1])]
        points = " ".join(f"{paper.x(a):.2f},{paper.y(b):.2f}" for a, b in outline)
        pieces.append(f'<polygon points="{points}" {style}/>')
    return pieces


def _silhouette(results: Results) -> tuple[Floats, Floats, Floats]:
    """Return X, the highest and the lowest Z of the part there, at A0."""
    place = results.plan.placement
    radii = radius_map(results.part, place.part_from_x_mm, place.part_to_x_mm)
    rows, columns = radii.shape
    height = radii * np.cos(2 * np.pi * (np.arange(rows) + 0.5) / rows)[:, None]
    known = np.isfinite(height).any(axis=0)
    x = place.part_from_x_mm + (np.arange(columns) + 0.5) / columns * (place.part_to_x_mm - place.part_from_x_mm)
    step = max(1, columns // 300)
    x, height = x[known][::step], height[:, known][:, ::step]
    return x, np.nanmax(height, axis=0), np.nanmin(height, axis=0)


def _from_the_end(results: Results) -> Floats:
    """Return the part's outline seen along the axis, (n, 2) of Y and Z at A0: the farthest of all its sections."""
    place = results.plan.placement
    radii = np.nan_to_num(radius_map(results.part, place.part_from_x_mm, place.part_to_x_mm)).max(axis=1)
    turn = 2 * np.pi * (np.arange(len(radii)) + 0.5) / len(radii)
    return np.column_stack([radii * np.sin(turn), radii * np.cos(turn)])[::3]


def _zero(results: Results, paper: _Paper) -> list[str]:
    """Mark the work zero: a quartered circle on the axis."""
    setup = results.setup
    x = paper.x(setup.table_from_program_mm[0] * setup.along_x)
    y = paper.axis_y
    quarter = f"M{x} {y} L{x + 7} {y} A7 7 0 0 1 {x} {y + 7} Z M{x} {y} L{x - 7} {y} A7 7 0 0 1 {x} {y - 7} Z"
    return [
        f'<circle cx="{x:.2f}" cy="{y:.2f}" r="7" fill="#fff" stroke="{_INK}" stroke-width="1.2"/>',
        f'<path d="{quarter}" fill="{_INK}"/>',
        f'<line x1="{x:.2f}" y1="{y - 8:.2f}" x2="{x:.2f}" y2="20" stroke="{_INK}" stroke-width="0.7"/>',
        f'<text x="{x:.2f}" y="14" text-anchor="middle" font-weight="bold">{escape(setup.work_offset)}: X0, axis is Y0 Z0</text>',
    ]


def _dimensions(results: Results, paper: _Paper) -> list[str]:
    plan, bar = results.plan, results.plan.bar
    place = plan.placement
    first, second, third = paper.foot + 22, paper.foot + 48, paper.foot + 76
    pieces = [
        *_dimension(paper, bar.from_x_mm, 0.0, first, "grip"),
        *_dimension(paper, 0.0, place.part_from_x_mm, first, ""),
        *_dimension(paper, place.part_from_x_mm, place.part_to_x_mm, first, "part"),
        *_dimension(paper, place.part_to_x_mm, bar.to_x_mm, first, ""),
        *_dimension(paper, 0.0, bar.to_x_mm, second, "standing out of the jaws"),
        *_dimension(paper, bar.from_x_mm, bar.to_x_mm, third, "saw the bar"),
    ]
    for stub in (plan.holding.chuck_stub, plan.holding.tail_stub):
        if stub is not None:
            middle = paper.x((stub.from_x_mm + stub.to_x_mm) / 2)
            y = paper.y(paper.half_mm) - 6
            pieces.append(f'<text x="{middle:.2f}" y="{y:.2f}" text-anchor="middle">Ø{2 * stub.radius_mm:.4g}</text>')
            pieces.append(
                f'<line x1="{middle:.2f}" y1="{y + 3:.2f}" x2="{middle:.2f}" y2="{paper.y(stub.radius_mm):.2f}" stroke="{_INK}" stroke-width="0.6"/>'
            )
    return pieces


def _dimension(paper: _Paper, from_x: float, to_x: float, y: float, name: str) -> list[str]:
    x0, x1 = sorted((paper.x(from_x), paper.x(to_x)))
    text = f"{name} {mm(to_x - from_x, 1)}"
    if not name or len(text) * 6.2 > x1 - x0 - 14:  # too narrow for words
        text = mm(to_x - from_x, 1).removesuffix(" mm")
    pieces = [
        f'<line x1="{x:.2f}" y1="{paper.y(-paper.half_mm) + 3:.2f}" x2="{x:.2f}" y2="{y + 4:.2f}" stroke="{_INK}" stroke-width="0.5"/>'
        for x in (x0, x1)
    ]
    pieces.append(f'<line x1="{x0:.2f}" y1="{y:.2f}" x2="{x1:.2f}" y2="{y:.2f}" stroke="{_INK}" stroke-width="0.7"/>')
    for x, sign in ((x0, 1), (x1, -1)):
        pieces.append(f'<path d="M{x:.2f} {y:.2f} l{7 * sign} -2 l0 4 Z"/>')
    pieces.append(
        f'<text x="{(x0 + x1) / 2:.2f}" y="{y - 4:.2f}" text-anchor="middle" stroke="#fff" stroke-width="4" '
        f'stroke-linejoin="round">{escape(text)}</text><text x="{(x0 + x1) / 2:.2f}" y="{y - 4:.2f}" text-anchor="middle">{escape(text)}</text>'
    )
    return pieces


def _end_view(results: Results, paper: _Paper) -> list[str]:
    """Draw the bar's end as seen from the tailstock's end, with the marked face up and the way that +A turns it."""
    bar = results.plan.bar
    corners = section_corners_yz(bar.section, bar.size_mm, bar.turned_deg)
    half = float(np.abs(corners).max())
    scale = min(33.0 / half, paper.scale)
    cx, cy = _WIDTH - _END_VIEW / 2 + 12, paper.axis_y
    # Seen from the right of the machine the front (-Y of the set-up's frame) is at the left.
    toward_you = results.setup.a_sense > 0
    points = " ".join(f"{cx + y * scale:.2f},{cy - z * scale:.2f}" for y, z in corners)
    part = " ".join(f"{cx + y * scale:.2f},{cy - z * scale:.2f}" for y, z in _from_the_end(results))
    top = float(corners[:, 1].max()) * scale
    arrow = half * scale * 1.42 + 4
    sign = -1 if toward_you else 1
    x1, y1 = cx + sign * arrow * 0.82, cy - arrow * 0.57
    tip = f"M{x1:.2f} {y1:.2f} l{-sign * 8} -1 l{sign * 4} -7 Z"
    return [
        f'<polygon points="{points}" fill="{_BRASS}" fill-opacity="0.16" stroke="{_INK}" stroke-width="1.3"/>',
        f'<polygon points="{part}" fill="{_BRASS}" fill-opacity="0.45" stroke="{_INK}" stroke-width="0.8"/>',
        f'<circle cx="{cx:.2f}" cy="{cy:.2f}" r="1.6"/>',
        f'<circle cx="{cx:.2f}" cy="{cy - top + 6:.2f}" r="3" fill="#fff" stroke="{_INK}" stroke-width="1.4"/>',
        f'<path d="M{cx:.2f} {cy - arrow:.2f} A{arrow:.2f} {arrow:.2f} 0 0 {0 if toward_you else 1} {x1:.2f} {y1:.2f}" fill="none" '
        f'stroke="{_INK}" stroke-width="1.3"/>',
        f'<path d="{tip}"/>',
        f'<text x="{cx + sign * 10:.2f}" y="{cy - arrow - 5:.2f}" text-anchor="middle" font-weight="bold">+A</text>',
        f'<text x="{cx - half * scale - 9:.2f}" y="{cy + 4:.2f}" font-size="12" text-anchor="end" font-style="italic">you</text>',
        f'<text x="{cx:.2f}" y="{cy + arrow + 16:.2f}" font-size="11.5" text-anchor="middle">seen from the right;</text>',
        f'<text x="{cx:.2f}" y="{cy + arrow + 30:.2f}" font-size="11.5" text-anchor="middle">o marks the top at A0</text>',
    ]
