"""`newel new`: a first job file for a model, every default spelled out and explained, bar chosen by the part's size."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from newel.app.inputs import model_type, read_bytes
from newel.app.whole_files import write_file
from newel.core.errors import BadInput, Infeasible
from newel.core.job import BarAsk, HoldAsk, Job, ModelAsk, PlaceAsk
from newel.core.units import mm
from newel.geometry.meshes import mesh_bounds, read_mesh
from newel.pipeline import tools_at_hand
from newel.planning.around import section_area_mm2
from newel.planning.hold import hold
from newel.planning.place import place
from newel.shop.bars import StockBar
from newel.shop.catalogue import Shop
from newel.shop.machines import Machine

Floats = NDArray[np.float64]

DEFAULT_MACHINE = "light benchtop mill"
DEFAULT_MATERIAL = "medium tooling board"


@dataclass(frozen=True)
class NewJobAsk:
    """What the command line asked for."""

    fit: bool = False
    unit: str | None = None
    material: str | None = None
    machine: str | None = None
    force: bool = False


@dataclass(frozen=True)
class NewJob:
    """A job file's text, and what to say about it."""

    text: str
    said: str


def write_new_job(model: Path, target: Path, asked: NewJobAsk, shop: Shop) -> NewJob:
    """Write a first job file for a model. Raises Infeasible, with the scale that would fit, where no bar does."""
    if target.exists() and not asked.force:
        raise BadInput(f"{target} is already there", remedy="name another file with -o, or write over it with --force")
    relative = os.path.relpath(model, target.parent)
    made = new_job(read_bytes(model, "model"), model_type(model), Path(relative).as_posix(), asked, shop)
    write_file(target, made.text.encode("utf-8"))
    return NewJob(made.text, f"{made.said}\nwrote {target}; next: newel make {target}")


def new_job(data: bytes, kind: str, model_file: str, asked: NewJobAsk, shop: Shop) -> NewJob:
    """Return a first job file for the bytes of a model; `model_file` is what the job file will call it."""
    material = shop.material(asked.material or DEFAULT_MATERIAL, where="--material")
    machine = shop.machine(asked.machine or _default_machine(shop), where="--machine")
    unit = asked.unit or "mm"
    mesh = read_mesh(data, kind, unit, model_file).mesh
    corners = mesh.vertices[ConvexHull(mesh.vertices).vertices]
    bars = [bar for bar in shop.bars.values() if bar.sold_in(material.kind)]
    found = _smallest_bar(corners, bars, material.name, machine, shop)
    scale = 1.0
    if found is None:
        scale = _scale_that_fits(corners, bars, material.name, machine, shop)
        if scale == 0.0:
            raise Infeasible(
                f"no bar of {material.name} that the machine can hold takes this model at any scale",
                where=model_file,
                remedy="take another --material, or a machine with a larger chuck",
            )
        if not asked.fit:
            low, high = mesh_bounds(mesh)
            raise Infeasible(
                f"the model, {' x '.join(mm(float(s), 1) for s in high - low)}, fits no bar of {material.name} that the machine can hold",
                measured=1.0,
                limit=scale,
                where=model_file,
                remedy=f"scale it by {scale:.3f} (--fit does), or take a machine with a larger chuck",
            )
        found = _smallest_bar(corners * scale, bars, material.name, machine, shop)
        if found is None:
            raise Infeasible(f"no bar takes the model, scaled by {scale:.3f}", where=model_file)
    bar, length = found
    low, high = mesh_bounds(mesh)
    size = " x ".join(mm(float(s) * scale, 1) for s in high - low)
    said = f"the part is {size}" + (f" (scaled by {scale:g})" if scale != 1.0 else "")
    said += f"; the smallest bar that holds it is {bar.name}, to be sawn about {mm(length, 0)} long"
    stated = "as you said" if asked.unit else f"taken as mm: the part is then {size}, which is plausible; change it if that is wrong"
    return NewJob(_text(model_file, unit, stated, scale, bar, material.name, machine.name), said)


def _default_machine(shop: Shop) -> str:
    return DEFAULT_MACHINE if DEFAULT_MACHINE in shop.machines else next(iter(shop.machines))


def _smallest_bar(
    corners: Floats, bars: list[StockBar], material: str, machine: Machine, shop: Shop
) -> tuple[StockBar, float] | None:
    """Return the bar of least section that takes the part and that the machine can hold, and its sawn length."""
    by_area = sorted(bars, key=lambda bar: (round(section_area_mm2(bar.section, bar.size_mm), 3), bar.inch, bar.name))
    shapes = _shapes(machine, shop)
    for bar in by_area:
        ask = BarAsk(bar.section, bar.size_mm, material)
        try:
            placed, _ = place(corners, PlaceAsk(), bar.section, bar.size_mm)
            points = corners @ placed.bar_from_model[:3, :3].T + placed.bar_from_model[:3, 3]
            _, sawn, _, _ = hold(placed, points, ask, HoldAsk(), machine, shapes)
        except Infeasible:
            continue
        return bar, sawn.to_x_mm - sawn.from_x_mm
    return None


def _scale_that_fits(corners: Floats, bars: list[StockBar], material: str, machine: Machine, shop: Shop) -> float:
    """Return the largest scale (below 1, three digits, rounded down) at which some bar takes the part; 0 for none."""
    low, high = 0.0, 1.0
    for _ in range(11):  # to a two-thousandth
        middle = (low + high) / 2
        if _smallest_bar(corners * middle, bars, material, machine, shop) is None:
            high = middle
        else:
            low = middle
    scale = float(np.floor(low * 1000) / 1000)
    return scale if scale > 0.0 and _smallest_bar(corners * scale, bars, material, machine, shop) is not None else 0.0


def _shapes(machine: Machine, shop: Shop) -> list:
    job = Job("", ModelAsk(""), BarAsk(next(iter(shop.bars.values())).section, (1.0,), ""), machine.name)
    return list(tools_at_hand(replace(job, cutters=None), shop, machine).shapes.values())


def _text(model_file: str, unit: str, stated: str, scale: float, bar: StockBar, material: str, machine: str) -> str:
    size = json.dumps(bar.size_mm[0]) if len(bar.size_mm) == 1 else json.dumps(list(bar.size_mm))
    scaled = "  # so that it fits the largest bar the machine can hold" if scale != 1.0 else ""
    return f'''# A job for Newel. What is left out or commented out, Newel decides, and says why (see: newel plan).
# Take a "#" away to overrule a decision. Lengths are mm; a text such as "1/8 in" may say otherwise.
format = 1
machine = {_quoted(machine)}  # names: newel shop list machines
# cutters = ["1/8 in flat", "3 mm ball"]  # only these may be used; left out, all that the shop has

[model]
file = {_quoted(model_file)}  # from this file's folder
unit = {_quoted(unit)}  # {stated}
scale = {scale:g}{scaled}

[bar]
section = {_quoted(bar.section.value)}  # {bar.name}: the smallest bar on sale that holds the part
size_mm = {size}  # diameter, or across flats; [width, height] of a rectangle
material = {_quoted(material)}  # names: newel shop list materials
# length_mm = 150  # if the bar is already sawn; left out, Newel says where to saw

[place]
# axis = "z"  # the model's direction that points toward the tailstock; left out, the one that needs the least bar
# turn_deg = 0  # the part turned about the bar

[hold]
# tailstock = "live centre"  # or "none"; left out, by how long and thin the part is
# grip_mm = 25  # how far the bar sits in the jaws
# chuck_stub_diameter_mm = 10  # the round neck left standing between jaws and part
# tail_stub_diameter_mm = 8  # and between part and centre
a_zero = "flat"  # a flat faces the spindle at A0 and is levelled along Y; "corner" for a corner

[rough]
# cutter = "1/8 in flat"  # left out, the widest that the shape and the machine allow
# direction = "around"  # or "along"; left out, the quicker one by the clock
# allowance_mm = 0.3  # left on for finishing
# ap_mm = 1.0  # depth of cut
# ae_mm = 1.2  # width of cut

[finish]
# cutter = "3 mm ball"  # left out, the one that reaches most in the least time
# direction = "helical"  # or "along", "around"
# cusp_mm = 0.02  # what may stay standing between two passes
tolerance_mm = 0.05  # the part is judged by this
# rest = false  # no second, finer cutter where the first left too much

[zero]
offset = "G54"  # the work offset that the program calls
x_zero = "jaw face"  # X0; or "part start", "bar end". Y0 Z0 is always the rotary axis

[program]
# feed_words = "per minute"  # or "inverse time"; left out, what the machine is used to. So for:
# units = "mm"
# turn_style = "growing"  # or "wrapped"
# files = "one file"  # or "one file a cutter"

[proof]
resolution_mm = 0.1  # spacing of the rays that the proof carves with
gouge_limit_mm = 0.02  # a deeper gouge denies the proof
'''


def _quoted(text: str) -> str:
    """Return a TOML string: JSON's escapes are TOML's, too."""
    return json.dumps(text, ensure_ascii=False)
