"""Text in, drawing out: outlines of a font's letters, set by its own kerning and ligatures."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.ornament.drawing import CHORD_MM, Drawing, drawing_of

Floats = NDArray[np.float64]

LEADING = 1.2  # line to line as a share of the letters' size (common practice)


def lettered(text: str, font: bytes, size_mm: float, where: str) -> Drawing:
    """Return text as a drawing. `size_mm`: height of a capital letter; lines are split at newlines and centred.

    `font`: the bytes of a TrueType or OpenType font. Raises BadInput for a font that cannot be read, letters it has not,
    and text without any.
    """
    try:
        import uharfbuzz as hb
    except ImportError:
        raise BadInput(
            "lettering needs one more package", where=where, remedy="install Newel with its extra 'ornament'"
        ) from None
    if not text.strip():
        raise BadInput("there is no text to carve", where=where)
    face = hb.Face(font)
    if face.glyph_count == 0:
        raise BadInput("this is not a font that can be read", where=where, remedy="name a TTF or OTF file")
    letters = hb.Font(face)
    capital = _capital_height(hb, letters)
    scale = size_mm / capital
    rings: list[Floats] = []
    for number, line in enumerate(text.split("\n")):
        outlines, width = _line(hb, letters, line, CHORD_MM / scale, where)
        shift = np.array([-width / 2.0, -number * LEADING * face.upem])
        rings += [(ring + shift) * scale for ring in outlines]
    return drawing_of(rings, [], where, even_odd=False) if not rings else _wound(rings, where)


def _wound(rings: list[Floats], where: str) -> Drawing:
    """Letters fill by winding: a counter runs against its outline, overlapping strokes run alike."""
    import shapely

    turning = [float(np.sum(ring[:-1, 0] * ring[1:, 1] - ring[1:, 0] * ring[:-1, 1])) for ring in map(_closed, rings)]
    outward = np.sign(turning[int(np.argmax(np.abs(turning)))])
    solid = drawing_of([r for r, t in zip(rings, turning, strict=True) if np.sign(t) == outward], [], where, even_odd=False)
    holes = [r for r, t in zip(rings, turning, strict=True) if np.sign(t) == -outward]
    if not holes:
        return solid
    from newel.ornament.drawing import regions

    counters = shapely.union_all([shapely.make_valid(shapely.Polygon(ring)) for ring in holes if len(ring) > 2])
    return Drawing(regions(solid.area.difference(counters)))


def _closed(ring: Floats) -> Floats:
    return np.vstack([ring, ring[:1]])


def _capital_height(hb: Any, letters: Any) -> float:
    glyph = letters.get_nominal_glyph(ord("H"))
    extents = letters.get_glyph_extents(glyph) if glyph else None
    return float(abs(extents.height)) if extents and extents.height else 0.7 * letters.face.upem


def _line(hb: Any, letters: Any, line: str, chord: float, where: str) -> tuple[list[Floats], float]:
    """Return the outlines of one line in font units, from x = 0, and its width."""
    buffer = hb.Buffer()
    buffer.add_str(line)
    buffer.guess_segment_properties()
    hb.shape(letters, buffer)
    rings: list[Floats] = []
    pen = 0.0
    for info, position in zip(buffer.glyph_infos, buffer.glyph_positions, strict=True):
        if info.codepoint == 0:
            missing = line[min(info.cluster, len(line) - 1)]
            raise BadInput(f"the font has no letter {missing!r}", where=where, remedy="choose another font or spelling")
        draw = _Outlines(chord)
        letters.draw_glyph_with_pen(info.codepoint, draw)
        at = np.array([pen + position.x_offset, position.y_offset], dtype=float)
        rings += [ring + at for ring in draw.rings]
        pen += position.x_advance
    return rings, pen


class _Outlines:
    """Collects a glyph's outlines, as the pen that draws it moves; curves become chords."""

    def __init__(self, chord: float) -> None:
        self.rings: list[Floats] = []
        self._at: list[tuple[float, float]] = []
        self._chord = chord

    def moveTo(self, to: tuple[float, float]) -> None:
        self._at = [to]

    def lineTo(self, to: tuple[float, float]) -> None:
        self._at.append(to)

    def qCurveTo(self, control: tuple[float, float], to: tuple[float, float]) -> None:
        self._curve([self._at[-1], control, to])

    def curveTo(self, one: tuple[float, float], two: tuple[float, float], to: tuple[float, float]) -> None:
        self._curve([self._at[-1], one, two, to])

    def closePath(self) -> None:
        if len(self._at) > 2:
            self.rings.append(np.array(self._at, dtype=float))

    endPath = closePath

    def _curve(self, corners: list[tuple[float, float]]) -> None:
        """Add a Bezier curve; n chords lie within |second difference| / 8 n^2 (times degree x (degree - 1)) of it."""
        p = np.array(corners, dtype=float)
        degree = len(p) - 1
        bend = float(np.hypot(*np.diff(p, 2, axis=0).T).max()) * degree * (degree - 1)
        count = max(1, math.ceil(math.sqrt(bend / (8.0 * self._chord))))
        t = np.linspace(0.0, 1.0, count + 1)[1:, None]
        at = sum(math.comb(degree, k) * t**k * (1 - t) ** (degree - k) * p[k] for k in range(degree + 1))
        self._at += [tuple(row) for row in np.asarray(at)]
