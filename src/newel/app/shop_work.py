"""What `newel shop trial` and `newel shop fit` do: write and prove a trial program, and read its result."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from newel.app.whole_files import write_file
from newel.core.errors import BadInput
from newel.core.job import ProofAsk
from newel.core.units import mm
from newel.mechanics.power import spindle_torque_at_Nm
from newel.mechanics.trial_fit import Band, from_grams, from_slip, from_stall, from_watts, together
from newel.planning.trial_cut import TrialCut, trial_cut
from newel.program.writer import WrittenCut, write_program
from newel.proof.prove import Case, prove_case
from newel.reports.summary import finding_text
from newel.shop.catalogue import Shop
from newel.shop.cutters import Cutter
from newel.shop.machines import Machine
from newel.shop.materials import Material
from newel.shop.outlines import cutter_shape

PROOF_MM = 0.15


@dataclass(frozen=True)
class TrialAsk:
    """Which trial: by the names of the shop, and the square bar it is cut in."""

    material: str
    cutter: str
    machine: str
    bar_mm: float


@dataclass(frozen=True)
class Readings:
    """What was read at the machine: (step, watts while cutting), watts idling, first step that stalled or slipped, grams."""

    watts: tuple[tuple[int, float], ...] = ()
    idle_W: float = 0.0
    stalled_at: int | None = None
    slipped_at: int | None = None
    grams: tuple[tuple[int, float], ...] = ()
    arm_mm: float = 0.0


def _found(ask: TrialAsk, shop: Shop) -> tuple[Material, Cutter, Machine, TrialCut]:
    material, cutter, machine = shop.material(ask.material), shop.cutter(ask.cutter), shop.machine(ask.machine)
    nose = machine.spindle
    shape = cutter_shape(cutter, shop.holder_of(cutter), nose.nose_diameter_mm, nose.nose_length_mm)
    face = shape.body.top_mm - nose.nose_length_mm
    return material, cutter, machine, trial_cut(cutter, shape, face, material, machine, ask.bar_mm)


def write_trial(ask: TrialAsk, shop: Shop, target: Path) -> tuple[str, str]:
    """Write and prove a trial program; return what to say and the verdict."""
    material, cutter, machine, trial = _found(ask, shop)
    written = [WrittenCut(title, 1, trial.slot.spindle_rpm, path) for title, path in trial.steps]
    fastest = (
        machine.x.max_feed_mm_per_min,
        machine.y.max_feed_mm_per_min,
        machine.z.max_feed_mm_per_min,
        machine.a.max_deg_per_min,
    )
    title = f"trial {material.name}"
    (program, *_) = write_program(
        written,
        trial.setup,
        machine.dialect.writes,
        name=title,
        work_offset=trial.setup.work_offset,
        fastest_per_min=fastest,
        safe_z_mm=trial.safe_z_mm,
    )
    case = Case(
        ((target.name, program.text),), trial.setup, machine, None, ProofAsk(PROOF_MM), machine.dialect.reads, 0.05,
        trial.setup.cutters, material,
    )  # fmt: skip
    proof = prove_case(case, lambda stage, share: None)
    write_file(target, program.text.encode())
    lines = [
        f"{target}: {proof.verdict}",
        f"  a square bar of {mm(ask.bar_mm)}, at least {mm(trial.bar.to_x_mm, 1)} of it out of the jaws, a flat up, A at 0,",
        f"  X0 at the jaw face, Y0 Z0 on the axis. {cutter.name} cuts one slot {mm(trial.slot.ap_mm)} deep at "
        f"{trial.slot.spindle_rpm:.0f} rpm, from the free end toward the jaws:",
        *(f"    {name}" for name, _ in trial.steps),
        "  It lifts off between the steps. Note the power that the spindle draws idling and at each step; or lock a lever to",
        "  the bar with A free and let it rest on a kitchen scale; or note the first step at which spindle or axis gives",
        "  way, and STOP there.",
        *(f"  caution: {text}" for text in material.cautions),
        *(f"  {finding_text(item)}" for item in proof.findings),
        f"  then: newel shop fit {material.name!r} {cutter.name!r} --idle W --watts STEP=W …",
    ]
    return "\n".join(lines), str(proof.verdict)


def fit_trial(ask: TrialAsk, readings: Readings, shop: Shop) -> str:
    """Return what the readings of a trial say about the material, as text with a row for a shop file of one's own."""
    material, cutter, machine, trial = _found(ask, shop)
    slot, bands = trial.slot, []
    for step, watts in readings.watts:
        bands.append(from_watts(cutter, slot, material.mc, step, watts - readings.idle_W))
    if readings.stalled_at is not None:
        torque = spindle_torque_at_Nm(machine.spindle, slot.spindle_rpm)
        bands.append(from_stall(cutter, slot, material.mc, readings.stalled_at, torque))
    if readings.slipped_at is not None:
        bands.append(from_slip(cutter, slot, material.mc, readings.slipped_at, machine.a.holding_torque_Nm))
    for step, grams in readings.grams:
        bands.append(from_grams(cutter, slot, material.mc, step, grams, readings.arm_mm))
    low, middle, high = together(bands)
    return "\n".join([*_reading_lines(bands), *_band_lines(material, cutter, (low, middle, high))])


def _reading_lines(bands: Sequence[Band]) -> list[str]:
    return [f"  {one.what}: kc1.1 {one.low:.3g} to {one.high:.3g} N/mm2, likely {one.middle:.3g}" for one in bands]


def _band_lines(material: Material, cutter: Cutter, band: tuple[float, float, float]) -> list[str]:
    low, middle, high = band
    before = "{:g} to {:g}".format(*material.kc11_N_per_mm2)
    return [
        f"kc1.1 of {material.name}: {low:.3g} to {high:.3g} N/mm2, likely {middle:.3g} (the shop has {before})",
        "Lay this over the shop in a file of your own, and name the file with --shop:",
        "",
        "format = 1",
        f'[materials."{material.name}"]',
        f"kc11_N_per_mm2 = [{low:.3g}, {high:.3g}]",
        f'[materials."{material.name}".sources]',
        f'kc11_N_per_mm2 = "common practice: a trial cut on this machine with {cutter.name}, mc taken as {material.mc:g}"',
    ]


def step_readings(texts: Sequence[str], option: str) -> tuple[tuple[int, float], ...]:
    """Read 'STEP=VALUE' texts."""
    found = []
    for text in texts:
        step, _, value = text.partition("=")
        try:
            found.append((int(step), float(value)))
        except ValueError:
            raise BadInput(f"{text!r} is not STEP=VALUE", where=option, remedy=f"write it like {option} 3=120") from None
    return tuple(found)
