"""What can be reached and what can't, and why: as a development (SVG) and as a picture of the part (PNG).

Strong colours are places out of reach; they are told apart with any colour sight (Okabe and Ito, Color Universal Design, 2008)
and by the shape of their marks.
"""

from __future__ import annotations

import base64
import io
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy.spatial import cKDTree

from newel.core.reach import ReachMap
from newel.core.units import mm
from newel.reports.development import radius_map
from newel.reports.rays import both_sides, cast, scene_of
from newel.reports.results import Floats, Mesh
from newel.reports.shading import INK, PAPER, shade, to_pixels

WIDTH_PX = 1280
# What is reached, then the reasons in the order of the map: light grey-green, vermilion, blue, purple, yellow, black.
COLOURS = np.array(
    [[0.78, 0.82, 0.76], [0.84, 0.37, 0.0], [0.0, 0.45, 0.70], [0.80, 0.47, 0.65], [0.94, 0.89, 0.26], [0.12, 0.12, 0.12]]
)
_MARKS = ("", "square", "diamond", "cross", "bar", "post")
_LEFT, _TOP, _RIGHT, _FOOT, _WIDTH = 74.0, 64.0, 26.0, 70.0, 1060.0
_COLUMNS, _ROWS = 960, 560
_MARK_PX = 2
_FACING_MM = 3.0  # a place whose normal points elsewhere counts as this much farther: thin walls have two sides
_FARTHEST_MM = 2.0  # a place farther from every sample was not asked
_FONT = "font-family=\"'Libertinus Serif', 'Linux Libertine', Georgia, serif\""


def reach_development_svg(part: Mesh, reach: ReachMap, to_x_mm: float, title: str) -> str:
    """Draw the part's surface unrolled from X 0 to `to_x_mm` (bar frame), with what is out of reach marked by its reason."""
    across_px = _WIDTH - _LEFT - _RIGHT
    radius = float(np.hypot(part.vertices_mm[:, 1], part.vertices_mm[:, 2]).max())
    height = float(np.clip(2 * np.pi * radius * across_px / to_x_mm, 300.0, 660.0))
    legend = _legend_rows(reach)
    total = _TOP + height + _FOOT + 22.0 * len(legend) + 10.0
    ink, paper = _hex(INK), _hex(PAPER)
    pieces = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {total:.0f}" width="{_WIDTH:.0f}" '
        f'height="{total:.0f}" {_FONT} font-size="15" fill="{ink}">',
        f"<title>{escape(title)}: reach</title>",
        f'<rect width="100%" height="100%" fill="{paper}"/>',
        f'<image x="{_LEFT}" y="{_TOP}" width="{across_px:.2f}" height="{height:.2f}" preserveAspectRatio="none" '
        f'href="{_uri(_unrolled(part, reach, to_x_mm))}"/>',
        f'<rect x="{_LEFT}" y="{_TOP}" width="{across_px:.2f}" height="{height:.2f}" fill="none" stroke="{ink}"/>',
        f'<text x="{_LEFT}" y="40" font-size="21">{escape(title)}: what can be reached</text>',
        *_axes(to_x_mm, height),
    ]
    for row, (code, text) in enumerate(legend):
        y = _TOP + height + _FOOT + 22.0 * row
        pieces.append(
            f'<rect x="{_LEFT}" y="{y - 12:.1f}" width="26" height="14" fill="{_hex(COLOURS[code])}" stroke="{ink}"/>'
        )
        pieces.append(f'<text x="{_LEFT + 36}" y="{y:.1f}">{escape(text)}</text>')
    return "\n".join([*pieces, "</svg>"]) + "\n"


def reach_picture(part: Mesh, reach: ReachMap, title: str) -> bytes:
    """Draw the part (bar frame) coloured by what can be reached, as it lies at A0 and half a turn on, as PNG."""
    tree = cKDTree(np.hstack([reach.points, _FACING_MM * reach.normals]))
    scene = scene_of([part])
    images = []
    for view in both_sides((-0.35, 1.0, -0.55), part, WIDTH_PX, margin=0.05):
        hits = cast(view, scene)
        asked = np.hstack([hits.points_mm, _FACING_MM * hits.normals])
        near, index = tree.query(asked, distance_upper_bound=_FARTHEST_MM + _FACING_MM)
        paint = np.tile(np.array(PAPER), (len(hits.rows), 1))
        told = np.isfinite(near)
        paint[told] = COLOURS[_code(reach.why[index[told]])]
        images.append(Image.fromarray(to_pixels(view, shade(view, hits, paint, ink_strength=0.5))))
    legend = _legend_rows(reach)
    tops = np.cumsum([56, *(image.height for image in images)])
    whole = Image.new("RGB", (WIDTH_PX, int(tops[-1]) + 32 * len(legend) + 24), _rgb(PAPER))
    draw = ImageDraw.Draw(whole)
    draw.text((24, 14), f"{title}: what can be reached", fill=_rgb(INK), font=ImageFont.load_default(26))
    for image, top, said in zip(images, tops, ("A0 up, chuck at the left", "half a turn on"), strict=False):
        whole.paste(image, (0, int(top)))
        draw.text((24, int(top) + 8), said, fill=_rgb(INK), font=ImageFont.load_default(20))
    for row, (code, text) in enumerate(legend):
        y = int(tops[-1]) + 8 + 32 * row
        draw.rectangle((24, y, 56, y + 20), fill=_rgb(COLOURS[code]), outline=_rgb(INK))
        draw.text((70, y - 2), text, fill=_rgb(INK), font=ImageFont.load_default(20))
    buffer = io.BytesIO()
    whole.save(buffer, "PNG", optimize=False, compress_level=6)
    return buffer.getvalue()


def _legend_rows(reach: ReachMap) -> list[tuple[int, str]]:
    """Return the colour and the words of each reason that occurs, with its share of the surface."""
    shares = reach.shares()
    return [
        (int(_code(np.array(k))), f"{100 * shares[k]:.1f} % {reach.reasons[k]}") for k in np.flatnonzero(shares > 0).tolist()
    ]


def _code(why: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return which colour a reason takes: reasons beyond the palette share its last."""
    return np.minimum(why, len(COLOURS) - 1)


def _unrolled(part: Mesh, reach: ReachMap, to_x_mm: float) -> NDArray[np.uint8]:
    """Paint the relief with the marks of what is out of reach over it: rows over the turn, columns over X, RGB bytes."""
    radii = radius_map(part, 0.0, to_x_mm)
    rows = np.minimum((np.arange(_ROWS) * len(radii)) // _ROWS, len(radii) - 1)
    columns = np.minimum((np.arange(_COLUMNS) * radii.shape[1]) // _COLUMNS, radii.shape[1] - 1)
    radii = radii[rows][:, columns]
    filled = np.where(np.isfinite(radii), radii, 0.0)
    step = to_x_mm / _COLUMNS
    light = np.clip(0.94 + 0.14 * np.gradient(filled, step, axis=1) - 0.14 * np.gradient(filled, step, axis=0), 0.62, 1.08)
    picture = np.clip(COLOURS[0] * light[..., None], 0.0, 1.0)
    picture[~np.isfinite(radii)] = PAPER
    lost = np.flatnonzero(reach.why > 0)
    # at turn theta a point of the bar at the angle 90 - theta (from +Y toward +Z) faces the spindle
    turn = np.degrees(np.arctan2(reach.points[lost, 1], reach.points[lost, 2])) % 360.0
    y = np.rint(turn / 360.0 * _ROWS).astype(int)
    x = np.rint(reach.points[lost, 0] / to_x_mm * _COLUMNS).astype(int)
    for code in range(1, len(COLOURS)):
        mine = _code(reach.why[lost]) == code
        for dx, dy in _mark(_MARKS[code]):
            at_x = x[mine] + dx
            inside = (at_x >= 0) & (at_x < _COLUMNS)
            picture[(y[mine][inside] + dy) % _ROWS, at_x[inside]] = COLOURS[code]
    return np.rint(255.0 * picture[::-1]).astype(np.uint8)  # the turn grows upward: so the surface is seen from outside


def _mark(shape: str) -> list[tuple[int, int]]:
    """Return the pixels of a mark."""
    reach = range(-_MARK_PX, _MARK_PX + 1)
    square = [(dx, dy) for dx in reach for dy in reach]
    keeps = {
        "square": lambda dx, dy: max(abs(dx), abs(dy)) < _MARK_PX,
        "diamond": lambda dx, dy: abs(dx) + abs(dy) <= _MARK_PX,
        "cross": lambda dx, dy: abs(dx) == abs(dy),
        "bar": lambda dx, dy: abs(dy) <= _MARK_PX // 2,
        "post": lambda dx, dy: abs(dx) <= _MARK_PX // 2,
    }
    return [at for at in square if keeps[shape](*at)]


def _axes(to_x_mm: float, height: float) -> list[str]:
    ink, across_px = _hex(INK), _WIDTH - _LEFT - _RIGHT
    pieces = []
    step = next((s for s in (1, 2, 5, 10, 20, 50, 100) if to_x_mm / s <= 16), 200)
    foot = _TOP + height
    for x in np.arange(0.0, to_x_mm + 1e-9, step):
        px = _LEFT + x / to_x_mm * across_px
        pieces.append(f'<line x1="{px:.2f}" y1="{foot:.2f}" x2="{px:.2f}" y2="{foot + 6:.2f}" stroke="{ink}"/>')
        pieces.append(f'<text x="{px:.2f}" y="{foot + 22:.2f}" text-anchor="middle" font-size="14">{x:g}</text>')
    for turn in range(0, 361, 90):
        py = foot - turn / 360.0 * height
        pieces.append(f'<line x1="{_LEFT - 6}" y1="{py:.2f}" x2="{_LEFT}" y2="{py:.2f}" stroke="{ink}"/>')
        pieces.append(f'<text x="{_LEFT - 10}" y="{py + 5:.2f}" text-anchor="end" font-size="14">{turn}°</text>')
    middle = _TOP + height / 2
    words = f"X from the jaw face to {mm(to_x_mm, 1)}"
    pieces.append(f'<text x="{_LEFT + across_px / 2:.1f}" y="{foot + 42:.1f}" text-anchor="middle">{words}</text>')
    pieces.append(
        f'<text x="24" y="{middle:.1f}" text-anchor="middle" transform="rotate(-90 24 {middle:.1f})">'
        "turn of the bar at which the place is up</text>"
    )
    return pieces


def _uri(pixels: NDArray[np.uint8]) -> str:
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "PNG", optimize=False, compress_level=6)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode()


def _rgb(colour: Floats | tuple[float, float, float]) -> tuple[int, int, int]:
    r, g, b = (round(255 * float(c)) for c in colour)
    return r, g, b


def _hex(colour: Floats | tuple[float, float, float]) -> str:
    return "#" + "".join(f"{c:02x}" for c in _rgb(colour))
