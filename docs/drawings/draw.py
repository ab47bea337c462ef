"""Draws the figures of docs/how-it-works.md: run it with Python, it writes the SVG files beside itself."""

from __future__ import annotations

import math
from pathlib import Path

INK, PAPER, BRASS, STEEL = "#1e2836", "#f4efe3", "#b08a3c", "#dcdfe1"
FONT = "font-family=\"'Libertinus Serif', Georgia, 'DejaVu Serif', serif\""


def sheet(width: int, height: int, *pieces: str) -> str:
    """Return a whole drawing on our paper."""
    border = f'<rect x="5" y="5" width="{width - 10}" height="{height - 10}" fill="none" stroke="{INK}" stroke-width="1.4"/>'
    arrow = (
        f'<defs><marker id="tip" viewBox="0 0 10 10" refX="9" refY="5" markerWidth="8" markerHeight="8" orient="auto-start-reverse">'
        f'<path d="M0 1 L10 5 L0 9 Z" fill="{INK}"/></marker></defs>'
    )
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" {FONT} font-size="15" fill="{INK}">'
    return (
        "\n".join([head, arrow, f'<rect width="{width}" height="{height}" fill="{PAPER}"/>', *pieces, border, "</svg>"]) + "\n"
    )


def arrow(x0: float, y0: float, x1: float, y1: float, *, dash: str = "") -> str:
    """Return a line with a tip."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<line x1="{x0}" y1="{y0}" x2="{x1}" y2="{y1}" stroke="{INK}" stroke-width="1.6"{dashed} marker-end="url(#tip)"/>'


def text(x: float, y: float, words: str, *, anchor: str = "start", size: int = 15, style: str = "") -> str:
    """Return words."""
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}" font-size="{size}"{" " + style if style else ""}>{words}</text>'


def box(x: float, y: float, w: float, h: float, fill: str = "none") -> str:
    """Return a box with an inked border."""
    return f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="{fill}" stroke="{INK}" stroke-width="1.2"/>'


def quartered(x: float, y: float) -> str:
    """Return the mark of a zero."""
    return (
        f'<circle cx="{x}" cy="{y}" r="7" fill="#fff" stroke="{INK}"/>'
        f'<path d="M{x} {y} h7 a7 7 0 0 1 -7 7 Z M{x} {y} h-7 a7 7 0 0 1 7 -7 Z"/>'
    )


def bar_frame() -> str:
    """Side view and end view of the bar frame, chuck at the left."""
    jaw, axis = 170, 190
    side = [
        box(40, 90, 70, 200, STEEL),
        box(110, 110, 60, 45, STEEL),
        box(110, 225, 60, 45, STEEL),
        box(110, 150, 400, 80, "#e9dcc0"),
        f'<path d="M510 190 l40 -22 h60 v44 h-60 Z" fill="{STEEL}" stroke="{INK}"/>',
        f'<line x1="25" y1="{axis}" x2="640" y2="{axis}" stroke="{INK}" stroke-dasharray="16 4 3 4"/>',
        f'<line x1="{jaw}" y1="70" x2="{jaw}" y2="320" stroke="{INK}" stroke-width="0.8"/>',
        quartered(jaw, axis),
        arrow(jaw, axis, jaw + 130, axis),
        arrow(jaw, axis, jaw, axis - 125),
        text(jaw + 134, axis - 8, "X, toward the tailstock"),
        text(jaw + 8, axis - 112, "Z, toward the spindle"),
        text(jaw, 340, "X = 0: the jaw face", anchor="middle"),
        text(75, 84, "chuck", anchor="middle"),
        text(580, 150, "live centre", anchor="middle"),
        text(340, 250, "bar", anchor="middle"),
    ]
    cx, cy, half = 820, 190, 55
    turn = math.radians(28)
    corners = " ".join(
        f"{cx + half * (math.cos(turn) * y - math.sin(turn) * z):.1f},{cy - half * (math.sin(turn) * y + math.cos(turn) * z):.1f}"
        for y, z in ((1, 1), (-1, 1), (-1, -1), (1, -1))
    )
    end = [
        f'<polygon points="{corners}" fill="#e9dcc0" stroke="{INK}" stroke-width="1.2"/>',
        arrow(cx, cy, cx + 125, cy),
        arrow(cx, cy, cx, cy - 125),
        text(cx + 126, cy + 18, "Y", anchor="middle"),
        text(cx + 8, cy - 112, "Z"),
        arrow(cx, cy, cx + 108 * math.cos(turn), cy - 108 * math.sin(turn), dash="5 4"),
        arrow(cx, cy, cx - 108 * math.sin(turn), cy - 108 * math.cos(turn), dash="5 4"),
        text(cx + 40, cy - 62, "Y of the bar", size=13),
        text(cx - 62, cy - 104, "Z of the bar", anchor="end", size=13),
        f'<path d="M{cx + 74} {cy} A74 74 0 0 0 {cx + 74 * math.cos(turn):.1f} {cy - 74 * math.sin(turn):.1f}" fill="none" stroke="{INK}" '
        'stroke-width="1.6" marker-end="url(#tip)"/>',
        text(cx + 80, cy - 14, "θ", size=16),
        text(cx, 300, "seen from the tailstock, X toward you", anchor="middle", size=13),
        text(cx, 322, "turn θ = sense × (A + A zero)", anchor="middle"),
    ]
    title = text(26, 38, "Table frame T (stands still) and bar frame B (turns with the bar); chuck at the left end", size=18)
    return sheet(980, 360, title, *side, *end)


def either_end() -> str:
    """The set-up's frame with the chuck at the left and at the right."""
    pieces = [text(26, 38, "The set-up's frame: X runs to the machine's right, whichever end the chuck stands at", size=18)]
    for top, right in ((60, False), (225, True)):
        axis = top + 75

        def at(x: float, right: bool = right) -> float:
            return 900 - x if right else 60 + x

        def span(x0: float, x1: float, right: bool = right) -> tuple[float, float]:
            a, b = at(x0, right), at(x1, right)
            return min(a, b), abs(b - a)

        x, w = span(0, 60)
        pieces.append(box(x, axis - 55, w, 110, STEEL))
        x, w = span(60, 110)
        pieces += [box(x, axis - 50, w, 24, STEEL), box(x, axis + 26, w, 24, STEEL)]
        x, w = span(60, 470)
        pieces.append(box(x, axis - 26, w, 52, "#e9dcc0"))
        jaw, far = at(110), at(470)
        sign = -1 if right else 1
        pieces.append(
            f'<path d="M{far} {axis} l{sign * 34} -18 h{sign * 50} v36 h{sign * -50} Z" fill="{STEEL}" stroke="{INK}"/>'
        )
        pieces += [quartered(jaw, axis), arrow(jaw, axis, jaw + 110, axis), text(jaw + 112, axis - 8, "X")]
        pieces.append(arrow(jaw, axis, jaw, axis - 68))
        pieces.append(text(jaw + 8, axis - 58, "Z"))
        note = (
            "chuck at the right: bar at X below 0, along_x = -1"
            if right
            else "chuck at the left: bar at X above 0, along_x = 1"
        )
        pieces.append(text(480, top + 150, note, anchor="middle"))
    return sheet(960, 400, *pieces)


def road() -> str:
    """The main road, and the wall between planning and proof."""
    pieces = [
        text(26, 38, "The main road. Nothing but the program's text, the set-up and the machine goes through the wall", size=18)
    ]
    steps = [
        ("model + job", "read, mend"),
        ("plan", "place, hold, cutters,"),
        ("passes", "rough, finish, links"),
        ("program", "text"),
    ]
    x = 30
    for index, (name, below) in enumerate(steps):
        pieces += [
            box(x, 80, 130, 60, "#fbf8f0"),
            text(x + 65, 106, name, anchor="middle", size=16),
            text(x + 65, 128, below, anchor="middle", size=12),
        ]
        if index < len(steps) - 1:
            pieces.append(arrow(x + 130, 110, x + 158, 110))
        x += 160
    pieces.append(text(255, 156, "feeds, reasons", anchor="middle", size=12))
    wall = 660
    pieces.append(f'<rect x="{wall}" y="62" width="9" height="210" fill="{BRASS}"/>')
    pieces.append(arrow(640, 110, 700, 110))
    for index, (name, below) in enumerate(
        [("motion", "read back, line by line"), ("carve", "the prover's own bar"), ("proof", "findings, verdict, seal")]
    ):
        y = 80 + index * 70
        pieces += [
            box(700, y, 200, 54, "#fbf8f0"),
            text(800, y + 24, name, anchor="middle", size=16),
            text(800, y + 43, below, anchor="middle", size=12),
        ]
        if index < 2:
            pieces.append(arrow(800, y + 54, 800, y + 69))
    pieces += [
        box(350, 200, 130, 54, "#fbf8f0"),
        text(415, 224, "set-up", anchor="middle", size=16),
        text(415, 243, "bar, jaws, cutters, zero", anchor="middle", size=11),
    ]
    pieces.append(arrow(480, 227, 697, 180))
    pieces.append(f'<path d="M255 160 V227 H348" fill="none" stroke="{INK}" stroke-width="1.6" marker-end="url(#tip)"/>')
    return sheet(930, 300, *pieces)


if __name__ == "__main__":
    here = Path(__file__).parent
    for name, drawing in (("bar-frame", bar_frame()), ("either-end", either_end()), ("road", road())):
        (here / f"{name}.svg").write_text(drawing, encoding="utf-8")
