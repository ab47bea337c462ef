"""`newel new`: a first job file for a model, every default spelled out and explained, bar chosen by the part's size."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from scipy.spatial import ConvexHull

from newel.app.bar_choice import Bench, scale_that_fits, smallest_bar
from newel.app.inputs import model_type, read_bytes
from newel.app.whole_files import write_file
from newel.core.errors import BadInput, Infeasible
from newel.core.profile import CutterShape
from newel.core.units import mm
from newel.geometry.meshes import Mesh, mesh_bounds, read_mesh
from newel.shop.bars import StockBar
from newel.shop.catalogue import Shop
from newel.shop.cutters import Form
from newel.shop.machines import Machine
from newel.shop.outlines import cutter_shape

Progress = Callable[[str, float], None]

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


def write_new_job(model: Path, target: Path, asked: NewJobAsk, shop: Shop, progress: Progress) -> NewJob:
    """Write a first job file for a model. Raises Infeasible, with the scale that would fit, where no bar does."""
    if target.exists() and not asked.force:
        raise BadInput(f"{target} is already there", remedy="name another file with -o, or write over it with --force")
    relative = os.path.relpath(model, target.parent)
    made = new_job(read_bytes(model, "model"), model_type(model), Path(relative).as_posix(), asked, shop, progress)
    write_file(target, made.text.encode("utf-8"))
    return NewJob(made.text, f"{made.said}\nwrote {target}; next: newel make {target}")


def new_job(data: bytes, kind: str, model_file: str, asked: NewJobAsk, shop: Shop, progress: Progress) -> NewJob:
    """Return a first job file for the bytes of a model; `model_file` is what the job file will call it."""
    material = shop.material(asked.material or DEFAULT_MATERIAL, where="--material")
    machine = shop.machine(asked.machine or _default_machine(shop), where="--machine")
    unit = asked.unit or "mm"
    mesh = read_mesh(data, kind, unit, model_file).mesh
    bench = Bench(mesh.vertices[ConvexHull(mesh.vertices).vertices], material.name, machine, _shapes(machine, shop))
    bars = [bar for bar in shop.bars.values() if bar.sold_in(material.kind)]
    found, scale = smallest_bar(bench, bars, lambda share: progress("choose", share / 2)), 1.0
    if found is None:
        scale = scale_that_fits(bench, bars, lambda share: progress("choose", 0.5 + share / 3))
        if scale == 0.0 or not asked.fit:
            raise _fits_no_bar(_size_text(mesh, 1.0), material.name, scale, model_file)
        found = smallest_bar(bench.scaled(scale), bars, lambda share: progress("choose", 0.83 + share / 6))
        if found is None:  # the bar that the scale was found with has gone: cannot be
            raise _fits_no_bar(_size_text(mesh, scale), material.name, 0.0, model_file)
    size = _size_text(mesh, scale)
    said = f"the part is {size}" + (f" (scaled by {scale:g})" if scale != 1.0 else "")
    said += f"; the smallest bar that holds it is {found.bar.name}, to be sawn about {mm(found.sawn_length_mm, 0)} long"
    stated = "as you said" if asked.unit else f"taken as mm: the part is then {size}; change it if that is wrong"
    return NewJob(_text(model_file, unit, stated, scale, found.bar, material.name, machine.name), said)


def _size_text(mesh: Mesh, scale: float) -> str:
    low, high = mesh_bounds(mesh)
    return " x ".join(mm(float(side) * scale, 1) for side in high - low)


def _fits_no_bar(size: str, material: str, scale: float, model_file: str) -> Infeasible:
    if scale == 0.0:
        return Infeasible(
            f"no bar of {material} that the machine can hold takes this model, {size}, at any scale",
            where=model_file,
            remedy="take another --material, or a machine with a larger chuck",
        )
    return Infeasible(
        f"the model, {size}, fits no bar of {material} that the machine can hold",
        measured=1.0,
        limit=scale,
        where=model_file,
        remedy=f"scale it by {scale:.3f} (--fit does), or take a machine with a larger chuck",
    )


def _default_machine(shop: Shop) -> str:
    return DEFAULT_MACHINE if DEFAULT_MACHINE in shop.machines else next(iter(shop.machines))


def _shapes(machine: Machine, shop: Shop) -> tuple[CutterShape, ...]:
    """Return the shapes of all cutters that could carve around: any of them may need room at the ends."""
    nose = machine.spindle
    return tuple(
        cutter_shape(cutter, shop.holder_of(cutter), nose.nose_diameter_mm, nose.nose_length_mm)
        for cutter in shop.cutters.values()
        if cutter.form not in (Form.DRILL, Form.THREAD_MILL)
    )


def _text(model_file: str, unit: str, stated: str, scale: float, bar: StockBar, material: str, machine: str) -> str:
    size = json.dumps(bar.size_mm[0]) if len(bar.size_mm) == 1 else json.dumps(list(bar.size_mm))
    scaled = "  # so that it fits the largest bar the machine can hold" if scale != 1.0 else ""
    return f"""# A job for Newel. What is left out or commented out, Newel decides, and says why (see: newel plan).
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
# part_off = true            # last of all, turn the necks thin beside the part: a knife cuts them
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
"""


def _quoted(text: str) -> str:
    """Return a TOML string: JSON's escapes are TOML's, too."""
    return json.dumps(text, ensure_ascii=False)
