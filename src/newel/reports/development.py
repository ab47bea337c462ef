"""The development: the part's surface unrolled and seen from outside, X along and A across, as SVG. The house picture.

The relief is the radius over the rotary axis, lit from the upper left; thin lines are the passes that finish it, on their way
over the surface: a pass at a clamped side, or beside the axis, lies where its tip does.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from newel.core.motion import MoveKind
from newel.core.plan import CutKind
from newel.core.units import mm
from newel.reports.rays import first_hits, scene_of
from newel.reports.results import CutResult, Floats, Mesh, Results
from newel.reports.shading import BRASS, INK, PAPER

_LEFT, _TOP, _RIGHT = 74.0, 64.0, 26.0
_LEGEND_DOWN, _LEGEND_ROW, _END = 78.0, 20.0, 20.0  # from the frame to the legend, from row to row, under the last
_WIDTH = 1060.0  # of the whole drawing, px
_COLUMNS, _ROWS = 900, 540
_MOST_LINES = 90  # passes drawn of each cut: more would blacken the paper
_LEAST_STEP_MM, _MM_PER_DEG = (
    0.5,
    0.3,
)  # rows of a pass closer than this are one point on paper; a degree of a 34 mm part is 0.3 mm
_PASS_INKS = ("#1d5c7a", "#8a3d1a", "#3c6b3f", "#6b3f7a", "#7a6a1d", "#3f4a7a")
# One ink for all cuts of a kind, but for the turning finish: there each cut has its own. What goes before is not drawn.
_BY_KIND = {
    CutKind.REST_AROUND: "set beside the axis, or past it",
    CutKind.SURFACE: "over the slopes",
    CutKind.PROFILE: "along the walls",
    CutKind.BEVEL: "along the edges",
    CutKind.ENGRAVE: "along drawn lines",
}
_FONT = "font-family=\"'Libertinus Serif', 'Linux Libertine', Georgia, serif\""


def development_svg(results: Results) -> str:
    """Draw the development of the part between the ends of its bar."""
    plan = results.plan
    from_x, to_x = 0.0, plan.bar.to_x_mm
    radii = radius_map(results.part, from_x, to_x)
    scale = (_WIDTH - _LEFT - _RIGHT) / (to_x - from_x)
    widest = 2 * np.pi * plan.placement.part_radius_mm
    height = float(np.clip(widest * scale, 300.0, 660.0))
    frame = _Frame(from_x, to_x, height)
    drawn = _drawn_cuts(results)
    pieces = [
        f'<image x="{_LEFT}" y="{_TOP}" width="{_WIDTH - _LEFT - _RIGHT:.2f}" height="{height:.2f}" '
        f'preserveAspectRatio="none" href="{_relief_uri(radii, from_x, to_x, height)}"/>',
        *_stubs(results, frame),
        *(_pass_lines(one, frame) for one in drawn),
        *_holes(results, frame),
        *_sides(results, frame),
        *_worst(results, frame),
        *_axes(results, frame),
        *_legend(results, drawn, frame, radii),
    ]
    total = height + _TOP + _LEGEND_DOWN + _LEGEND_ROW * (max(2, len(drawn)) - 1) + _END
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {total:.0f}" width="{_WIDTH:.0f}" height="{total:.0f}" '
        f'{_FONT} font-size="15" fill="{_hex(INK)}">'
    )
    paper = f'<rect width="100%" height="100%" fill="{_hex(PAPER)}"/>'
    border = f'<rect x="7" y="7" width="{_WIDTH - 14:.0f}" height="{total - 14:.0f}" fill="none" stroke="{_hex(INK)}" stroke-width="1.6"/>'
    return "\n".join([head, f"<title>{escape(results.job.name)}: development</title>", paper, *pieces, border, "</svg>"]) + "\n"


@lru_cache(maxsize=2)  # the sheet looks three times at the same stretch, the development at another
def radius_map(part: Mesh, from_x: float, to_x: float) -> Floats:
    """Return the part's outermost radius, (rows over the turn 0..360, columns over X), nan where there is no part.

    Row i looks along the direction that faces the spindle when the bar is turned by 360 i / rows degrees. Read-only.
    """
    x = from_x + (np.arange(_COLUMNS) + 0.5) / _COLUMNS * (to_x - from_x)
    turn = 2 * np.pi * (np.arange(_ROWS) + 0.5) / _ROWS
    gx, gt = np.meshgrid(x, turn)
    # at turn theta a point of the bar at the angle 90 - theta (from +Y toward +Z) faces the spindle
    outward = np.stack([np.zeros_like(gx), np.sin(gt), np.cos(gt)], axis=-1).reshape(-1, 3)
    start_r = 1.01 * float(np.hypot(part.vertices_mm[:, 1], part.vertices_mm[:, 2]).max()) + 1.0
    start = outward * start_r
    start[:, 0] = gx.ravel()
    far, _ = first_hits(start, -outward, scene_of([part]))
    radius = start_r - far
    radius[~np.isfinite(far) | (far > start_r)] = np.nan
    radius.setflags(write=False)
    return radius.reshape(_ROWS, _COLUMNS)


class _Frame:
    """Where X and the turn fall on the paper."""

    def __init__(self, from_x: float, to_x: float, height: float) -> None:
        self.from_x, self.to_x, self.height = from_x, to_x, height
        self.scale = (_WIDTH - _LEFT - _RIGHT) / (to_x - from_x)
        self.foot = _TOP + height

    def x(self, x_mm: float | Floats) -> float | Floats:
        return _LEFT + (x_mm - self.from_x) * self.scale

    def y(self, turn_deg: float | Floats) -> float | Floats:
        return self.foot - turn_deg / 360.0 * self.height  # the turn grows upward: so the surface is seen from outside


def _relief_uri(radii: Floats, from_x: float, to_x: float, height_px: float) -> str:
    """Light the relief from the upper left, tint it by radius, and return it as a PNG in a data address."""
    across = (to_x - from_x) / _COLUMNS
    mean = float(np.nanmean(radii)) if np.isfinite(radii).any() else 1.0
    around = 2 * np.pi * mean / _ROWS
    radii = radii[::-1]  # the turn grows upward
    filled = np.where(np.isfinite(radii), radii, 0.0)
    slope_x = np.gradient(filled, across, axis=1)
    slope_y = (np.roll(filled, -1, axis=0) - np.roll(filled, 1, axis=0)) / (2 * around)
    light = np.clip((0.8 + 0.45 * slope_x + 0.45 * slope_y) / np.sqrt(1 + slope_x**2 + slope_y**2), 0.18, 1.15)
    low, high = (float(np.nanmin(radii)), float(np.nanmax(radii))) if np.isfinite(radii).any() else (0.0, 1.0)
    share = np.clip((filled - low) / max(high - low, 1e-9), 0, 1)[..., None]
    tint = (1 - share) * (0.55 * np.array(BRASS) + 0.25) + share * (0.25 * np.array(BRASS) + 0.75 * np.array(PAPER))
    picture = tint * light[..., None]
    picture[~np.isfinite(radii)] = PAPER
    pixels: NDArray[np.uint8] = np.rint(np.clip(picture, 0, 1) * 255).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "PNG", optimize=False, compress_level=6)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode()


def _stubs(results: Results, frame: _Frame) -> list[str]:
    pieces = []
    holding, bar = results.plan.holding, results.plan.bar
    spans = [(0.0, holding.full_bar_to_x_mm, "bar", 0.42)]
    for stub in (holding.chuck_stub, holding.tail_stub):
        if stub is not None:
            spans.append((stub.from_x_mm, stub.to_x_mm, f"stub Ø{2 * stub.radius_mm:.3g}", 0.20))
    if holding.full_bar_from_x_mm is not None:
        spans.append((holding.full_bar_from_x_mm, bar.to_x_mm, "bar", 0.42))
    for low, high, name, ink in spans:
        if high - low < 1e-6:
            continue
        x0, x1 = frame.x(low), frame.x(high)
        pieces.append(
            f'<rect x="{x0:.2f}" y="{_TOP}" width="{x1 - x0:.2f}" height="{frame.height:.2f}" fill="{_hex(INK)}" fill-opacity="{ink * 0.45:.2f}"/>'
        )
        middle = (x0 + x1) / 2
        if x1 - x0 > 15:
            foot = frame.foot - (34.0 if results.plan.sides else 12.0)  # clear of the flag of a side
            at = f'x="{middle + 4:.2f}" y="{foot:.2f}"'
            pieces.append(
                f'<text {at} transform="rotate(-90 {middle + 4:.2f} {foot:.2f})" font-size="13">{escape(name)}</text>'
            )
    return pieces


@dataclass(frozen=True)
class _Drawn:
    """Cuts whose passes are drawn with one ink, and what the legend says of them."""

    cuts: tuple[CutResult, ...]
    ink: str
    says: str


def _drawn_cuts(results: Results) -> list[_Drawn]:
    """Return what is drawn: the finish of the whole part, the rest cuts over it, and other finishing cuts kind by kind."""
    finish = [result for result in results.cuts if result.cut.kind is CutKind.FINISH_AROUND]
    whole = [result for result in finish if result.cut.rest_over_mm is None]
    rest = [result for result in finish if result.cut.rest_over_mm is not None]
    groups: list[tuple[tuple[CutResult, ...], str]] = [
        ((result,), f"passes of “{result.cut.name}”, {result.cut.direction.value}, thinned") for result in (*whole[-1:], *rest)
    ]
    for kind, where in _BY_KIND.items():
        mine = tuple(result for result in results.cuts if result.cut.kind is kind)
        if mine:
            said = f"“{mine[0].cut.name}”" if len(mine) == 1 else f"{len(mine)} cuts"
            groups.append((mine, f"passes {where}: {said}, thinned"))
    return [_Drawn(cuts, ink, says) for (cuts, says), ink in zip(groups, _PASS_INKS)]


def _pass_lines(drawn: _Drawn, frame: _Frame) -> str:
    """Draw a thinned choice of the passes of some cuts, each wrapped into one turn."""
    pieces: list[Floats] = []
    for result in drawn.cuts:
        pose = _over_surface(result.toolpath.pose)
        cutting = result.toolpath.kind == int(MoveKind.CUT)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], cutting.astype(np.int8), [0]])))
        pieces += [piece for a, b in zip(edges[::2], edges[1::2]) if b - a > 1 for piece in _turns(pose[a:b])]
    if not pieces:
        return ""
    every = max(1, len(pieces) // _MOST_LINES)
    commands = [command for piece in pieces[::every] for command in _wrapped(piece, frame)]
    return f'<path d="{" ".join(commands)}" fill="none" stroke="{drawn.ink}" stroke-width="0.8" stroke-opacity="0.75"/>'


def _over_surface(pose: Floats) -> Floats:
    """Return poses whose turn is that at which the tip itself would be up: the same for a tip over the axis."""
    aside = np.degrees(np.arctan2(pose[:, 1], pose[:, 2]))
    # a tip that passes beside the axis goes round it: no jump of a whole turn from one row to the next
    return np.column_stack([pose[:, :3], pose[:, 3] + np.degrees(np.unwrap(np.radians(aside)))])


def _holes(results: Results, frame: _Frame) -> list[str]:
    """Draw where round holes open, as they lie on the unrolled surface."""
    turn = np.linspace(0.0, 2.0 * np.pi, 25)
    pieces = []
    for result in results.cuts:
        for hole in result.cut.holes:
            x, y = hole.x_mm + hole.diameter_mm / 2 * np.cos(turn), hole.y_mm + hole.diameter_mm / 2 * np.sin(turn)
            pose = np.column_stack([x, y, np.full(25, hole.top_z_mm), np.full(25, result.cut.turn_deg or 0.0)])
            path = " ".join(_wrapped(_over_surface(pose), frame))
            pieces.append(f'<path d="{path}" fill="none" stroke="{_hex(INK)}" stroke-width="1.3"/>')
    return pieces


def _sides(results: Results, frame: _Frame) -> list[str]:
    """Draw a centre line at the turn of each side, with its number."""
    ink, right = _hex(INK), _WIDTH - _RIGHT
    pieces = []
    for number, side in enumerate(results.plan.sides, start=1):
        y = float(frame.y(side.turn_deg % 360.0))
        at = min(max(y, _TOP + 12.0), frame.foot - 12.0)
        pieces.append(
            f'<line x1="{_LEFT}" y1="{y:.2f}" x2="{right}" y2="{y:.2f}" stroke="{ink}" stroke-width="0.7" stroke-dasharray="14 4 3 4"/>'
        )
        pieces.append(
            f'<rect x="{right - 62}" y="{at - 10:.2f}" width="58" height="20" fill="{PAPER_HEX}" stroke="{ink}" stroke-width="0.8"/>'
        )
        pieces.append(f'<text x="{right - 33}" y="{at + 5:.2f}" text-anchor="middle" font-size="14">side {number}</text>')
    return pieces


def _turns(pose: Floats) -> list[Floats]:
    """Cut one pass into pieces of a turn each, so that a long helix can be thinned turn by turn."""
    turn = np.floor(np.abs(pose[:, 3] - pose[0, 3]) / 360.0).astype(int)
    breaks = np.flatnonzero(np.diff(turn)) + 1
    bounds = [0, *breaks.tolist(), len(pose)]
    return [pose[a : min(b + 1, len(pose))] for a, b in pairwise(bounds)]


def _thinned(pose: Floats) -> Floats:
    """Leave out rows that follow the one before by less than a line's width on paper; the ends stay."""
    along = np.abs(np.diff(pose[:, 0])) + np.abs(np.diff(pose[:, 3])) * _MM_PER_DEG
    bin_of = np.floor(np.concatenate([[0.0], np.cumsum(along)]) / _LEAST_STEP_MM)
    keep = np.concatenate([[True], np.diff(bin_of) > 0])
    keep[-1] = True
    return pose[keep]


def _wrapped(pose: Floats, frame: _Frame) -> list[str]:
    """Return SVG path commands of one run, broken where the turn passes a whole turn."""
    if len(pose) < 2:
        return []
    thin = _thinned(pose)
    turn = thin[:, 3]
    commands, pen_down = [], False
    whole = np.floor(turn / 360.0)
    for i in range(len(thin)):
        if pen_down and whole[i] != whole[i - 1] and abs(turn[i] - turn[i - 1]) > 1e-9:
            rising = turn[i] > turn[i - 1]
            border = 360.0 * (whole[i] if rising else whole[i - 1])
            share = (border - turn[i - 1]) / (turn[i] - turn[i - 1])
            x = frame.x(thin[i - 1, 0] + share * (thin[i, 0] - thin[i - 1, 0]))
            commands.append(f"L{x:.1f} {frame.y(360.0 if rising else 0.0):.1f}")
            commands.append(f"M{x:.1f} {frame.y(0.0 if rising else 360.0):.1f}")
        letter = "L" if pen_down else "M"
        commands.append(f"{letter}{frame.x(thin[i, 0]):.1f} {frame.y(turn[i] - 360.0 * whole[i]):.1f}")
        pen_down = True
    return commands


def _worst(results: Results, frame: _Frame) -> list[str]:
    """Mark the worst places that the proof measured, and findings with a place."""
    pieces: list[str] = []
    named: list[tuple[float, float]] = []
    deviation = results.proof.deviation
    for place in deviation.worst[:6] if deviation is not None else ():
        turn = np.degrees(np.arctan2(place.y_mm, place.z_mm)) % 360.0  # the turn at which it faces the spindle
        x, y = float(frame.x(place.x_mm)), float(frame.y(turn))
        ink = "#7a2e08" if place.deviation_mm < 0 else "#10376f"
        pieces.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7" fill="none" stroke="{PAPER_HEX}" stroke-width="3.4"/>')
        pieces.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7" fill="none" stroke="{ink}" stroke-width="1.8"/>')
        if any(abs(x - a) < 80.0 and abs(y - b) < 15.0 for a, b in named):
            continue  # its figure would lie over a neighbour's
        named.append((x, y))
        beside = x + 11 if x < _WIDTH - 130 else x - 11
        anchor = "start" if x < _WIDTH - 130 else "end"
        pieces.append(
            f'<text x="{beside:.1f}" y="{y + 5:.1f}" text-anchor="{anchor}" font-size="14" fill="{ink}" stroke="{PAPER_HEX}" '
            f'stroke-width="3.5" paint-order="stroke">{place.deviation_mm:+.3f} mm</text>'
        )
    return pieces


def _axes(results: Results, frame: _Frame) -> list[str]:
    ink = _hex(INK)
    right = _WIDTH - _RIGHT
    sense = results.machine.a.sense * results.setup.along_x
    pieces = [
        f'<rect x="{_LEFT}" y="{_TOP}" width="{right - _LEFT:.2f}" height="{frame.height:.2f}" fill="none" stroke="{ink}" stroke-width="1.2"/>'
    ]
    step = next((s for s in (1, 2, 5, 10, 20, 50, 100) if (frame.to_x - frame.from_x) / s <= 16), 200)
    for x in np.arange(np.ceil(frame.from_x / step) * step, frame.to_x + 1e-9, step):
        px = frame.x(float(x))
        pieces.append(f'<line x1="{px:.2f}" y1="{frame.foot:.2f}" x2="{px:.2f}" y2="{frame.foot + 6:.2f}" stroke="{ink}"/>')
        pieces.append(f'<text x="{px:.2f}" y="{frame.foot + 22:.2f}" text-anchor="middle" font-size="14">{x:g}</text>')
    for turn in range(0, 361, 45):
        py = frame.y(float(turn))
        a = turn if sense > 0 else (360 - turn) % 360 if turn not in (0, 360) else 360 - turn
        pieces.append(f'<line x1="{_LEFT - 6}" y1="{py:.2f}" x2="{_LEFT}" y2="{py:.2f}" stroke="{ink}"/>')
        pieces.append(f'<text x="{_LEFT - 10}" y="{py + 5:.2f}" text-anchor="end" font-size="14">{a}°</text>')
    middle = frame.foot - frame.height / 2
    pieces.append(
        f'<text x="{(_LEFT + right) / 2:.1f}" y="{frame.foot + 44:.1f}" text-anchor="middle">X from the jaw face, mm</text>'
    )
    pieces.append(
        f'<text x="24" y="{middle:.1f}" text-anchor="middle" transform="rotate(-90 24 {middle:.1f})">A that turns the place up, degrees</text>'
    )
    pieces.append(f'<text x="{_LEFT}" y="40" font-size="21">{escape(results.job.name)}: the surface unrolled</text>')
    return pieces


def _legend(results: Results, drawn: list[_Drawn], frame: _Frame, radii: Floats) -> list[str]:
    top = frame.foot + _LEGEND_DOWN
    pieces = []
    for row, one in enumerate(drawn):
        y = top + _LEGEND_ROW * row
        pieces.append(
            f'<line x1="{_LEFT}" y1="{y - 5:.1f}" x2="{_LEFT + 30}" y2="{y - 5:.1f}" stroke="{one.ink}" stroke-width="2"/>'
        )
        pieces.append(f'<text x="{_LEFT + 38}" y="{y:.1f}" font-size="14">{escape(one.says)}</text>')
    right = _WIDTH - _RIGHT
    if np.isfinite(radii).any():
        low, high = float(np.nanmin(radii)), float(np.nanmax(radii))
        pieces.append(
            f'<text x="{right}" y="{top:.1f}" text-anchor="end" font-size="14">radius {mm(low, 1)} dark to {mm(high, 1)} light</text>'
        )
    if results.proof.deviation is not None and results.proof.deviation.worst:
        y = top + _LEGEND_ROW
        pieces.append(
            f'<text x="{right}" y="{y:.1f}" text-anchor="end" font-size="14">worst places (+ left over, - too deep)</text>'
        )
        pieces.append(f'<circle cx="{right - 236}" cy="{y - 5:.1f}" r="7" fill="none" stroke="#10376f" stroke-width="1.8"/>')
    return pieces


def _hex(colour: tuple[float, float, float]) -> str:
    return "#" + "".join(f"{round(c * 255):02x}" for c in colour)


PAPER_HEX = _hex(PAPER)
