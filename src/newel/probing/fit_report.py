"""A fit in words: what was found and how surely, what the readings cannot tell, what stands out, what to read next."""

from __future__ import annotations

import math

from newel.core.errors import Infeasible
from newel.core.setup import SetUp
from newel.probing.fits import Estimate
from newel.probing.machine_fit import ZERO, MachineFit, suggest
from newel.probing.readings import Table
from newel.probing.routines import Probe, candidates
from newel.probing.touches import Touch

_WORDS = {
    "axis_y_mm": "rotary axis at the jaws, Y",
    "axis_z_mm": "rotary axis at the jaws, Z",
    "slope_y": "rotary axis along X, in Y",
    "slope_z": "rotary axis along X, in Z",
    "a_zero_deg": "A turned on at its zero",
    "a_scale": "degrees turned for a degree of A",
    "backlash_deg": "backlash of A",
    "bar_y_mm": "bar off the axis at the jaws, Y at A0",
    "bar_z_mm": "bar off the axis at the jaws, Z at A0",
    "bar_slope_y": "bar off the axis along X, Y at A0",
    "bar_slope_z": "bar off the axis along X, Z at A0",
    "width_mm": "bar's width or diameter",
    "height_mm": "bar's height",
    "out_of_square_deg": "bar's flats out of square",
    "ball_radius_mm": "ball's radius",
    "jaw_face_mm": "jaw face along X",
    "block_mm": "probe's length, too long by",
}


def words_for(name: str) -> str:
    """Return an unknown in shop words."""
    return f"gauge zero, {name[len(ZERO) :]}" if name.startswith(ZERO) else _WORDS.get(name, name)


def fit_text(found: MachineFit, table: Table, setup: SetUp, probe: Probe) -> str:
    """Return the fit for the terminal; bands are 95 % for all values together."""
    fit = found.fit
    lines = [f"{len(found.readings)} readings, spread of one {fit.reading_spread * 1000:.1f} µm"]
    if table.blank:
        lines.append(f"left blank: {', '.join(table.blank)}")
    lines += [*table.remarks, "", "found (± 95 % for all together):"]
    width = max(len(words_for(item.name)) for item in fit.estimates)
    lines += [
        f"  {words_for(item.name):<{width}}  {_number(item)}"
        for item in fit.estimates
        if item.told and not item.name.startswith(ZERO)
    ]
    if fit.dof < 2.5:
        lines.append("  (hardly more readings than unknowns: the bands rest on a spread of 10 µm that is only assumed)")
    run_out = 2.0 * math.hypot(found.measured.bar_y_mm, found.measured.bar_z_mm)
    if not {"bar_y_mm", "bar_z_mm"} & set(found.not_told) and any(item.name == "bar_y_mm" for item in fit.estimates):
        lines.append(f"  the bar's run-out at the jaws is {run_out:.3f} mm")
    silent = [name for name in found.not_told if not name.startswith(ZERO)]
    if silent:
        lines += ["", "these readings cannot tell (left as planned):"]
        lines += [f"  {words_for(name)}" for name in silent]
        for mix in fit.blind:
            if len(mix) > 1:
                lines.append("  only together: " + ", ".join(f"{words_for(name)} ({share:+.2f})" for name, share in mix))
    if fit.outliers:
        lines += ["", "readings that stand out (kept; touch them again, or leave one out with --leave-out NAME):"]
        lines += [
            f"  {item.label}: off by {item.residual * 1000:+.0f} µm, where {item.limit * 1000:.0f} is the most to expect"
            for item in fit.outliers
        ]
    extra = suggest(found, _could_be_added(setup, probe), setup)
    if extra:
        lines += ["", "extra readings that would help most:"]
        lines += [
            f"  {item.touch.name}: {words_for(item.about)} from ± {2 * item.spread_now:.2g} to "
            f"± {2 * item.spread_then:.2g} {item.unit}"
            for item in extra
        ]
    return "\n".join(lines)


def _could_be_added(setup: SetUp, probe: Probe) -> tuple[Touch, ...]:
    """Return the touches that could be added; none on a bar too short for two sections apart."""
    try:
        return candidates(setup, probe)
    except Infeasible:
        return ()


def _number(item: Estimate) -> str:
    if item.unit == "mm/mm":
        turned = math.degrees(math.atan(item.value))
        return f"{1000 * item.value:+.3f} ± {1000 * item.band_all:.3f} mm a metre ({turned:+.3f}°)"
    digits = {"mm": 3, "deg": 3}.get(item.unit, 6)
    unit = {"mm": " mm", "deg": "°"}.get(item.unit, "")
    return f"{item.value:+.{digits}f} ± {item.band_all:.{digits}f}{unit}"
