"""The pictures beside a program: the part in its bar, and the result coloured by deviation. PNG bytes out."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy.spatial import cKDTree

from newel.core.job import Tailstock
from newel.core.plan import Bar
from newel.core.units import mm
from newel.geometry.parallel import kernel_threads
from newel.proof.results import Standing
from newel.reports.rays import Hits, Scene, View, both_sides, cast, first_hits, look, scene_of
from newel.reports.results import Floats, Mesh, Results
from newel.reports.shading import BRASS, INK, PAPER, STEEL, shade, to_pixels
from newel.reports.solids import bar_solid, jaws_solids, section_corners_yz, tailstock_solids, turned

WIDTH_PX = 1280
_PAST_BAR_MM = 26.0  # how much of chuck and tailstock is shown
_FARTHEST_SAMPLE_MM = 1.5  # a place farther from every sample was not measured
_WOOD = (0.835, 0.700, 0.480)
_STUB = (0.80, 0.77, 0.70)
_OUT_OF_REACH = (0.42, 0.33, 0.50)

# Blue for left-over, near white where it fits, orange to brown for gouges: told apart with any colour sight, and by lightness.
_SCALE_AT = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
_SCALE_RGB = np.array([[0.45, 0.16, 0.02], [0.91, 0.50, 0.14], [0.965, 0.957, 0.93], [0.42, 0.64, 0.83], [0.06, 0.21, 0.46]])


def deviation_colours(deviation_mm: Floats, full_mm: float) -> Floats:
    """Return the colour (n, 3) of deviations; the scale is full at +-`full_mm`."""
    at = np.clip(deviation_mm / full_mm, -1.0, 1.0)
    return np.stack([np.interp(at, _SCALE_AT, _SCALE_RGB[:, k]) for k in range(3)], axis=1)


def scale_end_mm(tolerance_mm: float, deviation_mm: Floats) -> float:
    """Return where the colour scale ends: twice the tolerance, more only where one sample in fifty lies beyond."""
    if len(deviation_mm) == 0:
        return 2 * tolerance_mm
    return float(max(2 * tolerance_mm, np.ceil(np.quantile(np.abs(deviation_mm), 0.98) * 50) / 50))


def part_in_bar(results: Results) -> bytes:
    """Draw the part in its bar, in the jaws and on the centre, as PNG."""
    plan, machine = results.plan, results.machine
    turn = machine.chuck_end == "right"
    stubs = _stubs(results)
    held = jaws_solids(machine.chuck, plan.bar, shown_mm=_PAST_BAR_MM)
    if plan.holding.tailstock is Tailstock.LIVE_CENTRE and machine.tailstock is not None:
        held += tailstock_solids(machine.tailstock, plan.bar.to_x_mm, shown_mm=_PAST_BAR_MM)
    solids = [_as_seen(mesh, turn) for mesh in [results.part, *stubs, *held]]
    bar = _as_seen(bar_solid(plan.bar), turn)
    view = look((0.30 if turn else -0.30, 1.0, -0.50), [*solids, bar], WIDTH_PX)
    scene, glass = scene_of(solids), scene_of([bar])
    hits = cast(view, scene)
    paints = np.array([BRASS if _is_metal(results) else _WOOD] + [_STUB] * len(stubs) + [STEEL] * len(held))
    picture = _glass(view, glass, hits, shade(view, hits, paints[hits.solid]))
    image = Image.fromarray(to_pixels(view, picture))
    _ink_bar(image, view, results, (scene, glass))
    size = " x ".join(mm(s, 1) for s in plan.bar.size_mm)
    length = plan.bar.to_x_mm - plan.bar.from_x_mm
    text = f"{results.job.name}: in a {plan.bar.section.value} bar, {size}, sawn {mm(length, 1)} long, {plan.bar.material}"
    return _png(_with_title(image, text))


def by_deviation(results: Results) -> bytes:
    """Draw what is left when the program ends, coloured by its deviation from the part, from two sides, as PNG.

    Raises ValueError where the proof had no model to measure against.
    """
    measured = results.proof.measured
    if measured is None or len(measured.points) == 0:
        raise ValueError("nothing was measured, so there is nothing to colour")
    out_of_reach = measured.standing == Standing.UNREACHABLE
    on_part = measured.standing != Standing.NOT_PART
    full = scale_end_mm(results.job.finish.tolerance_mm, measured.deviation_mm[on_part & ~out_of_reach])
    tint = deviation_colours(measured.deviation_mm, full)
    tint[out_of_reach] = _OUT_OF_REACH
    tint[~on_part] = _STUB
    tree = cKDTree(measured.points)
    blank = results.blank if results.blank is not None else results.part
    scene = scene_of([blank])
    images = []
    for view in both_sides((0.0, 1.0, -0.35), blank, WIDTH_PX, margin=0.035):
        hits = cast(view, scene)
        near, index = tree.query(hits.points_mm, distance_upper_bound=_FARTHEST_SAMPLE_MM, workers=kernel_threads())
        paint = np.tile(np.array(_STUB), (len(hits.rows), 1))
        paint[np.isfinite(near)] = tint[index[np.isfinite(near)]]
        images.append(Image.fromarray(to_pixels(view, shade(view, hits, paint, ink_strength=0.45))))
    both = Image.new("RGB", (WIDTH_PX, sum(image.height for image in images)), _rgb(PAPER))
    both.paste(images[0], (0, 0))
    both.paste(images[1], (0, images[0].height))
    draw = ImageDraw.Draw(both)
    draw.text((24, 18), "A0 up, chuck at the left", fill=_rgb(INK), font=_font(20))
    draw.text((24, images[0].height + 18), "half a turn on", fill=_rgb(INK), font=_font(20))
    with_legend = _with_legend(both, full, bool(out_of_reach.any()))
    return _png(_with_title(with_legend, f"{results.job.name}: what the program leaves, against the model"))


def _stubs(results: Results) -> list[Mesh]:
    meshes = []
    for stub in (results.plan.holding.chuck_stub, results.plan.holding.tail_stub):
        if stub is not None and stub.to_x_mm > stub.from_x_mm:
            x = np.array([stub.from_x_mm, stub.from_x_mm, stub.to_x_mm, stub.to_x_mm])
            meshes.append(turned(x, np.array([0.0, stub.radius_mm, stub.radius_mm, 0.0])))
    return meshes


def _as_seen(mesh: Mesh, turn: bool) -> Mesh:
    """Return a mesh as it stands before the person: with the chuck at the right, half a turn about Z."""
    return Mesh(mesh.vertices_mm * [-1.0, -1.0, 1.0], mesh.faces) if turn else mesh


def _is_metal(results: Results) -> bool:
    return "metal" in results.material.kind.lower() or any(
        word in results.material.name.lower() for word in ("brass", "alumin", "steel", "copper", "bronze")
    )


def _glass(view: View, bar: Scene, hits: Hits, picture: Floats) -> Floats:
    """Lay the bar over the picture like thin glass: more of it toward its rims."""
    front = cast(view, bar)
    over = front.depth_mm[front.rows] < hits.depth_mm[front.rows]
    rows, normals = front.rows[over], front.normals[over]
    share = front.cover[rows, None] * (0.16 + 0.16 * (1 - np.clip(normals @ view.eye, 0, 1)))[:, None]
    tint = (np.array(BRASS) * 0.45 + np.array(PAPER) * 0.55) * (0.86 + 0.2 * np.clip(normals @ view.up, -0.5, 1)[:, None])
    laid = picture.copy()
    laid[rows] = np.clip((1 - share) * picture[rows] + share * tint, 0, 1)
    return laid


def _ink_bar(image: Image.Image, view: View, results: Results, hiding: tuple[Scene, ...]) -> None:
    """Ink the bar's edges: whole lines where they are seen, dashes where something hides them."""
    bar, turn = results.plan.bar, results.machine.chuck_end == "right"
    fine = 3  # drawn three times as large, then brought down, so that slanting lines are not ragged
    ink = Image.new("RGBA", (image.width * fine, image.height * fine), (*_rgb(INK), 0))
    draw = ImageDraw.Draw(ink)
    steps = np.linspace(0.0, 1.0, 160)
    lines = [
        np.array([np.interp(steps, np.linspace(0, 1, len(line)), line[:, k]) for k in range(3)]).T
        for line in _bar_edges(view, bar, np.array([-1.0, -1.0, 1.0]) if turn else np.ones(3))
    ]
    start = np.concatenate(lines) + view.eye * 0.4
    toward = np.broadcast_to(view.eye, start.shape)
    behind = np.any([first_hits(start, toward, scene)[1] >= 0 for scene in hiding], axis=0)
    for at, hidden in zip(lines, behind.reshape(len(lines), -1), strict=True):
        px = view.to_px(at) * fine
        for i in range(len(px) - 1):
            if not (hidden[i] and (i // 3) % 2):
                piece = [(float(px[i, 0]), float(px[i, 1])), (float(px[i + 1, 0]), float(px[i + 1, 1]))]
                draw.line(piece, fill=(*_rgb(INK), 110 if hidden[i] else 255), width=4 if hidden[i] else 6)
    small = ink.resize(image.size, Image.Resampling.BOX)
    image.paste(small, (0, 0), small)


def _bar_edges(view: View, bar: Bar, sign: Floats) -> list[Floats]:
    """Return the bar's edges outside the jaws as polylines (n, 3): both ends, and what runs along."""
    corners = section_corners_yz(bar.section, bar.size_mm, bar.turned_deg)
    near, far = (np.column_stack([np.full(len(corners), x), corners]) * sign for x in (0.0, bar.to_x_mm))
    if len(corners) > 12:  # round: only the two lines that bound it
        heights = near @ view.up
        along = [int(np.argmax(heights)), int(np.argmin(heights))]
    else:
        along = list(range(len(corners)))
    return [np.vstack([near, near[:1]]), np.vstack([far, far[:1]]), *(np.array([near[k], far[k]]) for k in along)]


def _with_legend(image: Image.Image, full_mm: float, any_out_of_reach: bool) -> Image.Image:
    height = 124
    taller = Image.new("RGB", (image.width, image.height + height), _rgb(PAPER))
    taller.paste(image, (0, 0))
    draw = ImageDraw.Draw(taller)
    left, right, top = 260, image.width - 270, image.height + 18
    ramp = deviation_colours(np.linspace(-full_mm, full_mm, right - left), full_mm)
    strip: NDArray[np.uint8] = np.rint(np.tile(ramp[None], (26, 1, 1)) * 255).astype(np.uint8)
    taller.paste(Image.fromarray(strip), (left, top))
    draw.rectangle([left, top, right, top + 26], outline=_rgb(INK), width=1)
    font = _font(20)
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
        x = left + (share + 1) / 2 * (right - left)
        draw.line([(x, top + 26), (x, top + 34)], fill=_rgb(INK), width=1)
        text = "0" if share == 0 else f"{share * full_mm:+.3g} mm"
        draw.text((x, top + 38), text, fill=_rgb(INK), font=font, anchor="ma")
    draw.text((left - 16, top + 13), "gouge (too deep)", fill=_rgb(INK), font=font, anchor="rm")
    draw.text((right + 16, top + 13), "left-over (too proud)", fill=_rgb(INK), font=font, anchor="lm")
    if any_out_of_reach:
        draw.rectangle([left, top + 70, left + 20, top + 90], fill=_rgb(_OUT_OF_REACH), outline=_rgb(INK))
        draw.text(
            (left + 30, top + 80), "left over, but out of reach of every cutter here", fill=_rgb(INK), font=font, anchor="lm"
        )
    return taller


def _with_title(image: Image.Image, text: str) -> Image.Image:
    """Frame a picture like a sheet on the drawing board: a thin line, and the title at its foot."""
    foot = 54
    sheet = Image.new("RGB", (image.width, image.height + foot), _rgb(PAPER))
    sheet.paste(image, (0, 0))
    draw = ImageDraw.Draw(sheet)
    draw.rectangle([8, 8, sheet.width - 9, sheet.height - 9], outline=_rgb(INK), width=2)
    draw.line([(8, image.height - 2), (sheet.width - 9, image.height - 2)], fill=_rgb(INK), width=1)
    draw.text((26, image.height + 24), text, fill=_rgb(INK), font=_font(24), anchor="lm")
    return sheet


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)


def _rgb(colour: tuple[float, float, float]) -> tuple[int, int, int]:
    return (round(colour[0] * 255), round(colour[1] * 255), round(colour[2] * 255))


def _png(image: Image.Image) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, "PNG", optimize=False, compress_level=6)
    return buffer.getvalue()
